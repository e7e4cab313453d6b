//! The command's end of [`super::bulk`]: blocking, a piece at a time.

use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::time::Duration;

use axum::http::{Method, Request, StatusCode, header};
use http_body_util::{BodyExt, Full};
use hyper::body::{Bytes, Incoming};
use hyper_util::rt::TokioIo;
use tokio::net::UnixStream;
use tokio::runtime::Runtime;
use tokio::time::timeout;

use crate::archive::{CheckProgress, CheckReport, Selection, Taken};
use crate::query::Refusal;

use super::bulk::{self, CheckLine};
use super::client::{AskError, CONNECT_WITHIN};
use super::problem::Problem;

/// How long the daemon may be silent in the middle of a transfer: a disk can be slow, but not that slow.
pub const SILENT_AT_MOST: Duration = Duration::from_secs(120);
/// A problem's text may have this many bytes.
const PROBLEM_BYTES_MAX: u64 = 64 << 10;

/// Why a transfer failed.
#[derive(Debug, thiserror::Error)]
pub enum BulkError {
    /// The daemon could not be asked, or did not answer.
    #[error(transparent)]
    Ask(#[from] AskError),
    /// It refuses.
    #[error(transparent)]
    Refused(Refusal),
    /// The connection broke, or the daemon failed while it was at it.
    #[error("the daemon could not go on: {0}")]
    Broken(String),
}

/// What the daemon sends, as it comes.
#[derive(Debug)]
pub struct Stream {
    // Before the runtime: it is dropped in it.
    body: Incoming,
    rest: Bytes,
    runtime: Runtime,
}

impl Read for Stream {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while self.rest.is_empty() {
            let body = &mut self.body;
            // The clock of the timeout starts in the runtime.
            let frame = self.runtime.block_on(async { timeout(SILENT_AT_MOST, body.frame()).await });
            match frame.map_err(|_| io::Error::new(io::ErrorKind::TimedOut, "the daemon fell silent"))? {
                None => return Ok(0),
                Some(frame) => self.rest = frame.map_err(io::Error::other)?.into_data().unwrap_or_default(),
            }
        }
        let count = buffer.len().min(self.rest.len());
        buffer[..count].copy_from_slice(&self.rest.split_to(count));
        Ok(count)
    }
}

/// The archive of a selection.
pub fn hand_out(socket: &Path, wanted: &Selection) -> Result<Stream, BulkError> {
    let mut query = Vec::new();
    query.extend(wanted.of.as_ref().map(|of| format!("of={of}")));
    query.extend(wanted.from.map(|from| format!("from={from}")));
    query.extend(wanted.to.map(|to| format!("to={to}")));
    query.extend(wanted.logbook.then(|| "logbook=true".to_owned()));
    query.extend(wanted.everything.then(|| "everything=true".to_owned()));
    open(socket, Method::GET, &format!("{}?{}", bulk::ARCHIVE, query.join("&")), Vec::new())
}

/// Brings the readings and entries of an archive in.
pub fn take_in(socket: &Path, archive: Vec<u8>) -> Result<Taken, BulkError> {
    let mut body = Vec::new();
    let mut stream = open(socket, Method::POST, bulk::ARCHIVE, archive)?;
    stream.read_to_end(&mut body).map_err(|error| BulkError::Broken(error.to_string()))?;
    serde_json::from_slice(&body).map_err(|error| AskError::Garbled(error.to_string()).into())
}

/// Has everything checked.
pub fn check(socket: &Path, mut progress: impl FnMut(CheckProgress)) -> Result<CheckReport, BulkError> {
    let lines = BufReader::new(open(socket, Method::GET, bulk::CHECK, Vec::new())?).lines();
    for line in lines {
        let line = line.map_err(|error| BulkError::Broken(error.to_string()))?;
        match serde_json::from_str(&line).map_err(|error| AskError::Garbled(error.to_string()))? {
            CheckLine::Progress(done) => progress(done),
            CheckLine::Report(report) => return Ok(report),
            CheckLine::Failed(why) => return Err(BulkError::Broken(why)),
        }
    }
    Err(BulkError::Broken("it stopped before the end".to_owned()))
}

fn open(socket: &Path, method: Method, path: &str, body: Vec<u8>) -> Result<Stream, BulkError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(AskError::Unreachable)?;
    let (status, body) = runtime.block_on(async {
        let stream = match timeout(CONNECT_WITHIN, UnixStream::connect(socket)).await {
            Ok(Ok(stream)) => stream,
            Ok(Err(e)) if e.kind() == io::ErrorKind::PermissionDenied => return Err(AskError::NotAllowed(e)),
            Ok(Err(e)) => return Err(AskError::Unreachable(e)),
            Err(_) => return Err(AskError::Late),
        };
        timeout(SILENT_AT_MOST, exchange(stream, method, path, body)).await.map_err(|_| AskError::Late)?
    })?;
    let stream = Stream { body, rest: Bytes::new(), runtime };
    if status.is_success() {
        return Ok(stream);
    }
    let mut text = Vec::new();
    stream.take(PROBLEM_BYTES_MAX).read_to_end(&mut text).map_err(|error| BulkError::Broken(error.to_string()))?;
    let problem: Problem = serde_json::from_slice(&text).map_err(|error| AskError::Garbled(error.to_string()))?;
    Err(match problem.kind {
        Some(kind) => BulkError::Refused(Refusal { kind, says: problem.detail }),
        None if status == StatusCode::SERVICE_UNAVAILABLE => AskError::Busy(problem.detail).into(),
        None => AskError::Garbled(problem.detail).into(),
    })
}

async fn exchange(
    stream: UnixStream,
    method: Method,
    path: &str,
    body: Vec<u8>,
) -> Result<(StatusCode, Incoming), AskError> {
    let garbled = |e: &dyn std::error::Error| AskError::Garbled(e.to_string());
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, "localhost")
        .header(header::CONTENT_TYPE, "application/octet-stream")
        .body(Full::new(Bytes::from(body)))
        .map_err(|e| garbled(&e))?;
    let (mut sender, connection) =
        hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(|e| garbled(&e))?;
    // It runs on whenever the body is polled, for both are driven by the same runtime.
    tokio::spawn(connection);
    let response = sender.send_request(request).await.map_err(|e| garbled(&e))?;
    let (head, body) = response.into_parts();
    Ok((head.status, body))
}
