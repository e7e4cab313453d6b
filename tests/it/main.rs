//! The integration tests: one binary.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod alerts;
mod broker;
mod cli;
mod daemon;
mod demo;
mod detect;
mod discovery;
mod files;
mod fleet_year;
mod heron_bight;
mod layering;
mod mqtt;
mod notify;
mod payloads;
mod publish;
mod separation;
mod watch;
