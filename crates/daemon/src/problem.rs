//! Errors over HTTP: problem details (RFC 9457).

pub(crate) use crate::problem_kind::ProblemKind;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::collections::BTreeMap;
use tripbench_bench::{NotPlanned, NotStarted, Refusal, chain};
use tripbench_sheet::identifying;
use utoipa::openapi::{ContentBuilder, Ref, RefOr, ResponseBuilder};
use utoipa::{IntoResponses, ToSchema};

/// A problem with a request, as `application/problem+json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Problem {
    /// Kind of the problem.
    #[serde(rename = "type")]
    pub kind: ProblemKind,
    /// Title of the kind, for people.
    pub title: String,
    /// HTTP status.
    pub status: u16,
    /// What is wrong in this request: place, value, and what is allowed.
    pub detail: String,
    /// Findings of sheets, as text.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<String>,
}

impl Problem {
    /// A problem of a kind.
    pub(crate) fn new(status: StatusCode, kind: ProblemKind, title: &str, detail: impl Into<String>) -> Self {
        Self {
            kind,
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            findings: Vec::new(),
        }
    }

    /// The requested item does not exist.
    pub(crate) fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, ProblemKind::NotFound, "Not found", detail)
    }

    /// A text that identifies something, without spaces at its ends.
    ///
    /// # Errors
    /// If it is empty, too long, or has characters that cannot be seen.
    pub(crate) fn check_text(place: &str, text: &str, most: usize) -> Result<String, Self> {
        identifying(text, most).map(str::to_owned).map_err(|why| {
            let detail = format!("`{place}` {why}");
            Self::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                ProblemKind::BadText,
                "This text is not allowed",
                detail,
            )
        })
    }

    /// A device cannot be tested again.
    fn not_again(detail: String) -> Self {
        Self::new(StatusCode::CONFLICT, ProblemKind::NothingToDecide, "Cannot be tested again", detail)
    }

    /// A fault of the program.
    pub(crate) fn inside(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, ProblemKind::Inside, "Internal error", detail)
    }

    /// The requested run cannot be planned.
    fn not_planned(detail: String) -> Self {
        Self::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            ProblemKind::NotPlanned,
            "The run cannot be planned",
            detail,
        )
    }

    /// An invalid body or parameter.
    pub(crate) fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, ProblemKind::BadRequest, "The request is not valid", detail)
    }
}

/// Problem responses of every request: from another site, or too many changes.
pub(crate) struct Refused;

/// Problem responses of a request with a body, those of every request included.
pub(crate) struct BodyRefused;

/// Responses with these statuses, each with a problem as its body.
fn problems(of: &[(StatusCode, &str)]) -> BTreeMap<String, RefOr<utoipa::openapi::Response>> {
    let response = |(status, why): &(StatusCode, &str)| {
        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
        let response = ResponseBuilder::new().description(*why).content("application/problem+json", content);
        (status.as_u16().to_string(), RefOr::T(response.build()))
    };
    of.iter().map(response).collect()
}

impl IntoResponses for Refused {
    fn responses() -> BTreeMap<String, RefOr<utoipa::openapi::Response>> {
        problems(&[
            (StatusCode::BAD_REQUEST, "A query key that this path does not know"),
            (StatusCode::FORBIDDEN, "Not for this machine, or from another site's page"),
            (StatusCode::TOO_MANY_REQUESTS, "Too many changes"),
        ])
    }
}

impl IntoResponses for BodyRefused {
    fn responses() -> BTreeMap<String, RefOr<utoipa::openapi::Response>> {
        let mut all = Refused::responses();
        all.extend(problems(&[
            (
                StatusCode::BAD_REQUEST,
                "Not JSON, fields that exclude each other, or a query key that this path does not know",
            ),
            (StatusCode::REQUEST_TIMEOUT, "Incomplete after 10 seconds"),
            (StatusCode::PAYLOAD_TOO_LARGE, "More than 256 KiB"),
            (StatusCode::UNSUPPORTED_MEDIA_TYPE, "Content type other than application/json"),
            (StatusCode::UNPROCESSABLE_ENTITY, "A value that is not allowed"),
        ]));
        all
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let detail = refusal.to_string();
        match refusal {
            Refusal::RoundChanged { .. } | Refusal::Remounted { .. } => Self::new(
                StatusCode::CONFLICT,
                ProblemKind::RoundChanged,
                "The round was changed meanwhile",
                detail,
            ),
            Refusal::Mounted => {
                Self::new(StatusCode::CONFLICT, ProblemKind::Mounted, "A round is mounted", detail)
            }
            Refusal::ToConfirm(_) | Refusal::OutOfSight { .. } => {
                Self::new(StatusCode::CONFLICT, ProblemKind::ToConfirm, "Please confirm", detail)
            }
            Refusal::NothingRuns | Refusal::NotOpen(_) => {
                Self::new(StatusCode::CONFLICT, ProblemKind::NotOpen, "Nothing to answer", detail)
            }
            Refusal::NoSuchPosition { .. }
            | Refusal::PositionTwice { .. }
            | Refusal::NotASerial { .. }
            | Refusal::TwoNumbers { .. } => Self::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                ProblemKind::NotMounted,
                "This cannot be mounted",
                detail,
            ),
            Refusal::AlreadyStarted => Self::new(
                StatusCode::CONFLICT,
                ProblemKind::AlreadyStarted,
                "This round was started already",
                detail,
            ),
            Refusal::QueueFull { .. } => {
                Self::new(StatusCode::CONFLICT, ProblemKind::QueueFull, "Too many runs wait", detail)
            }
            Refusal::UnsafeAlone => {
                Self::new(StatusCode::CONFLICT, ProblemKind::UnsafeAlone, "This rig must be attended", detail)
            }
            Refusal::Busy => {
                Self::new(StatusCode::CONFLICT, ProblemKind::Busy, "A run is in progress", detail)
            }
            Refusal::PlugWasOut { .. } => Self::new(
                StatusCode::CONFLICT,
                ProblemKind::PlugWasOut,
                "A plug was seen out meanwhile",
                detail,
            ),
            Refusal::MayBeGone { .. } => Self::not_again(detail),
            Refusal::Stopped { .. } => {
                Self::new(StatusCode::CONFLICT, ProblemKind::Stopped, "Stopped meanwhile", detail)
            }
            Refusal::NotReady(_) | Refusal::TooLate => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                ProblemKind::NotReady,
                "The rig is not ready",
                detail,
            ),
            Refusal::Ending => Self::new(
                StatusCode::SERVICE_UNAVAILABLE,
                ProblemKind::Ending,
                "The daemon is ending",
                detail,
            ),
            Refusal::NoOwner => Self::inside(detail),
        }
    }
}

impl From<NotStarted> for Problem {
    fn from(why: NotStarted) -> Self {
        match why {
            NotStarted::Refused(refusal) => refusal.into(),
            NotStarted::NotPlanned(why) => why.into(),
            NotStarted::NotAgain(detail) => Self::not_again(detail),
        }
    }
}

impl From<NotPlanned> for Problem {
    fn from(why: NotPlanned) -> Self {
        let detail = chain(&why);
        match why {
            NotPlanned::SheetsChanged => Self::new(
                StatusCode::CONFLICT,
                ProblemKind::SheetsChanged,
                "The sheets were changed meanwhile",
                detail,
            ),
            NotPlanned::Findings(findings) => Self { findings, ..Self::not_planned(detail) },
            NotPlanned::RigChanged
            | NotPlanned::RigThen
            | NotPlanned::OtherRig(_)
            | NotPlanned::NoScript
            | NotPlanned::NoDevice
            | NotPlanned::Job(_) => Self::not_planned(detail),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        (status, [(header::CONTENT_TYPE, "application/problem+json")], body).into_response()
    }
}
