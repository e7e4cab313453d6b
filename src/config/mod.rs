//! The config: strict parse , then checks that report every mistake at once with file, line and remedy.

use std::path::PathBuf;
use std::time::Duration;

use crate::domain::UnitSpec;
use crate::domain::intake::Source;
use crate::mqtt::settings::Broker;
use crate::store::settings::StoreSettings;

/// A checked config: everything in it can be used as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Where messages come from and go to.
    pub broker: Broker,
    /// First levels of every topic of ours; default `fadeline`.
    pub topic_prefix: String,
    /// Which messages carry readings; the contract's own source is among them unless it was switched off.
    pub sources: Vec<Source>,
    /// The units, ordered by id.
    pub units: Vec<UnitSpec>,
    /// Where the data lives.
    pub store: StoreSettings,
    /// The Unix socket of the local interface.
    pub socket: PathBuf,
    /// A unit is `due` when its service date is at most this many days off.
    pub lead_days: u16,
    /// How long a stop may take to store and publish what is under way.
    pub grace: Duration,
    /// What the log shows.
    pub log: LogSettings,
}

/// What the log shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogSettings {
    /// Filter in the syntax of tracing's `EnvFilter`, such as `info` or `fadeline=debug`.
    pub filter: String,
    /// JSON lines instead of text.
    pub json: bool,
}
