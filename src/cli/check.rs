//! `fadeline check`: every mistake of the config at once; with none, what it says in a few lines.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::{Exit, Failure};
use crate::alert::quiet::Quiet;
use crate::config::{self, Config, Loaded, Mistake};
use crate::domain::intake::{Source, Target};
use crate::domain::{UnitSpec, WaterSource};
use crate::mqtt::settings::{Broker, DiscoveryForm, Protocol};

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
    let mut alike: HashMap<&str, usize> = HashMap::new();
    warnings.iter().for_each(|warning| *alike.entry(&warning.says).or_default() += 1);
    let mut shown: HashMap<&str, usize> = HashMap::new();
    let mut lines = String::new();
    for warning in warnings {
        let before = shown.entry(&warning.says).or_default();
        match *before {
            0..SAME_MAX => lines += &format!("warning: {warning}\n"),
            SAME_MAX => {
                lines +=
                    &format!("warning: {} more like this: {}\n", alike[warning.says.as_str()] - SAME_MAX, warning.says);
            }
            _ => {}
        }
        *before += 1;
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
    line("", config::keep_words(&config.keep));
    line("local", config.socket.display().to_string());
    line("alerts", format!("a unit is due {} before its date", count(config.lead_days.into(), "day")));
    if config.quiet != Quiet::default() {
        line("", quiet(&config.quiet));
    }
    if let Some(discovery) = &config.hub.discovery {
        let form = if discovery.form == DiscoveryForm::Device { "device" } else { "entity" };
        line("hub", format!("discovery under {}/, {form} form", discovery.prefix));
    }
    if let Some(homie) = &config.hub.homie {
        line("hub", format!("Homie 5 under {homie}/5/"));
    }
    for channel in &config.notify.channels {
        line("notify", channel.name());
    }
    if let Some(heartbeat) = &config.notify.heartbeat {
        line("notify", format!("heartbeat {}", heartbeat.endpoint.host));
    }
    line("units", units(config));
    if let Some(unknown) = unknown_ages(&config.units) {
        line("", unknown);
    }
    text
}

fn quiet(quiet: &Quiet) -> String {
    match (quiet.digest, quiet.hours) {
        (Some(digest), _) => format!("what can wait is told once a day, at {digest:.0}"),
        (None, Some((from, until))) => format!("what can wait is not told from {from:.0} to {until:.0}"),
        (None, None) => String::new(),
    }
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

/// `age not given: 2 lamps, 6 sensors; ...`; `None` where all are.
fn unknown_ages(units: &[UnitSpec]) -> Option<String> {
    let of = |word: &str, known: fn(&UnitSpec) -> bool| {
        let n = units.iter().filter(|unit| !known(unit)).count();
        (n > 0).then(|| count(n, word))
    };
    let unknown: Vec<String> = [
        of("lamp", |unit| unit.lamp.installed.is_some() || unit.lamp.hours_at_start.is_some()),
        of("sleeve", |unit| unit.sleeve.installed.is_some()),
        of("sensor", |unit| unit.sensor.installed.is_some()),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!unknown.is_empty())
        .then(|| format!("age not given (installed): {}; what these have cost is told less surely", unknown.join(", ")))
}

pub(super) fn count(n: usize, word: &str) -> String {
    if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args(config: &str, live: bool) -> CheckArgs {
        CheckArgs { config: Some(Path::new(env!("CARGO_MANIFEST_DIR")).join(config)), live }
    }

    #[test]
    fn a_bad_config_fails_with_78_and_every_mistake() {
        let never = |_: &Config| -> Result<Vec<String>, Failure> { panic!("a bad config is not tried") };
        let failure = run(&args("fixtures/config/bad/text-for-number.toml", true), &never).unwrap_err();
        assert_eq!(failure.kind as u8, 78);
        assert_eq!(failure.text.lines().count(), 6, "{}", failure.text);
        assert!(failure.text.ends_with("5 mistakes; nothing was started or changed"), "{}", failure.text);
    }

    #[test]
    fn the_broker_is_tried_only_when_asked() {
        let down = |_: &Config| Err(Failure::new(Exit::Unavailable, "broker localhost:1883: connection refused"));
        assert!(run(&args("config/cabins.toml", false), &down).is_ok());
        assert_eq!(run(&args("config/cabins.toml", true), &down).unwrap_err().kind, Exit::Unavailable);
    }

    #[test]
    fn the_facts_of_a_good_config() {
        let file = args("config/cabins.toml", false).config.unwrap();
        let config = config::load(&file).unwrap().config;
        assert_eq!(
            facts(Path::new("cabins.toml"), &config),
            "config   cabins.toml is good\n\
             broker   localhost:1883, MQTT 5, no TLS, no login, client id fadeline-heron-bight\n\
             topics   uv/+/intensity -> heron-bight/{2}\n\
             topics   bakery/card/1 -> heron-bight/bakery\n\
             topics   fadeline/in/+/+ -> {3}/{4}\n\
             \u{20}        fadeline/service/+/+ for service actions; fadeline/out/... is what we publish\n\
             store    /var/lib/fadeline, cache 64 MB\n\
             \u{20}        keeps readings 2 years, hours and days for ever\n\
             local    /var/lib/fadeline/fadeline.sock\n\
             alerts   a unit is due 21 days before its date\n\
             units    6 units at 2 sites; water: 2 lake, 1 river, 2 spring, 1 bedrock-well; 6 with a reference\n\
             \u{20}        age not given (installed): 4 lamps, 4 sleeves, 5 sensors; what these have cost is told less surely\n"
        );
    }

    #[test]
    fn the_same_warning_for_a_whole_fleet_is_summed_up() {
        let warning = |line| Mistake {
            file: "f.toml".into(),
            line,
            column: 1,
            text: "[[unit]]".into(),
            says: "no reference".into(),
            remedy: "add it".into(),
        };
        let lines = warning_lines(&(1..=300).map(warning).collect::<Vec<_>>());
        assert_eq!(lines.lines().count(), 4, "{lines}");
        assert!(lines.ends_with("warning: 297 more like this: no reference\n"), "{lines}");
    }
}
