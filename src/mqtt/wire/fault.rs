//! Why a connection failed, in words that name the remedy.

use std::fmt::Display;
use std::io;

use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode as Code5, DisconnectReasonCode};

use rumqttc::{ConnectReturnCode as Code311, TlsError};

/// A connection that could not be made, or ended.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct Fault {
    /// What kind.
    pub kind: FaultKind,
    /// What happened and what to do.
    pub text: String,
}

/// Kinds of faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    /// Nobody answers there, or not in time.
    Unreachable,
    /// The broker does not want us.
    Refused,
    /// TLS could not be agreed on.
    Tls,
    /// A packet was larger than we take.
    PacketTooLarge,
    /// Another client has our session.
    TakenOver,
    /// An established connection broke.
    Lost,
}

impl Fault {
    /// A fault with its text.
    pub fn new(kind: FaultKind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }

    pub(super) fn v5(error: &rumqttc::v5::ConnectionError, place: &str, client_id: &str) -> Self {
        use rumqttc::v5::ConnectionError as E;
        use rumqttc::v5::StateError as S;
        match error {
            E::Timeout(_) => Self::no_answer(place),
            E::Tls(error) => Self::tls(error, place),
            E::Io(error) => Self::io(error, place),
            E::ConnectionRefused(code) => Self::refused5(*code, place),
            E::MqttState(S::ServerDisconnect { reason_code: DisconnectReasonCode::SessionTakenOver, .. }) => Self::new(
                FaultKind::TakenOver,
                format!("another client at {place} goes by `{client_id}`: give each daemon its own client_id"),
            ),
            E::MqttState(S::ServerDisconnect { reason_code, reason_string }) => {
                let more = reason_string.as_deref().map(|text| format!(", {text}")).unwrap_or_default();
                Self::new(
                    FaultKind::Lost,
                    format!("the broker at {place} ended the connection ({reason_code:?}{more})"),
                )
            }
            E::MqttState(S::IncomingPacketTooLarge { pkt_size, .. }) => Self::too_large(*pkt_size, place),
            E::MqttState(S::Deserialization(rumqttc::v5::mqttbytes::Error::PayloadSizeLimitExceeded {
                pkt_size,
                ..
            })) => Self::too_large(*pkt_size, place),
            E::MqttState(S::ConnectionAborted) => Self::hung_up(place),
            E::MqttState(S::Io(error) | S::Deserialization(rumqttc::v5::mqttbytes::Error::Io(error))) => {
                Self::broken(error, place)
            }
            E::MqttState(error) => Self::lost(error, place),
            other => Self::lost(other, place),
        }
    }

    pub(super) fn v311(error: &rumqttc::ConnectionError, place: &str) -> Self {
        use rumqttc::ConnectionError as E;
        use rumqttc::StateError as S;
        match error {
            E::NetworkTimeout | E::FlushTimeout => Self::no_answer(place),
            E::Tls(error) => Self::tls(error, place),
            E::Io(error) => Self::io(error, place),
            E::ConnectionRefused(code) => Self::refused311(*code, place),
            E::MqttState(S::Deserialization(rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded(size))) => {
                Self::too_large(*size, place)
            }
            E::MqttState(S::ConnectionAborted) => Self::hung_up(place),
            E::MqttState(S::Io(error) | S::Deserialization(rumqttc::mqttbytes::Error::Io(error))) => {
                Self::broken(error, place)
            }
            E::MqttState(error) => Self::lost(error, place),
            other => Self::lost(other, place),
        }
    }

    fn no_answer(place: &str) -> Self {
        Self::new(FaultKind::Unreachable, format!("{place} does not answer in time: check the network and the port"))
    }

    fn hung_up(place: &str) -> Self {
        let text = format!(
            "the broker at {place} closed the connection without a word; if it does so again and again, check login, \
             TLS and port, what it lets this login publish, and that no other client goes by the same client_id"
        );
        Self::new(FaultKind::Lost, text)
    }

    fn lost(error: &impl Display, place: &str) -> Self {
        Self::new(FaultKind::Lost, format!("the connection to {place} ended: {error}"))
    }

    /// An error on a connection that stood already. Since TLS 1.3 a broker refuses a client certificate only then.
    fn broken(error: &io::Error, place: &str) -> Self {
        match error.kind() {
            io::ErrorKind::InvalidData => Self::tls(&error, place),
            io::ErrorKind::UnexpectedEof => Self::hung_up(place),
            _ => Self::lost(error, place),
        }
    }

    fn too_large(size: usize, place: &str) -> Self {
        let text =
            format!("a message of {size} bytes at {place} is larger than max_packet: send smaller packs, or raise it");
        Self::new(FaultKind::PacketTooLarge, text)
    }

    fn io(error: &io::Error, place: &str) -> Self {
        match error.kind() {
            io::ErrorKind::ConnectionRefused => Self::new(
                FaultKind::Unreachable,
                format!("nothing listens at {place}: start the broker, or correct its host and port"),
            ),
            // rustls reports what it does not like as invalid data.
            io::ErrorKind::InvalidData => Self::tls(&error, place),
            _ => Self::new(FaultKind::Unreachable, format!("cannot reach {place}: {error}")),
        }
    }

    fn tls(error: &impl TlsReason, place: &str) -> Self {
        let text = format!(
            "TLS with {place} failed ({}): check ca_file, the client certificate and the name in the broker's certificate",
            error.reason()
        );
        Self::new(FaultKind::Tls, text)
    }

    fn refused5(code: Code5, place: &str) -> Self {
        let text = match code {
            Code5::BadUserNamePassword | Code5::NotAuthorized => login_refused(place),
            Code5::RefusedProtocolVersion | Code5::UnsupportedProtocolVersion => {
                format!("the broker at {place} does not speak MQTT 5: set protocol = \"3.1.1\" for it in the config")
            }
            Code5::BadClientId | Code5::ClientIdentifierNotValid => {
                format!("the broker at {place} does not take our client_id: give another one")
            }
            other => format!("the broker at {place} refused the connection ({other:?})"),
        };
        Self::new(FaultKind::Refused, text)
    }

    fn refused311(code: Code311, place: &str) -> Self {
        let text = match code {
            Code311::BadUserNamePassword | Code311::NotAuthorized => login_refused(place),
            Code311::BadClientId => format!("the broker at {place} does not take our client_id: give another one"),
            other => format!("the broker at {place} refused the connection ({other:?})"),
        };
        Self::new(FaultKind::Refused, text)
    }
}

fn login_refused(place: &str) -> String {
    format!("the broker at {place} refused the login: check user and password, and that it lets this client_id in")
}

/// The shortest text that still says what was wrong with TLS.
trait TlsReason {
    fn reason(&self) -> String;
}

impl TlsReason for TlsError {
    fn reason(&self) -> String {
        self.to_string()
    }
}

impl TlsReason for &io::Error {
    fn reason(&self) -> String {
        self.to_string()
    }
}
