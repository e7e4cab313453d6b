//! The integration tests: one binary.

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
