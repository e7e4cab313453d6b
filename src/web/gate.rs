//! The gate before every route over TCP: who asks, whether he may, and what the browser is told.

use std::io::Write as _;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Redirect, Response};
use flate2::Compression;
use flate2::write::GzEncoder;
use http::response::Parts;
use http_body_util::BodyExt;
use ring::digest::{SHA256, digest};
use tokio::time::timeout;

use super::access::{Access, Caller, Role};
use super::bulk;
use super::problem::Problem;
use super::route;
use crate::clock;
use crate::page::{Frame, frame::trouble};
use crate::query::Scope;

/// How long a request may take from its head to its answer.
const REQUEST_WITHIN: Duration = Duration::from_secs(30);
/// Bodies from this many bytes on are compressed.
const COMPRESS_FROM_BYTES: usize = 1_024;
/// The name of the session's cookie.
pub const COOKIE: &str = "fadeline-session";

/// What the gate knows.
pub struct Gate {
    /// Users and tokens; `None`: whoever reaches loopback may do everything.
    pub access: Option<Access>,
    /// Whose `X-Forwarded-For` is believed.
    pub trusted_proxies: Vec<IpAddr>,
}

/// Where a request comes from.
#[derive(Clone, Copy, Debug)]
pub struct Peer {
    /// The client's address, behind a trusted proxy as the proxy says.
    pub address: IpAddr,
    /// Whether the client speaks TLS, to us or to the proxy.
    pub secure: bool,
}

/// The connection, as the listener saw it.
#[derive(Clone, Copy, Debug)]
pub struct Connection {
    /// Where from.
    pub from: SocketAddr,
    /// Whether over TLS.
    pub secure: bool,
}

/// Lets a request through, or not; every answer gets the headers that browsers need.
pub async fn pass(
    State(gate): State<Arc<Gate>>,
    Extension(connection): Extension<Connection>,
    mut request: Request,
    next: Next,
) -> Response {
    let peer = gate.peer(connection, request.headers());
    request.extensions_mut().insert(peer);
    let path = request.uri().path().to_owned();
    let tag = request.headers().get(header::IF_NONE_MATCH).cloned();
    let small = takes_gzip(request.headers());
    let get = matches!(*request.method(), Method::GET | Method::HEAD);
    let response = match gate.admit(&request) {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            if [route::EVENTS, bulk::ARCHIVE, bulk::CHECK].contains(&path.as_str()) {
                // These last; their bodies are made while they are read.
                next.run(request).await
            } else {
                match timeout(REQUEST_WITHIN, next.run(request)).await {
                    Ok(response) if get => tagged(response, tag.as_ref(), small).await,
                    Ok(response) => response,
                    Err(_) => Problem::new(StatusCode::REQUEST_TIMEOUT, "the request took too long").into_response(),
                }
            }
        }
        Err(refused) => *refused,
    };
    with_headers(response, path.starts_with("/assets/"))
}

impl Gate {
    fn peer(&self, Connection { from, secure }: Connection, headers: &HeaderMap) -> Peer {
        let address = from.ip();
        if !self.trusted_proxies.contains(&address) {
            return Peer { address, secure };
        }
        let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
        // The last entry is the one the trusted proxy wrote itself.
        let told = text("x-forwarded-for").and_then(|list| list.rsplit(',').next()?.trim().parse().ok());
        Peer { address: told.unwrap_or(address), secure: secure || text("x-forwarded-proto") == Some("https") }
    }

    fn admit(&self, request: &Request) -> Result<Caller, Box<Response>> {
        let (method, path) = (request.method(), request.uri().path());
        let headers = request.headers();
        let refuse = |status: StatusCode, says: &str| {
            Err(Box::new(if wants_page(path, headers) {
                let frame =
                    Frame { now: clock::now(), csrf: String::new(), who: None, may_record: false, alone: false };
                (status, Html(trouble(&frame, "This did not work", says, "/"))).into_response()
            } else {
                Problem::new(status, says).into_response()
            }))
        };
        let writes = !matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS);
        if writes && !same_origin(headers) {
            return refuse(StatusCode::FORBIDDEN, "this came from another site's page");
        }
        if path.starts_with("/assets/") || path == "/health" || path == "/login" {
            return Ok(Caller { role: Role::Read, scope: Scope::Sites(Vec::new()), name: None, csrf: None });
        }
        let Some(access) = &self.access else {
            if !local_host(headers) {
                return refuse(
                    StatusCode::FORBIDDEN,
                    "this page is for this machine only: open it as 127.0.0.1 or localhost",
                );
            }
            return Ok(Caller::local());
        };
        let bearer = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok()?.strip_prefix("Bearer "));
        let caller = match bearer {
            Some(token) => access.token(token.trim()),
            None => session_id(headers).and_then(|id| access.session(&id)),
        };
        let Some(caller) = caller else {
            if writes && wants_page(path, headers) {
                return refuse(
                    StatusCode::UNAUTHORIZED,
                    "you are not logged in any more; log in in another window, then go back and send the form again",
                );
            }
            if path.starts_with("/api/") || writes {
                let mut response = Problem::new(StatusCode::UNAUTHORIZED, "a valid token is needed").into_response();
                response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
                return Err(Box::new(response));
            }
            return Err(Box::new(Redirect::to(&format!("/login?to={path}")).into_response()));
        };
        if let Some(csrf) = caller.csrf.as_deref().filter(|_| writes && path.starts_with("/api/"))
            && headers.get("x-csrf").and_then(|value| value.to_str().ok()) != Some(csrf)
        {
            return refuse(StatusCode::FORBIDDEN, "the X-CSRF header is missing or wrong; programs use a token");
        }
        match may(&caller, method, path) {
            Ok(()) => Ok(caller),
            // What is not his to see is as if it were not there.
            Err(Denied::NotThere) => refuse(StatusCode::NOT_FOUND, "there is no such site, or it is not yours"),
            Err(Denied::Role(role)) => {
                let says = format!("this needs the role {}", if role == Role::Admin { "admin" } else { "service" });
                refuse(StatusCode::FORBIDDEN, &says)
            }
        }
    }
}

#[derive(Debug, PartialEq, Eq)]
enum Denied {
    NotThere,
    Role(Role),
}

/// Whether somebody may ask for a path. What stands in no rule is for admins of every site.
fn may(caller: &Caller, method: &Method, path: &str) -> Result<(), Denied> {
    let parts: Vec<&str> = path.trim_matches('/').split('/').collect();
    let writes = !matches!(*method, Method::GET | Method::HEAD);
    let (site, role) = match parts.as_slice() {
        ["api", "v1", "units" | "months" | "alerts", site, _, ..] | ["units" | "months", site, _, ..] => {
            (Some(*site), if writes { Role::Service } else { Role::Read })
        }
        ["api", "v1", "units" | "fleet" | "round" | "events" | "alerts" | "openapi.json"]
        | [""]
        | ["round" | "round.ics" | "round.pdf"]
            if !writes =>
        {
            (None, Role::Read)
        }
        ["logout"] => (None, Role::Read),
        _ if caller.scope == Scope::All => (None, Role::Admin),
        _ => return Err(Denied::NotThere),
    };
    if site.is_some_and(|site| !caller.scope.allows(site)) {
        return Err(Denied::NotThere);
    }
    if caller.role < role { Err(Denied::Role(role)) } else { Ok(()) }
}

/// Whether somebody looks for a page: he is told in words, programs in JSON.
pub fn wants_page(path: &str, headers: &HeaderMap) -> bool {
    let accepts = headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    !path.starts_with("/api/") && accepts.contains("text/html")
}

/// The session a browser shows.
pub fn session_id(headers: &HeaderMap) -> Option<String> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies.flat_map(|line| line.split(';')).find_map(|pair| {
        let (name, value) = pair.trim().split_once('=')?;
        (name == COOKIE).then(|| value.to_owned())
    })
}

/// Browsers tell where a request was made; programs tell nothing.
fn same_origin(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return matches!(site, "same-origin" | "none");
    }
    text("origin").is_none_or(|origin| origin.split_once("://").is_some_and(|(_, host)| Some(host) == text("host")))
}

/// Names of this machine: a foreign name that leads here is an attack on the browser.
fn local_host(headers: &HeaderMap) -> bool {
    let host = headers.get(header::HOST).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let name =
        if host.starts_with('[') { host.split(']').next().map(|name| &name[1..]) } else { host.split(':').next() };
    name.is_some_and(|name| name == "localhost" || name.parse::<IpAddr>().is_ok_and(|address| address.is_loopback()))
}

/// Whether the client says that it takes gzip.
fn takes_gzip(headers: &HeaderMap) -> bool {
    let lines = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok());
    lines.flat_map(|line| line.split(',')).any(|coding| {
        let (name, weight) = coding.split_once(';').unwrap_or((coding, ""));
        name.trim().eq_ignore_ascii_case("gzip") && weight.replace(' ', "") != "q=0"
    })
}

/// The body as text that is worth compressing; `None` for anything else. A phone in a crawl space has little network.
fn compressed(parts: &Parts, body: &[u8]) -> Option<Vec<u8>> {
    let kind = parts.headers.get(header::CONTENT_TYPE)?.to_str().ok()?;
    let text = kind.starts_with("text/") || kind.contains("json") || kind.contains("svg");
    if !text || body.len() < COMPRESS_FROM_BYTES {
        return None;
    }
    let mut writer = GzEncoder::new(Vec::with_capacity(body.len() / 4), Compression::fast());
    writer.write_all(body).ok()?;
    writer.finish().ok()
}

/// The response with its tag, or the word that nothing has changed; compressed if it may be.
async fn tagged(response: Response, wanted: Option<&HeaderValue>, small: bool) -> Response {
    if response.status() != StatusCode::OK {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let Ok(body) = body.collect().await else {
        return Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the answer broke off").into_response();
    };
    let body = body.to_bytes();
    let hash: String = digest(&SHA256, &body).as_ref()[..12].iter().map(|byte| format!("{byte:02x}")).collect();
    let plain = format!("\"{hash}\"");
    // Weak: packed and plain bodies say the same.
    if let Ok(tag) = HeaderValue::from_str(&format!("W/{plain}")) {
        let same = wanted
            .and_then(|w| w.to_str().ok())
            .is_some_and(|w| w.split(',').any(|one| one.trim().trim_start_matches("W/") == plain));
        parts.headers.insert(header::ETAG, tag);
        if same {
            parts.status = StatusCode::NOT_MODIFIED;
            parts.headers.remove(header::CONTENT_TYPE);
            parts.headers.remove(header::CONTENT_LENGTH);
            return Response::from_parts(parts, Body::empty());
        }
    }
    parts.headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
    match small.then(|| compressed(&parts, &body)).flatten() {
        Some(packed) => {
            parts.headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            parts.headers.remove(header::CONTENT_LENGTH);
            Response::from_parts(parts, Body::from(packed))
        }
        None => Response::from_parts(parts, Body::from(body)),
    }
}

fn with_headers(mut response: Response, asset: bool) -> Response {
    const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
                          form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
    let headers = response.headers_mut();
    for (name, value) in [
        ("content-security-policy", POLICY),
        ("x-content-type-options", "nosniff"),
        ("x-frame-options", "DENY"),
        ("referrer-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("permissions-policy", "camera=(), microphone=(), geolocation=()"),
        ("cache-control", if asset { "max-age=300" } else { "no-cache, private" }),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sites_token_sees_nothing_of_another() {
        let caller = |role, sites: &[&str]| Caller {
            role,
            scope: Scope::Sites(sites.iter().map(|s| (*s).to_owned()).collect()),
            name: None,
            csrf: None,
        };
        let anna = caller(Role::Service, &["heron-bight"]);
        let get = |path| may(&anna, &Method::GET, path);
        for path in [
            "/api/v1/units/heron-bight/boathouse/readings",
            "/units/heron-bight/boathouse/sheet.pdf",
            "/months/heron-bight/2026-08/record.pdf",
            "/round.pdf",
        ] {
            assert_eq!(get(path), Ok(()), "{path}");
        }
        for path in [
            "/api/v1/units/loon/a/readings",
            "/units/loon/a",
            "/months/loon/2026-08",
            "/months/loon/2026-08/record.pdf",
            "/units/loon/a/sheet.pdf",
            "/api/v1/alerts/loon/a/all",
            "/api/v1/unknown",
            "/api/v1/units/heron-bight%2f..%2floon/a/trend",
            "/api/v1/export",
            "/units/../units/loon/a",
            "/api/v1//units/loon/a",
            "/x",
        ] {
            assert_eq!(get(path), Err(Denied::NotThere), "{path}");
        }
        let reader = caller(Role::Read, &["heron-bight"]);
        assert_eq!(
            may(&reader, &Method::POST, "/api/v1/units/heron-bight/a/logbook"),
            Err(Denied::Role(Role::Service))
        );
        let everywhere = Caller { scope: Scope::All, ..reader };
        assert_eq!(may(&everywhere, &Method::GET, "/api/v1/export"), Err(Denied::Role(Role::Admin)));
    }

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        let header = |(n, v): &(&'static str, &'static str)| (n.parse().unwrap(), HeaderValue::from_static(v));
        pairs.iter().map(header).collect()
    }

    #[test]
    fn only_a_trusted_proxy_is_believed() {
        let gate = Gate { access: None, trusted_proxies: vec!["192.0.2.1".parse().unwrap()] };
        let peer = |from: &str, told: &[(&'static str, &'static str)]| {
            let from = SocketAddr::new(from.parse().unwrap(), 4_711);
            let Peer { address, secure } = gate.peer(Connection { from, secure: false }, &headers(told));
            (address.to_string(), secure)
        };
        // The client may write what it wants before what the proxy adds.
        let told = [("x-forwarded-for", "203.0.113.9, 198.51.100.7"), ("x-forwarded-proto", "https")];
        assert_eq!(peer("192.0.2.1", &told), ("198.51.100.7".to_owned(), true));
        assert_eq!(peer("192.0.2.2", &told), ("192.0.2.2".to_owned(), false));
        assert_eq!(peer("192.0.2.1", &[("x-forwarded-for", "nobody")]), ("192.0.2.1".to_owned(), false));
    }

    #[test]
    fn foreign_pages_and_foreign_names_are_turned_away() {
        assert!(
            same_origin(&headers(&[]))
                && same_origin(&headers(&[("origin", "http://127.0.0.1:1"), ("host", "127.0.0.1:1")]))
        );
        assert!(!same_origin(&headers(&[("origin", "http://evil.example"), ("host", "127.0.0.1:1")])));
        assert!(
            !same_origin(&headers(&[("sec-fetch-site", "cross-site")]))
                && !same_origin(&headers(&[("origin", "null")]))
        );
        assert!(local_host(&headers(&[("host", "localhost:8480")])) && local_host(&headers(&[("host", "[::1]:8480")])));
        assert!(!local_host(&headers(&[("host", "rebound.example:8480")])) && !local_host(&headers(&[])));
    }
}
