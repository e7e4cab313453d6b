//! Fadeline: why the light at the sensor of a small UV unit is fading, when it will be too little, what to bring.
//!
//! DEVELOPERS.md has the bird's-eye view. Pure modules decide and name no I/O and no clock; the shell performs.

pub mod alert; // PURE: which alerts a unit has, and their life
pub mod analysis; // PURE: readings -> days -> causes, dates, verdict
pub mod archive; // PURE: the form of backups, and of what export and import move
pub mod cli; // one file for each command
pub mod clock; // the only reader of the clock
pub mod config; // TOML -> checked config, every mistake at once
pub mod daemon; // the shell: events in, effects performed, drained at the end
pub mod demo; // the invented fleet, its gateway and the daemon in one process
pub mod domain; // PURE: units, readings, service actions, assessments
pub mod engine; // PURE: handle(event, now) -> effects
pub mod files; // readings, service logs and unit files on disk
pub mod mqtt; // broker session, payloads, topics, embedded broker
pub mod notify; // webhook, push, mail: how people are told beyond MQTT
pub mod page; // PURE: HTML and SVG from values
pub mod paper; // PURE: PDF and pictures from values
pub mod query; // questions about the fleet and their answers, with or without a daemon
pub mod report; // PURE: tables, charts and sentences for people
pub mod scenario; // PURE: the simulator behind the demo; analysis may not know it
pub mod senml; // PURE: RFC 8428 packs
pub mod store; // the only module that knows sled
pub mod visit; // PURE: what each step of a visit gave, and what to do next
pub mod web; // the local interface, the API and the pages
