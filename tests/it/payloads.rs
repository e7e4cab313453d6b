//! Payloads as senders really send them: `fixtures/payloads/good` and `bad`, each with the outcome it must have.

use std::fs;
use std::path::{Path, PathBuf};

use fadeline::domain::intake::Source;
use fadeline::domain::{IntensityUnit, Reading, Timestamp, UnitId};
use fadeline::mqtt::decode::{Decoded, Reason, decode};

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
