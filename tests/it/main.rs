//! The integration tests: one binary.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod backup;
mod broker;
mod cli;
mod daemon;
mod demo;
mod detect;
mod export;
mod files;
mod heron_bight;
mod layering;
mod mqtt;
mod payloads;
mod publish;
mod separation;
mod watch;
