//! The readings: a journal for what just came, open days in memory, sealed blocks for what is over.
//!
//! An append puts its readings into the journal as one packed value and is durable with it. The same readings go into
//! the open days in memory, which answer for themselves from then on. A day over is sealed with a later append: its
//! block is put and the journal begins after what no open day needs any more, in one commit, before the append itself is
//! written. On opening, the journal is replayed. A replay of what is sealed already changes nothing.

mod dirty;
mod load;
mod pin;
mod seal;
mod trim;
mod unit;

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Weak};

use crate::domain::time::DAY;
use crate::domain::{Reading, Timestamp, UnitId};

use super::StoreError;
use super::bundles::due_before;
use super::bytes::Damage;
use super::codec::{UnitRows, decode_batch, decode_block, encode_batch};
use super::rows::{Addition, Rows, in_order};
use super::runs::Runs;
use super::tree::{Commit, Disk, Space};

pub use self::dirty::{Dirty, DirtyDays, DirtyToken};
pub use self::pin::{Pin, Pinned};
use self::seal::{Reach, Seals};
pub use self::trim::Trims;
use self::unit::{Mark, Span, Unit};

/// At most this many days are sealed with one append, so that midnight does not hold up the acknowledgements ...
const SEALS_PER_APPEND: usize = 8;
/// ... and one more for so many readings in it, so that a backlog of sparse days is sealed as fast as it comes.
const ROWS_PER_SEAL: usize = 16;

/// The UTC day of an instant, counted from 1970-01-01.
pub fn utc_day(at: Timestamp) -> i64 {
    at.as_millis().div_euclid(DAY)
}

/// The UTC day for people.
fn date_of(day: i64) -> String {
    Timestamp::from_millis(day.saturating_mul(DAY)).date_in(&jiff::tz::TimeZone::UTC).to_string()
}

/// How many readings lie in the blocks of a unit's days.
fn count_sealed(disk: &mut Disk, number: u32, days: &Runs) -> Result<u64, StoreError> {
    let mut count = 0;
    for day in days.between(i64::MIN, i64::MAX) {
        let block = disk.get(Space::Blocks, &day_key(number, day))?;
        count += block.map_or(0, |block| decode_block(&block).map_or(0, |rows| rows.len() as u64));
    }
    Ok(count)
}

/// A key that sorts by unit, then by day.
pub(super) fn day_key(unit: u32, day: i64) -> [u8; 12] {
    let mut key = [0; 12];
    key[..4].copy_from_slice(&unit.to_be_bytes());
    key[4..].copy_from_slice(&(day as u64 ^ 1 << 63).to_be_bytes());
    key
}

/// The inverse of [`day_key`].
pub(super) fn parse_day_key(key: &[u8]) -> Option<(u32, i64)> {
    let (unit, day) = key.split_first_chunk::<4>()?;
    let day = u64::from_be_bytes(day.try_into().ok()?);
    Some((u32::from_be_bytes(*unit), (day ^ 1 << 63) as i64))
}

/// What an append did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Appended {
    /// Readings at instants that were not there before.
    pub stored: usize,
    /// Readings at instants that were there, or twice in the same append; new channels of theirs were merged in.
    pub repeated: usize,
    /// Readings left out because their unit's day is full ([`super::DAY_ROWS_MAX`]).
    pub over: usize,
    /// The unit-days (UTC, days since 1970-01-01) that changed, ascending.
    pub days: Vec<(UnitId, i64)>,
}

/// The readings of all units. What it says is durable; changes are planned, committed, then applied.
#[derive(Debug, Default)]
pub(super) struct Series {
    units: Vec<Unit>,
    numbers: BTreeMap<UnitId, u32>,
    /// The next append's sequence number; the first is 1.
    next_seq: u64,
    /// The oldest batch that may be in the journal.
    first_seq: u64,
    /// Days to look at for sealing, oldest request first.
    waiting: VecDeque<(u32, i64)>,
    /// Snapshots that somebody may still read.
    pins: Vec<Weak<Pin>>,
}

/// One day of one unit in a planned append.
#[derive(Debug)]
struct DayPlan {
    unit: u32,
    day: i64,
    addition: Addition,
}

/// An append ready to be committed.
#[derive(Debug, Default)]
pub(super) struct Plan {
    seq: u64,
    days: Vec<DayPlan>,
    seals: Seals,
    /// What to make durable; empty if nothing changes.
    pub commit: Commit,
    /// What it will have done.
    pub appended: Appended,
}

impl Series {
    /// Reads the units and replays the journal.
    pub fn recover(disk: &mut Disk) -> Result<Self, StoreError> {
        let mut series = Self::default();
        for (_, value) in disk.all(Space::Units)? {
            let unit = Unit::decode(&value).map_err(|damage| disk.damaged("a unit's record", damage))?;
            series.numbers.insert(unit.id.clone(), series.units.len() as u32);
            series.units.push(unit);
        }
        for (key, value) in disk.all(Space::Marks)? {
            let mark = Mark::decode(&value).map_err(|damage| disk.damaged("a day's mark", damage))?;
            let unit = parse_day_key(&key).and_then(|(unit, day)| Some((series.units.get_mut(unit as usize)?, day)));
            if let Some((unit, day)) = unit {
                unit.marks.insert(day, mark);
            }
        }
        for (key, value) in disk.all(Space::Trims)? {
            let trims = Trims::decode(&value).map_err(|damage| disk.damaged("what was given up", damage))?;
            let number = key.try_into().map_or(u32::MAX, u32::from_be_bytes);
            if let Some(unit) = series.units.get_mut(number as usize) {
                unit.trims = trims;
            }
        }
        // Where the journal has lost its end, the marks still know how far it went: what comes now must not look older
        // than what their days have.
        let marks = series.units.iter().flat_map(|unit| unit.marks.values());
        let marked = marks.map(|mark| mark.dirty.max(mark.sealed).max(mark.rolled)).max().unwrap_or(0);
        let (first, next) = disk.journal_bounds()?;
        (series.first_seq, series.next_seq) = (first, next.max(marked + 1));
        for segment in disk.journal_segments() {
            for (seq, batch) in disk.read_journal(&segment)?.records {
                if seq < first {
                    continue;
                }
                series.next_seq = series.next_seq.max(seq + 1);
                match decode_batch(&batch) {
                    Ok(units) => units.into_iter().try_for_each(|rows| series.replay(disk, seq, rows))?,
                    Err(damage) => disk.set_aside(Space::Journal, &seq.to_be_bytes(), batch, damage)?,
                }
            }
        }
        Ok(series)
    }

    fn replay(&mut self, disk: &mut Disk, seq: u64, UnitRows { unit, rows }: UnitRows) -> Result<(), StoreError> {
        if self.units.get(unit as usize).is_none() {
            return Err(disk.damaged("the journal", Damage("it names a unit without a record")));
        }
        for rows in rows.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)) {
            let day = utc_day(rows[0].at);
            let mark = self.units[unit as usize].marks.entry(day).or_default();
            if seq > mark.rolled {
                mark.dirty = mark.dirty.max(seq);
            }
            if seq <= mark.sealed {
                continue;
            }
            let span = self.open_day(disk, unit, day)?;
            let addition = span.rows.plan(rows).map_err(|damage| disk.damaged("an open day", damage))?;
            self.apply_day(seq, &DayPlan { unit, day, addition });
        }
        Ok(())
    }

    /// The unit's number; a unit not seen before gets the next one.
    pub(super) fn number(&mut self, id: &UnitId) -> u32 {
        if let Some(number) = self.numbers.get(id) {
            return *number;
        }
        let number = self.units.len() as u32;
        self.numbers.insert(id.clone(), number);
        self.units.push(Unit::new(id.clone()));
        number
    }

    /// The number of a unit that has readings or anything else on disk.
    pub fn known(&self, id: &UnitId) -> Option<u32> {
        self.numbers.get(id).copied().filter(|number| self.units[*number as usize].recorded)
    }

    /// The unit's number, for values kept under it; `commit` gets the unit's record if the disk has none yet. To be
    /// followed by [`Series::recorded`] once that is durable.
    pub fn number_in(&mut self, id: &UnitId, commit: &mut Commit) -> u32 {
        let number = self.number(id);
        self.record(commit);
        number
    }

    /// The records of all units without one. Never of some only: numbers on disk have no gaps.
    fn record(&self, commit: &mut Commit) {
        for (number, unit) in (0_u32..).zip(&self.units).filter(|(_, unit)| !unit.recorded) {
            commit.put(Space::Units, number.to_be_bytes(), unit.encode());
        }
    }

    /// The commit with the records is durable.
    pub fn recorded(&mut self) {
        // New units come last.
        self.units.iter_mut().rev().take_while(|unit| !unit.recorded).for_each(|unit| unit.recorded = true);
    }

    /// The open day, begun from its sealed block if there is one.
    fn open_day(&mut self, disk: &mut Disk, number: u32, day: i64) -> Result<&mut Span, StoreError> {
        let unit = &self.units[number as usize];
        let mut begun = Span::default();
        if unit.sealed_days.contains(day) && !unit.spans.contains_key(&day) {
            let rows = self.load_block(disk, number, day)?;
            begun = Span { rows: Arc::new(Rows::of(&rows)), sealed_rows: rows.len(), waiting: true, ..begun };
            self.waiting.push_back((number, day));
        }
        Ok(self.units[number as usize].spans.entry(day).or_insert(begun))
    }

    /// The rows of a sealed block; none if there is none, or if it is damaged: then it is set aside.
    fn load_block(&mut self, disk: &mut Disk, number: u32, day: i64) -> Result<Vec<Reading>, StoreError> {
        let key = day_key(number, day);
        let Some(value) = disk.get(Space::Blocks, &key)? else { return Ok(Vec::new()) };
        match decode_block(&value) {
            Ok(rows) => Ok(rows),
            Err(damage) => self.lose_block(disk, number, day, value, damage).map(|()| Vec::new()),
        }
    }

    /// All rows of a day, open or sealed.
    pub fn day_rows(&mut self, disk: &mut Disk, number: u32, day: i64) -> Result<Vec<Reading>, StoreError> {
        match self.units[number as usize].spans.get(&day).filter(|span| span.rows.count() > 0) {
            Some(span) => span.rows.to_vec().map_err(|damage| disk.damaged("an open day", damage)),
            None => self.load_block(disk, number, day),
        }
    }

    /// Sets a damaged block aside and counts its unit's sealed readings again.
    pub fn lose_block(
        &mut self,
        disk: &mut Disk,
        number: u32,
        day: i64,
        value: Vec<u8>,
        damage: Damage,
    ) -> Result<(), StoreError> {
        let unit = &mut self.units[number as usize];
        tracing::error!(unit = %unit.id, day = %date_of(day), %damage, "a block of readings is damaged; it was set aside");
        unit.sealed_days.remove(day);
        unit.sealed_rows = count_sealed(disk, number, &unit.sealed_days)?;
        let mut commit = Commit::default();
        commit.set_aside(Space::Blocks, &day_key(number, day), value);
        commit.put(Space::Units, number.to_be_bytes(), unit.encode());
        disk.commit(commit)
    }

    /// Says which sealed days have lost their blocks, and counts without them: after spoilt leaves were given up.
    pub fn lose_missing_blocks(&mut self, disk: &mut Disk) -> Result<(), StoreError> {
        for (number, unit) in (0_u32..).zip(&mut self.units) {
            let mut lost = Vec::new();
            for day in unit.sealed_days.between(i64::MIN, i64::MAX) {
                if disk.get(Space::Blocks, &day_key(number, day))?.is_none() {
                    lost.push(day);
                }
            }
            if lost.is_empty() {
                continue;
            }
            let days: Vec<String> = lost.iter().map(|day| date_of(*day)).collect();
            tracing::error!(unit = %unit.id, days = days.join(" "), "the readings of these days (UTC) are lost");
            lost.into_iter().for_each(|day| unit.sealed_days.remove(day));
            unit.sealed_rows = count_sealed(disk, number, &unit.sealed_days)?;
            let mut commit = Commit::default();
            commit.put(Space::Units, number.to_be_bytes(), unit.encode());
            disk.commit(commit)?;
        }
        Ok(())
    }

    /// What appending `batch` would do, and what to commit for it.
    pub fn plan(&mut self, disk: &mut Disk, batch: &[(UnitId, Reading)]) -> Result<Plan, StoreError> {
        let mut plan = Plan { seq: self.next_seq, ..Plan::default() };
        let mut by_unit: BTreeMap<u32, Vec<Reading>> = BTreeMap::new();
        for (id, reading) in batch {
            by_unit.entry(self.number(id)).or_default().push(*reading);
        }
        let mut journal = Vec::new();
        for (unit, readings) in by_unit {
            let came = readings.len();
            let readings = in_order(readings);
            plan.appended.repeated += came - readings.len();
            let mut rows = Vec::new();
            for part in readings.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)) {
                let day = utc_day(part[0].at);
                let span = self.open_day(disk, unit, day)?;
                span.touched = plan.seq;
                let addition = span.rows.plan(part).map_err(|damage| disk.damaged("an open day", damage))?;
                plan.appended.stored += addition.new;
                plan.appended.over += addition.over;
                plan.appended.repeated += part.len() - addition.new - addition.over;
                if !addition.fresh.is_empty() {
                    rows.extend_from_slice(&addition.fresh);
                    plan.appended.days.push((self.units[unit as usize].id.clone(), day));
                    plan.days.push(DayPlan { unit, day, addition });
                }
            }
            if !rows.is_empty() {
                journal.push(UnitRows { unit, rows });
            }
        }
        plan.appended.days.sort_unstable();
        if !journal.is_empty() {
            self.record(&mut plan.commit);
            plan.commit.bulky = true;
            plan.commit.journal(plan.seq, encode_batch(&journal));
            let seals_max = SEALS_PER_APPEND + (plan.appended.stored / ROWS_PER_SEAL);
            let picks = self.ripe(plan.seq, seals_max);
            let reach = Reach { sealed: plan.seq - 1, next: plan.seq };
            plan.seals = self.plan_seals(disk, picks, reach, &mut plan.commit)?;
        }
        Ok(plan)
    }

    /// Takes a committed plan into memory.
    pub fn apply(&mut self, plan: Plan) -> Appended {
        if !plan.days.is_empty() {
            self.next_seq = plan.seq + 1;
            self.recorded();
            // In this order: the marks of the seals are from before this append.
            self.apply_seals(plan.seals);
            plan.days.iter().for_each(|day| self.apply_day(plan.seq, day));
            self.touch_pins(plan.days.iter().map(|day| (day.unit, day.day)));
        }
        plan.appended
    }

    fn apply_day(&mut self, seq: u64, plan: &DayPlan) {
        let unit = &mut self.units[plan.unit as usize];
        let Some(last) = plan.addition.fresh.last() else { return };
        let newest_before = unit.newest_day();
        unit.see(last);
        let span = unit.spans.entry(plan.day).or_default();
        Arc::make_mut(&mut span.rows).apply(&plan.addition);
        span.first_seq.get_or_insert(seq);
        span.touched = seq;
        let mark = unit.marks.entry(plan.day).or_default();
        if seq > mark.rolled {
            mark.dirty = seq;
        }
        let newest = unit.newest_day();
        if newest != newest_before || Some(plan.day) != newest {
            let over = unit.spans.iter_mut().filter(|(day, span)| Some(**day) < newest && !span.waiting);
            for (day, span) in over {
                span.waiting = true;
                self.waiting.push_back((plan.unit, *day));
            }
        }
    }

    /// A unit's days from `first` to `last`, ascending: the rows of those that are open (they have everything their
    /// block has), and `None` for those that only a block has.
    pub fn days_between(&self, number: u32, first: i64, last: i64) -> BTreeMap<i64, Option<Arc<Rows>>> {
        let unit = &self.units[number as usize];
        let mut days: BTreeMap<i64, Option<Arc<Rows>>> =
            unit.sealed_days.between(first, last).map(|day| (day, None)).collect();
        let open = unit.spans.range(first..=last).filter(|(_, span)| span.rows.count() > 0);
        days.extend(open.map(|(day, span)| (*day, Some(Arc::clone(&span.rows)))));
        days
    }

    /// The latest reading of a unit.
    pub fn latest(&self, id: &UnitId) -> Option<Reading> {
        self.units[self.known(id)? as usize].latest
    }

    /// How many readings a unit has.
    pub fn count(&self, id: &UnitId) -> u64 {
        self.known(id).map_or(0, |number| self.units[number as usize].count())
    }

    /// The units that have readings, by id.
    pub fn ids(&self) -> Vec<UnitId> {
        let some = self.numbers.iter().filter(|(_, number)| self.units[**number as usize].count() > 0);
        some.map(|(id, _)| id.clone()).collect()
    }

    /// The units that have anything on disk, by id.
    pub fn recorded_ids(&self) -> Vec<UnitId> {
        let some = self.numbers.iter().filter(|(_, number)| self.units[**number as usize].recorded);
        some.map(|(id, _)| id.clone()).collect()
    }

    /// The unit, and the day before which its entries are to be bundled now, if that is later than the last time.
    pub fn due_to_bundle(&self, number: u32) -> Option<(u32, i64)> {
        let unit = &self.units[number as usize];
        let before = due_before(unit.newest_day()?);
        (before > unit.bundled_before).then_some((number, before))
    }

    /// The day before which the unit's entries were bundled since the store was opened.
    pub fn bundled_before(&self, number: u32) -> Option<i64> {
        Some(self.units[number as usize].bundled_before).filter(|day| *day > i64::MIN)
    }

    /// The unit's entries before that day are bundled.
    pub fn bundled(&mut self, number: u32, before: i64) {
        self.units[number as usize].bundled_before = before;
    }

    /// The unit with a number that is on disk.
    pub fn id(&self, number: u32) -> Option<&UnitId> {
        self.units.get(number as usize).map(|unit| &unit.id)
    }

    /// Readings of all units.
    pub fn total(&self) -> u64 {
        self.units.iter().map(Unit::count).sum()
    }

    /// Appends the journal holds.
    pub fn journal_len(&self) -> u64 {
        self.next_seq - self.first_seq
    }
}
