//! The demo as a newcomer starts it: embedded broker, backlog, live readings, one command.

use std::fs;
use std::process::{Command, Stdio};

use fadeline::domain::{Reading, Timestamp};
use fadeline::scenario::heron_bight;
use fadeline::store::Store;
use fadeline::store::settings::StoreSettings;

use super::daemon::wait_for;

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
    let settings = StoreSettings { path: data.join("store"), cache_bytes: 64 << 20 };
    let store = wait_for("the store's lock", || Store::open(&settings).ok());
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
        assert!(expects.conditions.contains(&assessment.condition), "{id}: {:?}", assessment.condition);
    }
}
