//! One connection to a broker, MQTT 5 or 3.1.1, behind one face.
//!
//! rumqttc has two clients with types of their own; all that names them is in [`v5`] and [`v311`]. A line lives for one
//! connection only and is thrown away with its first fault: nothing of rumqttc's own queues outlives a connection, so
//! nothing in them can reach the wrong one (see [`super::session`]).

mod fault;
mod v311;
mod v5;

use std::sync::Arc;
use std::time::Duration;

use rumqttc::tokio_rustls::rustls::ClientConfig;

use super::encode::Message;
use super::settings::{BrokerSettings, Protocol};

pub use fault::{Fault, FaultKind};

/// The largest packet MQTT has, bytes.
pub const PROTOCOL_MAX_PACKET: usize = 268_435_455;
/// The shortest keep-alive rumqttc takes.
const KEEP_ALIVE_MIN: Duration = Duration::from_secs(5);
/// Room for requests that rumqttc has not looked at yet.
const REQUEST_CAPACITY: usize = 4_096;
/// rumqttc numbers its publishes up to this. Twice what the session has under way, so that a broker that confirms a
/// little out of order does not make numbers collide.
const INFLIGHT: u16 = 2 * super::session::WINDOW as u16;

/// What one connection needs.
#[derive(Clone, Debug)]
pub struct Opening<'a> {
    /// Where and who.
    pub settings: &'a BrokerSettings,
    /// TLS, already read from its files.
    pub tls: Option<Arc<ClientConfig>>,
    /// Last will.
    pub will: Option<&'a Message>,
    /// Whether to start without the session the broker may have kept, and leave none behind.
    pub clean: bool,
    /// Largest packet taken from the broker, bytes.
    pub max_packet: usize,
}

impl Opening<'_> {
    fn keep_alive(&self) -> Duration {
        self.settings.keep_alive.clamp(KEEP_ALIVE_MIN, Duration::from_secs(65_535))
    }

    fn client_id(&self) -> &str {
        // rumqttc panics on an empty id with a persistent session; the config does not let one pass.
        if self.settings.client_id.is_empty() { "fadeline" } else { &self.settings.client_id }
    }
}

/// What happened on the line.
#[derive(Debug)]
pub enum Event {
    /// The broker accepted the connection.
    Connected {
        /// Whether it still had our session.
        session_present: bool,
    },
    /// A message arrived.
    Message(Packet),
    /// The next publish in the order they were handed over went out under this packet id.
    Sent(u16),
    /// The broker confirmed a publish, or refused it with a reason.
    Confirmed(u16, Result<(), String>),
    /// The broker answered a subscription; one outcome for each filter, in order.
    Subscribed(Vec<Result<(), String>>),
    /// Our DISCONNECT went out.
    Disconnected,
    /// Nothing of interest.
    Other,
}

/// A message as it arrived.
#[derive(Debug)]
pub struct Packet {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
    /// Kept by the broker and sent because we subscribed, not because it was just published.
    pub retain: bool,
    /// Sent before.
    pub duplicate: bool,
    /// Packet id; 0: needs no acknowledgement.
    pub id: u16,
    /// Where the sender wants the answer (MQTT 5).
    pub response_topic: Option<String>,
    /// What the answer must carry (MQTT 5).
    pub correlation: Option<Vec<u8>>,
}

/// The receiving half: must be polled, by one task only, and never be cancelled in the middle except to be dropped.
pub enum Line {
    /// MQTT 5
    V5(Box<v5::Line>),
    /// MQTT 3.1.1
    V311(Box<v311::Line>),
}

/// The sending half. Every call waits for room in the queue to the other half.
#[derive(Clone)]
pub enum Client {
    /// MQTT 5
    V5(v5::Client),
    /// MQTT 3.1.1
    V311(v311::Client),
}

/// The other half of the line is gone.
#[derive(Clone, Copy, Debug)]
pub struct Gone;

/// Prepares a connection; the first [`Line::poll`] makes it.
pub fn open(opening: &Opening<'_>) -> (Client, Line) {
    match opening.settings.protocol {
        Protocol::V5 => {
            let (client, line) = v5::open(opening);
            (Client::V5(client), Line::V5(Box::new(line)))
        }
        Protocol::V311 => {
            let (client, line) = v311::open(opening);
            (Client::V311(client), Line::V311(Box::new(line)))
        }
    }
}

impl Line {
    /// The next event.
    ///
    /// # Errors
    /// The connection failed and cannot be used any more.
    pub async fn poll(&mut self) -> Result<Event, Fault> {
        match self {
            Self::V5(line) => line.poll().await,
            Self::V311(line) => line.poll().await,
        }
    }

    /// The keep-alive in force: a healthy line gives an event at least this often.
    pub fn keep_alive(&self) -> Duration {
        match self {
            Self::V5(line) => line.keep_alive(),
            Self::V311(line) => line.keep_alive(),
        }
    }
}

impl Client {
    /// Subscribes at QoS 1.
    ///
    /// # Errors
    /// [`Gone`]
    pub async fn subscribe(&self, filters: &[String]) -> Result<(), Gone> {
        match self {
            Self::V5(client) => client.subscribe(filters).await,
            Self::V311(client) => client.subscribe(filters).await,
        }
    }

    /// Publishes at QoS 1. The topic must be a topic name.
    ///
    /// # Errors
    /// [`Gone`]
    pub async fn publish(&self, message: &Message) -> Result<(), Gone> {
        match self {
            Self::V5(client) => client.publish(message).await,
            Self::V311(client) => client.publish(message).await,
        }
    }

    /// Acknowledges a message of this very connection.
    ///
    /// # Errors
    /// [`Gone`]
    pub async fn ack(&self, id: u16) -> Result<(), Gone> {
        match self {
            Self::V5(client) => client.ack(id).await,
            Self::V311(client) => client.ack(id).await,
        }
    }

    /// Takes leave, after everything handed over so far.
    ///
    /// # Errors
    /// [`Gone`]
    pub async fn disconnect(&self) -> Result<(), Gone> {
        match self {
            Self::V5(client) => client.disconnect().await,
            Self::V311(client) => client.disconnect().await,
        }
    }
}
