//! The client: how a command asks the running daemon.

use std::io;
use std::path::Path;
use std::time::Duration;

use axum::http::{Request, StatusCode, header};
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use tokio::net::UnixStream;
use tokio::time::timeout;

use crate::query::{Answer, Query, Refusal};

use super::problem::Problem;
use super::{ANSWER_BYTES_MAX, route, server};

/// How long a connection to a socket on this machine may take.
pub const CONNECT_WITHIN: Duration = Duration::from_secs(2);
/// How long an answer may take: a little longer than the daemon allows itself, so that its own words arrive.
pub const ANSWER_WITHIN: Duration = server::ANSWER_WITHIN.saturating_add(Duration::from_secs(5));

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// Nobody listens: no daemon runs, or it has just stopped. The question was not heard.
    #[error("no daemon answers ({0})")]
    Unreachable(io::Error),
    /// The socket belongs to somebody else.
    #[error("the daemon's socket may not be opened ({0}); run this as the daemon's user")]
    NotAllowed(io::Error),
    /// Somebody listens but did not answer.
    #[error("the daemon did not answer within {} s", ANSWER_WITHIN.as_secs())]
    Late,
    /// It answered that it cannot answer now.
    #[error("the daemon cannot answer now: {0}")]
    Busy(String),
    /// What came back was not an answer.
    #[error("the daemon's answer cannot be understood ({0}); are both of the same version?")]
    Garbled(String),
}

/// Asks the daemon that listens on `socket`.
pub async fn ask(socket: &Path, query: &Query) -> Result<Answer, AskError> {
    let stream = match timeout(CONNECT_WITHIN, UnixStream::connect(socket)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(e)) if e.kind() == io::ErrorKind::PermissionDenied => return Err(AskError::NotAllowed(e)),
        Ok(Err(e)) => return Err(AskError::Unreachable(e)),
        Err(_) => return Err(AskError::Late),
    };
    timeout(ANSWER_WITHIN, exchange(stream, query)).await.map_err(|_| AskError::Late)?
}

/// The same for a program without a runtime.
pub fn ask_blocking(socket: &Path, query: &Query) -> Result<Answer, AskError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(AskError::Unreachable)?;
    runtime.block_on(ask(socket, query))
}

async fn exchange(stream: UnixStream, query: &Query) -> Result<Answer, AskError> {
    let garbled = |e: &dyn std::error::Error| AskError::Garbled(e.to_string());
    let route::Request { method, path, body } = route::request(query).map_err(|e| garbled(&e))?;
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, "localhost")
        .header(header::CONTENT_TYPE, "application/json")
        .body(Full::new(Bytes::from(body)))
        .map_err(|e| garbled(&e))?;
    let (mut sender, connection) =
        hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(|e| garbled(&e))?;
    let connection = tokio::spawn(connection);
    let response = sender.send_request(request).await.map_err(|e| garbled(&e))?;
    let status = response.status();
    let body = Limited::new(response.into_body(), ANSWER_BYTES_MAX).collect().await;
    let body = body.map_err(|e| AskError::Garbled(e.to_string()))?.to_bytes();
    connection.abort();
    if status.is_success() {
        return route::from_json(query, &body).map_err(|e| garbled(&e));
    }
    let problem: Problem = serde_json::from_slice(&body).map_err(|e| garbled(&e))?;
    match problem.kind {
        Some(kind) => Ok(Answer::Refused(Refusal { kind, says: problem.detail })),
        None if status == StatusCode::SERVICE_UNAVAILABLE => Err(AskError::Busy(problem.detail)),
        None => Err(AskError::Garbled(problem.detail)),
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::sync::{mpsc, oneshot};
    use tokio::task::JoinHandle;

    use super::*;
    use crate::domain::{ServiceAction, ServiceEntry, Timestamp, UnitId};
    use crate::query::{Logged, RefusalKind, UnknownUnit};
    use crate::web::{Ask, socket};

    /// A server with a daemon behind it that answers with `reply`.
    struct Fixture {
        folder: tempfile::TempDir,
        stop: oneshot::Sender<()>,
        server: JoinHandle<io::Result<()>>,
    }

    impl Fixture {
        fn start(mut reply: impl FnMut(Query) -> Option<Answer> + Send + 'static) -> Self {
            let folder = tempfile::tempdir().unwrap();
            let (asks, mut asked) = mpsc::channel::<Ask>(4);
            tokio::spawn(async move {
                while let Some(ask) = asked.recv().await {
                    if let Some(answer) = reply(ask.query) {
                        let _ = ask.reply.send(answer);
                    }
                }
            });
            let (stop, stopped) = oneshot::channel();
            let socket = socket::bind(&folder.path().join("s")).unwrap();
            let server = tokio::spawn(server::serve(socket, asks, async move {
                let _ = stopped.await;
            }));
            Self { folder, stop, server }
        }

        async fn ask(&self, query: Query) -> Result<Answer, AskError> {
            ask(&self.folder.path().join("s"), &query).await
        }

        async fn raw(&self, request: &str) -> String {
            let mut stream = UnixStream::connect(self.folder.path().join("s")).await.unwrap();
            stream.write_all(request.as_bytes()).await.unwrap();
            let mut text = String::new();
            stream.read_to_string(&mut text).await.unwrap();
            text
        }
    }

    fn unit() -> UnitId {
        "heron-bight/boathouse".parse().unwrap()
    }

    fn entry() -> ServiceEntry {
        ServiceEntry {
            note: Some("wiped — twice".into()),
            ..ServiceEntry::new(Timestamp::from_secs(1), ServiceAction::Note)
        }
    }

    #[tokio::test]
    async fn every_query_reaches_the_daemon_as_it_was_asked_and_its_answer_comes_back() {
        let contract = include_str!("../../fixtures/assessment/contract.json");
        let unknown = UnknownUnit { unit: unit(), readings: 3, last: Timestamp::from_secs(1) };
        let exchanges = vec![
            (Query::Units, Answer::Units(Vec::new())),
            (Query::Unknown, Answer::Unknown(vec![unknown])),
            (Query::Assessment { unit: unit() }, Answer::Assessment(serde_json::from_str(contract).unwrap())),
            (Query::Logbook { unit: unit() }, Answer::Logbook(vec![entry()])),
            (Query::Log { unit: unit(), entry: entry() }, Answer::Logged(Logged { entry: entry(), already: false })),
            (
                Query::Trend { unit: unit() },
                Answer::Refused(Refusal { kind: RefusalKind::NoSuchUnit, says: "there is no unit".into() }),
            ),
        ];
        let book = exchanges.clone();
        let fixture =
            Fixture::start(move |query| book.iter().find(|(q, _)| *q == query).map(|(_, answer)| answer.clone()));
        for (query, answer) in exchanges {
            assert_eq!(fixture.ask(query).await.unwrap(), answer);
        }
    }

    #[tokio::test]
    async fn bad_requests_get_problem_details() {
        let fixture = Fixture::start(|_| None);
        let long = format!(
            "POST /api/v1/units/a/b/logbook HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 70000\r\n\r\n{}",
            "x".repeat(70_000)
        );
        for (request, status) in [
            ("GET /nowhere HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", "404"),
            ("GET /api/v1/units/A/b/trend HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", "404"),
            ("DELETE /api/v1/units HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", "405"),
            (
                "POST /api/v1/units/a/b/logbook HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 2\r\n\r\n{}",
                "400",
            ),
            (long.as_str(), "413"),
        ] {
            let response = fixture.raw(request).await;
            assert!(response.starts_with(&format!("HTTP/1.1 {status}")), "{response}");
            assert!(response.contains("content-type: application/problem+json"), "{response}");
            assert!(response.contains(&format!("\"status\":{status}")), "{response}");
        }
    }

    #[tokio::test]
    async fn a_daemon_that_drops_the_question_is_stopping() {
        let fixture = Fixture::start(|_| None);
        assert!(matches!(fixture.ask(Query::Units).await, Err(AskError::Busy(_))));
    }

    #[tokio::test]
    async fn it_stops_with_a_silent_client_connected_and_removes_its_socket() {
        let fixture = Fixture::start(|_| None);
        let path = fixture.folder.path().join("s");
        let _silent = UnixStream::connect(&path).await.unwrap();
        fixture.stop.send(()).unwrap();
        timeout(server::CLOSE_WITHIN * 2, fixture.server).await.unwrap().unwrap().unwrap();
        assert!(matches!(ask(&path, &Query::Units).await, Err(AskError::Unreachable(_))));
    }
}
