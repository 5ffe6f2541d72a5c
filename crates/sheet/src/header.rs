//! The header of a sheet: name, revision and state.

use crate::reader::Reader;
use crate::source::At;
use crate::words;

words! {
    /// State of release of a sheet.
    pub enum State {
        /// Not released yet: a run on it is marked "trial".
        Draft = "draft",
        /// Approved for use.
        Released = "released",
        /// No longer to be used.
        Withdrawn = "withdrawn",
    }
}

/// Name, revision and state of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    /// Name that people use for the sheet.
    pub name: At<String>,
    /// Revision; "0" by default.
    pub revision: At<String>,
    /// State of release; draft by default.
    pub state: At<State>,
}

impl Header {
    /// Reads `name`, `revision` and `state`.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let name = reader.required("name", "name of this sheet");
        let revision = reader.or("revision", "revision of this sheet", String::from("0"));
        let state = reader.or("state", "draft (runs on it are trials), released or withdrawn", State::Draft);
        Some(Self { name: name?, revision: revision?, state: state? })
    }
}
