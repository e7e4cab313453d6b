//! MQTT: the session with the broker, payloads and topics, the embedded broker.

pub mod settings;
