//! What is kept for ever beside the readings: day roll-ups, the logbook, the latest assessments.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry as Slot;

use jiff::civil::Date;

use crate::domain::{Assessment, DaySummary, HourSummary, ServiceEntry, Timestamp};

use super::bytes::Damage;
use super::series::{day_key, utc_day};
use super::tree::{Commit, Disk, Entry, Space};
use super::{StoreError, hours};

/// Days from 1970-01-01 to `date`: sorts as dates do.
fn date_number(date: Date) -> i64 {
    jiff::civil::date(1970, 1, 1).until(date).map_or(0, |span| i64::from(span.get_days()))
}

fn unit_range(unit: u32) -> ([u8; 12], [u8; 12]) {
    (day_key(unit, i64::MIN), day_key(unit, i64::MAX))
}

/// JSON: the forms are the contract's own, read by later versions too, and the database compresses them.
pub(super) fn to_json<T: serde::Serialize>(what: &'static str, value: &T) -> Result<Vec<u8>, StoreError> {
    serde_json::to_vec(value).map_err(|error| StoreError::NotStorable { what, why: error.to_string() })
}

pub(super) fn from_json<T: serde::de::DeserializeOwned>(value: &[u8]) -> Result<T, Damage> {
    serde_json::from_slice(value).map_err(|_| Damage("not the JSON it should be"))
}

/// Decodes entries; those that cannot be are set aside.
fn decoded<T>(
    disk: &mut Disk,
    space: Space,
    entries: Vec<Entry>,
    decode: impl Fn(&[u8]) -> Result<T, Damage>,
) -> Result<Vec<(Vec<u8>, T)>, StoreError> {
    let mut all = Vec::new();
    for (key, value) in entries {
        match decode(&value) {
            Ok(item) => all.push((key, item)),
            Err(damage) => disk.set_aside(space, &key, value, damage)?,
        }
    }
    Ok(all)
}

/// Puts day roll-ups; an earlier one of the same date is replaced.
pub(super) fn put_days(commit: &mut Commit, unit: u32, days: &[DaySummary]) -> Result<(), StoreError> {
    for day in days {
        commit.put(Space::Days, day_key(unit, date_number(day.date)), to_json("a day's roll-up", day)?);
    }
    Ok(())
}

/// The roll-ups from the first date to the last, both included, ascending.
pub(super) fn days(
    disk: &mut Disk,
    unit: u32,
    from: Option<Date>,
    to: Option<Date>,
) -> Result<Vec<DaySummary>, StoreError> {
    let (first, last) = unit_range(unit);
    let from = from.map_or(first, |date| day_key(unit, date_number(date)));
    let to = to.map_or(last, |date| day_key(unit, date_number(date) + 1));
    let entries = disk.scan(Space::Days, &from, Some(&to))?;
    Ok(decoded(disk, Space::Days, entries, from_json)?.into_iter().map(|(_, day)| day).collect())
}

/// Puts the hours of a UTC day, merged with those that are kept.
pub(super) fn put_hours(
    disk: &mut Disk,
    commit: &mut Commit,
    unit: u32,
    day: i64,
    made: Vec<HourSummary>,
) -> Result<(), StoreError> {
    let key = day_key(unit, day);
    let kept = match disk.get(Space::Hours, &key)?.map(|value| hours::decode(&value)) {
        Some(Ok(kept)) => kept,
        // Damaged ones are made again.
        Some(Err(_)) | None => Vec::new(),
    };
    let merged = hours::merged(kept, made);
    if !merged.is_empty() {
        commit.put(Space::Hours, key, hours::encode(&merged));
    }
    Ok(())
}

/// The hours from an instant to another, ascending.
pub(super) fn hours(
    disk: &mut Disk,
    unit: u32,
    from: Timestamp,
    to: Timestamp,
) -> Result<Vec<HourSummary>, StoreError> {
    let (first, last) = (day_key(unit, utc_day(from)), day_key(unit, utc_day(to).saturating_add(1)));
    let entries = disk.scan(Space::Hours, &first, Some(&last))?;
    let days = decoded(disk, Space::Hours, entries, hours::decode)?;
    Ok(days.into_iter().flat_map(|(_, hours)| hours).filter(|hour| (from..to).contains(&hour.at)).collect())
}

/// The service entries of a unit, by time, then by when they were recorded.
pub(super) fn logbook(disk: &mut Disk, unit: u32) -> Result<Vec<ServiceEntry>, StoreError> {
    let (from, to) = unit_range(unit);
    let entries = disk.scan(Space::Logbook, &from, Some(&to))?;
    let mut log: Vec<ServiceEntry> =
        decoded(disk, Space::Logbook, entries, from_json)?.into_iter().map(|(_, entry)| entry).collect();
    log.sort_by_key(|entry| (entry.at, entry.recorded));
    Ok(log)
}

/// Puts service entries, except those that are there: same time, action, value, name and note. How many are new.
pub(super) fn put_entries(
    disk: &mut Disk,
    commit: &mut Commit,
    unit: u32,
    entries: &[ServiceEntry],
) -> Result<usize, StoreError> {
    let mut new = 0;
    let mut there: BTreeMap<Timestamp, (u32, Vec<ServiceEntry>)> = BTreeMap::new();
    for entry in entries {
        let at = day_key(unit, entry.at.as_millis());
        let (place, others) = match there.entry(entry.at) {
            Slot::Occupied(known) => known.into_mut(),
            Slot::Vacant(unknown) => unknown.insert(entries_at(disk, unit, entry.at)?),
        };
        let same = |other: &ServiceEntry| ServiceEntry { recorded: entry.recorded, ..other.clone() } == *entry;
        if others.iter().any(same) {
            continue;
        }
        // Entries of one instant are told apart by their place.
        *place += 1;
        others.push(entry.clone());
        commit.put(Space::Logbook, [&at[..], &place.to_be_bytes()].concat(), to_json("a service entry", entry)?);
        new += 1;
    }
    Ok(new)
}

/// The last place taken at an instant, and the entries of that instant.
fn entries_at(disk: &mut Disk, unit: u32, at: Timestamp) -> Result<(u32, Vec<ServiceEntry>), StoreError> {
    let (from, to) = (day_key(unit, at.as_millis()), day_key(unit, at.as_millis() + 1));
    let entries = disk.scan(Space::Logbook, &from, Some(&to))?;
    let there = decoded(disk, Space::Logbook, entries, from_json::<ServiceEntry>)?;
    let place = there.last().and_then(|(key, _)| key.get(12..)?.try_into().ok()).map_or(0, u32::from_be_bytes);
    Ok((place, there.into_iter().map(|(_, entry)| entry).collect()))
}

/// Puts an assessment in the place of the unit's last one.
pub(super) fn put_assessment(commit: &mut Commit, unit: u32, assessment: &Assessment) -> Result<(), StoreError> {
    commit.put(Space::Assessments, unit.to_be_bytes(), to_json("an assessment", assessment)?);
    Ok(())
}

/// The latest assessment of a unit.
pub(super) fn assessment(disk: &mut Disk, unit: u32) -> Result<Option<Assessment>, StoreError> {
    let key = unit.to_be_bytes();
    let entry = disk.get(Space::Assessments, &key)?.map(|value| (key.to_vec(), value));
    let found = decoded(disk, Space::Assessments, entry.into_iter().collect(), from_json)?;
    Ok(found.into_iter().next().map(|(_, assessment)| assessment))
}

/// The latest assessments with the numbers of their units.
pub(super) fn assessments(disk: &mut Disk) -> Result<Vec<(u32, Assessment)>, StoreError> {
    let entries = disk.all(Space::Assessments)?;
    let found = decoded(disk, Space::Assessments, entries, from_json)?;
    let number = |key: Vec<u8>| <[u8; 4]>::try_from(key).map_or(u32::MAX, u32::from_be_bytes);
    Ok(found.into_iter().map(|(key, assessment)| (number(key), assessment)).collect())
}

/// How many roll-ups, entries and assessments of a unit decode, and how many do not.
pub(super) fn count(disk: &mut Disk, unit: u32) -> Result<(u64, u64), StoreError> {
    let (from, to) = unit_range(unit);
    let days = disk.scan(Space::Days, &from, Some(&to))?;
    let hour_days = disk.scan(Space::Hours, &from, Some(&to))?;
    let log = disk.scan(Space::Logbook, &from, Some(&to))?;
    let assessment = disk.get(Space::Assessments, &unit.to_be_bytes())?;
    let sound = |sound: bool| if sound { (1, 0) } else { (0, 1) };
    let days = days.iter().map(|(_, value)| sound(from_json::<DaySummary>(value).is_ok()));
    let log = log.iter().map(|(_, value)| sound(from_json::<ServiceEntry>(value).is_ok()));
    let assessment = assessment.iter().map(|value| sound(from_json::<Assessment>(value).is_ok()));
    let days = days.chain(hour_days.iter().map(|(_, value)| sound(hours::decode(value).is_ok())));
    Ok(days.chain(log).chain(assessment).fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1)))
}
