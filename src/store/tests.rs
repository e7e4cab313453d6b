//! The store against a model, across reopenings, and against what can happen to its directory.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use proptest::prelude::*;

use super::settings::Keep;
use super::*;
use crate::domain::reading::CHANNELS;
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Channel, ServiceAction};

fn settings(path: &Path) -> StoreSettings {
    StoreSettings { path: path.to_owned(), cache_bytes: 16 << 20 }
}

fn open(path: &Path) -> Store {
    Store::open(&settings(path)).unwrap()
}

/// A store whose database is closed and opened again after every few commits.
fn open_restless(path: &Path) -> Store {
    Store::open(&StoreSettings { cache_bytes: 1 << 8, ..settings(path) }).unwrap()
}

fn unit(name: &str) -> UnitId {
    UnitId::new("heron-bight", name).unwrap()
}

fn at(millis: i64) -> Timestamp {
    Timestamp::from_millis(1_760_000_000_000 + millis)
}

fn reading(millis: i64, intensity: f64) -> Reading {
    Reading::new(at(millis)).with(Channel::Intensity, intensity)
}

fn all(store: &Store, id: &UnitId) -> Vec<Reading> {
    store.readings(id, Timestamp::MIN, Timestamp::MAX).unwrap()
}

/// `count` readings of a unit, one a minute.
fn minutes(id: &UnitId, first: i64, count: i64) -> Vec<(UnitId, Reading)> {
    (first..first + count).map(|i| (id.clone(), reading(i * MINUTE, 20.0 + (i % 7) as f64 / 100.0))).collect()
}

#[test]
fn readings_come_back_after_reopening() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 3_000);
    let appended = store.append(&batch).unwrap();
    assert_eq!((appended.stored, appended.repeated, appended.over), (3_000, 0, 0));
    assert_eq!(appended.days.len(), 3);
    // The same again: nothing to store, nothing changed.
    let again = store.append(&batch[500..700]).unwrap();
    assert_eq!((again.stored, again.repeated, again.days.len()), (0, 200, 0));
    store.close();
    let store = open(dir.path());
    assert_eq!(all(&store, &id), batch.iter().map(|(_, reading)| *reading).collect::<Vec<_>>());
    assert_eq!(store.latest(&id), batch.last().map(|(_, reading)| *reading));
    assert_eq!((store.units(), store.count(&id)), (vec![id], 3_000));
}

#[test]
fn what_was_written_does_not_stay_in_memory_for_ever() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open_restless(dir.path());
    let batch = minutes(&id, 0, 20 * 1_440);
    let mut written = 0;
    for hour in batch.chunks(60) {
        store.append(hour).unwrap();
        let now = store.disk().bytes_written().unwrap();
        assert!(now > written, "{now} after {written}");
        written = now;
    }
    // One or two days of blocks are more than is held.
    assert!(store.disk().renewals() >= 8, "{}", store.disk().renewals());
    assert_eq!(all(&store, &id), batch.iter().map(|(_, reading)| *reading).collect::<Vec<_>>());
    store.close();
    assert_eq!(open(dir.path()).count(&id), batch.len() as u64);
}

#[test]
fn a_repeat_is_merged_channel_by_channel_and_the_last_wins() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let first = reading(0, 20.0).with(Channel::Flow, 3.0);
    let second = Reading::new(first.at).with(Channel::Intensity, 21.0).with(Channel::WaterTemperature, 8.0);
    let batch = [(id.clone(), first), (id.clone(), second)];
    assert_eq!(store.append(&batch[..1]).unwrap().stored, 1);
    store.settle().unwrap();
    let merged = store.append(&batch[1..]).unwrap();
    assert_eq!((merged.stored, merged.repeated, merged.days.len()), (0, 1, 1));
    let expected = reading(0, 21.0).with(Channel::Flow, 3.0).with(Channel::WaterTemperature, 8.0);
    assert_eq!(all(&store, &id), [expected]);
    assert_eq!(store.latest(&id), Some(expected));
    store.close();
    assert_eq!(all(&open(dir.path()), &id), [expected]);
}

/// What a test does to a store and its model.
#[derive(Clone, Debug)]
enum Step {
    Append(Vec<(u8, i64, u8, f64)>),
    Settle,
    Bundle(u8, i64),
    Reopen,
}

fn step() -> impl Strategy<Value = Step> {
    // Few units, days and instants, so that repeats and late readings are common.
    let value = prop_oneof![(0_i32..5_000).prop_map(|n| f64::from(n) / 100.0), -1e3..1e5_f64];
    let one = (0_u8..3, (-2_i64..3, 0_i64..6), 0_u8..4, value)
        .prop_map(|(unit, (day, slot), channel, value)| (unit, day * DAY + slot * 1_013, channel, value));
    prop_oneof![
        8 => prop::collection::vec(one, 1..12).prop_map(Step::Append),
        2 => Just(Step::Settle),
        2 => (0_u8..3, -2_i64..4).prop_map(|(unit, day)| Step::Bundle(unit, day)),
        1 => Just(Step::Reopen),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn a_store_is_a_map(steps in prop::collection::vec(step(), 1..20)) {
        let dir = tempfile::tempdir().unwrap();
        let mut store = open(dir.path());
        let mut restless = false;
        let mut model: BTreeMap<(UnitId, Timestamp), Reading> = BTreeMap::new();
        for step in steps {
            match step {
                Step::Append(rows) => {
                    let batch: Vec<(UnitId, Reading)> = rows
                        .into_iter()
                        .map(|(n, millis, channel, value)| {
                            let channel = Channel::ALL[usize::from(channel)];
                            (unit(&format!("u{n}")), Reading::new(at(millis)).with(channel, value))
                        })
                        .collect();
                    let before = model.len();
                    for (id, row) in &batch {
                        model.entry((id.clone(), row.at)).or_insert(*row).absorb(row);
                    }
                    let appended = store.append(&batch).unwrap();
                    prop_assert_eq!(appended.stored, model.len() - before);
                    prop_assert_eq!(appended.stored + appended.repeated, batch.len());
                }
                Step::Settle => store.settle().unwrap(),
                Step::Bundle(n, day) => {
                    let known = store.series().known(&unit(&format!("u{n}")));
                    known.into_iter().for_each(|n| store.disk().bundle(n, utc_day(at(0)) + day).unwrap());
                }
                Step::Reopen => {
                    store.close();
                    restless = !restless;
                    store = if restless { open_restless(dir.path()) } else { open(dir.path()) };
                }
            }
        }
        for n in 0..3 {
            let id = unit(&format!("u{n}"));
            let expected: Vec<Reading> =
                model.iter().filter(|((other, _), _)| *other == id).map(|(_, row)| *row).collect();
            prop_assert_eq!(store.count(&id), expected.len() as u64);
            prop_assert_eq!(store.latest(&id), expected.last().copied());
            prop_assert_eq!(all(&store, &id), expected);
        }
    }
}

/// How many entries of their own the days of all units have.
fn own_entries(store: &Store) -> usize {
    let entries = |space| store.disk().range(space, &[], None, usize::MAX).unwrap().len();
    [Space::Blocks, Space::Hours, Space::Days].into_iter().map(entries).sum()
}

#[test]
fn days_long_over_are_bundled_and_are_what_they_were() {
    const COUNT: i64 = 100;
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let mut store = open(dir.path());
    let mut batch: Vec<(UnitId, Reading)> =
        (0..COUNT * 24).map(|n| (id.clone(), reading(n * HOUR, 20.0 + (n % 7) as f64 / 100.0))).collect();
    let first = at(0).date_in(&jiff::tz::TimeZone::UTC);
    let date = |day: i64| first.saturating_add(jiff::Span::new().days(day));
    let roll_up = |store: &Store, day: i64, readings: u32| {
        let owed = store.dirty_of(&id);
        store.roll_up(&id, &[day_summary(date(day), readings)], &owed.days, owed.token).unwrap();
    };
    for (day, rows) in (0..).zip(batch.chunks(24)) {
        store.append(rows).unwrap();
        store.settle().unwrap();
        roll_up(&store, day, day as u32);
    }
    assert!(own_entries(&store) <= 3 * (16 + 8 + 2), "{}", own_entries(&store));
    // A reading that comes late, into a bundled day, and that day's roll-up made again.
    let late = (id.clone(), reading(5 * DAY + 1, 3.0));
    store.append(std::slice::from_ref(&late)).unwrap();
    batch.push(late);
    batch.sort_by_key(|(_, reading)| reading.at);
    roll_up(&store, 5, 999);
    let rows: Vec<Reading> = batch.iter().map(|(_, reading)| *reading).collect();
    let expected = |day: i64| day_summary(date(day), if day == 5 { 999 } else { day as u32 });
    for round in 0..4 {
        assert_eq!(all(&store, &id), rows, "round {round}");
        let some = (at(3 * DAY + 1), at(40 * DAY));
        assert_eq!(
            store.readings(&id, some.0, some.1).unwrap(),
            rows.iter().filter(|row| some.0 <= row.at && row.at < some.1).copied().collect::<Vec<_>>()
        );
        let columns = store.columns(&id, some, &[Channel::Intensity]).unwrap();
        assert_eq!(columns.len(), store.readings(&id, some.0, some.1).unwrap().len());
        let days = store.days(&id, Some(date(3)), Some(date(30))).unwrap();
        assert_eq!(days, (3..=30).map(expected).collect::<Vec<_>>());
        let hours = store.hours(&id, Timestamp::MIN, Timestamp::MAX).unwrap();
        assert_eq!(
            hours.iter().map(|hour| hour.get(Channel::Intensity).unwrap().count as usize).sum::<usize>(),
            rows.len()
        );
        let found = store.verify(|_| ()).unwrap();
        assert!(found.is_sound());
        // Of each day the block, its roll-up and its hours; the UTC days of what is not at midnight are one more.
        assert_eq!(found.records, COUNT as u64 + found.days as u64);
        match round {
            0 => store.settle().unwrap(),
            1 => store.disk().bundle(0, utc_day(at(COUNT * DAY))).unwrap(),
            _ => {
                store.close();
                store = open(dir.path());
            }
        }
    }
    // What is given up goes out of the bundles, and whole bundles go.
    let keep = Keep { raw: [Some(30); CHANNELS], hours: [Some(60); CHANNELS], days: [None; CHANNELS] };
    let bundles = |store: &Store| store.disk().range(Space::BlockBundles, &[], None, usize::MAX).unwrap().len();
    let before = bundles(&store);
    roll_up(&store, 5, 999);
    while store.trim(&keep, at(COUNT * DAY), 7).unwrap().more {}
    assert!(bundles(&store) <= before - 3, "{} of {before}", bundles(&store));
    for _ in 0..2 {
        let from = utc_day(at(COUNT * DAY)) - 30;
        let kept: Vec<Reading> = rows.iter().filter(|row| utc_day(row.at) >= from).copied().collect();
        assert_eq!(all(&store, &id), kept);
        let hours = store.hours(&id, Timestamp::MIN, Timestamp::MAX).unwrap();
        assert_eq!(utc_day(hours[0].at), from - 30);
        assert_eq!(store.days(&id, None, None).unwrap().len(), COUNT as usize);
        assert!(store.verify(|_| ()).unwrap().is_sound());
        store.close();
        store = open(dir.path());
    }
}

#[test]
fn a_damaged_bundle_is_set_aside_and_the_rest_is_served() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch: Vec<(UnitId, Reading)> = (0..60 * 4).map(|n| (id.clone(), reading(n * 6 * HOUR, 20.0))).collect();
    store.load(&batch).unwrap();
    store.disk().bundle(0, utc_day(at(60 * DAY))).unwrap();
    let (key, mut bundle) = store.disk().range(Space::BlockBundles, &[], None, usize::MAX).unwrap().swap_remove(1);
    bundle[5] ^= 1;
    let mut commit = Commit::default();
    commit.put(Space::BlockBundles, key, bundle);
    store.disk().commit(commit).unwrap();
    assert_eq!(all(&store, &id).len(), (60 - 16) * 4);
    assert!(!store.verify(|_| ()).unwrap().is_sound());
    assert_eq!(store.stats().unwrap().damaged, 1);
    store.close();
    // The next opening counts what is left, and what was lost can be stored again.
    let store = open(dir.path());
    assert_eq!(store.count(&id), (60 - 16) * 4);
    assert!(store.verify(|_| ()).unwrap().is_sound());
    store.load(&batch).unwrap();
    assert_eq!(all(&store, &id).len(), 60 * 4);
}

#[test]
fn a_load_goes_straight_into_blocks_and_counts_once() {
    let dir = tempfile::tempdir().unwrap();
    let (id, other) = (unit("boathouse"), unit("bakery"));
    let store = open(dir.path());
    let batch = minutes(&id, 0, 5_000);
    // Some of it is there already: in the journal, and in a block.
    store.append(&batch[..10]).unwrap();
    store.settle().unwrap();
    store.append(&batch[4_000..4_100]).unwrap();
    let seen = store.dirty_of(&id);
    let loaded = store.load(&batch).unwrap();
    assert_eq!((loaded.stored, loaded.repeated), (5_000 - 110, 110));
    // The days that changed are owed, also as of before.
    assert_eq!(store.clear_dirty(&id, &seen.days, seen.token).unwrap(), 0);
    let again = store.load(&batch).unwrap();
    assert_eq!((again.stored, again.repeated, again.days.len()), (0, 5_000, 0));
    store.load(&minutes(&other, 0, 3)).unwrap();
    let seen = store.dirty_of(&id);
    assert_eq!(store.clear_dirty(&id, &seen.days, seen.token).unwrap(), 4);
    store.close();
    let store = open(dir.path());
    assert_eq!((store.dirty_of(&id).days, store.dirty_of(&other).days.len()), (vec![], 1));
    assert_eq!(all(&store, &id), batch.iter().map(|(_, reading)| *reading).collect::<Vec<_>>());
    assert_eq!((store.count(&id), store.count(&other)), (5_000, 3));
    assert_eq!(store.latest(&id), batch.last().map(|(_, reading)| *reading));
    // What comes next has a number of its own: it is owed, and cleared as of now.
    store.append(&minutes(&other, 3, 3)).unwrap();
    let seen = store.dirty_of(&other);
    assert_eq!(store.clear_dirty(&other, &seen.days, seen.token).unwrap(), 1);
    assert_eq!(all(&store, &other).len(), 6);
}

#[test]
fn a_snapshot_stays_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 6_000);
    let (even, odd): (Vec<_>, Vec<_>) = batch.iter().cloned().enumerate().partition(|(i, _)| i % 2 == 0);
    let strip = |rows: Vec<(usize, (UnitId, Reading))>| rows.into_iter().map(|(_, row)| row).collect::<Vec<_>>();
    let (even, odd) = (strip(even), strip(odd));
    store.append(&even[..2_000]).unwrap();
    store.settle().unwrap();
    store.append(&even[2_000..]).unwrap();
    let read = |snapshot: &Snapshot<'_>| -> Vec<Reading> {
        snapshot.days(&id, Timestamp::MIN, Timestamp::MAX).flat_map(Result::unwrap).collect()
    };
    let expected: Vec<Reading> = even.iter().map(|(_, reading)| *reading).collect();
    let snapshot = store.snapshot();
    assert_eq!((read(&snapshot), snapshot.count(&id)), (expected.clone(), 3_000));
    // Late readings into blocks and open days, new units, new blocks.
    store.append(&odd[..1_500]).unwrap();
    store.append(&minutes(&unit("new"), 0, 3)).unwrap();
    store.settle().unwrap();
    store.load(&odd).unwrap();
    assert_eq!(read(&snapshot), expected);
    assert_eq!((snapshot.units().count(), snapshot.damaged()), (1, vec![]));
    assert_eq!(snapshot.unsettled_days(&id).len(), snapshot.day_count());
    assert_eq!(store.count(&id), 6_000);
    assert_eq!(read(&store.snapshot()), batch.iter().map(|(_, reading)| *reading).collect::<Vec<_>>());
    let some: Vec<Reading> =
        store.snapshot().days(&id, at(100 * MINUTE), at(4_500 * MINUTE)).flat_map(Result::unwrap).collect();
    assert_eq!(some, store.readings(&id, at(100 * MINUTE), at(4_500 * MINUTE)).unwrap());
}

#[test]
fn verify_counts_and_finds_the_gaps() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 6_000);
    store.append(&[&batch[..1_000], &batch[1_090..3_000]].concat()).unwrap();
    store.settle().unwrap();
    store.append(&batch[3_030..]).unwrap();
    store.log(&id, &ServiceEntry::new(at(5), ServiceAction::SleeveCleaned)).unwrap();
    let mut calls = 0;
    let found = store.verify(|_| calls += 1).unwrap();
    assert!(found.is_sound());
    assert_eq!((calls, found.days, found.days_in_all), (found.days, found.days_in_all, found.units[0].days));
    assert_eq!((found.readings, found.records, found.damaged_records), (5_880, 1, 0));
    let about = &found.units[0];
    assert_eq!((about.readings, about.expected), (5_880, 5_880));
    assert_eq!((about.first, about.last), (Some(at(0)), Some(at(5_999 * MINUTE))));
    // Half an hour of silence is none.
    assert_eq!(
        (about.gap_count, about.gaps.clone()),
        (1, vec![Gap { from: at(999 * MINUTE), to: at(1_090 * MINUTE) }])
    );
}

#[test]
fn ranges_are_half_open() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    store.append(&minutes(&id, 0, 4_000)).unwrap();
    store.settle().unwrap();
    store.append(&minutes(&id, 4_000, 1_000)).unwrap();
    let some = store.readings(&id, at(100 * MINUTE), at(4_500 * MINUTE)).unwrap();
    assert_eq!((some.len(), some[0].at, some[4_399].at), (4_400, at(100 * MINUTE), at(4_499 * MINUTE)));
    assert_eq!(store.readings(&id, at(5), at(5)).unwrap(), []);
    assert_eq!(store.readings(&id, at(9), at(5)).unwrap(), []);
    assert_eq!(store.readings(&unit("elsewhere"), at(0), at(5)).unwrap(), []);
}

#[test]
fn days_over_are_sealed_on_the_way_and_the_journal_stays_short() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 4 * 1_440);
    for part in batch.chunks(20) {
        store.append(part).unwrap();
    }
    let stats = store.stats().unwrap();
    // One day is open (72 appends), and the one before may be waiting for its rest (64 appends).
    assert!(stats.journal_appends < 72 + 72 + 64 + 2, "{stats:?}");
    assert_eq!((stats.readings, stats.units), (4 * 1_440, 1));
    assert_eq!(all(&store, &id).len(), batch.len());
    store.close();
    assert_eq!(all(&open(dir.path()), &id).len(), batch.len());
}

#[test]
fn a_day_that_changed_stays_dirty_until_it_is_rolled_up_as_of_then() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (unit("a"), unit("b"));
    let mut store = open(dir.path());
    let day = utc_day(at(0));
    store.append(&[(a.clone(), reading(0, 1.0)), (b.clone(), reading(DAY, 1.0))]).unwrap();
    let seen = store.dirty();
    assert_eq!(seen.days, [(a.clone(), vec![day]), (b.clone(), vec![day + 1])]);
    // Changed after it was seen: stays.
    store.append(&[(a.clone(), reading(1, 1.0))]).unwrap();
    assert_eq!(store.clear_dirty(&a, &[day], seen.token).unwrap(), 0);
    assert_eq!(store.clear_dirty(&b, &[day, day + 1], seen.token).unwrap(), 1);
    assert_eq!(store.dirty().days, [(a.clone(), vec![day])]);
    // A repeat is no change, a reopening neither.
    store.append(&[(b.clone(), reading(DAY, 1.0))]).unwrap();
    for settle in [false, true, true] {
        if settle {
            store.settle().unwrap();
        }
        store.close();
        store = open(dir.path());
        assert_eq!(store.dirty().days, [(a.clone(), vec![day])], "settled: {settle}");
    }
    let seen = store.dirty();
    assert_eq!(store.roll_up(&a, &[], &[day], seen.token).unwrap(), 1);
    assert_eq!(store.dirty().days, []);
    store.close();
    store = open(dir.path());
    assert_eq!(store.dirty().days, []);
    // A late reading into a sealed day.
    store.append(&[(a.clone(), reading(2, 1.0))]).unwrap();
    store.close();
    store = open(dir.path());
    assert_eq!(store.dirty().days, [(a, vec![day])]);
}

fn day_summary(date: Date, readings: u32) -> DaySummary {
    DaySummary { lowest: Some(0.1 + 0.2), readings, ..DaySummary::empty(date) }
}

#[test]
fn roll_ups_are_replaced_by_date_and_come_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let date = |day| jiff::civil::date(2026, 2, day);
    let old = jiff::civil::date(1969, 12, 31);
    store.put_days(&id, &[day_summary(date(3), 1), day_summary(date(1), 2), day_summary(old, 3)]).unwrap();
    store.put_days(&id, &[day_summary(date(3), 9)]).unwrap();
    store.put_days(&unit("other"), &[day_summary(date(2), 7)]).unwrap();
    store.close();
    let store = open(dir.path());
    let expected = [day_summary(old, 3), day_summary(date(1), 2), day_summary(date(3), 9)];
    assert_eq!(store.days(&id, None, None).unwrap(), expected);
    assert_eq!(store.days(&id, Some(date(1)), Some(date(3))).unwrap(), expected[1..]);
    assert_eq!(store.days(&id, Some(date(2)), Some(date(2))).unwrap(), []);
    // Roll-ups alone are no readings.
    assert_eq!(store.units(), []);
}

#[test]
fn the_same_service_entry_is_kept_once() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let cleaned = ServiceEntry { recorded: Some(at(9)), ..ServiceEntry::new(at(5), ServiceAction::SleeveCleaned) };
    let check = ServiceEntry { value: Some(20.5), ..ServiceEntry::new(at(5), ServiceAction::ReferenceCheck) };
    let early = ServiceEntry { note: Some("frost".into()), ..ServiceEntry::new(at(-5), ServiceAction::Note) };
    for entry in [&cleaned, &check, &early] {
        assert!(store.log(&id, entry).unwrap());
    }
    // Sent again, recorded again: still the same entry.
    assert!(!store.log(&id, &ServiceEntry { recorded: Some(at(77)), ..cleaned.clone() }).unwrap());
    assert!(store.log(&id, &ServiceEntry { by: Some("Ada".into()), ..cleaned.clone() }).unwrap());
    store.close();
    let log = open(dir.path()).logbook(&id).unwrap();
    assert_eq!(log.len(), 4);
    assert_eq!((&log[0], &log[1], &log[2]), (&early, &check, &cleaned));
}

fn assessment() -> Assessment {
    serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap()
}

#[test]
fn the_last_assessment_of_each_unit_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (unit("a"), unit("b"));
    let store = open(dir.path());
    let later = Assessment { as_of: at(77), ..assessment() };
    store.put_assessment(&b, &assessment()).unwrap();
    store.put_assessment(&a, &assessment()).unwrap();
    store.put_assessment(&b, &later).unwrap();
    store.close();
    let store = open(dir.path());
    assert_eq!(store.assessment(&b).unwrap(), Some(later.clone()));
    assert_eq!(store.assessment(&unit("c")).unwrap(), None);
    assert_eq!(store.assessments().unwrap(), [(a, assessment()), (b, later)]);
}

fn message(topic: &str, retain: bool, payload: &[u8]) -> OutboxItem {
    OutboxItem { topic: topic.into(), payload: payload.into(), retain, ..OutboxItem::default() }
}

#[test]
fn messages_wait_in_order_and_retained_ones_once_a_topic() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let answer = OutboxItem {
        expiry_secs: Some(60),
        content_type: Some("application/json".into()),
        correlation: Some(vec![0, 1]),
        properties: vec![("schema".into(), "1".into())],
        ..message("t/answer", false, b"yes")
    };
    let first = store.outbox_put(&message("t/1", true, b"old")).unwrap();
    let second = store.outbox_put(&answer).unwrap();
    let third = store.outbox_put(&message("t/1", true, b"new")).unwrap();
    assert!(first < second && second < third);
    store.close();
    let store = open(dir.path());
    assert_eq!(store.outbox().unwrap(), [(second, answer), (third, message("t/1", true, b"new"))]);
    // After reopening, too, a retained message replaces the one that waits.
    let fourth = store.outbox_put(&message("t/1", true, b"newest")).unwrap();
    store.outbox_remove(&[first, second, 999]).unwrap();
    assert_eq!(store.outbox().unwrap(), [(fourth, message("t/1", true, b"newest"))]);
}

#[test]
fn quarantine_is_bounded_and_drops_the_oldest() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let long = vec![7; QUARANTINE_PAYLOAD_MAX + 5];
    for i in 0..QUARANTINE_BYTES_MAX / QUARANTINE_PAYLOAD_MAX + 10 {
        store.quarantine(&format!("t/{i}"), &long, "not JSON", at(i as i64)).unwrap();
    }
    let kept = store.quarantined().unwrap();
    assert_eq!(kept.len(), store.stats().unwrap().quarantined);
    let last = kept.last().unwrap();
    assert_eq!((last.payload.len(), last.payload_len), (QUARANTINE_PAYLOAD_MAX, long.len()));
    assert!(kept[0].at > at(0) && kept.iter().map(|m| m.payload.len()).sum::<usize>() <= QUARANTINE_BYTES_MAX);
}

#[test]
fn keepsakes() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    store.keep("alerts", b"{}").unwrap();
    store.close();
    let store = open(dir.path());
    assert_eq!(store.kept("alerts").unwrap().as_deref(), Some(b"{}".as_slice()));
    store.keep("alerts", b"").unwrap();
    assert_eq!(store.kept("alerts").unwrap(), None);
}

#[test]
fn a_second_opening_is_refused_and_names_the_holder() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path());
    let text = Store::open(&settings(dir.path())).unwrap_err().to_string();
    assert!(text.contains(&format!("in use by process {}", std::process::id())), "{text}");
    store.close();
    open(dir.path());
}

#[test]
fn the_directory_is_for_its_owner_only() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("data/fadeline");
    open(&path);
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o700);
}

#[test]
fn data_that_is_gone_is_not_replaced_by_an_empty_store() {
    let dir = tempfile::tempdir().unwrap();
    let other = tempfile::tempdir().unwrap();
    for path in [dir.path(), other.path()] {
        open(path).append(&[(unit("a"), reading(0, 1.0))]).unwrap();
    }
    let refusal = || Store::open(&settings(dir.path())).unwrap_err();
    let (db, kept) = (dir.path().join("db"), dir.path().join("kept"));
    fs::rename(&db, &kept).unwrap();
    assert!(refusal().to_string().contains("database is missing"), "{}", refusal());
    fs::create_dir(&db).unwrap();
    assert!(refusal().to_string().contains("database is empty"), "{}", refusal());
    fs::remove_dir_all(&db).unwrap();
    fs::rename(other.path().join("db"), &db).unwrap();
    assert!(refusal().to_string().contains("another one"), "{}", refusal());
    // The journal alone is missing.
    fs::remove_dir_all(&db).unwrap();
    fs::rename(&kept, &db).unwrap();
    let journal = dir.path().join("journal");
    fs::rename(&journal, dir.path().join("kept-journal")).unwrap();
    assert!(refusal().to_string().contains("journal is missing"), "{}", refusal());
    fs::rename(other.path().join("journal"), &journal).unwrap();
    assert!(refusal().to_string().contains("journal is of another database"), "{}", refusal());
    fs::remove_dir_all(&journal).unwrap();
    fs::rename(dir.path().join("kept-journal"), &journal).unwrap();
    // The epoch file alone is missing.
    let epoch = dir.path().join("epoch");
    let text = fs::read(&epoch).unwrap();
    fs::remove_file(&epoch).unwrap();
    assert!(matches!(refusal(), StoreError::DataGone { .. }), "{}", refusal());
    // All back in place: as if nothing had been.
    fs::write(&epoch, text).unwrap();
    assert_eq!(open(dir.path()).count(&unit("a")), 1);
}

#[test]
fn a_directory_of_somebody_else_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("holiday.jpg"), b"x").unwrap();
    let refusal = Store::open(&settings(dir.path())).unwrap_err();
    assert!(matches!(refusal, StoreError::Foreign { .. }), "{refusal}");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn a_store_of_a_newer_schema_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    open(dir.path()).close();
    let epoch = dir.path().join("epoch");
    let text = fs::read_to_string(&epoch).unwrap();
    let newer = text.replace(&format!("\"schema\":{SCHEMA}"), "\"schema\":4711");
    assert_ne!(text, newer);
    fs::write(&epoch, newer).unwrap();
    let refusal = Store::open(&settings(dir.path())).unwrap_err();
    assert!(matches!(refusal, StoreError::NewerSchema { found: 4711, .. }), "{refusal}");
}

#[test]
fn a_making_cut_short_is_begun_again() {
    let dir = tempfile::tempdir().unwrap();
    open(dir.path()).close();
    let epoch = dir.path().join("epoch");
    let text = fs::read_to_string(&epoch).unwrap();
    fs::write(&epoch, text.replace("\"made\":true", "\"made\":false")).unwrap();
    open(dir.path()).append(&[(unit("a"), reading(0, 1.0))]).unwrap();
    assert_eq!(open(dir.path()).count(&unit("a")), 1);
}

#[test]
fn a_damaged_block_is_set_aside_and_the_rest_is_served() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    store.append(&minutes(&id, 0, 3_000)).unwrap();
    store.settle().unwrap();
    let days: Vec<usize> = {
        let rows = all(&store, &id);
        rows.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)).map(<[Reading]>::len).collect()
    };
    let mut commit = Commit::default();
    let key = series::day_key(store.series().known(&id).unwrap(), utc_day(at(0)) + 1);
    let mut block = store.disk().get(Space::Blocks, &key).unwrap().unwrap();
    let middle = block.len() / 2;
    block[middle] ^= 1;
    commit.put(Space::Blocks, key, block);
    store.disk().commit(commit).unwrap();
    let found = store.verify(|_| ()).unwrap();
    assert_eq!((found.blocks, found.damaged), (days.len(), vec![(id.clone(), utc_day(at(0)) + 1)]));
    for _ in 0..2 {
        assert_eq!(all(&store, &id).len(), 3_000 - days[1]);
        assert_eq!(store.count(&id), 3_000 - days[1] as u64);
        assert_eq!(store.stats().unwrap().damaged, 1);
    }
    // What was lost can be stored again.
    store.append(&minutes(&id, 0, 3_000)).unwrap();
    store.close();
    assert_eq!(all(&open(dir.path()), &id).len(), 3_000);
}

#[test]
fn without_room_nothing_is_written_and_later_it_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    store.append(&minutes(&id, 0, 10)).unwrap();
    store.disk().demand_free_bytes(u64::MAX / 4);
    let refusal = store.append(&minutes(&id, 10, 10)).unwrap_err();
    assert!(refusal.is_passing(), "{refusal}");
    assert!(store.append(&minutes(&unit("new"), 0, 10)).unwrap_err().is_passing());
    assert_eq!((store.count(&id), store.units()), (10, vec![id.clone()]));
    store.disk().demand_free_bytes(0);
    assert_eq!(store.append(&minutes(&id, 10, 10)).unwrap().stored, 10);
    store.append(&minutes(&unit("newer"), 0, 5)).unwrap();
    store.close();
    let store = open(dir.path());
    assert_eq!((store.count(&id), store.count(&unit("newer")), store.units().len()), (20, 5, 2));
}

#[test]
fn damage_in_the_journal_costs_one_append() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 30);
    batch.chunks(10).for_each(|part| drop(store.append(part).unwrap()));
    store.close();
    let segment = fs::read_dir(dir.path().join("journal")).unwrap().next().unwrap().unwrap().path();
    let mut bytes = fs::read(&segment).unwrap();
    let records: Vec<usize> = (0..bytes.len()).filter(|at| bytes[*at..].starts_with(b"rec\n")).collect();
    assert_eq!(records.len(), 3);
    bytes[records[1] + 40] ^= 4;
    fs::write(&segment, bytes).unwrap();
    for _ in 0..2 {
        let store = open(dir.path());
        assert_eq!((store.count(&id), store.stats().unwrap().damaged), (20, 1));
        assert!(store.verify(|_| ()).unwrap().is_sound());
    }
    let store = open(dir.path());
    assert_eq!(store.append(&batch).unwrap().stored, 10);
    store.close();
    assert_eq!(all(&open(dir.path()), &id), batch.iter().map(|(_, reading)| *reading).collect::<Vec<_>>());
}

/// What the journal alone has may be lost with its file; what comes afterwards must still count as later.
#[test]
fn a_journal_that_lost_its_end_takes_new_readings() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    let batch = minutes(&id, 0, 3_000);
    batch[..2_900].chunks(100).for_each(|part| drop(store.append(part).unwrap()));
    let before = store.count(&id);
    let sealed: usize =
        store.series().days_between(0, i64::MIN, i64::MAX).values().filter(|open| open.is_none()).count();
    store.settle().unwrap();
    store.append(&batch[2_900..]).unwrap();
    store.close();
    assert_eq!((before, sealed), (2_900, 0));
    for entry in fs::read_dir(dir.path().join("journal")).unwrap() {
        fs::write(entry.unwrap().path(), b"").unwrap();
    }
    let store = open(dir.path());
    assert_eq!(store.count(&id), 2_900);
    let seen = store.dirty_of(&id);
    assert_eq!(seen.days.len(), 3);
    store.append(&batch[2_900..]).unwrap();
    // Changed after it was seen: stays owed.
    assert_eq!(store.clear_dirty(&id, &seen.days, seen.token).unwrap(), 2);
    store.close();
    let store = open(dir.path());
    assert_eq!((store.count(&id), store.dirty_of(&id).days.len()), (3_000, 1));
}

/// The database's recovery, killed after its new snapshot and before its new log.
#[test]
fn an_opening_killed_half_way_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let id = unit("boathouse");
    let store = open(dir.path());
    store.append(&minutes(&id, 0, 5_000)).unwrap();
    store.settle().unwrap();
    store.close();
    // The first opening after that tidies up and writes a little.
    open(dir.path()).close();
    for round in 1..4 {
        open(dir.path()).close();
        let logs: Vec<_> = fs::read_dir(dir.path().join("db/metadata"))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.file_name().unwrap().to_str().unwrap().starts_with("log_"))
            .collect();
        assert_eq!(logs.len(), 1);
        assert_eq!(fs::metadata(&logs[0]).unwrap().len(), 0, "nothing was written: just begun");
        fs::remove_file(&logs[0]).unwrap();
        let store = open(dir.path());
        store.append(&minutes(&unit("bakery"), round * 10, 10)).unwrap();
        store.close();
        let store = open(dir.path());
        assert_eq!((all(&store, &id).len(), store.count(&unit("bakery"))), (5_000, 10 * round as u64));
        // Its log is empty again.
        store.close();
    }
}

#[test]
fn a_store_is_shared_between_threads() {
    fn shared<T: Send + Sync>() {}
    shared::<Store>();
}

/// Where the child of the kill test finds its store.
const KILL_DIR: &str = "FADELINE_TEST_KILL_DIR";
const KILL_BATCH: i64 = 40;

/// The `n`th reading of the kill test; 40 of them are a little more than a day, so that days are sealed all the time.
fn kill_reading(n: i64) -> (UnitId, Reading) {
    (unit(&format!("u{}", n % 3)), reading(n * 37 * MINUTE, n as f64))
}

/// Run by the kill test in a process of its own; by itself it has nothing to do.
#[test]
fn child_of_the_kill_test() {
    use std::io::Write;
    let Some(dir) = std::env::var_os(KILL_DIR) else { return };
    // Opened again and again by itself, as in a life of weeks.
    let store = open_restless(Path::new(&dir));
    let mut next = store.stats().unwrap().readings as i64;
    let mut out = std::io::stdout();
    loop {
        let batch: Vec<_> = (next..next + KILL_BATCH).map(kill_reading).collect();
        store.append(&batch).unwrap();
        next += KILL_BATCH;
        writeln!(out, "\nstored {next}").and_then(|()| out.flush()).unwrap();
    }
}

/// Starts a child that appends, kills it a little later than some acknowledgements, and gives the last of them.
fn append_until_killed(dir: &Path, acknowledgements: usize, later: Duration) -> i64 {
    use std::io::{BufRead, BufReader};
    use std::process::{Command, Stdio};
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "store::tests::child_of_the_kill_test", "--nocapture"])
        .env(KILL_DIR, dir)
        // Opening runs the system's `sync`, which is for power cuts and slow beside a build.
        .env("PATH", "")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut last = None;
    let mut killed = false;
    let mut seen = 0;
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        if let Some(number) = line.unwrap().strip_prefix("stored ") {
            last = number.parse().ok();
            seen += 1;
        }
        if seen >= acknowledgements && !killed {
            std::thread::sleep(later);
            child.kill().unwrap();
            killed = true;
        }
    }
    child.wait().unwrap();
    assert!(killed, "the child ended by itself");
    last.unwrap()
}

#[test]
fn nothing_acknowledged_is_lost_when_the_process_is_killed() {
    let dir = tempfile::tempdir().unwrap();
    let mut days_sealed = 0;
    for round in 0..30_usize {
        let acknowledged =
            append_until_killed(dir.path(), 1 + round * 29 % 83, Duration::from_micros(round as u64 * 1_373 % 9_000));
        let store = open(dir.path());
        let stored = store.stats().unwrap().readings as i64;
        // At most the one append that was under way is there beyond, and it is whole.
        assert!(stored == acknowledged || stored == acknowledged + KILL_BATCH, "{stored} of {acknowledged}");
        let mut found: Vec<Reading> = (0..3).flat_map(|n| all(&store, &unit(&format!("u{n}")))).collect();
        found.sort_by_key(|reading| reading.at);
        let expected: Vec<Reading> = (0..stored).map(|n| kill_reading(n).1).collect();
        assert!(found == expected, "round {round}: {} of {}", found.len(), expected.len());
        // Nobody rolled anything up: every day is owed still, sealed or not.
        let owed: usize = store.dirty().days.iter().map(|(_, days)| days.len()).sum();
        let by_unit = |n: i64| (0..stored).filter(move |i| i % 3 == n).map(|i| utc_day(kill_reading(i).1.at));
        let expected: usize = (0..3).map(|n| by_unit(n).collect::<std::collections::BTreeSet<_>>().len()).sum();
        assert_eq!(owed, expected);
        days_sealed = store.disk().all(Space::Blocks).unwrap().len();
    }
    assert!(days_sealed > 100, "{days_sealed}");
}
