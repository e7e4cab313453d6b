//! Much data at once over the local interface, in both directions, without keeping much of it in memory.
//!
//! - `GET /api/v1/archive`: an archive (see [`crate::archive`], which documents the form) of the selection in the query:
//!   `of=SITE` or `of=SITE/UNIT`, `from=TIME`, `to=TIME` (RFC 3339, `to` excluded), `logbook=true` for the service history
//!   instead of the readings, `everything=true` for a backup. Made while it is read; an archive without its `END.` was
//!   cut off.
//! - `POST /api/v1/archive`: takes in the readings and service entries of an archive of at most 16 MiB, only of units in
//!   the config; durable when it is answered (`Taken` as JSON). The same again changes nothing.
//! - `GET /api/v1/check`: reads everything that is stored and checks it. Lines of JSON: `{"progress":…}` now and then,
//!   at last `{"report":…}`, or `{"failed":"…"}`.
//!
//! At most [`AT_ONCE`] of these at a time; others are told to come again (503).

use std::io::{self, Write};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::rejection::{BytesRejection, QueryRejection};
use axum::extract::{DefaultBodyLimit, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde::{Deserialize, Serialize};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::task::spawn_blocking;

use crate::archive::{CheckProgress, CheckReport, Selection, Taken};
use crate::query::Refusal;

use super::problem::Problem;

/// Taking out and bringing in.
pub const ARCHIVE: &str = "/api/v1/archive";
/// Checking what is stored.
pub const CHECK: &str = "/api/v1/check";
/// The greatest archive that is taken in at once, bytes.
pub const ARCHIVE_BYTES_MAX: usize = 16 << 20;
/// How many of these requests are served at a time.
pub const AT_ONCE: usize = 2;

/// Bytes sent at a time.
const CHUNK_BYTES: usize = 64 << 10;
/// Chunks that may wait for a slow reader.
const CHUNKS_WAITING: usize = 4;

/// Where the data is. Blocking.
pub trait Warehouse: Send + Sync + 'static {
    /// Writes an archive of the selection. What goes wrong in the store stands in the archive; an error is of `out`.
    fn hand_out(&self, wanted: &Selection, out: &mut dyn Write) -> io::Result<()>;
    /// Stores what an archive holds, durably.
    fn take_in(&self, archive: &[u8]) -> Result<Taken, Refusal>;
    /// Reads everything and checks it.
    fn check(&self, progress: &mut dyn FnMut(CheckProgress)) -> Result<CheckReport, String>;
}

/// One line of the answer to [`CHECK`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckLine {
    /// How far it is.
    Progress(CheckProgress),
    /// The end of it.
    Report(CheckReport),
    /// It cannot go on.
    Failed(String),
}

#[derive(Clone)]
struct Desk {
    warehouse: Arc<dyn Warehouse>,
    room: Arc<Semaphore>,
}

/// The routes of this module, to be merged with the others.
pub fn router(warehouse: Arc<dyn Warehouse>) -> Router {
    Router::new()
        .route(ARCHIVE, get(hand_out).post(take_in))
        .route(CHECK, get(check))
        .layer(DefaultBodyLimit::max(ARCHIVE_BYTES_MAX))
        .with_state(Desk { warehouse, room: Arc::new(Semaphore::new(AT_ONCE)) })
}

async fn hand_out(State(desk): State<Desk>, wanted: Result<Query<Selection>, QueryRejection>) -> Response {
    let Query(wanted) = match wanted {
        Ok(wanted) => wanted,
        Err(rejection) => return Problem::new(StatusCode::BAD_REQUEST, rejection.body_text()).into_response(),
    };
    stream(&desk, "application/octet-stream", move |warehouse, out| warehouse.hand_out(&wanted, out))
}

async fn take_in(State(desk): State<Desk>, body: Result<Bytes, BytesRejection>) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(rejection) => return Problem::new(rejection.status(), rejection.body_text()).into_response(),
    };
    let Ok(permit) = Arc::clone(&desk.room).try_acquire_owned() else { return crowded() };
    let taken = spawn_blocking(move || {
        let taken = desk.warehouse.take_in(&body);
        drop(permit);
        taken
    });
    match taken.await {
        Ok(Ok(taken)) => axum::Json(taken).into_response(),
        Ok(Err(refusal)) => Problem::from(refusal).into_response(),
        Err(panicked) => Problem::new(StatusCode::INTERNAL_SERVER_ERROR, panicked.to_string()).into_response(),
    }
}

async fn check(State(desk): State<Desk>) -> Response {
    stream(&desk, "application/x-ndjson", |warehouse, out| {
        let mut shown = 0;
        let mut gone = Ok(());
        let report = warehouse.check(&mut |progress| {
            // A line a percent is enough for any bar.
            if gone.is_ok() && progress.done >= shown + progress.of / 100 {
                shown = progress.done;
                gone = line(out, &CheckLine::Progress(progress));
            }
        });
        gone?;
        line(out, &report.map_or_else(CheckLine::Failed, CheckLine::Report))
    })
}

fn line(out: &mut dyn Write, line: &CheckLine) -> io::Result<()> {
    serde_json::to_writer(&mut *out, line)?;
    out.write_all(b"\n")?;
    out.flush()
}

fn crowded() -> Response {
    let detail = "too much is being exported, imported or checked at once; try again in a moment";
    let mut response = Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).into_response();
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
    response
}

/// A response whose body is written by `fill` while it is sent.
fn stream(
    desk: &Desk,
    media: &'static str,
    fill: impl FnOnce(&dyn Warehouse, &mut dyn Write) -> io::Result<()> + Send + 'static,
) -> Response {
    let Ok(permit) = Arc::clone(&desk.room).try_acquire_owned() else { return crowded() };
    let (chunks, sent) = mpsc::channel(CHUNKS_WAITING);
    let warehouse = Arc::clone(&desk.warehouse);
    spawn_blocking(move || {
        let mut out = io::BufWriter::with_capacity(CHUNK_BYTES, Pipe { chunks, _permit: permit });
        if let Err(error) = fill(warehouse.as_ref(), &mut out).and_then(|()| out.flush()) {
            // The reader went away: it knows.
            tracing::debug!("a bulk transfer ended early: {error}");
        }
    });
    let mut response = Response::new(Body::new(Chunks { sent }));
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(media));
    response
}

/// The writing end of a response body.
struct Pipe {
    chunks: mpsc::Sender<Bytes>,
    _permit: OwnedSemaphorePermit,
}

impl Write for Pipe {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let gone = |_| io::Error::from(io::ErrorKind::BrokenPipe);
        self.chunks.blocking_send(Bytes::copy_from_slice(bytes)).map_err(gone)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The reading end.
struct Chunks {
    sent: mpsc::Receiver<Bytes>,
}

impl hyper::body::Body for Chunks {
    type Data = Bytes;
    type Error = std::convert::Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<hyper::body::Frame<Bytes>, Self::Error>>> {
        self.sent.poll_recv(context).map(|chunk| chunk.map(|chunk| Ok(hyper::body::Frame::data(chunk))))
    }
}
