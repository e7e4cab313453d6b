//! MQTT: the session with the broker, payloads and topics, the embedded broker.

pub mod decode; // PURE: payloads -> readings and service entries
pub mod discovery; // PURE: what hubs are told to show
pub mod embedded; // a broker inside the daemon
pub mod encode; // PURE: what is published, and where
pub mod live; // trying a broker out
pub mod session; // the connection that never gives up, acknowledgements, publishing
pub mod settings;
pub mod tls; // certificates and keys from their files
mod wire; // one connection, MQTT 5 or 3.1.1; all that names rumqttc
