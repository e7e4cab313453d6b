//! What hubs are told, with a real broker: everything at the start, again within seconds when the hub starts, and taken
//! back when a unit leaves the config.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::time::{Duration, Instant};

use serde_json::Value as Json;

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::{collect, publish_all, request_until};

const FLEET: usize = 100;

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

/// Topics of units that a hub reads states from.
const STATES: [&str; 4] = ["assessment", "condition", "clean-by", "alerts"];

#[test]
fn a_hub_that_starts_gets_every_entity_and_state_back_within_five_seconds() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, FLEET, "discovery = \"device\"")).unwrap();
    let daemon = Daemon::start(&file);
    let filter = "homeassistant/device/+/config";
    let reading = |i: usize| (format!("fadeline/in/heron-bight/cabin-{i}"), b"21.0".to_vec());
    publish_all(port, "gateway", (0..FLEET).map(reading).collect());
    assert_eq!(topics(port, filter, FLEET + 2, &[]).len(), FLEET + 2, "every unit, the site and the daemon");
    topics(port, "fadeline/out/+/+/assessment", FLEET, &[]);
    // A hub whose retained messages are gone, as after a change of its broker: it subscribes and says that it is there.
    let mut wanted: BTreeSet<String> = (0..FLEET)
        .flat_map(|i| {
            let states = STATES.map(|state| format!("fadeline/out/heron-bight/cabin-{i}/{state}"));
            states.into_iter().chain([format!("homeassistant/device/fadeline_heron-bight_cabin-{i}/config")])
        })
        .collect();
    wanted.extend(["fadeline/out/heron-bight/_site/alerts", "fadeline/out/daemon/health"].map(str::to_owned));
    wanted.extend(["fadeline", "fadeline_heron-bight__site"].map(|id| format!("homeassistant/device/{id}/config")));
    let count = wanted.len();
    let begun = Instant::now();
    request_until(port, "homeassistant/status", b"online", "#", |got| {
        let (topic, payload) = got.last().unwrap();
        if topic.ends_with("/config") {
            let config: Json = serde_json::from_slice(payload).unwrap();
            assert!(config["components"].is_object(), "{config}");
        }
        wanted.remove(topic);
        wanted.is_empty()
    });
    let took = begun.elapsed();
    println!("{count} topics of {FLEET} units after {took:?}");
    // The bound is the issue's; a debug binary on a busy machine gets more.
    assert!(took < Duration::from_secs(if cfg!(debug_assertions) { 15 } else { 5 }), "{took:?}");

    fs::write(&file, config(port, FLEET - 1, "discovery = \"device\"")).unwrap();
    assert!(std::process::Command::new("kill").args(["-HUP", &daemon.pid().to_string()]).status().unwrap().success());
    let gone = format!("homeassistant/device/fadeline_heron-bight_cabin-{}/config", FLEET - 1);
    wait_for("the removal", || (!topics(port, filter, FLEET, &[]).contains(&gone)).then_some(()));
}

/// Everything retained there, once it holds what `complete` wants.
fn retained(port: u16, complete: impl Fn(&BTreeMap<String, Vec<u8>>) -> bool) -> BTreeMap<String, Vec<u8>> {
    let mut kept = BTreeMap::new();
    collect(port, "latecomer", "#", |got| {
        if let Some((topic, payload)) = got.last() {
            if payload.is_empty() {
                kept.remove(topic)
            } else {
                kept.insert(topic.clone(), payload.clone())
            };
        }
        complete(&kept)
    });
    kept
}

#[test]
fn a_broker_that_has_forgotten_or_remembers_too_little_is_told_again() {
    let dir = tempfile::tempdir().unwrap();
    let mut broker = Mosquitto::start("persistence true");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, 2, "discovery = \"device\"\nhomie = true")).unwrap();
    let _daemon = Daemon::start(&file);
    let alert = "fadeline/out/heron-bight/cabin-0/alert/treatment-not-assured";
    let assessed = |kept: &BTreeMap<String, Vec<u8>>| {
        (0..2).all(|i| kept.contains_key(&format!("fadeline/out/heron-bight/cabin-{i}/assessment")))
    };
    let readings =
        |light: &[u8]| (0..2).map(|i| (format!("fadeline/in/heron-bight/cabin-{i}"), light.to_vec())).collect();
    publish_all(port, "gateway", readings(b"21.0"));
    retained(port, assessed);
    broker.stop();
    let saved = broker.folder().join("mosquitto.db");
    let old = fs::read(&saved).unwrap();
    broker.run();
    publish_all(port, "gateway", readings(b"12.0"));
    let before = retained(port, |kept| {
        // Said last of all that follows from a reading.
        let on_homie = |i: i32| format!("homie/5/fadeline-heron-bight/cabin-{i}/treatment-not-assured");
        let low = |i: i32| kept.get(&on_homie(i)).is_some_and(|value| value == b"true");
        assessed(kept) && kept.contains_key(alert) && (0..2).all(low)
    });
    let topics = |kept: &BTreeMap<String, Vec<u8>>| kept.keys().cloned().collect::<BTreeSet<_>>();
    let all = topics(&before);
    // It comes back with what it knew before the alert, our session too: an old save.
    broker.stop();
    fs::write(&saved, old).unwrap();
    broker.run();
    retained(port, |kept| all.is_subset(&topics(kept)) && kept[alert] == before[alert]);
    // It comes back and knows nothing.
    broker.stop();
    fs::remove_file(&saved).unwrap();
    broker.run();
    let after = retained(port, |kept| all.is_subset(&topics(kept)));
    let same = |topic: &String| topic.contains("health") || before[topic] == after[topic];
    assert_eq!(all.iter().filter(|topic| !same(topic)).collect::<Vec<_>>(), Vec::<&String>::new());
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
