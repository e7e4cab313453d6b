//! The integration tests: one binary.

mod broker;
mod daemon;
mod files;
mod layering;
mod payloads;
mod publish;
mod watch;
