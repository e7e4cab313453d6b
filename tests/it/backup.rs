//! Backup, restore and verify with the real command.

use std::fs;

use fadeline::archive::CheckReport;
use fadeline::domain::{Assessment, Channel, Reading};
use fadeline::query::Query;

use super::daemon::Daemon;
use super::export::{Place, UNITS, fill, held, id};

fn report(place: &Place, arguments: &[&str]) -> CheckReport {
    serde_json::from_str(&place.done(&[&["verify", "--json"], arguments].concat())).unwrap()
}

#[test]
fn a_backup_of_a_running_daemon_restores_to_the_same_data() {
    let place = Place::new();
    let contract: Assessment = serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
    {
        let store = place.store();
        fill(&store);
        store.put_assessment(&id(UNITS[0]), &contract).unwrap();
        store.keep("alerts", &[1, 2, 3]).unwrap();
        store.quarantine("fadeline/in/heron-bight/boathouse", b"{\xff", "not JSON", contract.as_of).unwrap();
        // A unit that has left the config keeps its history.
        let reading = Reading::new(contract.as_of).with(Channel::Intensity, 20.0);
        store.append(&[(id("north-arm/old"), reading)]).unwrap();
    }
    let mut daemon = Daemon::start(&place.config());
    place.done(&["backup", "one.backup"]);
    let beside = report(&place, &[]);
    daemon.ask(&Query::Units);
    assert!(daemon.stop().success());
    let alone = report(&place, &[]);
    assert_eq!(beside.units, alone.units);
    let of_backup = report(&place, &["one.backup"]);
    assert_eq!(of_backup.readings, 3 * 2_880 + 1);
    let counts = |report: &CheckReport| {
        report.units.iter().map(|unit| (unit.unit.clone(), unit.readings, unit.first, unit.last)).collect::<Vec<_>>()
    };
    assert_eq!(counts(&of_backup), counts(&beside));

    let other = Place::new();
    fs::remove_dir_all(other.path("store")).unwrap();
    let file = place.path("one.backup").display().to_string();
    other.done(&["restore", &file]);
    assert_eq!(other.names(), Vec::<String>::new(), "nothing is left beside the store");
    assert_eq!(report(&other, &[]).readings, of_backup.readings);
    {
        let (before, after) = (place.store(), other.store());
        for unit in UNITS.into_iter().chain(["north-arm/old"]) {
            let ((rows, log, days), (back, back_log, back_days)) = (held(&before, unit), held(&after, unit));
            assert!(back == rows && back_log == log, "{unit}");
            assert!(back_days.iter().all(|day| days.contains(day)), "{unit}");
        }
        assert_eq!(after.kept("alerts").unwrap(), before.kept("alerts").unwrap());
        assert!(after.assessment(&id(UNITS[0])).unwrap().is_some());
        assert_eq!(after.quarantined().unwrap(), before.quarantined().unwrap());
        assert_eq!(after.quarantined().unwrap().len(), 1);
        assert_ne!(after.epoch().unwrap(), before.epoch().unwrap());
    }
    // The restored store is one that a daemon runs on.
    let mut daemon = Daemon::start(&other.config());
    assert!(daemon.stop().success());
}

#[test]
fn a_store_that_was_rolled_up_is_not_owed_that_again() {
    let place = Place::new();
    {
        let store = place.store();
        fill(&store);
        let dirty = store.dirty_of(&id(UNITS[0]));
        assert_eq!(store.clear_dirty(&id(UNITS[0]), &dirty.days[..15], dirty.token).unwrap(), 15);
        store.put_given_up(&id(UNITS[1]), &[(Channel::Flow, [Some(12_000), None, Some(11_000)])]).unwrap();
    }
    place.done(&["backup", "b"]);
    fs::remove_dir_all(place.path("store")).unwrap();
    place.done(&["restore", "b"]);
    let store = place.store();
    assert_eq!(UNITS.map(|unit| store.dirty_of(&id(unit)).days.len()), [5, 20, 20]);
    // Nor does it forget what retention gave up.
    assert_eq!(store.given_up(&id(UNITS[1])), [(Channel::Flow, [Some(12_000), None, Some(11_000)])]);
    assert_eq!(UNITS.map(|unit| store.whole_from(&id(unit)).is_some()), [false, true, false]);
}

#[test]
fn a_backup_that_is_not_whole_is_refused_and_nothing_is_left() {
    let place = Place::new();
    fill(&place.store());
    place.done(&["backup", "b"]);
    let whole = fs::read(place.path("b")).unwrap();
    let other = Place::new();
    fs::remove_dir_all(other.path("store")).unwrap();
    let mut flipped = whole.clone();
    flipped[whole.len() / 2] ^= 1;
    let cases: [(&str, &[u8], &str); 5] = [
        ("cut", &whole[..whole.len() - 1], "bytes of the body of section"),
        ("half", &whole[..whole.len() / 2], "it was cut off"),
        ("flipped", &flipped, "is damaged: its checksum is"),
        ("foreign", b"time,intensity\n2026-08-14T06:00:00Z,1\n", "byte 0: is not a Fadeline archive"),
        ("empty", b"", "it starts with nothing"),
    ];
    for (name, bytes, want) in cases {
        fs::write(other.path(name), bytes).unwrap();
        let (code, _, said) = other.run(&["restore", name]);
        assert!(code == 65 && said.contains(want) && said.contains(&format!("{name}: byte ")), "{name}: {code} {said}");
        let (code, _, said) = other.run(&["verify", name]);
        assert!(code == 74 && said.contains(want), "{name}: {code} {said}");
        fs::remove_file(other.path(name)).unwrap();
        assert_eq!(other.names(), Vec::<String>::new(), "{name}");
        assert!(!other.path("store").exists(), "{name}");
    }
}

#[test]
fn a_restore_never_touches_data_that_is_there() {
    let place = Place::new();
    fill(&place.store());
    place.done(&["backup", "b"]);
    let (code, _, said) = place.run(&["restore", "b"]);
    assert!(code == 74 && said.contains("is not empty") && said.contains("nothing was changed"), "{code} {said}");
    assert_eq!(place.store().stats().unwrap().readings, 3 * 2_880);
    // An empty directory is as good as none.
    let other = Place::new();
    fs::remove_dir_all(other.path("store")).unwrap();
    fs::create_dir(other.path("store")).unwrap();
    other.done(&["restore", &place.path("b").display().to_string()]);
    assert_eq!(other.store().stats().unwrap().readings, 3 * 2_880);
}

#[test]
fn verify_tells_of_every_unit_and_its_gaps() {
    let place = Place::new();
    {
        let store = place.store();
        let rows = super::export::readings(0);
        let with_a_gap = rows.iter().enumerate().filter(|(i, _)| !(300..700).contains(i)).map(|(_, row)| *row);
        store.append(&with_a_gap.map(|row| (id(UNITS[1]), row)).collect::<Vec<_>>()).unwrap();
    }
    let text = place.done(&["verify"]);
    assert!(text.contains("heron-bight/loon") && text.contains("2,480"), "{text}");
    assert!(text.contains("everything decodes and every checksum is right"), "{text}");
    let report = report(&place, &[]);
    assert_eq!((report.units[0].gap_count, report.units[0].gaps.len(), report.damaged.len()), (1, 1, 0));
}
