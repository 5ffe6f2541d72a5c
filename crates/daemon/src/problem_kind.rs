//! Kinds of problems. The names are part of the API: a change here changes the API.

use serde::Serialize;
use utoipa::ToSchema;

/// Kind of a problem, as a stable URI reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) enum ProblemKind {
    #[serde(rename = "/problems/already-started")]
    AlreadyStarted,
    #[serde(rename = "/problems/bad-answer")]
    BadAnswer,
    #[serde(rename = "/problems/bad-request")]
    BadRequest,
    #[serde(rename = "/problems/bad-text")]
    BadText,
    #[serde(rename = "/problems/busy")]
    Busy,
    #[serde(rename = "/problems/disk-hangs")]
    DiskHangs,
    #[serde(rename = "/problems/ending")]
    Ending,
    #[serde(rename = "/problems/foreign-host")]
    ForeignHost,
    #[serde(rename = "/problems/foreign-origin")]
    ForeignOrigin,
    #[serde(rename = "/problems/foreign-user")]
    ForeignUser,
    #[serde(rename = "/problems/inside")]
    Inside,
    #[serde(rename = "/problems/key-reused")]
    KeyReused,
    #[serde(rename = "/problems/method")]
    Method,
    #[serde(rename = "/problems/mounted")]
    Mounted,
    #[serde(rename = "/problems/never-began")]
    NeverBegan,
    #[serde(rename = "/problems/not-finished")]
    NotFinished,
    #[serde(rename = "/problems/not-found")]
    NotFound,
    #[serde(rename = "/problems/not-mounted")]
    NotMounted,
    #[serde(rename = "/problems/not-open")]
    NotOpen,
    #[serde(rename = "/problems/not-planned")]
    NotPlanned,
    #[serde(rename = "/problems/not-ready")]
    NotReady,
    #[serde(rename = "/problems/nothing-to-decide")]
    NothingToDecide,
    #[serde(rename = "/problems/plug-was-out")]
    PlugWasOut,
    #[serde(rename = "/problems/queue-full")]
    QueueFull,
    #[serde(rename = "/problems/record-changed")]
    RecordChanged,
    #[serde(rename = "/problems/round-changed")]
    RoundChanged,
    #[serde(rename = "/problems/sheets-changed")]
    SheetsChanged,
    #[serde(rename = "/problems/stopped")]
    Stopped,
    #[serde(rename = "/problems/to-confirm")]
    ToConfirm,
    #[serde(rename = "/problems/too-large")]
    TooLarge,
    #[serde(rename = "/problems/too-many")]
    TooMany,
    #[serde(rename = "/problems/too-many-connections")]
    TooManyConnections,
    #[serde(rename = "/problems/too-many-watch")]
    TooManyWatch,
    #[serde(rename = "/problems/too-slow")]
    TooSlow,
    #[serde(rename = "/problems/unsafe-alone")]
    UnsafeAlone,
}
