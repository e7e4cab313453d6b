//! What is older than it is to be kept goes, a little at a time; roll-ups stay; the disk gets its space back.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use fadeline::domain::reading::CHANNELS;
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::store::Store;
use fadeline::store::settings::{Keep, StoreSettings};

use super::kill::id;

const DAYS: i64 = 400;
const UNITS: i64 = 8;
const START: i64 = 1_735_689_600_000;

fn reading(unit: i64, n: i64) -> (UnitId, Reading) {
    let noise = |salt: i64| ((n * 7_919 + unit * 104_729 + salt) % 1_009) as f64;
    let reading = Reading::new(Timestamp::from_millis(START + n * 10 * MINUTE))
        .with(Channel::Intensity, 20.0 + noise(1) / 100.0)
        .with(Channel::Flow, noise(2) / 10.0);
    (id(unit), reading)
}

fn open(path: &Path) -> Store {
    Store::open(&StoreSettings { path: path.join("store"), cache_bytes: 16 << 20 }).unwrap()
}

/// Bytes of disk that the database holds, as `du` counts them.
fn on_disk(path: &Path) -> u64 {
    let about = fs::metadata(path).unwrap();
    let below = about.is_dir().then(|| fs::read_dir(path).unwrap().map(|entry| on_disk(&entry.unwrap().path())).sum());
    about.blocks() * 512 + below.unwrap_or(0)
}

#[test]
#[expect(clippy::print_stderr, reason = "says what it measured")]
fn old_readings_go_roll_ups_stay_and_the_disk_gets_its_space_back() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    for unit in 0..UNITS {
        let rows: Vec<_> = (0..DAYS * 144).map(|n| reading(unit, n)).collect();
        store.load(&rows).unwrap();
    }
    let now = Timestamp::from_millis(START + DAYS * DAY);
    let mut keep = Keep { raw: [Some(100); CHANNELS], ..Keep::default() };
    keep.raw[Channel::Flow as usize] = Some(30);
    // Nothing goes that is not rolled up.
    assert_eq!(store.trim(&keep, now, 1_000).unwrap().raw, 0);
    for unit in 0..UNITS {
        let owed = store.dirty_of(&id(unit));
        store.roll_up(&id(unit), &[], &owed.days, owed.token).unwrap();
    }
    let hours = store.hours(&id(0), Timestamp::MIN, Timestamp::MAX).unwrap();
    assert_eq!(hours.len() as i64, DAYS * 24);
    let before = on_disk(&dir.path().join("store/db"));
    let (mut steps, mut raw) = (1, 0);
    let snapshot = store.snapshot();
    loop {
        let step = store.trim(&keep, now, 64).unwrap();
        assert!(step.raw <= 64, "a small step: {step:?}");
        raw += step.raw;
        if !step.more {
            break;
        }
        steps += 1;
    }
    // A snapshot from before still has everything.
    let old: usize = snapshot.days(&id(0), Timestamp::MIN, Timestamp::MAX).map(|day| day.unwrap().len()).sum();
    assert_eq!(old as i64, DAYS * 144);
    drop(snapshot);
    let after = on_disk(&dir.path().join("store/db"));
    eprintln!("{raw} unit-days in {steps} steps: {before} bytes on disk before, {after} after");
    assert_eq!(raw as i64, UNITS * (DAYS - 30), "whole days, and the flow of those that stay");
    assert!(after < before / 2, "{before} bytes, then {after}");
    let check = |store: &Store| {
        for unit in 0..UNITS {
            let expected: Vec<Reading> = ((DAYS - 100) * 144..DAYS * 144)
                .map(|n| {
                    let mut row = reading(unit, n).1;
                    if n < (DAYS - 30) * 144 {
                        row.clear(Channel::Flow);
                    }
                    row
                })
                .collect();
            assert_eq!(store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap(), expected);
            assert_eq!(store.count(&id(unit)), 100 * 144);
            assert_eq!(store.whole_from(&id(unit)), Some(now.plus_millis(-30 * DAY)));
        }
        assert_eq!(store.hours(&id(0), Timestamp::MIN, Timestamp::MAX).unwrap(), hours);
        assert!(store.verify(|_| ()).unwrap().is_sound());
    };
    check(&store);
    store.close();
    let store = open(dir.path());
    check(&store);
    assert_eq!(store.trim(&keep, now, 64).unwrap().raw, 0, "what went is not given up again");
    // A late reading into a day that is gone: the hours made of the whole day stay.
    store.append(&[reading(0, 5)]).unwrap();
    store.settle().unwrap();
    let owed = store.dirty_of(&id(0));
    store.roll_up(&id(0), &[], &owed.days, owed.token).unwrap();
    assert_eq!(store.hours(&id(0), Timestamp::MIN, Timestamp::MAX).unwrap(), hours);
    hours_go_when_they_are_to(&store, now);
}

fn hours_go_when_they_are_to(store: &Store, now: Timestamp) {
    let mut keep = Keep { raw: [None; CHANNELS], ..Keep::default() };
    keep.hours = [Some(200); CHANNELS];
    keep.hours[Channel::Intensity as usize] = None;
    store.trim(&keep, now, 64).unwrap();
    let hours = store.hours(&id(0), Timestamp::MIN, Timestamp::MAX).unwrap();
    assert_eq!(hours.len() as i64, DAYS * 24);
    let with_flow = hours.iter().filter(|hour| hour.get(Channel::Flow).is_some()).count();
    assert_eq!(with_flow as i64, 200 * 24);
}
