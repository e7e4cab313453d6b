//! Readings put straight into their blocks: an import or a restore brings whole days, for which journal and open days
//! would only be a detour.

use std::collections::{BTreeMap, BTreeSet};

use super::super::StoreError;
use super::super::codec::encode_block;
use super::super::rows::{Rows, in_order};
use super::super::runs::Runs;
use super::super::tree::{Commit, Disk, Space};
use super::seal::Reach;
use super::unit::{Mark, put_mark};
use super::{Appended, Series, day_key, utc_day};
use crate::domain::{Reading, UnitId};

/// A load ready to be committed.
#[derive(Debug, Default)]
pub struct Load {
    seq: u64,
    first_seq: u64,
    days: Vec<LoadedDay>,
    marks: Vec<(u32, i64, Mark)>,
    /// What to make durable; empty if nothing changes.
    pub commit: Commit,
    /// What it will have done.
    pub appended: Appended,
}

#[derive(Debug)]
struct LoadedDay {
    unit: u32,
    day: i64,
    /// All rows of the day afterwards.
    rows: Vec<Reading>,
    /// How many of them its block had before.
    sealed_before: usize,
}

impl Series {
    /// What loading `batch` would do, and what to commit for it.
    pub fn plan_load(&mut self, disk: &mut Disk, batch: &[(UnitId, Reading)]) -> Result<Load, StoreError> {
        let mut load = Load { seq: self.next_seq, ..Load::default() };
        let mut by_unit: BTreeMap<u32, Vec<Reading>> = BTreeMap::new();
        for (id, reading) in batch {
            by_unit.entry(self.number(id)).or_default().push(*reading);
        }
        for (unit, readings) in by_unit {
            let came = readings.len();
            let readings = in_order(readings);
            load.appended.repeated += came - readings.len();
            for part in readings.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)) {
                self.plan_loaded_day(disk, unit, part, &mut load)?;
            }
        }
        load.appended.days.sort_unstable();
        if !load.days.is_empty() {
            self.plan_loaded(disk, &mut load)?;
        }
        Ok(load)
    }

    fn plan_loaded_day(
        &mut self,
        disk: &mut Disk,
        unit: u32,
        part: &[Reading],
        load: &mut Load,
    ) -> Result<(), StoreError> {
        let day = utc_day(part[0].at);
        let (rows, sealed_before) = match self.units[unit as usize].spans.get(&day) {
            Some(span) => ((*span.rows).clone(), span.sealed_rows),
            None => {
                let rows = self.load_block(disk, unit, day)?;
                (Rows::of(&rows), rows.len())
            }
        };
        let damaged = |damage| disk.damaged("an open day", damage);
        let addition = rows.plan(part).map_err(damaged)?;
        load.appended.stored += addition.new;
        load.appended.over += addition.over;
        load.appended.repeated += part.len() - addition.new - addition.over;
        if !addition.fresh.is_empty() {
            let rows = rows.after(&addition).map_err(damaged)?;
            load.appended.days.push((self.units[unit as usize].id.clone(), day));
            load.days.push(LoadedDay { unit, day, rows, sealed_before });
        }
        Ok(())
    }

    /// Puts blocks, records, marks and the journal's bounds into the commit.
    fn plan_loaded(&self, disk: &mut Disk, load: &mut Load) -> Result<(), StoreError> {
        load.commit.bulky = true;
        self.record(&mut load.commit);
        let picks: BTreeSet<(u32, i64)> = load.days.iter().map(|day| (day.unit, day.day)).collect();
        self.keep_for_pins(disk, picks.iter().copied())?;
        let mut records: BTreeMap<u32, (u64, Runs, Option<Reading>)> = BTreeMap::new();
        for LoadedDay { unit: number, day, rows, sealed_before } in &load.days {
            let unit = &self.units[*number as usize];
            load.commit.put(Space::Blocks, day_key(*number, *day), encode_block(rows));
            let record =
                records.entry(*number).or_insert_with(|| (unit.sealed_rows, unit.sealed_days.clone(), unit.latest));
            record.0 += (rows.len() - sealed_before) as u64;
            record.1.insert(*day);
            record.2 = later(record.2, rows.last().copied());
        }
        for (number, (sealed_rows, sealed_days, latest)) in records {
            let record = self.units[number as usize].encode_with(sealed_rows, &sealed_days, latest);
            load.commit.put(Space::Units, number.to_be_bytes(), record);
        }
        let reach = Reach { sealed: load.seq, next: load.seq + 1 };
        load.first_seq = self.plan_trim(&picks, reach, &mut load.commit);
        load.marks = self.plan_marks(&picks, load.seq, load.first_seq, &mut load.commit);
        for (number, day) in picks {
            let before = self.units[number as usize].marks.get(&day).copied().unwrap_or_default();
            let after = Mark { dirty: load.seq, sealed: load.seq, ..before }.settled(load.first_seq);
            put_mark(&mut load.commit, number, day, before, after);
            load.marks.push((number, day, after));
        }
        Ok(())
    }

    /// Takes a committed load into memory.
    pub fn apply_load(&mut self, load: Load) -> Appended {
        if load.days.is_empty() {
            return load.appended;
        }
        self.next_seq = load.seq + 1;
        self.first_seq = load.first_seq;
        self.recorded();
        for (number, day, mark) in load.marks {
            self.set_mark(number, day, mark);
        }
        self.touch_pins(load.days.iter().map(|day| (day.unit, day.day)));
        for LoadedDay { unit, day, rows, sealed_before } in load.days {
            let unit = &mut self.units[unit as usize];
            unit.spans.remove(&day);
            unit.sealed_rows += (rows.len() - sealed_before) as u64;
            unit.sealed_days.insert(day);
            unit.latest = later(unit.latest, rows.last().copied());
        }
        load.appended
    }
}

/// The later of two readings of a unit; of one instant the second, which has everything the first has.
fn later(one: Option<Reading>, other: Option<Reading>) -> Option<Reading> {
    match (one, other) {
        (Some(one), Some(other)) if one.at > other.at => Some(one),
        (one, other) => other.or(one),
    }
}
