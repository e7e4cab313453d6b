//! Second stage: what the keys mean together.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::mistake::{At, Findings, Mistake, Mistakes, Place, Shown};
use super::table::{Field, did_you_mean, parse};
use super::units::{Described, describe};
use super::{
    Config, Environment, Loaded, LogSettings, alerts, broker, filter, fleet, hub, intake, keep, notify, raw, units, web,
};
use crate::domain::UnitSpec;
use crate::store::settings::StoreSettings;

/// First levels of our topics unless others are set.
const PREFIX: &str = "fadeline";
/// A trip to a cabin is planned a fortnight ahead (our choice).
const LEAD_DAYS: u16 = 14;
/// Enough for a flush on a slow card, and well inside the 90 s a service manager usually waits (from memory).
const GRACE: Duration = Duration::from_secs(20);
/// Beyond this a service manager usually kills (from memory).
const GRACE_FOOLISH: Duration = Duration::from_secs(90);
/// Page cache, MB of 1,048,576 bytes; see the store's measurements.
const CACHE_MB: i64 = 64;
/// The longest path of a Unix socket on Linux, bytes (sun_path has 108 with its end).
const SOCKET_MAX_BYTES: usize = 107;
/// The name of the socket in the store's directory.
const SOCKET: &str = "fadeline.sock";

/// What every check needs: the machine, where relative paths start, the list of findings.
pub(super) struct Context<'a> {
    /// The machine.
    pub env: &'a dyn Environment,
    /// What was found so far.
    pub out: Findings,
    /// The directory of the config.
    base: PathBuf,
}

impl<'a> Context<'a> {
    fn new(file: &Path, env: &'a dyn Environment) -> Self {
        Self { env, out: Findings::default(), base: file.parent().unwrap_or(Path::new("")).to_path_buf() }
    }

    /// A path of the config, from the config's own directory.
    pub fn beside(&self, path: &str) -> PathBuf {
        self.base.join(path)
    }

    /// The config as a whole.
    pub fn top(&self) -> Place {
        Place { file: 0, key: String::new(), span: 0..0, shown: Shown::Nothing }
    }

    /// A key that must be there.
    pub fn required<T: Clone>(
        &mut self,
        field: &Field<At<T>>,
        table: &Place,
        key: &str,
        example: &str,
    ) -> Option<At<T>> {
        if field.is_absent() {
            self.out.mistake(table, format!("{key} is missing"), format!("add {key} = {example}"));
        }
        field.given().cloned()
    }

    /// A value inside its limits, if the key was written.
    pub fn within<T: PartialOrd + Clone>(
        &mut self,
        field: &Field<At<T>>,
        low: T,
        high: T,
        low_shown: &str,
        high_shown: &str,
    ) -> Option<T> {
        let at = field.given()?;
        if at.value < low || at.value > high {
            let remedy = format!("write {low_shown} to {high_shown}");
            self.out.mistake(&at.place, "out of range", remedy);
            return None;
        }
        Some(at.value.clone())
    }

    /// One of a few words.
    pub fn word<T: Copy>(&mut self, field: &Field<At<String>>, words: &[(&str, T)]) -> Option<T> {
        let at = field.given()?;
        let found = words.iter().find(|(word, _)| *word == at.value).map(|(_, value)| *value);
        if found.is_none() {
            let all: Vec<_> = words.iter().map(|(word, _)| *word).collect();
            let remedy = did_you_mean(&at.value, all.iter().copied())
                .unwrap_or_else(|| format!("write one of {}", all.join(", ")));
            self.out.mistake(&at.place, "unknown word", remedy);
        }
        found
    }

    fn finish<T>(self, built: Option<T>) -> Result<(T, Vec<Mistake>), Mistakes> {
        let (mistakes, warnings) = self.out.finish();
        match built {
            Some(value) if mistakes.is_empty() => Ok((value, warnings)),
            _ => Err(Mistakes(mistakes)),
        }
    }
}

/// Reads and checks a config. `file` is its path as the owner knows it: messages name it, and relative paths start
/// at its directory. Files it includes and passwords it names come through `env`.
///
/// # Errors
/// Every mistake at once.
pub fn read(text: &str, file: impl AsRef<Path>, env: &dyn Environment) -> Result<Loaded, Mistakes> {
    let mut context = Context::new(file.as_ref(), env);
    let id = context.out.add_file(file.as_ref(), text);
    let raw: Option<raw::File> = parse(text, id, &mut context.out);
    let config = raw.and_then(|raw| build(&raw, &mut context));
    context.finish(config).map(|(config, warnings)| Loaded { config, warnings })
}

/// Reads and checks a unit file: the table that stands under `[[unit]]` in a config, at the top level of a file of
/// its own. The second value are warnings.
///
/// # Errors
/// Every mistake at once.
pub fn read_unit(
    text: &str,
    file: impl AsRef<Path>,
    env: &dyn Environment,
) -> Result<(UnitSpec, Vec<Mistake>), Mistakes> {
    let mut context = Context::new(file.as_ref(), env);
    let id = context.out.add_file(file.as_ref(), text);
    if let Some(start) = text.find("[[unit]]").filter(|start| text[..*start].ends_with('\n') || *start == 0) {
        let place = Place { file: id, key: String::new(), span: start..start + "[[unit]]".len(), shown: Shown::Text };
        let remedy = "write the keys of one unit at the top of the file, without [[unit]]";
        context.out.mistake(&place, "this header is for a config", remedy);
        return context.finish(None);
    }
    let raw: Option<raw::Unit> = parse(text, id, &mut context.out);
    let unit = raw.and_then(|raw| units::alone(&raw, &mut context));
    context.finish(unit)
}

fn build(raw: &raw::File, context: &mut Context<'_>) -> Option<Config> {
    let broker = broker::check(&raw.broker, context);
    let prefix = prefix(raw, context);
    let included = units::include(&raw.include, context);
    let rows = fleet::read(&raw.fleet, context);
    let Described { sites, units } = describe(raw, &included, &rows, context);
    let all_sources: Vec<&raw::Source> =
        raw.source.all().iter().chain(included.iter().flat_map(|file| file.source.all())).collect();
    let contract = raw.topics.given().and_then(|topics| topics.contract.value()).unwrap_or(true);
    let sources = intake::check(&all_sources, contract.then_some(&prefix), &prefix, &units, context);
    let store = store(raw, context);
    let keep = keep::check(raw, context);
    let socket = socket(raw, store.as_ref(), context);
    let lead_days = lead_days(raw, context);
    let quiet = alerts::quiet(&raw.alerts, context);
    let hub = hub::check(&raw.hub, context);
    let notify = notify::check(&raw.notify, context);
    let grace = grace(raw, context);
    let log = log(raw, context);
    let web = web::check(raw, context);
    let round = web::round(raw, context);
    let units = units.into_iter().map(|(spec, _)| spec).collect();
    Some(Config {
        broker: broker?,
        topic_prefix: prefix,
        sources,
        sites,
        units,
        store: store?,
        keep,
        socket: socket?,
        lead_days,
        quiet,
        hub,
        notify,
        grace,
        log,
        web,
        round,
    })
}

fn prefix(raw: &raw::File, context: &mut Context<'_>) -> String {
    let Some(at) = raw.topics.given().and_then(|topics| topics.prefix.given()) else { return PREFIX.to_owned() };
    if let Some((says, remedy)) = filter::fault(&at.value) {
        context.out.mistake(&at.place, says, remedy);
    } else if at.value.contains(['+', '#']) {
        context.out.mistake(&at.place, "a prefix has no wildcards", "write plain levels such as \"lake/fadeline\"");
    } else if at.value.split('/').any(str::is_empty) {
        let remedy = "take out the / at its ends, and double ones";
        context.out.mistake(&at.place, "a prefix with an empty level", remedy);
    }
    at.value.clone()
}

fn store(raw: &raw::File, context: &mut Context<'_>) -> Option<StoreSettings> {
    let Some(store) = raw.store.given() else {
        if raw.store.is_absent() {
            let remedy = "add [store] with path = \"/var/lib/fadeline\", or a directory of your own";
            context.out.mistake(&context.top(), "[store] is missing", remedy);
        }
        return None;
    };
    let path = context.required(&store.path, &store.place, "path", "\"/var/lib/fadeline\"");
    let cache_mb = context.within(&store.cache_mb, 8, 4_096, "8", "4096").unwrap_or(CACHE_MB);
    let path = path?;
    if path.value.is_empty() {
        context.out.mistake(&path.place, "an empty path", "write path = \"/var/lib/fadeline\"");
    } else if ["/tmp", "/var/tmp", "/dev/shm", "/run"].iter().any(|gone| Path::new(&path.value).starts_with(gone)) {
        let says = "data in this place is deleted at a restart or by a clean-up";
        context.out.warn(&path.place, says, "write path = \"/var/lib/fadeline\"");
    }
    Some(StoreSettings {
        path: context.beside(&path.value),
        cache_bytes: usize::try_from(cache_mb).unwrap_or_default() << 20,
    })
}

fn socket(raw: &raw::File, store: Option<&StoreSettings>, context: &mut Context<'_>) -> Option<PathBuf> {
    let written = raw.local.given().and_then(|local| local.socket.given());
    let path = match written {
        Some(at) => context.beside(&at.value),
        None => store?.path.join(SOCKET),
    };
    let bytes = path.as_os_str().len();
    if bytes > SOCKET_MAX_BYTES {
        let store_path = raw.store.given().and_then(|store| store.path.given());
        let place = written.or(store_path).map_or_else(|| context.top(), |at| at.place.clone());
        let says = format!("the local interface's socket would have a path of {bytes} bytes");
        let remedy = format!("write [local] socket with at most {SOCKET_MAX_BYTES}, such as \"/run/fadeline.sock\"");
        context.out.mistake(&place, says, remedy);
    }
    Some(path)
}

fn lead_days(raw: &raw::File, context: &mut Context<'_>) -> u16 {
    let Some(alerts) = raw.alerts.given() else { return LEAD_DAYS };
    let Some(days) = context.within(&alerts.lead_days, 0, 365, "0", "365") else { return LEAD_DAYS };
    if let Some(at) = alerts.lead_days.given()
        && days == 0
    {
        let says = "a unit becomes due only on the day itself";
        context.out.warn(&at.place, says, "write the days you need to plan a trip, such as 14");
    }
    u16::try_from(days).unwrap_or(LEAD_DAYS)
}

fn grace(raw: &raw::File, context: &mut Context<'_>) -> Duration {
    let (least, most) = (Duration::from_secs(1), Duration::from_secs(600));
    let Some(grace) = context.within(&raw.grace, least, most, "1 s", "10 min") else { return GRACE };
    if let Some(at) = raw.grace.given()
        && grace >= GRACE_FOOLISH
    {
        let says = "a service manager usually kills after 90 s";
        context.out.warn(&at.place, says, "write less, or raise its limit (TimeoutStopSec in systemd)");
    }
    grace
}

fn log(raw: &raw::File, context: &mut Context<'_>) -> LogSettings {
    const LEVELS: [&str; 6] = ["error", "warn", "info", "debug", "trace", "off"];
    let mut settings = LogSettings { filter: "info".to_owned(), json: false };
    let Some(log) = raw.log.given() else { return settings };
    settings.json = log.json.value().unwrap_or(false);
    let Some(at) = log.filter.given() else { return settings };
    if let Err(error) = tracing_subscriber::EnvFilter::builder().parse(&at.value) {
        let remedy = "write a level (error, warn, info, debug, trace), or parts such as \"info,fadeline::mqtt=debug\"";
        context.out.mistake(&at.place, format!("not a log filter: {error}"), remedy);
    }
    for part in at.value.split(',').map(str::trim).filter(|part| !part.contains(['=', '[', ':'])) {
        if !LEVELS.contains(&part.to_lowercase().as_str()) && part != "fadeline" {
            let remedy = did_you_mean(part, LEVELS).unwrap_or_else(|| format!("write one of {}", LEVELS.join(", ")));
            context.out.mistake(&at.place, format!("`{part}` is not a log level"), remedy);
        }
    }
    settings.filter.clone_from(&at.value);
    settings
}
