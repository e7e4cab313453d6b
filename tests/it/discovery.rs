//! What hubs are told, with a real broker: everything at the start, again within seconds when the hub starts, and taken
//! back when a unit leaves the config.

use std::collections::BTreeSet;
use std::fs;
use std::time::{Duration, Instant};

use serde_json::Value as Json;

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::{collect, publish_all, request_many};

const FLEET: usize = 40;

fn config(port: u16, units: usize, hub: &str) -> String {
    let mut text = format!(
        "zone = \"Europe/Vienna\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"hub-test\"\n\
         [store]\npath = \"store\"\n[hub]\n{hub}\n"
    );
    for i in 0..units {
        text += &format!(
            "[[unit]]\nsite = \"heron-bight\"\nunit = \"cabin-{i}\"\nset_point.intensity = 14.0\nreference.intensity = 24.0\n"
        );
    }
    text
}

/// The topics under a filter that hold something, once there are `count`, `wanted` among them.
fn topics(port: u16, filter: &str, count: usize, wanted: &[&str]) -> BTreeSet<String> {
    let mut topics = BTreeSet::new();
    collect(port, "latecomer", filter, |got| {
        topics = got.iter().filter(|(_, payload)| !payload.is_empty()).map(|(topic, _)| topic.clone()).collect();
        topics.len() >= count && wanted.iter().all(|topic| topics.contains(*topic))
    });
    topics
}

#[test]
fn a_hub_that_starts_gets_every_entity_back_within_five_seconds() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, FLEET, "discovery = \"device\"")).unwrap();
    let daemon = Daemon::start(&file);
    let filter = "homeassistant/device/+/config";
    assert_eq!(topics(port, filter, FLEET + 1, &[]).len(), FLEET + 1, "every unit and the daemon");
    // A hub whose retained messages are gone, as after a change of its broker: it subscribes and says that it is there.
    let begun = Instant::now();
    let live = request_many(port, "homeassistant/status", b"online", filter, FLEET + 1);
    assert_eq!(live.iter().map(|(topic, _)| topic).collect::<BTreeSet<_>>().len(), FLEET + 1);
    assert!(
        live.iter()
            .all(|(_, payload)| serde_json::from_slice::<Json>(payload).is_ok_and(|p| p["components"].is_object()))
    );
    assert!(begun.elapsed() < Duration::from_secs(5), "the issue's promise: {:?}", begun.elapsed());

    fs::write(&file, config(port, FLEET - 1, "discovery = \"device\"")).unwrap();
    assert!(std::process::Command::new("kill").args(["-HUP", &daemon.pid().to_string()]).status().unwrap().success());
    let gone = format!("homeassistant/device/fadeline_heron-bight_cabin-{}/config", FLEET - 1);
    wait_for("the removal", || (!topics(port, filter, FLEET, &[]).contains(&gone)).then_some(()));
}

#[test]
fn both_conventions_at_once_and_a_change_of_form_is_taken_back() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, 2, "discovery = \"entity\"\nhomie = true")).unwrap();
    let mut daemon = Daemon::start(&file);
    let state = |payload: &[u8]| String::from_utf8_lossy(payload).into_owned();
    let root = collect(port, "homie", "homie/5/fadeline/$state", |got| got.last().is_some_and(|(_, p)| p == b"ready"));
    assert_eq!(state(&root.last().unwrap().1), "ready");
    let wanted = ["$description", "cabin-0/condition", "cabin-1/no-light"];
    let wanted = wanted.map(|rest| format!("homie/5/fadeline-heron-bight/{rest}"));
    topics(port, "homie/5/fadeline-heron-bight/#", 3, &wanted.each_ref().map(String::as_str));
    let clean_by = "homeassistant/sensor/fadeline_heron-bight_cabin-0/clean-by/config";
    topics(port, "homeassistant/+/+/+/config", 50, &[clean_by]);
    assert!(daemon.stop().success());
    let gone = collect(port, "homie", "homie/5/fadeline/$state", |got| !got.is_empty());
    assert_eq!(state(&gone[0].1), "disconnected", "it said good-bye");

    fs::write(&file, config(port, 2, "discovery = \"device\"")).unwrap();
    let _daemon = Daemon::start(&file);
    topics(port, "homeassistant/device/+/config", 3, &[]);
    // The last of them that was told is cleared last; a subscriber that comes now gets what is left and then a marker.
    wait_for("the old form to go", || retained_now(port).is_empty().then_some(()));
}

/// What is retained in the entity form at this moment: all that comes before a message published after subscribing.
fn retained_now(port: u16) -> BTreeSet<String> {
    let marker = "homeassistant/sensor/x/end/config";
    let mut left = BTreeSet::new();
    collect(port, "latecomer", "homeassistant/+/+/+/config", |got| {
        if got.is_empty() {
            publish_all(port, "marker", vec![(marker.to_owned(), b"end".to_vec())]);
        }
        left = got.iter().map(|(topic, _)| topic.clone()).filter(|topic| topic != marker).collect();
        got.iter().any(|(topic, _)| topic == marker)
    });
    left
}
