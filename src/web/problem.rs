//! Problem details (RFC 9457): how the interface says no.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use crate::query::{Refusal, RefusalKind};

/// The media type of RFC 9457.
pub const PROBLEM_JSON: &str = "application/problem+json";

/// One problem. `type` is left out, which by RFC 9457 means `about:blank`: the title is that of the status.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// The status's own words.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What is wrong with this request and what to do.
    pub detail: String,
    /// Our own kind of refusal, if it is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<RefusalKind>,
}

impl Problem {
    /// A problem that is none of the [`RefusalKind`]s.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("problem").to_owned();
        Self { title, status: status.as_u16(), detail: detail.into(), kind: None }
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let status = match refusal.kind {
            RefusalKind::NoSuchUnit | RefusalKind::NothingYet => StatusCode::NOT_FOUND,
            RefusalKind::BadSpan | RefusalKind::BadEntry => StatusCode::UNPROCESSABLE_ENTITY,
            RefusalKind::Store => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self { kind: Some(refusal.kind), ..Self::new(status, refusal.says) }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_vec(&self).unwrap_or_default();
        (status, [(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON))], body).into_response()
    }
}
