//! The config: strict parse, then checks that report every mistake at once with file, line and remedy.
//!
//! Two stages. `raw` knows the keys and their types, `checked` and its neighbours know what they mean. Both add
//! to one list of findings, so an owner sees all his mistakes in one run. The machine (files, environment, clock) is
//! behind [`Environment`]; [`load`] brings the real one.

mod alerts;
mod broker;
mod checked;
mod filter;
mod fleet;
mod hub;
mod intake;
mod keep;
mod machine;
mod mistake;
mod notify;
mod profile;
mod raw;
mod secret;
mod table;
#[cfg(test)]
mod tests;
mod units;
mod value;
mod web;

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

pub use checked::{read, read_unit};
pub use keep::words as keep_words;
pub use machine::{ETC_CONFIG, Environment, LOCAL_CONFIG, Machine, NotFound, find, load, unit_file};
pub use mistake::{Mistake, Mistakes};

use crate::alert::quiet::Quiet;
use crate::domain::UnitSpec;
use crate::domain::intake::Source;
use crate::mqtt::settings::{Broker, HubSettings};
use crate::notify::settings::NotifySettings;
use crate::store::settings::{Keep, StoreSettings};

/// A checked config: everything in it can be used as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Where messages come from and go to.
    pub broker: Broker,
    /// First levels of every topic of ours; default `fadeline`.
    pub topic_prefix: String,
    /// Which messages carry readings; the contract's own source is among them unless it was switched off. Where two
    /// filters match the same topic, the narrower stands first: the first match is the right one.
    pub sources: Vec<Source>,
    /// The sites that were described, ordered by id.
    pub sites: Vec<SiteSpec>,
    /// The units, ordered by id.
    pub units: Vec<UnitSpec>,
    /// Where the data lives.
    pub store: StoreSettings,
    /// How long it is kept.
    pub keep: Keep,
    /// The Unix socket of the local interface.
    pub socket: PathBuf,
    /// A unit is `due` when its service date is at most this many days off.
    pub lead_days: u16,
    /// When people may be told of what can wait.
    pub quiet: Quiet,
    /// What hubs are told of the fleet.
    pub hub: HubSettings,
    /// The channels by which people are told.
    pub notify: NotifySettings,
    /// How long a stop may take to store and publish what is under way.
    pub grace: Duration,
    /// What the log shows.
    pub log: LogSettings,
    /// The pages and the API over TCP; `None`: off.
    pub web: Option<WebSettings>,
    /// The planner's own figures for the round.
    pub round: RoundSettings,
}

/// The pages and the API over TCP.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WebSettings {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Whether the owner wrote that address: then a daemon that cannot have it does not start.
    pub written: bool,
    /// Users and tokens; needed off loopback. Without it whoever reaches this machine's loopback may do everything.
    pub access_file: Option<PathBuf>,
    /// The pages' own certificate and its key; without them they are served in the clear.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// Addresses whose `X-Forwarded-For` and `X-Forwarded-Proto` are believed.
    pub trusted_proxies: Vec<IpAddr>,
}

/// The planner's own figures for the round.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RoundSettings {
    /// Minutes of work and driving in a day.
    pub day_minutes: u32,
    /// Minutes a visit takes.
    pub visit_minutes: u32,
    /// Minutes of travel to a site that names none, one way.
    pub travel_minutes: u32,
    /// Days until the trip after the next.
    pub interval_days: u32,
}

/// A place with units, as its owner described it.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteSpec {
    /// The id.
    pub id: String,
    /// A name for people, if the owner gave one.
    pub name: Option<String>,
    /// The site's time zone.
    pub zone: jiff::tz::TimeZone,
    /// The owner's own words for grouping sites.
    pub tags: Vec<String>,
    /// Where it is, for people who drive there.
    pub address: Option<String>,
    /// Whom to call.
    pub contact: Option<String>,
    /// How to get in: keys, gates.
    pub access: Option<String>,
    /// Minutes of travel from the base, one way.
    pub travel_minutes: Option<u16>,
}

/// What the log shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogSettings {
    /// Filter in the syntax of tracing's `EnvFilter`, such as `info` or `fadeline=debug`.
    pub filter: String,
    /// JSON lines instead of text.
    pub json: bool,
}

/// A config that can be used, and what is foolish about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Loaded {
    /// The config.
    pub config: Config,
    /// Legal but foolish settings, in the order of files and lines.
    pub warnings: Vec<Mistake>,
}
