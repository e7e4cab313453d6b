//! The channels of the config.

use std::path::PathBuf;
use std::time::Duration;

use crate::mqtt::settings::{Login, Secret};

/// The channels by which people are told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct NotifySettings {
    /// Each in the order of the config.
    pub channels: Vec<Channel>,
    /// A URL that is asked for as long as all is well.
    pub heartbeat: Option<Heartbeat>,
}

/// A URL of a service that misses us when we are silent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heartbeat {
    /// Where.
    pub endpoint: Endpoint,
    /// How often.
    pub every: Duration,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Channel {
    /// JSON, signed.
    Webhook {
        /// Where.
        endpoint: Endpoint,
        /// The key of the signature.
        secret: Option<Secret>,
    },
    /// A plain text.
    Push {
        /// Where.
        endpoint: Endpoint,
        /// The header that carries the title.
        title_header: String,
        /// Sent as a bearer token.
        token: Option<Secret>,
    },
    /// A mail.
    Mail(MailSettings),
}

impl Channel {
    /// As people know it; no secret is in it.
    pub fn name(&self) -> String {
        match self {
            Self::Webhook { endpoint, .. } => format!("webhook {}", endpoint.host),
            Self::Push { endpoint, .. } => format!("push {}", endpoint.host),
            Self::Mail(mail) => format!("mail {}", mail.to.join(", ")),
        }
    }
}

/// A place that speaks HTTP.
#[derive(Clone, PartialEq, Eq)]
pub struct Endpoint {
    /// With TLS.
    pub tls: bool,
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Path with query. May hold a secret.
    pub path: String,
    /// The authority to trust instead of those of the machine.
    pub ca_file: Option<PathBuf>,
}

/// The path may hold a secret.
impl std::fmt::Debug for Endpoint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}{}", self.host, self.port, if self.tls { " (TLS)" } else { "" })
    }
}

/// How mail is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MailSettings {
    /// The server.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How the line is protected.
    pub security: MailSecurity,
    /// The authority to trust instead of those of the machine.
    pub ca_file: Option<PathBuf>,
    /// Who we are there.
    pub login: Option<Login>,
    /// The sender.
    pub from: String,
    /// The receivers.
    pub to: Vec<String>,
}

/// How the line to a mail server is protected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MailSecurity {
    /// TLS from the first byte.
    Tls,
    /// TLS after STARTTLS, never without.
    StartTls,
    /// Not at all: a server on this machine.
    Clear,
}
