//! The demo as a newcomer starts it: embedded broker, backlog, live readings, one command.

use std::collections::BTreeSet;
use std::fs;
use std::net::TcpListener;
use std::process::{Command, Stdio};

use fadeline::domain::{Condition, Reading, Timestamp};
use fadeline::mqtt::encode::Message;
use fadeline::mqtt::session::{self, Limits, Outgoing, SessionEvent, SubscriptionPlan};
use fadeline::mqtt::settings::Protocol;
use fadeline::scenario::heron_bight;
use fadeline::store::Store;
use fadeline::store::settings::StoreSettings;
use tokio::time::timeout;

use super::daemon::{Daemon, wait_for};
use crate::broker::{DEADLINE, settings};

#[test]
fn the_whole_history_goes_through_the_embedded_broker_and_every_story_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let mut demo = Command::new(env!("CARGO_BIN_EXE_fadeline"))
        .args(["demo", "--once", "--data"])
        .arg(&data)
        .stdin(Stdio::null())
        .stdout(fs::File::create(dir.path().join("out")).unwrap())
        .stderr(fs::File::create(dir.path().join("err")).unwrap())
        .spawn()
        .unwrap();
    let status = wait_for("the demo", || demo.try_wait().unwrap());
    let said = |name| fs::read_to_string(dir.path().join(name)).unwrap();
    assert!(status.success(), "{}{}", said("out"), said("err"));
    let screen = said("out");
    assert!(screen.contains("mosquitto_sub -h 127.0.0.1 -p "), "it says where to listen:\n{screen}");
    assert!(
        screen.lines().all(|line| line.chars().count() <= 80
            || line.contains("FADELINE_CONFIG")
            || line.contains("fadeline log")),
        "{screen}"
    );
    assert!(!screen.contains('\u{1b}'), "no colour and no cursor movement off a terminal");

    let origin: Timestamp = fs::read_to_string(data.join("origin")).unwrap().trim().parse().unwrap();
    let stored_at = StoreSettings { path: data.join("store"), cache_bytes: 64 << 20 };
    let store = wait_for("the store's lock", || Store::open(&stored_at).ok());
    for resident in heron_bight::fleet(origin) {
        let id = &resident.spec.id;
        let history: Vec<Reading> = resident.history.into_iter().flat_map(|(_, readings)| readings).collect();
        let stored = store.readings(id, Timestamp::MIN, origin.plus_millis(1)).unwrap();
        assert_eq!(stored.len(), history.len(), "{id}");
        assert_eq!(stored, history, "{id}: what was published is what is stored, to the last digit");
        assert_eq!(store.logbook(id).unwrap().len(), resident.log.len(), "{id}");
        let assessment = store.assessment(id).unwrap().unwrap();
        let expects = resident.expects;
        assert!(expects.causes.contains(&assessment.verdict.cause), "{id}: {:?}", assessment.verdict);
        // Live readings come every few seconds; on a busy machine the last may be too old for that.
        let late = assessment.condition == Condition::Silent;
        assert!(late || expects.conditions.contains(&assessment.condition), "{id}: {:?}", assessment.condition);
        if ["loon", "wash-house"].contains(&id.unit()) {
            assert_eq!(assessment.forecast.clean_by, None, "{id}: cleaning is not what helps there");
        }
    }
    drop(store);

    // A demo that has nothing to catch up with is at once where the first one ended.
    let again = Command::new(env!("CARGO_BIN_EXE_fadeline"))
        .args(["demo", "--once", "--data"])
        .arg(&data)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let mut again = again.unwrap();
    assert!(wait_for("the demo to find its earlier end", || again.try_wait().unwrap()).success());
}

/// The embedded broker (rumqttd 0.20.0) cuts off a 3.1.1 client that it owes a message with MQTT 5 properties.
#[tokio::test]
async fn a_subscriber_with_mqtt_311_gets_everything_from_the_embedded_broker() {
    let dir = tempfile::tempdir().unwrap();
    // Both at once, so that they differ.
    let free = || TcpListener::bind("127.0.0.1:0").unwrap();
    let (first, second) = (free(), free());
    let (v5, v311) = (first.local_addr().unwrap(), second.local_addr().unwrap());
    drop((first, second));
    let config = dir.path().join("home.toml");
    let text = format!(
        "zone = \"UTC\"\n[broker]\nembedded = true\nlisten = \"{v5}\"\nlisten_311 = \"{v311}\"\n[store]\npath = \"store\"\n\
         [[unit]]\nsite = \"home\"\nunit = \"cellar\"\nset_point.intensity = 14.0\n"
    );
    fs::write(&config, text).unwrap();
    // Its client blocks, so not on the test's own thread.
    let daemon = tokio::task::spawn_blocking(move || Daemon::start(&config)).await.unwrap();
    let plan = SubscriptionPlan { filters: vec!["fadeline/out/#".to_owned()], ..SubscriptionPlan::default() };
    let (handle, mut events) = session::start(settings(v311, Protocol::V311, "late"), plan, Limits::default());
    let message = Message { topic: "fadeline/in/home/cellar".into(), payload: b"21.4".to_vec(), ..Message::default() };
    let mut message = Some(message);
    let mut missing: BTreeSet<&str> =
        ["daemon", "daemon/health", "home/cellar/assessment", "home/cellar/condition", "home/cellar/clean-by"].into();
    let all = async {
        while !missing.is_empty() {
            match events.recv().await.expect("the session is alive") {
                SessionEvent::Message(heard) => {
                    let topic = heard.topic.trim_start_matches("fadeline/out/");
                    missing.remove(topic);
                    handle.ack(heard.ack);
                    // The daemon says that it is online after it has subscribed; what comes before is lost to a session
                    // that does not exist yet.
                    if topic == "daemon"
                        && let Some(message) = message.take()
                    {
                        handle.try_publish(Outgoing { tag: 1, message }).unwrap();
                    }
                }
                SessionEvent::Disconnected { reason, was_connected: true, .. } => panic!("cut off: {reason}"),
                _ => {}
            }
        }
    };
    let heard = timeout(DEADLINE, all).await;
    assert!(heard.is_ok(), "not heard: {missing:?}\n{}", daemon.log());
    handle.stop(DEADLINE).await;
}
