//! The integration tests: one binary.

mod broker;
mod layering;
mod cli;
mod files;
mod layering;
mod payloads;
mod publish;
mod watch;
