//! Orders about alerts and service actions that make no sense: refused where the sender looks, with what is wrong and
//! what to send, and nothing of them is left.

use std::fs;

use fadeline::alert::{Alert, Live};
use fadeline::domain::{ServiceEntry, UnitId};
use fadeline::query::{Answer, Query};
use serde_json::{Value as Json, json};

use super::alerts::{cli, config, now};
use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::{collect, publish_all, request, request_by_name};

const UNIT: &str = "heron-bight/boathouse";

fn unit() -> UnitId {
    UNIT.parse().unwrap()
}

struct Place {
    _dir: tempfile::TempDir,
    broker: Mosquitto,
    file: std::path::PathBuf,
    daemon: Daemon,
}

fn place() -> Place {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(broker.address().port(), "")).unwrap();
    let daemon = Daemon::start(&file);
    Place { _dir: dir, broker, file, daemon }
}

impl Place {
    fn port(&self) -> u16 {
        self.broker.address().port()
    }

    fn alerts(&self) -> Vec<Alert> {
        let Answer::Alerts(alerts) = self.daemon.ask(&Query::Alerts) else { panic!() };
        let unit = |live| if let Live::Unit(alert) = live { Some(*alert) } else { None };
        alerts.into_iter().filter_map(unit).collect()
    }

    fn logbook(&self) -> Vec<ServiceEntry> {
        let Answer::Logbook(entries) = self.daemon.ask(&Query::Logbook { unit: unit() }) else { panic!() };
        entries
    }

    /// The answer to a message, on the topic that stands for senders without MQTT 5.
    fn ask(&self, topic: &str, payload: &[u8], answer: &str) -> Json {
        serde_json::from_slice(&request(self.port(), topic, payload, answer)).unwrap()
    }

    fn order(&self, unit: &str, kind: &str, payload: &[u8]) -> Json {
        let answer = format!("fadeline/out/{unit}/alert-answer");
        self.ask(&format!("fadeline/alert/{unit}/{kind}"), payload, &answer)
    }

    fn service(&self, unit: &str, payload: &[u8]) -> Json {
        self.ask(&format!("fadeline/service/{unit}"), payload, &format!("fadeline/out/{unit}/service"))
    }
}

#[track_caller]
fn refused(answer: &Json, piece: &str) {
    let says = answer["says"].as_str().unwrap();
    assert!(answer["accepted"] == false && says.contains(piece), "`{piece}` is not in {answer}");
    assert!(says.len() < 500 && says.starts_with("not "), "{says}");
}

#[test]
fn orders_that_make_no_sense_are_refused_and_change_nothing() {
    let place = place();
    let low = vec![(format!("fadeline/in/{UNIT}"), b"12.0".to_vec())];
    publish_all(place.port(), "gateway", low);
    let before = wait_for("the alert", || Some(place.alerts()).filter(|alerts| !alerts.is_empty()));
    let past = now().plus_millis(-60_000).to_string();
    let silence = |until: &str| json!({"do": "silence", "until": until}).to_string();
    let (past_end, far_end) = (silence(&past), silence("2099-01-01T00:00:00Z"));
    let (word_end, no_date) = (silence("tomorrow"), silence("2026-13-45T99:00:00Z"));
    let long = json!({"do": "acknowledge", "note": "x".repeat(100_000)}).to_string();
    let longish = json!({"do": "acknowledge", "note": "x".repeat(2_001)}).to_string();
    let cases: [(&str, &str, &[u8], &str); 18] = [
        (UNIT, "all", br#"{"do":"silence"}"#, "a silence needs `until`"),
        (UNIT, "all", past_end.as_bytes(), "is not within the next 366 days"),
        (UNIT, "all", far_end.as_bytes(), "is not within the next 366 days"),
        (UNIT, "all", word_end.as_bytes(), "not an order"),
        (UNIT, "all", no_date.as_bytes(), "not an order"),
        (UNIT, "all", br#"{"do":"silence","until":7}"#, "not an order"),
        (UNIT, "all", br#"{"do":"burn"}"#, "unknown variant `burn`"),
        (UNIT, "all", br#"{"by":"Ana"}"#, "missing field `do`"),
        (UNIT, "all", br#"{"do":"acknowledge","who":"Ana"}"#, "unknown field `who`"),
        (UNIT, "all", b"\xff\xfe", "not an order"),
        (UNIT, "all", b"[]", "not an order"),
        (UNIT, "all", br#"{"do":"acknowledge","by":"a\u0007"}"#, "control characters"),
        (UNIT, "all", longish.as_bytes(), "longer than 2000 characters"),
        (UNIT, "all", long.as_bytes(), "at most 16384"),
        (UNIT, "no-light", br#"{"do":"acknowledge"}"#, "no such alert lives there"),
        (UNIT, "rust", br#"{"do":"acknowledge"}"#, "`rust` is not a kind of alert"),
        ("heron-bight/nowhere", "all", br#"{"do":"acknowledge"}"#, "no unit `heron-bight/nowhere`"),
        ("heron-bight/_site", "site-silent", br#"{"do":"acknowledge"}"#, "no such alert lives there"),
    ];
    for (unit, kind, payload, piece) in cases {
        refused(&place.order(unit, kind, payload), piece);
    }
    let (answer, correlation) =
        request_by_name(place.port(), &format!("fadeline/alert/{UNIT}/all"), b"{}", "answers/me");
    refused(&serde_json::from_slice(&answer).unwrap(), "missing field `do`");
    assert_eq!(correlation.as_deref(), Some(&b"no 7"[..]));
    assert_eq!(place.alerts(), before, "nothing has changed");
    // The same order twice is one.
    for _ in 0..2 {
        let answer = place.order(UNIT, "all", br#"{"do":"acknowledge","by":"Ana"}"#);
        assert_eq!((&answer["accepted"], &answer["says"]), (&json!(true), &json!("done: one alert")));
    }
    for args in [["silence", UNIT, "--until", "yesterday"], ["silence", UNIT, "--until", "2020-01-01"]] {
        let (ok, text) = cli(&place.file, &[&["alerts"][..], &args[..]].concat());
        assert!(!ok && text.contains("until"), "{text}");
    }
    assert_eq!(place.alerts().len(), 1);
}

#[test]
fn service_actions_that_make_no_sense_are_refused_and_leave_nothing() {
    let place = place();
    let future = now().plus_millis(3_600_000).to_string();
    let json = |value: Json| value.to_string().into_bytes();
    let corrects = json!({"time": "2026-01-01T00:00:00Z", "action": "note"});
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        (UNIT, json(json!({"action": "sleeve-polished"})), "not a service action"),
        (UNIT, json(json!({"action": "sleeve-claened"})), "sleeve-cleaned"),
        (UNIT, json(json!({"action": 7})), "`action`"),
        (UNIT, json(json!({})), "action"),
        (UNIT, json(json!({"action": "note", "time": future})), "in the future"),
        (UNIT, json(json!({"action": "note", "time": "last Monday"})), "`time`"),
        (UNIT, json(json!({"action": "note", "time": "1066-10-14T09:00:00Z"})), "is before 1970"),
        (UNIT, json(json!({"action": "note", "colour": "red"})), "colour"),
        ("heron-bight/nowhere", json(json!({"action": "note"})), "no unit `heron-bight/nowhere`"),
        (UNIT, json(json!({"action": "reference-check"})), "needs a value"),
        (UNIT, json(json!({"action": "reference-check", "value": -5})), "outside 0 to"),
        (UNIT, json(json!({"action": "reference-check", "value": "20"})), "a number"),
        (UNIT, json(json!({"action": "transmittance-measured", "value": 101})), "outside 0.1 to 100"),
        (UNIT, json(json!({"action": "lamp-replaced", "value": 3})), "takes no value"),
        (UNIT, json(json!({"action": "note", "note": "x".repeat(100_000)})), "100000 characters"),
        (UNIT, json(json!({"action": "note", "by": "x".repeat(81)})), "81 characters; at most 80"),
        (UNIT, json(json!({"action": "note", "note": "a\u{7}b"})), "control characters"),
        (UNIT, json(json!({"action": "note", "by": "a\u{1b}[2J"})), "control characters"),
        (UNIT, json(json!({"action": "note", "corrects": corrects})), "to correct"),
        (UNIT, json(json!({"action": "note", "corrects": "the last"})), "an object such as"),
        (UNIT, b"sleeve-cleaned".to_vec(), "JSON"),
        (UNIT, b"\xff".to_vec(), "UTF-8"),
        (UNIT, vec![b' '; 5], "no bytes"),
    ];
    for (unit, payload, piece) in cases {
        refused(&place.service(unit, &payload), piece);
    }
    let (answer, correlation) =
        request_by_name(place.port(), &format!("fadeline/service/{UNIT}"), b"{\"action\":\"wish\"}", "answers/me");
    refused(&serde_json::from_slice(&answer).unwrap(), "not a service action");
    assert_eq!(correlation.as_deref(), Some(&b"no 7"[..]));
    assert_eq!(place.logbook(), [], "nothing is half recorded");

    let cleaned = json(json!({"action": "sensor-cleaned", "time": "2026-06-01T10:00:00Z", "by": "Ana"}));
    assert_eq!(place.service(UNIT, &cleaned)["accepted"], true);
    refused(&place.service(UNIT, &cleaned), "already");
    assert_eq!(place.logbook().len(), 1);
    let corrected = ["--corrects", "2026-06-01T12:00", "--corrects-action", "sensor-cleaned"];
    let args = [&["log", UNIT, "sleeve-cleaned", "--at", "2026-06-01T12:30"][..], &corrected].concat();
    let (ok, text) = cli(&place.file, &args);
    assert!(ok, "{text}");
    let (ok, text) = cli(&place.file, &["logbook", UNIT]);
    assert!(ok && text.contains("sensor-cleaned (corrected)") && text.contains("sleeve-cleaned"), "{text}");
    // The state of the unit has not got lost meanwhile.
    collect(place.port(), "latecomer", &format!("fadeline/out/{UNIT}/condition"), |got| !got.is_empty());
}
