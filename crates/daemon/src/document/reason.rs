//! Why something is as it is, as the API has it.

use serde::Serialize;
use utoipa::ToSchema;

/// Why something is as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Reason {
    /// Kind of the reason, a word of the record.
    pub kind: String,
    /// The reason, in English.
    pub text: String,
}
