//! The shell around the engine: waits for one event, lets the engine decide, performs the effects, drains.

pub mod outbox;
