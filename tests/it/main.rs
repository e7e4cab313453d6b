//! The integration tests: one binary.

mod broker;
mod mqtt;
mod payloads;
