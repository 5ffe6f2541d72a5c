//! What every sheet begins with: a name, a revision and a state.

use crate::reader::Reader;
use crate::source::At;
use crate::words;

words! {
    /// How far a sheet has come.
    pub enum State {
        /// Being written: a run on it is marked "trial".
        Draft = "draft",
        /// In use.
        Released = "released",
        /// No longer to be used.
        Withdrawn = "withdrawn",
    }
}

/// Name, revision and state of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    /// What people call it.
    pub name: At<String>,
    /// Its revision.
    pub revision: At<String>,
    /// How far it has come.
    pub state: At<State>,
}

impl Header {
    /// Reads `name`, `revision` and `state`.
    pub fn read(reader: &Reader<'_>) -> Option<Self> {
        let name = reader.required("name", "what people call this sheet");
        let revision = reader.or("revision", "revision of this sheet", String::from("0"));
        let state = reader.or("state", "draft (runs on it are trials), released or withdrawn", State::Draft);
        Some(Self { name: name?, revision: revision?, state: state? })
    }
}
