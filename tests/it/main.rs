//! The integration tests: one binary.

mod broker;
mod layering;
mod files;
mod payloads;
