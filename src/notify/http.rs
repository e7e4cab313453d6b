//! One HTTP request, with TLS where the address has it. No redirects, no proxies, no cookies.

use std::time::Duration;

use http::{HeaderName, HeaderValue, Method, Request};
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper_util::rt::TokioIo;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::pki_types::ServerName;

use super::settings::Endpoint;
use crate::mqtt::settings::Tls;
use crate::mqtt::tls;

/// How long a request may take in all.
const WITHIN: Duration = Duration::from_secs(20);
/// As much of an answer as is read, bytes.
const ANSWER_BYTES_MAX: usize = 16 * 1024;

/// Why a request failed: a fragment for the log, without secrets.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct HttpError(pub String);

/// Sends one request; any status from 200 to 299 is a success.
///
/// # Errors
/// No connection, no TLS, no answer in time, or another status.
pub async fn send(
    endpoint: &Endpoint,
    method: Method,
    headers: &[(HeaderName, HeaderValue)],
    body: Vec<u8>,
) -> Result<(), HttpError> {
    let sent = timeout(WITHIN, exchange(endpoint, method, headers, body)).await;
    sent.map_err(|_| HttpError(format!("{} did not answer within {} s", endpoint.host, WITHIN.as_secs())))?
}

async fn exchange(
    endpoint: &Endpoint,
    method: Method,
    headers: &[(HeaderName, HeaderValue)],
    body: Vec<u8>,
) -> Result<(), HttpError> {
    let Endpoint { host, port, .. } = endpoint;
    let stream = TcpStream::connect((host.as_str(), *port))
        .await
        .map_err(|error| HttpError(format!("{host}:{port} cannot be reached: {error}")))?;
    let request = request(endpoint, method, headers, body)?;
    if !endpoint.tls {
        return converse(stream, request).await;
    }
    let settings = Tls { ca_file: endpoint.ca_file.clone(), client: None };
    let config = tls::client_config(&settings).map_err(HttpError)?;
    let name = ServerName::try_from(host.clone()).map_err(|_| HttpError(format!("`{host}` is no name for TLS")))?;
    let stream = TlsConnector::from(config).connect(name, stream).await.map_err(|error| {
        let remedy = "if it is right, name its authority as ca_file";
        HttpError(format!("{host}:{port} is not trusted or speaks no TLS: {error}; {remedy}"))
    })?;
    converse(stream, request).await
}

fn request(
    endpoint: &Endpoint,
    method: Method,
    headers: &[(HeaderName, HeaderValue)],
    body: Vec<u8>,
) -> Result<Request<Full<Bytes>>, HttpError> {
    let usual = if endpoint.tls { 443 } else { 80 };
    let bare = if endpoint.host.contains(':') { format!("[{}]", endpoint.host) } else { endpoint.host.clone() };
    let host = if endpoint.port == usual { bare } else { format!("{bare}:{}", endpoint.port) };
    let mut request = Request::builder()
        .method(method)
        .uri(&endpoint.path)
        .header(http::header::HOST, host)
        .header(http::header::USER_AGENT, concat!("fadeline/", env!("CARGO_PKG_VERSION")))
        .header(http::header::CONNECTION, "close");
    for (name, value) in headers {
        request = request.header(name, value);
    }
    request.body(Full::new(Bytes::from(body))).map_err(|error| HttpError(error.to_string()))
}

async fn converse<S>(stream: S, request: Request<Full<Bytes>>) -> Result<(), HttpError>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let failed = |error: hyper::Error| HttpError(format!("the conversation broke off: {error}"));
    let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(failed)?;
    let connection = tokio::spawn(connection);
    let response = sender.send_request(request).await.map_err(failed)?;
    let status = response.status();
    // What it says is of use only if it refuses.
    let answer = Limited::new(response.into_body(), ANSWER_BYTES_MAX).collect().await;
    connection.abort();
    if status.is_success() {
        return Ok(());
    }
    let says = answer.map(|body| String::from_utf8_lossy(&body.to_bytes()).chars().take(200).collect::<String>());
    let says = says.unwrap_or_default().replace(char::is_control, " ");
    Err(HttpError(format!("answered {status}: {says}")))
}
