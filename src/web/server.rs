//! The server: requests become [`Ask`]s, answers become JSON.

use std::future::{Future, IntoFuture};
use std::io;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{DefaultBodyLimit, Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::timeout;

use crate::domain::UnitId;
use crate::query::{Answer, OrderQuery, Query};

use super::problem::Problem;
use super::socket::LocalSocket;
use super::{Ask, REQUEST_BYTES_MAX, route};

/// How long a question may wait for its answer.
pub const ANSWER_WITHIN: Duration = Duration::from_secs(20);
/// How long open connections may take to end once the server stops.
pub const CLOSE_WITHIN: Duration = Duration::from_secs(2);

type Asks = Arc<mpsc::Sender<Ask>>;

/// The routes of `/api/v1`; questions go to `asks`.
pub fn router(asks: mpsc::Sender<Ask>) -> Router {
    Router::new()
        .route(route::UNITS, get(units))
        .route(route::UNKNOWN, get(unknown))
        .route(route::ASSESSMENT, get(assessment))
        .route(route::LOGBOOK, get(logbook).post(log))
        .route(route::TREND, get(trend))
        .route(route::ALERTS, get(alerts))
        .route(route::ORDER, post(order))
        .fallback(async || Problem::new(StatusCode::NOT_FOUND, "no such address; the API is under /api/v1"))
        .method_not_allowed_fallback(async || {
            Problem::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not take that method; see the Allow header")
        })
        .layer(DefaultBodyLimit::max(REQUEST_BYTES_MAX))
        .with_state(Arc::new(asks))
}

/// Serves `socket` until `stop` completes, then ends open connections within [`CLOSE_WITHIN`] and removes the socket.
pub async fn serve(
    socket: LocalSocket,
    asks: mpsc::Sender<Ask>,
    stop: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    serve_routes(socket, router(asks), stop).await
}

/// The same for any routes.
pub async fn serve_routes(
    mut socket: LocalSocket,
    routes: Router,
    stop: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let Some(listener) = socket.take_listener() else { return Ok(()) };
    let (stopping, mut stopped) = watch::channel(());
    let graceful = async move {
        stop.await;
        drop(stopping);
    };
    let server = axum::serve(listener, routes).with_graceful_shutdown(graceful).into_future();
    let too_late = async move {
        while stopped.changed().await.is_ok() {}
        tokio::time::sleep(CLOSE_WITHIN).await;
    };
    tokio::select! {
        ended = server => ended,
        () = too_late => Ok(()),
    }
}

async fn units(State(asks): State<Asks>) -> Response {
    ask(&asks, Query::Units).await
}

async fn unknown(State(asks): State<Asks>) -> Response {
    ask(&asks, Query::Unknown).await
}

async fn assessment(State(asks): State<Asks>, Path(unit): Path<(String, String)>) -> Response {
    about(&asks, &unit, |unit| Query::Assessment { unit }).await
}

async fn logbook(State(asks): State<Asks>, Path(unit): Path<(String, String)>) -> Response {
    about(&asks, &unit, |unit| Query::Logbook { unit }).await
}

async fn trend(State(asks): State<Asks>, Path(unit): Path<(String, String)>) -> Response {
    about(&asks, &unit, |unit| Query::Trend { unit }).await
}

async fn log(
    State(asks): State<Asks>,
    Path(unit): Path<(String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(rejection) => return Problem::new(rejection.status(), rejection.body_text()).into_response(),
    };
    match serde_json::from_slice(&body) {
        Ok(entry) => about(&asks, &unit, |unit| Query::Log { unit, entry }).await,
        Err(e) => {
            let detail = format!("the body is not a service entry ({e}); send {{\"time\":…,\"action\":…}}");
            Problem::new(StatusCode::BAD_REQUEST, detail).into_response()
        }
    }
}

async fn alerts(State(asks): State<Asks>) -> Response {
    ask(&asks, Query::Alerts).await
}

async fn order(
    State(asks): State<Asks>,
    Path((site, unit, kind)): Path<(String, String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(rejection) => return Problem::new(rejection.status(), rejection.body_text()).into_response(),
    };
    match serde_json::from_slice(&body) {
        Ok(order) => ask(&asks, Query::Order(OrderQuery { site, unit, kind, order })).await,
        Err(e) => {
            let detail = format!("the body is not an order ({e}); send {{\"do\":\"acknowledge\",\"by\":…}}");
            Problem::new(StatusCode::BAD_REQUEST, detail).into_response()
        }
    }
}

async fn about(asks: &Asks, (site, unit): &(String, String), query: impl FnOnce(UnitId) -> Query) -> Response {
    match UnitId::new(site, unit) {
        Ok(unit) => ask(asks, query(unit)).await,
        Err(e) => Problem::new(StatusCode::NOT_FOUND, e.to_string()).into_response(),
    }
}

async fn ask(asks: &Asks, query: Query) -> Response {
    let (reply, answer) = oneshot::channel();
    match asks.try_send(Ask { query, reply }) {
        Ok(()) => {}
        Err(TrySendError::Full(_)) => return unavailable("too many questions at once; ask again in a moment"),
        Err(TrySendError::Closed(_)) => return unavailable("the daemon is stopping"),
    }
    match timeout(ANSWER_WITHIN, answer).await {
        Ok(Ok(answer)) => respond(answer),
        Ok(Err(_)) => unavailable("the daemon is stopping"),
        Err(_) => unavailable("the daemon did not answer in time; ask again in a moment"),
    }
}

fn unavailable(detail: &str) -> Response {
    let mut response = Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).into_response();
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
    response
}

fn respond(answer: Answer) -> Response {
    let status = match &answer {
        Answer::Logged(logged) if !logged.already => StatusCode::CREATED,
        _ => StatusCode::OK,
    };
    match (route::to_json(&answer), answer) {
        (_, Answer::Refused(refusal)) => Problem::from(refusal).into_response(),
        (Ok(Some(body)), _) => {
            (status, [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], body).into_response()
        }
        (Ok(None), _) => StatusCode::NO_CONTENT.into_response(),
        (Err(e), _) => Problem::new(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()).into_response(),
    }
}
