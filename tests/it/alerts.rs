//! Alerts through the real binary and a real broker: raised, acknowledged, kept over a restart, cleared; a
//! config that is read again.

use std::fs;
use std::path::Path;
use std::process::Command;

use fadeline::alert::{Alert, Kind, Live, Standing};
use fadeline::domain::Timestamp;
use fadeline::query::{Answer, Query};
use serde_json::Value as Json;

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::{collect, publish_all, request};

const UNIT: &str = "heron-bight/boathouse";

pub fn config(port: u16, more: &str) -> String {
    format!(
        "zone = \"Europe/Vienna\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"alerts-test\"\n\
         [store]\npath = \"store\"\n{more}\n\
         [[unit]]\nsite = \"heron-bight\"\nunit = \"boathouse\"\nset_point.intensity = 14.0\n\
         reference.intensity = 24.0\n"
    )
}

pub fn now() -> Timestamp {
    fadeline::clock::now()
}

/// Sends readings of the last minutes, a minute apart, the last one now.
fn send(port: u16, intensities: &[f64]) {
    let count = intensities.len() as i64;
    let message = |(i, value): (usize, &f64)| {
        let at = now().plus_millis((i as i64 + 1 - count) * 60_000);
        (format!("fadeline/in/{UNIT}"), format!("{{\"time\":\"{at}\",\"intensity\":{value}}}").into_bytes())
    };
    publish_all(port, "gateway", intensities.iter().enumerate().map(message).collect());
}

fn alerts(daemon: &Daemon) -> Vec<Alert> {
    let Answer::Alerts(alerts) = daemon.ask(&Query::Alerts) else { panic!() };
    let unit = |live| if let Live::Unit(alert) = live { Some(*alert) } else { None };
    alerts.into_iter().filter_map(unit).collect()
}

fn treatment(daemon: &Daemon) -> Option<Alert> {
    alerts(daemon).into_iter().find(|alert| alert.kind == Kind::TreatmentNotAssured)
}

/// What is retained under a topic, as a subscriber gets it that comes now.
fn retained(port: u16, topic: &str) -> Json {
    let got = collect(port, "latecomer", topic, |got| !got.is_empty());
    serde_json::from_slice(&got[0].1).unwrap_or(Json::Null)
}

/// Asks with a request and waits for its answer.
fn ask(port: u16, topic: &str, payload: &[u8], answer: &str) -> Json {
    let got = request(port, topic, payload, answer);
    serde_json::from_slice(&got).unwrap()
}

pub fn cli(config: &Path, args: &[&str]) -> (bool, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_fadeline")).args(args).arg("--config").arg(config).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap();
    (output.status.success(), text)
}

#[test]
fn an_alert_lives_through_an_acknowledgement_and_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("persistence true");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, "")).unwrap();
    let mut daemon = Daemon::start(&file);
    send(port, &[21.0, 20.5, 20.0, 12.0]);
    let alert = wait_for("the alert", || treatment(&daemon));
    assert_eq!(alert.state, Standing::Raised);
    let topic = format!("fadeline/out/{UNIT}/alert/treatment-not-assured");
    let said = retained(port, &topic);
    assert!(said["says"].as_str().unwrap().contains("treatment is not assured"), "{said}");
    assert!(said["first"].as_str().unwrap().contains("health authority"), "{said}");
    assert_eq!(retained(port, &format!("fadeline/out/{UNIT}/alerts"))["open"], 1);

    let (ok, text) =
        cli(&file, &["alerts", "ack", UNIT, "treatment-not-assured", "--by", "Ana", "--note", "on my way"]);
    assert!(ok, "{text}");
    assert_eq!(treatment(&daemon).unwrap().state, Standing::Acknowledged);
    let (ok, text) = cli(&file, &["alerts"]);
    assert!(ok && text.contains("acknowledged") && text.contains("by Ana"), "{text}");
    daemon.kill_and_restart();
    let after = wait_for("the alert after a restart", || treatment(&daemon));
    assert_eq!((after.state, after.since), (Standing::Acknowledged, alert.since), "kept, with its beginning");
    assert_eq!(after.acknowledged.unwrap().note.as_deref(), Some("on my way"));

    let answer = ask(
        port,
        &format!("fadeline/alert/{UNIT}/all"),
        br#"{"do":"reopen"}"#,
        &format!("fadeline/out/{UNIT}/alert-answer"),
    );
    assert_eq!(answer["accepted"], true, "{answer}");
    assert_eq!(treatment(&daemon).unwrap().state, Standing::Raised);
    assert!(daemon.stop().success());
    // Without a daemon the command opens the store itself.
    let (ok, text) = cli(&file, &["alerts", "ack", UNIT]);
    assert!(ok && text.contains("one alert"), "{text}");
}

#[test]
fn a_config_is_read_again_and_a_bad_one_is_not_applied() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, "")).unwrap();
    let daemon = Daemon::start(&file);
    let units = |daemon: &Daemon| {
        let Answer::Units(units) = daemon.ask(&Query::Units) else { panic!() };
        units.len()
    };
    assert_eq!(units(&daemon), 1);
    let hangup = || assert!(Command::new("kill").args(["-HUP", &daemon.pid().to_string()]).status().unwrap().success());
    fs::write(&file, config(port, "[alerts]\nlead_days = 999")).unwrap();
    hangup();
    wait_for("the refusal", || daemon.log().contains("the config is not applied").then_some(()));
    assert!(daemon.log().contains("lead_days"), "{}", daemon.log());
    assert_eq!(units(&daemon), 1);
    let more = "site,unit,profile,name\nheron-bight,sauna,cabin,Sauna\nheron-bight,bakery,cabin,Bakery\n";
    fs::write(dir.path().join("fleet.csv"), more).unwrap();
    let profile = "[[profile]]\nid = \"cabin\"\nset_point.intensity = 12.0\nreference.intensity = 22.0\n";
    let text = format!("grace = \"9 s\"\nfleet = [\"fleet.csv\"]\n{}", config(port, profile));
    fs::write(&file, text).unwrap();
    hangup();
    wait_for("the units", || (units(&daemon) == 3).then_some(()));
    wait_for("what needs a restart", || daemon.log().contains("grace has changed").then_some(()));
    // A reading of a new unit is taken at once.
    let message = (String::from("fadeline/in/heron-bight/sauna"), b"11.0".to_vec());
    publish_all(port, "gateway", vec![message]);
    wait_for("the new unit's alert", || alerts(&daemon).into_iter().find(|alert| alert.unit == "sauna"));
}
