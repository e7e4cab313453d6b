//! Payloads as senders really send them: `fixtures/payloads/good` and `bad`, each with the outcome it must have.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use fadeline::domain::intake::Source;
use fadeline::domain::{IntensityUnit, Reading, Timestamp, UnitId};
use fadeline::mqtt::decode::{Decoded, Reason, decode};
use fadeline::query::{Answer, Query};

use super::broker::Mosquitto;
use super::daemon::Daemon;
use super::publish::{collect, publish_all};

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Expectation {
    /// Bad: the reason's name, and a piece of the text.
    reason: Option<String>,
    says: Option<String>,
    /// Bad: how many readings are kept all the same.
    #[serde(default)]
    good: usize,
    /// Good: the readings.
    #[serde(default)]
    reading: Vec<toml::Table>,
    #[serde(default)]
    retained: bool,
    /// Whether the unit keeps its intensity in percent.
    #[serde(default)]
    percent: bool,
    topic: Option<String>,
    /// Filled up with spaces to this size.
    pad_to_bytes: Option<usize>,
}

fn cases(folder: &str) -> Vec<(PathBuf, Vec<u8>, Expectation)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/payloads").join(folder);
    let mut paths: Vec<PathBuf> = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    let (expectations, payloads): (Vec<_>, Vec<_>) =
        paths.into_iter().partition(|path| path.extension().is_some_and(|extension| extension == "expect"));
    assert_eq!(expectations.len(), payloads.len(), "every payload has its expectation and the other way round");
    payloads
        .into_iter()
        .map(|path| {
            let expectation = fs::read_to_string(path.with_extension("expect")).unwrap();
            let expectation =
                toml::from_str(&expectation).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let payload = fs::read(&path).unwrap();
            (path, payload, expectation)
        })
        .collect()
}

fn run(mut payload: Vec<u8>, expectation: &Expectation) -> Decoded {
    payload.resize(expectation.pad_to_bytes.unwrap_or(payload.len()), b' ');
    let received: Timestamp = "2026-08-14T06:00:00Z".parse().unwrap();
    let topic = expectation.topic.as_deref().unwrap_or("fadeline/in/heron-bight/boathouse");
    let unit = if expectation.percent { IntensityUnit::Percent } else { IntensityUnit::MilliwattPerCm2 };
    let lookup = |id: &UnitId| (id.as_str() == "heron-bight/boathouse").then_some(unit);
    decode(&Source::contract("fadeline"), topic, &payload, received, expectation.retained, &lookup)
}

#[test]
fn bad_payloads_say_what_is_wrong() {
    let cases = cases("bad");
    let mut seen = std::collections::BTreeSet::new();
    for (path, payload, expectation) in cases {
        let path = path.display();
        let decoded = run(payload, &expectation);
        let [refused] = &decoded.refused[..] else { panic!("{path}: {:?}", decoded.refused) };
        let (reason, text) = (refused.first.reason(), refused.first.to_string());
        assert_eq!(Some(reason.name()), expectation.reason.as_deref(), "{path}: {text}");
        assert!(text.contains(expectation.says.as_deref().unwrap()), "{path}: {text}");
        assert!(!text.starts_with(char::is_uppercase) && !text.ends_with('.'), "a lower-case fragment: {text}");
        assert_eq!(decoded.readings.len(), expectation.good, "{path}");
        seen.insert(reason);
    }
    let missing: Vec<_> = Reason::ALL.iter().filter(|reason| !seen.contains(reason)).collect();
    assert_eq!(missing, [&Reason::LoopFault], "needs a mapping; tested with the decoder");
}

#[test]
fn good_payloads_become_readings() {
    for (path, payload, expectation) in cases("good") {
        let decoded = run(payload, &expectation);
        assert_eq!(decoded.refused, [], "{}", path.display());
        let expected: Vec<Reading> = expectation
            .reading
            .iter()
            .map(|row| {
                let mut reading = Reading::new(row["time"].as_str().unwrap().parse().unwrap());
                for (name, value) in row.iter().filter(|(name, _)| *name != "time") {
                    reading.set(name.parse().unwrap(), value.as_float().unwrap());
                }
                reading
            })
            .collect();
        assert_eq!(decoded.readings, expected, "{}", path.display());
    }
}

const BOATHOUSE: &str = "fadeline/in/heron-bight/boathouse";

/// What senders do wrong, one mistake in each payload, and the reason it must be counted under.
fn wrong_payloads(now: Timestamp) -> Vec<(&'static str, Vec<u8>)> {
    let secs = now.as_millis() / 1_000;
    let at = |back: i64| Timestamp::from_secs(secs - back);
    let pack = |second: &str| format!(r#"[{{"bt":{},"n":"intensity","v":21.4}},{second}]"#, secs - 1_000);
    let object = |time: &str| format!(r#"{{"time":{time},"intensity":21.4}}"#);
    let text = |text: String| text.into_bytes();
    vec![
        ("not-json", b"{intensity: 21.4}".to_vec()),
        ("truncated", br#"{"intensity":21.4,"flo"#.to_vec()),
        ("too-deep", text(format!("{}1{}", "[".repeat(5_000), "]".repeat(5_000)))),
        ("number-as-text", text(pack(r#"{"n":"flow","v":"12"}"#))),
        ("not-finite", br#"{"intensity":NaN}"#.to_vec()),
        ("not-finite", b"NaN".to_vec()),
        ("wrong-unit-of-measurement", text(pack(r#"{"n":"flow","u":"kPa","v":12}"#))),
        ("unknown-channel", text(pack(r#"{"n":"colour","v":12}"#))),
        ("time-too-old", text(object("\"1970-01-01T00:03:20Z\""))),
        ("time-in-the-future", text(object("\"2100-01-01T00:00:00Z\""))),
        ("bad-zone", text(object("\"2026-08-14T06:00:00\""))),
        ("bad-zone", text(object("\"2026-08-14T06:00:00[Mars/Olympus]\""))),
        ("bad-time", text(object("\"yesterday\""))),
        ("implausible", text(format!(r#"{{"time":"{}","intensity":1e9}}"#, at(60)))),
        ("empty", b" ".to_vec()),
    ]
}

/// Every mistake three times, good messages between them, and a crowd of strangers; with what must be counted.
fn good_and_bad(now: Timestamp) -> (Vec<(String, Vec<u8>)>, BTreeMap<String, u64>) {
    let mut messages = Vec::new();
    let mut counts = BTreeMap::new();
    for (reason, payload) in wrong_payloads(now) {
        messages.extend(std::iter::repeat_n((BOATHOUSE.to_owned(), payload), 3));
        *counts.entry(reason.to_owned()).or_default() += 3;
    }
    // A time of any zone is good, and so is one without a time: it is live.
    let zoned = format!(r#"{{"time":"{}","intensity":19.5}}"#, "2026-03-01T08:00:00+02:00");
    messages.push((BOATHOUSE.to_owned(), zoned.into_bytes()));
    messages.push((BOATHOUSE.to_owned(), b"21.25".to_vec()));
    messages.extend((0..3_000).map(|n| (format!("fadeline/in/stranger/unit-{n}"), b"20".to_vec())));
    counts.insert("unknown-unit".to_owned(), 3_000);
    // The last one is wrong in a way of its own: then the health topic tells of all before it.
    messages.push(("fadeline/in/Heron Bight/boathouse".to_owned(), b"20".to_vec()));
    counts.insert("bad-topic".to_owned(), 1);
    (messages, counts)
}

fn refused(health: &serde_json::Value) -> BTreeMap<String, u64> {
    let reasons = health["refused"].as_object().unwrap();
    reasons.iter().map(|(reason, count)| (reason.clone(), count.as_u64().unwrap())).collect()
}

/// With a real broker and the real program: counted by reason, logged once, on the health topic, the good kept.
#[test]
fn whatever_is_sent_is_counted_and_logged_once_and_the_good_is_kept() {
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("fadeline.toml");
    let text = format!(
        "[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\n[store]\npath = \"store\"\n\
         [[unit]]\nsite = \"heron-bight\"\nunit = \"boathouse\"\nset_point.intensity = 14.0\n"
    );
    fs::write(&config, text).unwrap();
    let publish = |arguments: &[&str]| {
        let port = port.to_string();
        let base = ["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", BOATHOUSE];
        let status = std::process::Command::new("mosquitto_pub").args(base).args(arguments).status();
        assert!(status.unwrap().success());
    };
    publish(&["-r", "-m", "20.5"]); // an old message waits at the broker
    let daemon = Daemon::start(&config);
    let health = |enough: &dyn Fn(&serde_json::Value) -> bool| {
        let got = collect(port, "watcher", "fadeline/out/daemon/health", |got| {
            got.last().is_some_and(|(_, health)| enough(&serde_json::from_slice(health).unwrap()))
        });
        serde_json::from_slice::<serde_json::Value>(&got.last().unwrap().1).unwrap()
    };
    health(&|health| health["refused"]["no-time"] == 1);
    // Ten megabytes: let in, to be refused by its size.
    let huge = dir.path().join("huge");
    fs::write(&huge, format!(r#"{{"intensity":21.4,"note":"{}"}}"#, "x".repeat(10 << 20))).unwrap();
    publish(&["-f", huge.to_str().unwrap()]);
    let before = health(&|health| health["refused"]["too-large"] == 1);

    let (messages, counts) = good_and_bad(fadeline::clock::now());
    publish_all(port, "sender", messages);

    let health = health(&|health| health["refused"]["bad-topic"] == 1);
    let mut found = refused(&health);
    for (reason, count) in refused(&before) {
        assert!(found.remove(&reason).unwrap() >= count, "{reason}");
    }
    assert_eq!(found, counts, "{}", daemon.log());
    assert_eq!(health["units"], 1);
    let Answer::Unknown(unknown) = daemon.ask(&Query::Unknown) else { panic!() };
    assert!((1..=1_000).contains(&unknown.len()), "strangers are listed, not without bound: {}", unknown.len());
    let log = daemon.log();
    let once = counts.keys().map(String::as_str).chain(["no-time", "too-large"]);
    for reason in once.filter(|reason| *reason != "unknown-unit") {
        let lines =
            log.lines().filter(|line| line.contains("refused") && line.contains(&format!("reason=\"{reason}\"")));
        assert_eq!(lines.count(), 1, "{reason}: once an hour for a unit\n{log}");
    }
    assert!(log.lines().count() < 600, "{} lines", log.lines().count());
    let Answer::Trend(trend) = daemon.ask(&Query::Trend { unit: "heron-bight/boathouse".parse().unwrap() }) else {
        panic!()
    };
    let readings: u32 = trend.days.iter().map(|day| day.readings).sum();
    assert_eq!(readings, 3, "the good one of the packs, the zoned and the live one");
}
