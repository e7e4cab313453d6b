//! A broker inside the daemon (rumqttd as a library): for the demo, and for one home with nothing else installed.
//!
//! Its limits, measured or read in its source; a broker of its own has none of them:
//! - It keeps nothing on disk: retained messages, sessions and undelivered messages end with the process.
//! - It sends a subscriber at most 100 messages ahead of its acknowledgements, which with a flush every 50 ms are about
//!   2,000 messages a second.
//! - It holds the last [`BACKLOG_BYTES`] of each subscribed filter in memory, delivered or not, and **drops what is
//!   older without a word**: a publisher with a long history must not be further ahead of the subscriber than that.
//! - A subscriber that comes late gets at most 100 of the retained messages of one filter.
//! - Its threads cannot be stopped; they end with the process.
//! - A message published with MQTT 5 properties is not delivered to MQTT 3.1.1 clients: the task of such a connection
//!   panics (`unreachable` in its writer) and the client is cut off. The daemon therefore publishes without properties
//!   when it has a port for 3.1.1; other MQTT 5 clients must do the same.
//! - MQTT 5 and 3.1.1 need a port each. There is no TLS: not on loopback it asks for a login, which travels in the clear.
//!
//! It installs no global logger or recorder and reads no arguments or environment (read in the source of 0.20.0; the
//! metrics it counts go nowhere without an exporter, which is not configured). It logs through tracing.

use std::collections::HashMap;
use std::io;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::thread;
use std::time::{Duration, Instant};

use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};

use super::settings::{EmbeddedSettings, Login};

/// How far a publisher may be ahead of the slowest subscriber of a filter, bytes of payload.
pub const BACKLOG_BYTES: usize = SEGMENT_BYTES * (SEGMENTS - 1);
const SEGMENT_BYTES: usize = 2 * 1024 * 1024;
const SEGMENTS: usize = 17;
/// Largest payload a client may publish, bytes: well over what the decoder takes, so that it can say what was too large.
const MAX_PAYLOAD: usize = 4 * super::decode::PAYLOAD_MAX_BYTES;
/// What its source fixes, whatever is configured.
const MAX_INFLIGHT: usize = 100;
const MAX_CONNECTIONS: usize = 1_000;
const CONNECT_TIMEOUT_MILLIS: u16 = 5_000;
const MAX_PACKETS_A_TURN: u64 = 200;
/// How long the listeners may take to answer.
const START_TIMEOUT: Duration = Duration::from_secs(5);
/// How often a free port is chosen before giving up: another program may take it in the meantime.
const PORT_ATTEMPTS: u32 = 5;

/// A running broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Embedded {
    /// Where MQTT 5 clients connect.
    pub v5: SocketAddr,
    /// Where MQTT 3.1.1 clients connect, if at all.
    pub v311: Option<SocketAddr>,
}

/// Why the broker does not run.
#[derive(Debug, thiserror::Error)]
pub enum EmbeddedError {
    /// A listener that others can reach, and no login.
    #[error(
        "the embedded broker listens on {0}, which others can reach, without a login: set a user, or use 127.0.0.1"
    )]
    Open(SocketAddr),
    /// A port cannot be had.
    #[error("the embedded broker cannot listen on {address}: {source}")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// It does not start.
    #[error("the embedded broker does not start: {0}")]
    Start(String),
}

impl Embedded {
    /// Starts the broker and waits until it answers. Blocks for as long (usually a few milliseconds).
    ///
    /// # Errors
    /// See [`EmbeddedError`].
    pub fn start(settings: &EmbeddedSettings) -> Result<Self, EmbeddedError> {
        for listen in [Some(settings.listen_v5), settings.listen_v311].into_iter().flatten() {
            if !listen.ip().is_loopback() && settings.logins.is_empty() {
                return Err(EmbeddedError::Open(listen));
            }
        }
        let fixed = settings.listen_v5.port() != 0 && settings.listen_v311.is_none_or(|listen| listen.port() != 0);
        let attempts = if fixed { 1 } else { PORT_ATTEMPTS };
        let mut outcome = Err(EmbeddedError::Start("no attempt was made".to_owned()));
        for _ in 0..attempts {
            outcome = attempt(settings);
            if outcome.is_ok() {
                break;
            }
        }
        outcome
    }
}

fn attempt(settings: &EmbeddedSettings) -> Result<Embedded, EmbeddedError> {
    let v5 = available(settings.listen_v5)?;
    let v311 = settings.listen_v311.map(available).transpose()?;
    let config = Config {
        router: RouterConfig {
            max_connections: MAX_CONNECTIONS,
            max_outgoing_packet_count: MAX_PACKETS_A_TURN,
            max_segment_size: SEGMENT_BYTES,
            max_segment_count: SEGMENTS,
            ..RouterConfig::default()
        },
        v5: Some(server("v5", v5, &settings.logins)),
        v4: v311.map(|listen| server("v3.1.1", listen, &settings.logins)),
        ..Config::default()
    };
    let running = thread::Builder::new()
        .name("embedded-broker".to_owned())
        .spawn(move || Broker::new(config).start().map_err(|error| error.to_string()))
        .map_err(|error| EmbeddedError::Start(error.to_string()))?;
    let deadline = Instant::now() + START_TIMEOUT;
    for listen in [Some(v5), v311].into_iter().flatten() {
        let address = reachable(listen);
        while TcpStream::connect_timeout(&address, Duration::from_millis(200)).is_err() {
            if running.is_finished() {
                return Err(EmbeddedError::Start(format!("it ended at once; is {listen} taken by another program?")));
            }
            if Instant::now() > deadline {
                return Err(EmbeddedError::Start(format!("{listen} does not answer")));
            }
            thread::yield_now();
        }
    }
    Ok(Embedded { v5: reachable(v5), v311: v311.map(reachable) })
}

fn server(name: &str, listen: SocketAddr, logins: &[Login]) -> HashMap<String, ServerSettings> {
    let pairs: HashMap<_, _> =
        logins.iter().map(|login| (login.user.clone(), login.password.reveal().to_owned())).collect();
    let connections = ConnectionSettings {
        connection_timeout_ms: CONNECT_TIMEOUT_MILLIS,
        max_payload_size: MAX_PAYLOAD,
        max_inflight_count: MAX_INFLIGHT,
        auth: (!pairs.is_empty()).then_some(pairs),
        external_auth: None,
        // Any topic may be used, not only those configured.
        dynamic_filters: true,
    };
    let settings =
        ServerSettings { name: name.to_owned(), listen, tls: None, next_connection_delay_ms: 1, connections };
    HashMap::from([(name.to_owned(), settings)])
}

/// The address to listen on, with a free port where none is asked for. rumqttd cannot say which port it got, so one is
/// chosen here.
fn available(listen: SocketAddr) -> Result<SocketAddr, EmbeddedError> {
    let fault = |source| EmbeddedError::Listen { address: listen, source };
    TcpListener::bind(listen).map_err(fault)?.local_addr().map_err(fault)
}

/// Where a client on this machine reaches a listener.
fn reachable(mut listen: SocketAddr) -> SocketAddr {
    if listen.ip().is_unspecified() {
        listen.set_ip(if listen.is_ipv4() { [127, 0, 0, 1].into() } else { std::net::Ipv6Addr::LOCALHOST.into() });
    }
    listen
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mqtt::settings::Secret;

    fn settings(listen: &str) -> EmbeddedSettings {
        EmbeddedSettings { listen_v5: listen.parse().unwrap(), listen_v311: None, logins: Vec::new() }
    }

    #[test]
    fn open_to_others_only_with_a_login() {
        let open = settings("0.0.0.0:0");
        let text = Embedded::start(&open).unwrap_err().to_string();
        assert!(text.contains("without a login: set a user, or use 127.0.0.1"), "{text}");
        let login = Login { user: "gateway".into(), password: Secret::new("heron".into()) };
        assert!(Embedded::start(&EmbeddedSettings { logins: vec![login], ..open }).is_ok());
    }

    #[test]
    fn free_ports_are_chosen_and_taken_ones_named() {
        let both = EmbeddedSettings { listen_v311: Some("127.0.0.1:0".parse().unwrap()), ..settings("127.0.0.1:0") };
        let broker = Embedded::start(&both).unwrap();
        assert!(broker.v5.port() != 0 && broker.v311.is_some_and(|listen| listen.port() != broker.v5.port()));
        let text = Embedded::start(&settings(&broker.v5.to_string())).unwrap_err().to_string();
        assert!(text.contains(&format!("cannot listen on {}", broker.v5)), "{text}");
    }
}
