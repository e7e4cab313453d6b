//! The integration tests: one binary.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod alerts;
mod api;
mod backup;
mod broker;
mod cli;
mod clock;
mod daemon;
mod demo;
mod detect;
mod discovery;
mod disk_full;
mod export;
mod files;
mod fleet_year;
mod grade;
mod heron_bight;
mod kill;
mod layering;
mod life_of_light;
mod life_of_moments;
mod life_of_parts;
mod migrate;
mod mqtt;
mod nonsense;
mod notify;
mod notify_tls;
mod orders;
mod outside;
mod papers;
mod payloads;
mod power_cut;
mod publish;
mod retention;
mod separation;
mod soak;
mod terminal;
mod watch;
mod world;
