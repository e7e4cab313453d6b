//! The integration tests: one binary.

mod payloads;
