//! How people are told beyond MQTT: webhook, push, mail, and a heartbeat for whoever watches the watcher.
//!
//! `message` words a notice, `queue` keeps it until its channel has taken it (both PURE), `http` and `mail` send it,
//! `worker` does all this beside the daemon, over restarts.

pub mod http;
pub mod mail;
pub mod message; // PURE: notices as text and JSON, signed
pub mod queue; // PURE: what waits, when it is tried again
pub mod settings;
pub mod worker;
