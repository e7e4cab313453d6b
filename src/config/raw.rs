//! First stage: every key of the config with its type, and nothing yet of what it means.
//!
//! This is the one list of keys. `config/example.toml` explains each; a test proves that none is missing there.

use std::time::Duration;

use super::mistake::At;
use super::table::{Numbers, Read, Table, Texts, meant, table};
use super::value::{Bytes, Moment};

type Text = At<String>;
type Number = At<f64>;
type Whole = At<i64>;
type Truth = At<bool>;
type Span = At<Duration>;
type Date = At<Moment>;

table! {
    /// The config file.
    File "the top level" {
        broker: Broker,
        topics: Topics,
        source: Vec<Source>,
        store: Store,
        local: Local,
        alerts: Alerts,
        hub: Hub,
        notify: Notify,
        log: Log,
        web: Web,
        round: Round,
        site: Vec<Site>,
        unit: Vec<Unit>,
        profile: Vec<Profile>,
        include: Texts,
        fleet: Texts,
        zone: Text,
        grace: Span,
    }
}

table! {
    /// A file named by `include`.
    Included "an included file" {
        source: Vec<Source>,
        site: Vec<Site>,
        unit: Vec<Unit>,
        profile: Vec<Profile>,
    }
}

table! {
    /// The broker, elsewhere or inside the daemon.
    Broker "[broker]" {
        url: Text,
        protocol: Text,
        client_id: Text,
        user: Text,
        password_file: Text,
        password_env: Text,
        ca_file: Text,
        client_certificate: Text,
        client_key: Text,
        session_expiry: Span,
        keep_alive: Span,
        max_packet: At<Bytes>,
        embedded: Truth,
        listen: Text,
        listen_311: Text,
        login: Vec<Login>,
    }
}

table! {
    /// Who may connect to the embedded broker.
    Login "[[broker.login]]" {
        user: Text,
        password_file: Text,
        password_env: Text,
    }
}

table! {
    /// Our own topics.
    Topics "[topics]" {
        prefix: Text,
        contract: Truth,
    }
}

table! {
    /// Messages that carry readings.
    Source "[[source]]" {
        topic: Text,
        site: Text,
        unit: Text,
        shape: Text,
        time: Text,
        time_format: Text,
        channel: Vec<Channel>,
    }
}

table! {
    /// One channel in a message.
    Channel "[[source.channel]]" {
        channel: Text,
        pointer: Text,
        record: Text,
        factor: Number,
        offset: Number,
        at_4_ma: Number,
        at_20_ma: Number,
        measure: Text,
    }
}

table! {
    /// The data.
    Store "[store]" {
        path: Text,
        cache_mb: Whole,
        keep_raw: Text,
        keep_hours: Text,
        keep_days: Text,
        keep: Vec<Keep>,
    }
}

table! {
    /// How long one channel is kept, where it differs.
    Keep "[[store.keep]]" {
        channel: Text,
        raw: Text,
        hours: Text,
        days: Text,
    }
}

table! {
    /// The local interface.
    Local "[local]" {
        socket: Text,
    }
}

table! {
    /// Alerts.
    Alerts "[alerts]" {
        lead_days: Whole,
        quiet_from: Text,
        quiet_until: Text,
        digest_at: Text,
    }
}

table! {
    /// What hubs are told.
    Hub "[hub]" {
        discovery: Text,
        prefix: Text,
        homie: Truth,
        homie_prefix: Text,
    }
}

table! {
    /// How people are told.
    Notify "[notify]" {
        webhook: Vec<Webhook>,
        push: Vec<Push>,
        mail: Vec<Mail>,
        heartbeat: Text,
        heartbeat_every: Span,
    }
}

table! {
    /// A webhook.
    Webhook "[[notify.webhook]]" {
        url: Text,
        ca_file: Text,
        password_file: Text,
        password_env: Text,
    }
}

table! {
    /// A push service.
    Push "[[notify.push]]" {
        url: Text,
        ca_file: Text,
        title_header: Text,
        password_file: Text,
        password_env: Text,
    }
}

table! {
    /// A mail.
    Mail "[[notify.mail]]" {
        url: Text,
        from: Text,
        to: Texts,
        ca_file: Text,
        user: Text,
        password_file: Text,
        password_env: Text,
    }
}

table! {
    /// The log.
    Log "[log]" {
        filter: Text,
        json: Truth,
    }
}

table! {
    /// The pages and the API over TCP.
    Web "[web]" {
        listen: Text,
        access_file: Text,
        certificate: Text,
        key: Text,
        trusted_proxies: Texts,
    }
}

table! {
    /// The planner's own figures.
    Round "[round]" {
        day_minutes: Whole,
        visit_minutes: Whole,
        travel_minutes: Whole,
        interval_days: Whole,
    }
}

table! {
    /// A place with units.
    Site "[[site]]" {
        id: Text,
        name: Text,
        zone: Text,
        tags: Texts,
        address: Text,
        contact: Text,
        access: Text,
        travel_minutes: Whole,
    }
}

table! {
    /// What many units have in common.
    Profile "[[profile]]" {
        id: Text,
        water: Text,
        set_point: Intensity,
        reference: Intensity,
        lamp: Lamp,
        sleeve: Sleeve,
        sensor: Sensor,
        analysis: Numbers,
    }
}

table! {
    /// A unit as its papers have it; also the top level of a unit file.
    Unit "[[unit]]" {
        site: Text,
        unit: Text,
        name: Text,
        profile: Text,
        zone: Text,
        water: Text,
        set_point: Intensity,
        reference: Intensity,
        lamp: Lamp,
        sleeve: Sleeve,
        sensor: Sensor,
        analysis: Numbers,
    }
}

table! {
    /// An intensity in the sensor's unit.
    Intensity "[unit.set_point]" {
        intensity: Number,
    }
}

table! {
    /// The lamp.
    Lamp "[unit.lamp]" {
        installed: Date,
        hours_at_start: Number,
        rated_hours: Number,
    }
}

table! {
    /// The sleeve.
    Sleeve "[unit.sleeve]" {
        installed: Date,
        cleaned: Date,
    }
}

table! {
    /// The sensor.
    Sensor "[unit.sensor]" {
        installed: Date,
        cleaned: Date,
        unit: Text,
        path_cm: Number,
    }
}

/// What owners write that no key is like: header (empty: anywhere), key, what is wrong, remedy.
const HINTS: [(&str, &str, &str, &str); 16] = [
    ("", "password", "a password does not belong in the config", PASSWORD_REMEDY),
    ("", "passwd", "a password does not belong in the config", PASSWORD_REMEDY),
    ("", "pass", "a password does not belong in the config", PASSWORD_REMEDY),
    ("[broker]", "host", "unknown key", "write url = \"mqtt://HOST:1883\""),
    ("[broker]", "hostname", "unknown key", "write url = \"mqtt://HOST:1883\""),
    ("[broker]", "address", "unknown key", "write url = \"mqtt://HOST:1883\""),
    ("[broker]", "port", "unknown key", "write it in the url: \"mqtt://HOST:1883\""),
    ("[broker]", "tls", "unknown key", "write url = \"mqtts://HOST:8883\", and ca_file if the authority is your own"),
    ("[broker]", "ssl", "unknown key", "write url = \"mqtts://HOST:8883\", and ca_file if the authority is your own"),
    ("[broker]", "certificate", "unknown key", "write client_certificate and client_key"),
    ("[[source.channel]]", "path", "unknown key", "write pointer = \"/uv/now\" (a JSON pointer)"),
    ("[[source.channel]]", "scale", "unknown key", "write factor"),
    ("[[unit]]", "id", "unknown key", "write site and unit"),
    ("[[unit]]", "setpoint", "unknown key", "write set_point.intensity"),
    ("[unit.lamp]", "hours", "unknown key", "write hours_at_start: its hours at the first reading"),
    ("[unit.sensor]", "path", "unknown key", "write path_cm: water between sleeve and sensor, cm"),
];

const PASSWORD_REMEDY: &str = "take it out, change it if others have read this file, \
     and name a file (password_file) or an environment variable (password_env) that holds it";

/// What is wrong with a key that its table does not have.
pub(super) struct Unknown {
    /// What is wrong.
    pub says: String,
    /// What to do.
    pub remedy: String,
    /// The key of the same table that seems to be meant.
    pub meant: Option<&'static str>,
}

/// Why a table does not take a key, and the way out.
pub(super) fn unknown_key(header: &str, keys: &'static [&'static str], key: &str) -> Unknown {
    let lower = key.to_lowercase();
    let hint = HINTS.into_iter().find(|(table, word, ..)| *word == lower && (table.is_empty() || *table == header));
    if let Some((_, _, says, remedy)) = hint {
        return Unknown { says: says.to_owned(), remedy: remedy.to_owned(), meant: None };
    }
    let says = "unknown key".to_owned();
    if header == Included::HEADER && File::KEYS.contains(&key) {
        let remedy = "it belongs in the main config, not in an included file".to_owned();
        return Unknown { says, remedy, meant: None };
    }
    let meant = meant(key, keys.iter().copied());
    let remedy = meant
        .map(|meant| format!("did you mean `{meant}`?"))
        .or_else(|| home_of(key).map(|home| format!("it belongs {home}")))
        .unwrap_or_else(|| format!("{header} knows {}", keys.join(", ")));
    Unknown { says, remedy, meant }
}

/// Where a key stands that was written elsewhere, in words; `None` if no table or more than one has it.
fn home_of(key: &str) -> Option<String> {
    let mut homes = Vec::new();
    File::keys("", &mut |path| {
        let (table, last) = path.rsplit_once('.').unwrap_or(("", path));
        if last == key {
            homes.push(table.to_owned());
        }
    });
    match homes.as_slice() {
        [top] if top.is_empty() => Some("at the top of the file, above every [table]".to_owned()),
        [table] => Some(format!("to {table}: {table}.{key}")),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_keys_come_with_a_way_out() {
        let broker = |key| unknown_key(Broker::HEADER, Broker::KEYS, key).remedy;
        assert_eq!(broker("clientid"), "did you mean `client_id`?");
        assert!(broker("host").contains("mqtt://HOST:1883"));
        assert!(broker("password").contains("password_file"));
        assert_eq!(broker("lead_days"), "it belongs to alerts: alerts.lead_days");
        assert_eq!(broker("grace"), "it belongs at the top of the file, above every [table]");
        assert!(broker("xyzzy").starts_with("[broker] knows url, protocol"));
    }

    #[test]
    fn hints_name_no_key_that_exists() {
        let mut keys = Vec::new();
        File::keys("", &mut |path| keys.push(path.rsplit('.').next().unwrap_or_default().to_owned()));
        for (_, key, ..) in HINTS.into_iter().filter(|(table, ..)| table.is_empty()) {
            assert!(!keys.iter().any(|known| known == key), "{key}");
        }
    }
}
