//! The integration tests: one binary.
