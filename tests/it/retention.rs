//! What is older than it is to be kept goes, a little at a time; roll-ups stay; the disk gets its space back.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use fadeline::domain::reading::CHANNELS;
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::store::Store;
use fadeline::store::settings::{Keep, StoreSettings};

use super::daemon::wait_for;
use super::kill::id;

const DAYS: i64 = 200;
const UNITS: i64 = 4;
/// Readings of a unit in a day, one a minute.
const OF_DAY: i64 = 1_440;
/// Days that readings are kept here, and their flow.
const KEPT: i64 = 50;
const FLOW_KEPT: i64 = 15;
const START: i64 = 1_735_689_600_000;

fn reading(unit: i64, n: i64) -> (UnitId, Reading) {
    // The mixing of SplitMix64: what repeats would compress to nothing.
    let noise = |salt: i64| {
        let mixed = (n as u64 * 64 + unit as u64 * 4 + salt as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mixed = (mixed ^ mixed >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        (mixed >> 40) as f64 % 1_009.0
    };
    let reading = Reading::new(Timestamp::from_millis(START + n * MINUTE))
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
fn old_readings_go_roll_ups_stay_and_the_disk_gets_its_space_back() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    for unit in 0..UNITS {
        let rows: Vec<_> = (0..DAYS * OF_DAY).map(|n| reading(unit, n)).collect();
        store.load(&rows).unwrap();
    }
    let now = Timestamp::from_millis(START + DAYS * DAY);
    let mut keep = Keep { raw: [Some(KEPT as u32); CHANNELS], ..Keep::default() };
    keep.raw[Channel::Flow as usize] = Some(FLOW_KEPT as u32);
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
    assert_eq!(old as i64, DAYS * OF_DAY);
    drop(snapshot);
    assert_eq!(raw as i64, UNITS * (DAYS - FLOW_KEPT), "whole days, and the flow of those that stay");
    // The disk gets it back as the store goes on writing, not at once: 51 % of it, at times a little less,
    // for files are compacted only down to a share of empty slots.
    let after = wait_for("the space to come back", || {
        store.keep("tick", b"1").unwrap();
        let after = on_disk(&dir.path().join("store/db"));
        (after < before / 5 * 3).then_some(after)
    });
    eprintln!("{raw} unit-days in {steps} steps: {before} bytes on disk before, {after} after");
    let check = |store: &Store| {
        for unit in 0..UNITS {
            let expected: Vec<Reading> = ((DAYS - KEPT) * OF_DAY..DAYS * OF_DAY)
                .map(|n| {
                    let mut row = reading(unit, n).1;
                    if n < (DAYS - FLOW_KEPT) * OF_DAY {
                        row.clear(Channel::Flow);
                    }
                    row
                })
                .collect();
            assert_eq!(store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap(), expected);
            assert_eq!(store.count(&id(unit)), (KEPT * OF_DAY) as u64);
            assert_eq!(store.whole_from(&id(unit)), Some(now.plus_millis(-FLOW_KEPT * DAY)));
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
    keep.hours = [Some(KEPT as u32); CHANNELS];
    keep.hours[Channel::Intensity as usize] = None;
    store.trim(&keep, now, 64).unwrap();
    let hours = store.hours(&id(0), Timestamp::MIN, Timestamp::MAX).unwrap();
    assert_eq!(hours.len() as i64, DAYS * 24);
    let with_flow = hours.iter().filter(|hour| hour.get(Channel::Flow).is_some()).count();
    assert_eq!(with_flow as i64, KEPT * 24);
}
