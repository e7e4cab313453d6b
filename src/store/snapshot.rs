//! Every unit's readings as they were at one moment, to be read at leisure while appends go on.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};

use super::series::{Pin, Pinned, day_key, utc_day};
use super::tree::Space;
use super::{Store, StoreError, codec};
use crate::domain::{Reading, Timestamp, UnitId};

/// A store's readings at one moment, those that only the journal has included. The store goes on meanwhile: blocks that
/// change are kept aside as they were, in memory, until this is dropped.
#[derive(Debug)]
pub struct Snapshot<'a> {
    store: &'a Store,
    units: Vec<Pinned>,
    pin: Arc<Pin>,
    damaged: Mutex<BTreeSet<(UnitId, i64)>>,
}

impl Store {
    /// The readings of all units as they are now.
    pub fn snapshot(&self) -> Snapshot<'_> {
        // No commit is under way while the disk is ours: what is in memory is what is on disk.
        let disk = self.disk();
        let (units, pin) = self.series_mut().pin();
        drop(disk);
        Snapshot { store: self, units, pin, damaged: Mutex::default() }
    }
}

impl Snapshot<'_> {
    /// The units of which anything was kept, readings or not, by id.
    pub fn units(&self) -> impl Iterator<Item = &UnitId> {
        self.units.iter().map(|unit| &unit.id)
    }

    /// How many readings a unit had.
    pub fn count(&self, id: &UnitId) -> u64 {
        self.unit(id).map_or(0, |unit| unit.count)
    }

    /// The latest reading a unit had.
    pub fn latest(&self, id: &UnitId) -> Option<Reading> {
        self.unit(id)?.latest
    }

    /// How many unit-days there were.
    pub fn day_count(&self) -> usize {
        self.units.iter().map(|unit| days_of(unit, i64::MIN, i64::MAX).len()).sum()
    }

    /// The readings of a unit with `from <= at < to`, day by day (UTC), ascending. Of a damaged block, which is logged,
    /// set aside and listed by [`Snapshot::damaged`], nothing; the rest is served.
    pub fn days(&self, id: &UnitId, from: Timestamp, to: Timestamp) -> Days<'_> {
        let days = match self.unit(id) {
            Some(unit) if from < to => days_of(unit, utc_day(from), utc_day(to.plus_millis(-1))),
            _ => Vec::new(),
        };
        Days { snapshot: self, unit: self.unit(id), days: days.into_iter(), from, to }
    }

    /// The days of a unit (UTC, counted from 1970-01-01) whose roll-ups in the store may differ from this snapshot's
    /// readings: not rolled up when it was taken, or changed since. To be asked after the roll-ups were read.
    pub fn unsettled_days(&self, id: &UnitId) -> Vec<i64> {
        let Some(unit) = self.unit(id) else { return Vec::new() };
        let days: BTreeSet<i64> = unit.dirty.iter().copied().chain(self.pin.touched(unit.number)).collect();
        days.into_iter().collect()
    }

    /// The unit-days of which this snapshot could not give the readings, because their blocks are damaged.
    pub fn damaged(&self) -> Vec<(UnitId, i64)> {
        self.damaged.lock().unwrap_or_else(PoisonError::into_inner).iter().cloned().collect()
    }

    pub(super) fn pinned(&self) -> &[Pinned] {
        &self.units
    }

    fn unit(&self, id: &UnitId) -> Option<&Pinned> {
        self.units.binary_search_by(|unit| unit.id.cmp(id)).ok().map(|place| &self.units[place])
    }

    /// The bytes of a sealed block as it was.
    pub(super) fn block(&self, unit: &Pinned, day: i64) -> Result<Option<Vec<u8>>, StoreError> {
        // The disk first: see `Pin::block`.
        let now = self.store.disk().get(Space::Blocks, &day_key(unit.number, day))?;
        Ok(self.pin.block(unit.number, day).or(now))
    }

    fn rows(&self, unit: &Pinned, day: i64) -> Result<Vec<Reading>, StoreError> {
        if let Some(open) = unit.open.get(&day) {
            return open.to_vec().map_err(|damage| self.store.disk().damaged("an open day", damage));
        }
        let block = self.block(unit, day)?;
        if let Some(Ok(rows)) = block.as_deref().map(codec::decode_block) {
            return Ok(rows);
        }
        self.damaged.lock().unwrap_or_else(PoisonError::into_inner).insert((unit.id.clone(), day));
        // Sets it aside, if the disk has it still.
        self.store.look_at_block((unit.number, day))?;
        Ok(Vec::new())
    }
}

/// The days a unit has from one to another, ascending.
pub(super) fn days_of(unit: &Pinned, first: i64, last: i64) -> Vec<i64> {
    if first > last {
        return Vec::new();
    }
    let mut days: BTreeSet<i64> = unit.sealed.between(first, last).collect();
    days.extend(unit.open.range(first..=last).map(|(day, _)| *day));
    days.into_iter().collect()
}

/// The days of one unit, each with at least one reading unless its block is damaged.
#[derive(Debug)]
pub struct Days<'a> {
    snapshot: &'a Snapshot<'a>,
    unit: Option<&'a Pinned>,
    days: std::vec::IntoIter<i64>,
    from: Timestamp,
    to: Timestamp,
}

impl Iterator for Days<'_> {
    type Item = Result<Vec<Reading>, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        let (unit, day) = (self.unit?, self.days.next()?);
        let rows = self.snapshot.rows(unit, day);
        Some(rows.map(|mut rows| {
            rows.truncate(rows.partition_point(|row| row.at < self.to));
            rows.drain(..rows.partition_point(|row| row.at < self.from));
            rows
        }))
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        self.days.size_hint()
    }
}
