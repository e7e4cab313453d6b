//! The integration tests: one binary.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod broker;
mod cli;
mod daemon;
mod demo;
mod detect;
mod files;
mod grade;
mod heron_bight;
mod layering;
mod mqtt;
mod nonsense;
mod outside;
mod payloads;
mod publish;
mod separation;
mod watch;
