//! The papers' routes: the same questions as the pages', the values become PDF.

use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Router};

use super::access::Caller;
use super::pages::{bad_page, month_values, sheet_values};
use super::server::Asks;
use super::trip::{Rules, round_values};
use crate::clock;
use crate::paper::{self, Paper};

/// Sheet, round and month.
pub fn routes(asks: Asks) -> Router {
    Router::new()
        .route("/units/{site}/{unit}/sheet.pdf", get(sheet_paper))
        .route("/round.pdf", get(round_paper))
        .route("/months/{site}/{month}/record.pdf", get(month_paper))
        .with_state(asks)
}

/// A PDF. Setting it takes tens of milliseconds of work: not among the connections.
async fn printed(who: &Caller, file: String, make: impl FnOnce() -> Paper + Send + 'static) -> Response {
    match tokio::task::spawn_blocking(move || paper::pdf(&make())).await {
        Ok(Ok(bytes)) => {
            let shown = HeaderValue::from_str(&format!("inline; filename=\"{file}\""));
            let shown = shown.unwrap_or_else(|_| HeaderValue::from_static("inline"));
            let kind = HeaderValue::from_static("application/pdf");
            ([(header::CONTENT_TYPE, kind), (header::CONTENT_DISPOSITION, shown)], bytes).into_response()
        }
        Ok(Err(e)) => bad_page(who, StatusCode::INTERNAL_SERVER_ERROR, &e.to_string()),
        Err(_) => bad_page(who, StatusCode::INTERNAL_SERVER_ERROR, "the paper could not be made; this is a bug"),
    }
}

async fn sheet_paper(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    match sheet_values(&asks, &who, &unit).await {
        Ok((dossier, series)) => {
            let file = format!("sheet-{}-{}.pdf", unit.0, unit.1);
            printed(&who, file, move || paper::sheet::sheet(&dossier, &series, clock::now())).await
        }
        Err(response) => *response,
    }
}

async fn round_paper(State(asks): State<Asks>, Extension(who): Extension<Caller>, rules: Rules) -> Response {
    match round_values(&asks, &who, rules).await {
        Ok(round) => {
            let file = format!("round-{}.pdf", round.today);
            printed(&who, file, move || paper::round::round(&round, clock::now())).await
        }
        Err(response) => *response,
    }
}

async fn month_paper(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(which): Path<(String, String)>,
) -> Response {
    match month_values(&asks, &who, which).await {
        Ok((record, zone)) => {
            let file = format!("record-{}-{}.pdf", record.site, record.month);
            printed(&who, file, move || paper::month::month(&record, &zone, clock::now())).await
        }
        Err(response) => *response,
    }
}
