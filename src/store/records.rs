//! What is kept for ever beside the readings: day roll-ups, the logbook, the latest assessments.

use jiff::civil::Date;

use crate::domain::{Assessment, DaySummary, ServiceEntry};

use super::StoreError;
use super::bytes::Damage;
use super::series::day_key;
use super::tree::{Commit, Disk, Entry, Space};

/// Days from 1970-01-01 to `date`: sorts as dates do.
fn date_number(date: Date) -> i64 {
    jiff::civil::date(1970, 1, 1).until(date).map_or(0, |span| i64::from(span.get_days()))
}

fn unit_range(unit: u32) -> ([u8; 12], [u8; 12]) {
    (day_key(unit, i64::MIN), day_key(unit, i64::MAX))
}

/// JSON: the forms are the contract's own, read by later versions too, and the database compresses them.
fn to_json<T: serde::Serialize>(what: &'static str, value: &T) -> Result<Vec<u8>, StoreError> {
    serde_json::to_vec(value).map_err(|error| StoreError::NotStorable { what, why: error.to_string() })
}

fn from_json<T: serde::de::DeserializeOwned>(value: &[u8]) -> Result<T, Damage> {
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

/// The service entries of a unit, by time, then by when they were recorded.
pub(super) fn logbook(disk: &mut Disk, unit: u32) -> Result<Vec<ServiceEntry>, StoreError> {
    let (from, to) = unit_range(unit);
    let entries = disk.scan(Space::Logbook, &from, Some(&to))?;
    let mut log: Vec<ServiceEntry> =
        decoded(disk, Space::Logbook, entries, from_json)?.into_iter().map(|(_, entry)| entry).collect();
    log.sort_by_key(|entry| (entry.at, entry.recorded));
    Ok(log)
}

/// Puts a service entry, unless the same is there: same time, action, value, name and note.
pub(super) fn put_entry(
    disk: &mut Disk,
    commit: &mut Commit,
    unit: u32,
    entry: &ServiceEntry,
) -> Result<bool, StoreError> {
    let at = day_key(unit, entry.at.as_millis());
    let after = day_key(unit, entry.at.as_millis() + 1);
    let there = disk.scan(Space::Logbook, &at, Some(&after))?;
    let there = decoded(disk, Space::Logbook, there, from_json::<ServiceEntry>)?;
    let same = |other: &ServiceEntry| ServiceEntry { recorded: entry.recorded, ..other.clone() } == *entry;
    if there.iter().any(|(_, other)| same(other)) {
        return Ok(false);
    }
    // Entries of one instant are told apart by their place.
    let place = there.last().and_then(|(key, _)| key.get(12..)?.try_into().ok()).map_or(0, u32::from_be_bytes);
    let mut key = at.to_vec();
    key.extend_from_slice(&(place + 1).to_be_bytes());
    commit.put(Space::Logbook, key, to_json("a service entry", entry)?);
    Ok(true)
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
