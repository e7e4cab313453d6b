//! `fadeline check`: every mistake of the config at once; with none, what it says in a few lines.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::{Exit, Failure};
use crate::config::{self, Config, Loaded, Mistake};
use crate::domain::WaterSource;
use crate::domain::intake::{Source, Target};
use crate::mqtt::settings::{Broker, Protocol};

/// Arguments of `check`.
#[derive(Clone, Debug, clap::Args)]
pub struct CheckArgs {
    /// The config [default: FADELINE_CONFIG, else ./fadeline.toml, else /etc/fadeline/fadeline.toml]
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Also try the broker: reach it, TLS, login, topics
    #[arg(long)]
    pub live: bool,
}

/// Tries the broker of a config and says what it found, one line each.
pub type LiveCheck<'a> = &'a dyn Fn(&Config) -> Result<Vec<String>, Failure>;

/// Checks the config; facts go to stdout, warnings to stderr. `live` is called for `--live` when the config is good.
///
/// # Errors
/// [`Exit::Config`] with every mistake, one line each; what `live` says; [`Exit::Io`] if stdout is gone.
pub fn run(args: &CheckArgs, live: LiveCheck<'_>) -> Result<(), Failure> {
    let file = config::find(args.config.as_deref()).map_err(|none| Failure::new(Exit::Config, none.to_string()))?;
    let Loaded { config, warnings } = config::load(&file).map_err(|mistakes| {
        let count = count(mistakes.0.len(), "mistake");
        Failure::new(Exit::Config, format!("{mistakes}\n{count}; nothing was started or changed"))
    })?;
    print(&facts(&file, &config))?;
    eprint(&warning_lines(&warnings));
    if args.live {
        for line in live(&config)? {
            print(&format!("{line}\n"))?;
        }
    }
    Ok(())
}

fn print(text: &str) -> Result<(), Failure> {
    std::io::stdout()
        .lock()
        .write_all(text.as_bytes())
        .map_err(|error| Failure::new(Exit::Io, format!("stdout cannot be written: {error}")))
}

fn eprint(text: &str) {
    // Nobody is left to tell when stderr is gone.
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

fn warning_lines(warnings: &[Mistake]) -> String {
    /// A fleet without references would fill the screen with one sentence.
    const SAME_MAX: usize = 3;
    let mut lines = String::new();
    for (i, warning) in warnings.iter().enumerate() {
        match warnings[..i].iter().filter(|earlier| earlier.says == warning.says).count() {
            0..SAME_MAX => lines += &format!("warning: {warning}\n"),
            SAME_MAX => {
                let more = warnings[i..].iter().filter(|later| later.says == warning.says).count();
                lines += &format!("warning: {more} more like this: {}\n", warning.says);
            }
            _ => {}
        }
    }
    lines
}

/// The config in a few lines: what an owner would look over before he starts the daemon.
fn facts(file: &Path, config: &Config) -> String {
    let mut text = String::new();
    let mut line = |word: &str, says: String| {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{word:<8} {says}");
    };
    line("config", format!("{} is good", file.display()));
    line("broker", broker(&config.broker));
    for source in &config.sources {
        line("topics", format!("{} -> {}", source.filter, target(source)));
    }
    let prefix = &config.topic_prefix;
    line("", format!("{prefix}/service/+/+ for service actions; {prefix}/out/... is what we publish"));
    let cache = config.store.cache_bytes >> 20;
    line("store", format!("{}, cache {cache} MB", config.store.path.display()));
    line("local", config.socket.display().to_string());
    line("alerts", format!("a unit is due {} before its date", count(config.lead_days.into(), "day")));
    line("units", units(config));
    text
}

fn broker(broker: &Broker) -> String {
    match broker {
        Broker::Remote(remote) => {
            let version = match remote.protocol {
                Protocol::V5 => "5",
                Protocol::V311 => "3.1.1",
            };
            let tls = match &remote.tls {
                None => "no TLS",
                Some(tls) if tls.client.is_some() => "TLS with a client certificate",
                Some(_) => "TLS",
            };
            let login = remote.login.as_ref().map_or("no login".to_owned(), |login| format!("user {}", login.user));
            format!("{}:{}, MQTT {version}, {tls}, {login}, client id {}", remote.host, remote.port, remote.client_id)
        }
        Broker::Embedded(embedded) => {
            let old = embedded.listen_v311.map_or(String::new(), |listen| format!(", MQTT 3.1.1 at {listen}"));
            let logins = match embedded.logins.len() {
                0 => "no login needed".to_owned(),
                n => count(n, "login"),
            };
            format!("embedded, MQTT 5 at {}{old}, {logins}", embedded.listen_v5)
        }
    }
}

fn target(source: &Source) -> String {
    match &source.target {
        Target::Unit(id) => id.to_string(),
        Target::Topic { site, unit } => format!("{site}/{unit}"),
    }
}

/// `12 units at 9 sites: 8 lake, 3 bedrock-well, 1 not said; 11 with a reference`.
fn units(config: &Config) -> String {
    let units = &config.units;
    let mut sites: Vec<_> = units.iter().map(|unit| unit.id.site()).collect();
    sites.dedup();
    let waters = WaterSource::ALL.map(|(source, word)| (Some(source), word)).into_iter().chain([(None, "not said")]);
    let waters: Vec<String> = waters
        .map(|(source, word)| (units.iter().filter(|unit| unit.water == source).count(), word))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}"))
        .collect();
    let with_reference = units.iter().filter(|unit| unit.reference.is_some()).count();
    format!(
        "{} at {}; water: {}; {with_reference} with a reference",
        count(units.len(), "unit"),
        count(sites.len(), "site"),
        waters.join(", ")
    )
}

fn count(n: usize, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") }
}
