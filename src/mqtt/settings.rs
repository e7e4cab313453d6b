//! How to reach a broker: plain data, made by the config, used by the session and the embedded broker.

use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

/// A text that is never printed.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Wraps a text.
    pub fn new(text: String) -> Self {
        Self(text)
    }

    /// The text itself, for the one place that sends it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

/// A user and a password.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Login {
    /// User name.
    pub user: String,
    /// Password.
    pub password: Secret,
}

/// Which version of the protocol to speak.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 5.
    #[default]
    V5,
    /// MQTT 3.1.1.
    V311,
}

/// TLS to the broker.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tls {
    /// PEM file with the authorities to trust; `None`: those the machine trusts.
    pub ca_file: Option<PathBuf>,
    /// PEM files of our certificate chain and its key, if the broker asks for one.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// A broker elsewhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokerSettings {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Protocol version.
    pub protocol: Protocol,
    /// TLS, if the URL asks for it (`mqtts://`).
    pub tls: Option<Tls>,
    /// User and password, if needed.
    pub login: Option<Login>,
    /// The fixed client id: the broker keeps our queue under it.
    pub client_id: String,
    /// How long the broker keeps our queue while we are away.
    pub session_expiry: Duration,
    /// Keep-alive interval.
    pub keep_alive: Duration,
    /// Largest packet accepted, bytes.
    pub max_packet: usize,
}

/// The broker inside the daemon: for the demo and for one home.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EmbeddedSettings {
    /// Where MQTT 5 clients connect; port 0 takes a free one.
    pub listen_v5: SocketAddr,
    /// Where MQTT 3.1.1 clients connect, if at all.
    pub listen_v311: Option<SocketAddr>,
    /// Needed when a listener is not on loopback.
    pub logins: Vec<Login>,
}

/// Where messages come from and go to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Broker {
    /// A broker elsewhere.
    Remote(BrokerSettings),
    /// The broker inside the daemon.
    Embedded(EmbeddedSettings),
}

/// What hubs are told of the fleet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HubSettings {
    /// The discovery of the widespread smart-home hub.
    pub discovery: Option<DiscoverySettings>,
    /// The first level of the Homie 5 convention's topics (`homie` as a rule), if it is spoken.
    pub homie: Option<String>,
}

/// How a hub discovers the fleet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DiscoverySettings {
    /// First level of its topics, `homeassistant` as a rule.
    pub prefix: String,
    /// One message for each unit, or one for each of its entities.
    pub form: DiscoveryForm,
}

/// The two forms of discovery.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DiscoveryForm {
    /// One message for each unit.
    Device,
    /// One for each entity, for hubs that know nothing else.
    Entity,
}
