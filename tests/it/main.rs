//! The integration tests: one binary.

mod broker;
mod layering;
mod cli;
mod files;
mod payloads;
