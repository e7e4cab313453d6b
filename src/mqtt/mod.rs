//! MQTT: the session with the broker, payloads and topics, the embedded broker.

pub mod decode; // PURE: payloads -> readings and service entries
pub mod encode; // PURE: what is published, and where
pub mod settings;
