//! The integration tests: one binary.

#![expect(clippy::unwrap_used, clippy::panic, reason = "in a test a failure to prepare is a failure")]

mod broker;
mod cli;
mod daemon;
mod detect;
mod files;
mod heron_bight;
mod layering;
mod mqtt;
mod payloads;
mod publish;
mod watch;
