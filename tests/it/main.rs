//! The integration tests: one binary.
mod heron_bight;
mod separation;
