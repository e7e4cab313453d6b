//! The server: requests become [`Ask`]s, answers become JSON.

use std::future::{Future, IntoFuture};
use std::io;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::rejection::{BytesRejection, QueryRejection};
use axum::extract::{DefaultBodyLimit, Path, Query as Args, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use futures_util::stream;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::timeout;

use crate::domain::UnitId;
use crate::query::{Answer, OrderQuery, Query, Scope};

use super::access::Caller;
use super::api::{self, Form};
use super::problem::Problem;
use super::socket::LocalSocket;
use super::{Ask, REQUEST_BYTES_MAX, route};

/// How long a question may wait for its answer.
pub const ANSWER_WITHIN: Duration = Duration::from_secs(20);
/// How long open connections may take to end once the server stops.
pub const CLOSE_WITHIN: Duration = Duration::from_secs(2);

/// Where questions go.
pub type Asks = Arc<mpsc::Sender<Ask>>;

/// The routes of `/api/v1` for whoever reaches the local socket; questions go to `asks`.
pub fn router(asks: mpsc::Sender<Ask>) -> Router {
    open_router(asks).layer(Extension(Caller::local()))
}

/// The same routes, behind something that tells who asks.
pub fn open_router(asks: mpsc::Sender<Ask>) -> Router {
    Router::new()
        .route(route::UNITS, get(units))
        .route(route::UNKNOWN, get(unknown))
        .route(route::ASSESSMENT, get(assessment))
        .route(route::LOGBOOK, get(logbook).post(log))
        .route(route::TREND, get(trend))
        .route(route::ALERTS, get(alerts))
        .route(route::ORDER, post(order))
        .merge(api::routes())
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

async fn units(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    api::table(&asks, &who, form, Query::Units).await
}

async fn unknown(State(asks): State<Asks>, Extension(who): Extension<Caller>) -> Response {
    ask(&asks, &who, Query::Unknown).await
}

async fn assessment(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
) -> Response {
    about(&asks, &who, &unit, |unit| Query::Assessment { unit }).await
}

async fn logbook(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    api::table_about(&asks, &who, &unit, form, |unit| Query::Logbook { unit }).await
}

async fn trend(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    api::table_about(&asks, &who, &unit, form, |unit| Query::Trend { unit }).await
}

async fn log(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path(unit): Path<(String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(rejection) => return Problem::new(rejection.status(), rejection.body_text()).into_response(),
    };
    match serde_json::from_slice(&body) {
        Ok(entry) => about(&asks, &who, &unit, |unit| Query::Log { unit, entry }).await,
        Err(e) => {
            let detail = format!("the body is not a service entry ({e}); send {{\"time\":…,\"action\":…}}");
            Problem::new(StatusCode::BAD_REQUEST, detail).into_response()
        }
    }
}

async fn alerts(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    form: Result<Args<Form>, QueryRejection>,
) -> Response {
    api::table(&asks, &who, form, Query::Alerts).await
}

async fn order(
    State(asks): State<Asks>,
    Extension(who): Extension<Caller>,
    Path((site, unit, kind)): Path<(String, String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(rejection) => return Problem::new(rejection.status(), rejection.body_text()).into_response(),
    };
    match serde_json::from_slice(&body) {
        Ok(order) => ask(&asks, &who, Query::Order(OrderQuery { site, unit, kind, order })).await,
        Err(e) => {
            let detail = format!("the body is not an order ({e}); send {{\"do\":\"acknowledge\",\"by\":…}}");
            Problem::new(StatusCode::BAD_REQUEST, detail).into_response()
        }
    }
}

pub(super) async fn about(
    asks: &Asks,
    who: &Caller,
    (site, unit): &(String, String),
    query: impl FnOnce(UnitId) -> Query,
) -> Response {
    match UnitId::new(site, unit) {
        Ok(unit) => ask(asks, who, query(unit)).await,
        Err(e) => Problem::new(StatusCode::NOT_FOUND, e.to_string()).into_response(),
    }
}

pub(super) async fn ask(asks: &Asks, who: &Caller, query: Query) -> Response {
    match answer(asks, who, query).await {
        Ok(answer) => respond(answer),
        Err(response) => *response,
    }
}

/// The answer to a question, within what the asker may see; a refusal is an answer.
pub(super) async fn answer(asks: &Asks, who: &Caller, query: Query) -> Result<Answer, Box<Response>> {
    if query == Query::Unknown && who.scope != Scope::All {
        return Err(Box::new(Problem::new(StatusCode::NOT_FOUND, "no such address").into_response()));
    }
    let (reply, answer) = oneshot::channel();
    let unavailable = |says| Err(Box::new(unavailable(says)));
    match asks.try_send(Ask { query, scope: who.scope.clone(), reply }) {
        Ok(()) => {}
        Err(TrySendError::Full(_)) => return unavailable("too many questions at once; ask again in a moment"),
        Err(TrySendError::Closed(_)) => return unavailable("the daemon is stopping"),
    }
    match timeout(ANSWER_WITHIN, answer).await {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(_)) => unavailable("the daemon is stopping"),
        Err(_) => unavailable("the daemon did not answer in time; ask again in a moment"),
    }
}

fn unavailable(detail: &str) -> Response {
    let mut response = Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).into_response();
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
    response
}

pub(super) fn respond(answer: Answer) -> Response {
    let status = match &answer {
        Answer::Logged(logged) if !logged.already => StatusCode::CREATED,
        _ => StatusCode::OK,
    };
    let mut pieces = match route::to_json(answer) {
        Ok(pieces) => pieces.peekable(),
        Err(refusal) => return Problem::from(refusal).into_response(),
    };
    let body = match (pieces.next(), pieces.peek()) {
        (Some(Err(e)), _) => return Problem::new(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()).into_response(),
        (Some(Ok(all)), None) => Body::from(all),
        (first, _) => Body::from_stream(stream::iter(first.into_iter().chain(pieces))),
    };
    (status, [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], body).into_response()
}
