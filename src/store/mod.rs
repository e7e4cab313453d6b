//! The store: the only module that knows sled.

pub mod settings;
