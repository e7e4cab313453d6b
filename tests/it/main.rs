//! The integration tests: one binary.

mod layering;
