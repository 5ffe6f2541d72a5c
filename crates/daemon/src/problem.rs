//! Errors over HTTP: problem details (RFC 9457).

use crate::refusal::Refusal;
use crate::sheets::NotPlanned;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

/// What is wrong with a request, as `application/problem+json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Problem {
    /// Kind of the problem: a URI reference that stays the same for a kind.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind, for people.
    pub title: String,
    /// HTTP status.
    pub status: u16,
    /// What is wrong here: place, value, what is allowed.
    pub detail: String,
    /// Findings of sheets, as text.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<String>,
}

impl Problem {
    /// A problem of a kind.
    pub(crate) fn new(status: StatusCode, kind: &str, title: &str, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("/problems/{kind}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            findings: Vec::new(),
        }
    }

    /// No such thing.
    pub(crate) fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", "There is no such thing", detail)
    }

    /// A body or a parameter that is not what it should be.
    pub(crate) fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "bad-request", "The request is not as it should be", detail)
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let detail = refusal.to_string();
        match refusal {
            Refusal::RoundChanged { .. } => {
                Self::new(StatusCode::CONFLICT, "round-changed", "The round was changed meanwhile", detail)
            }
            Refusal::TwiceInARound { .. } => {
                Self::new(StatusCode::CONFLICT, "serial-twice", "A serial number stands twice", detail)
            }
            Refusal::NothingRuns | Refusal::NotOpen(_) => {
                Self::new(StatusCode::CONFLICT, "not-open", "Nothing to answer", detail)
            }
            Refusal::NoSuchPosition { .. } | Refusal::PositionTwice { .. } | Refusal::NotASerial { .. } => {
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, "not-mounted", "This can not be mounted", detail)
            }
            Refusal::AlreadyStarted => {
                Self::new(StatusCode::CONFLICT, "already-started", "This round was started already", detail)
            }
            Refusal::Stopped => Self::new(StatusCode::CONFLICT, "stopped", "Stopped meanwhile", detail),
            Refusal::NotReady(_) => {
                Self::new(StatusCode::SERVICE_UNAVAILABLE, "not-ready", "The rig is not ready", detail)
            }
            Refusal::Ending => {
                Self::new(StatusCode::SERVICE_UNAVAILABLE, "ending", "The daemon is ending", detail)
            }
        }
    }
}

impl From<NotPlanned> for Problem {
    fn from(why: NotPlanned) -> Self {
        let detail = why.to_string();
        let mut problem =
            Self::new(StatusCode::UNPROCESSABLE_ENTITY, "not-planned", "No run can be made of this", detail);
        if let NotPlanned::Findings(findings) = why {
            problem.findings = findings;
        }
        problem
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        (status, [(header::CONTENT_TYPE, "application/problem+json")], body).into_response()
    }
}
