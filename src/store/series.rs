//! The readings: a journal for what just came, open days in memory, sealed blocks for what is over.
//!
//! An append puts its readings into the journal as one packed value and is durable with it. The same readings go into
//! the open days in memory, which answer for themselves from then on. A day over is sealed: its block is put, and the
//! journal's oldest batches go, as soon as no open day needs them any more; all of that rides on the commit of a later
//! append. On opening, the journal is replayed. A replay of what is sealed already changes nothing.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use crate::domain::time::DAY;
use crate::domain::{Reading, Timestamp, UnitId};

use super::StoreError;
use super::bytes::{Damage, Reader, put_bytes, put_varint};
use super::codec::{Packer, UnitRows, decode_batch, decode_block, encode_batch, encode_block, unpack};
use super::rows::{Addition, Rows, in_order};
use super::runs::Runs;
use super::tree::{Commit, Disk, Space};

/// A day that is over is sealed when this many appends went by without touching it.
const SETTLE_APPENDS: u64 = 64;
/// At most this many days are sealed with one append, so that midnight does not hold up the acknowledgements ...
const SEALS_PER_APPEND: usize = 8;
/// ... and one more for so many readings in it, so that a backlog of sparse days is sealed as fast as it comes.
const ROWS_PER_SEAL: usize = 16;
/// At most this many batches are dropped from the journal with one append, for the same reason.
const JOURNAL_DROPS_PER_APPEND: u64 = 1_024;
/// The journal may reach back this many appends; older open days are sealed even if they are not over.
const JOURNAL_APPENDS_MAX: u64 = 100_000;
/// Open days may take this much memory; beyond, those with the oldest journal entries are sealed.
const OPEN_BYTES_MAX: usize = 128 << 20;

/// The UTC day of an instant, counted from 1970-01-01.
pub fn utc_day(at: Timestamp) -> i64 {
    at.as_millis().div_euclid(DAY)
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

/// One open day of a unit.
#[derive(Debug, Default)]
struct Span {
    rows: Rows,
    /// How many of the rows were in the sealed block this day began with.
    sealed_rows: usize,
    /// The oldest journal batch with rows that are in no block; `None`: all are.
    first_seq: Option<u64>,
    /// The latest append that added or asked.
    touched: u64,
    /// Whether it is in the line of days to look at for sealing.
    waiting: bool,
}

/// What is owed or done for one day of a unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Mark {
    /// The latest append that changed the day and is not rolled up; 0: none.
    dirty: u64,
    /// The block has everything up to this append.
    sealed: u64,
    /// The roll-ups have everything up to this append.
    rolled: u64,
    /// Whether the disk has this mark.
    kept: bool,
}

impl Mark {
    fn encode(self) -> Vec<u8> {
        let mut out = Vec::new();
        [self.dirty, self.sealed, self.rolled].iter().for_each(|value| put_varint(&mut out, *value));
        out
    }

    fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        Ok(Self { dirty: reader.varint()?, sealed: reader.varint()?, rolled: reader.varint()?, kept: true })
    }

    /// The same, kept on disk if a replay of a journal that begins at `first_seq` would tell otherwise.
    fn settled(mut self, first_seq: u64) -> Self {
        let forgotten = self.dirty > 0 && self.dirty < first_seq;
        self.kept = forgotten || self.sealed >= first_seq || self.rolled >= first_seq;
        self
    }
}

/// One unit's readings.
#[derive(Debug)]
struct Unit {
    id: UnitId,
    /// Whether the disk has its record.
    recorded: bool,
    /// Readings in sealed blocks.
    sealed_rows: u64,
    /// The days with a sealed block.
    sealed_days: Runs,
    latest: Option<Reading>,
    spans: BTreeMap<i64, Span>,
    marks: BTreeMap<i64, Mark>,
}

impl Unit {
    fn new(id: UnitId) -> Self {
        Self {
            id,
            recorded: false,
            sealed_rows: 0,
            sealed_days: Runs::default(),
            latest: None,
            spans: BTreeMap::new(),
            marks: BTreeMap::new(),
        }
    }

    fn encode(&self) -> Vec<u8> {
        self.encode_with(self.sealed_rows, &self.sealed_days)
    }

    fn encode_with(&self, sealed_rows: u64, sealed_days: &Runs) -> Vec<u8> {
        let mut out = Vec::new();
        put_bytes(&mut out, self.id.as_str().as_bytes());
        put_varint(&mut out, sealed_rows);
        sealed_days.encode(&mut out);
        let latest = Packer::of(self.latest.as_slice());
        put_varint(&mut out, latest.count() as u64);
        out.extend_from_slice(latest.bytes());
        out
    }

    fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        let id = reader.text()?.parse().map_err(|_| Damage("a unit's id"))?;
        let sealed_rows = reader.varint()?;
        let sealed_days = Runs::decode(&mut reader)?;
        let latest = usize::try_from(reader.varint()?).map_err(|_| Damage("a count is too great"))?;
        let latest = unpack(&mut reader, latest)?.pop();
        Ok(Self { recorded: true, sealed_rows, sealed_days, latest, ..Self::new(id) })
    }

    fn newest_day(&self) -> Option<i64> {
        self.latest.map(|latest| utc_day(latest.at))
    }

    fn see(&mut self, reading: &Reading) {
        match &mut self.latest {
            Some(latest) if latest.at > reading.at => {}
            Some(latest) if latest.at == reading.at => latest.absorb(reading),
            latest => *latest = Some(*reading),
        }
    }

    fn count(&self) -> u64 {
        let open = |span: &Span| (span.rows.count() - span.sealed_rows) as u64;
        self.sealed_rows + self.spans.values().map(open).sum::<u64>()
    }
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

/// Days about to be sealed, and what else changes with them.
#[derive(Debug, Default)]
pub(super) struct Seals {
    picks: BTreeSet<(u32, i64)>,
    /// Where the journal begins afterwards.
    first_seq: u64,
    marks: Vec<(u32, i64, Mark)>,
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
        let journal = disk.all(Space::Journal)?;
        let seq_of = |key: &[u8]| key.try_into().map_or(0, u64::from_be_bytes);
        series.first_seq = journal.first().map_or(1, |(key, _)| seq_of(key));
        series.next_seq = journal.last().map_or(1, |(key, _)| seq_of(key) + 1);
        for (key, value) in journal {
            match decode_batch(&value) {
                Ok(units) => units.into_iter().try_for_each(|rows| series.replay(disk, seq_of(&key), rows))?,
                Err(damage) => disk.set_aside(Space::Journal, &key, value, damage)?,
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
    fn number(&mut self, id: &UnitId) -> u32 {
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
            begun = Span { rows: Rows::of(&rows), sealed_rows: rows.len(), waiting: true, ..begun };
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
        let date = Timestamp::from_millis(day.saturating_mul(DAY));
        tracing::error!(unit = %unit.id, day = %date, %damage, "a block of readings is damaged; it was set aside");
        unit.sealed_days.remove(day);
        unit.sealed_rows = 0;
        for day in unit.sealed_days.between(i64::MIN, i64::MAX) {
            let block = disk.get(Space::Blocks, &day_key(number, day))?;
            unit.sealed_rows += block.map_or(0, |block| decode_block(&block).map_or(0, |rows| rows.len() as u64));
        }
        let mut commit = Commit::default();
        commit.set_aside(Space::Blocks, &day_key(number, day), value);
        commit.put(Space::Units, number.to_be_bytes(), unit.encode());
        disk.commit(commit)
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
            plan.commit.put(Space::Journal, plan.seq.to_be_bytes(), encode_batch(&journal));
            let seals_max = SEALS_PER_APPEND + (plan.appended.stored / ROWS_PER_SEAL);
            let picks = self.ripe(plan.seq, seals_max);
            let reach = Reach { sealed: plan.seq - 1, keep_from: plan.seq, drops: JOURNAL_DROPS_PER_APPEND };
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
        }
        plan.appended
    }

    fn apply_day(&mut self, seq: u64, plan: &DayPlan) {
        let unit = &mut self.units[plan.unit as usize];
        let Some(last) = plan.addition.fresh.last() else { return };
        let newest_before = unit.newest_day();
        unit.see(last);
        let span = unit.spans.entry(plan.day).or_default();
        span.rows.apply(&plan.addition);
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

    /// Days to seal with the append `seq`: those that are over and at rest, or, under pressure, those that hold the
    /// journal. Open days with nothing unsealed are let go.
    fn ripe(&mut self, seq: u64, seals_max: usize) -> BTreeSet<(u32, i64)> {
        let mut picks = BTreeSet::new();
        for _ in 0..self.waiting.len().min(4 * seals_max) {
            let Some((number, day)) = self.waiting.pop_front() else { break };
            let spans = &mut self.units[number as usize].spans;
            let Some(span) = spans.get_mut(&day) else { continue };
            if span.touched + SETTLE_APPENDS > seq || (span.first_seq.is_some() && picks.len() == seals_max) {
                self.waiting.push_back((number, day));
            } else if span.first_seq.is_some() {
                picks.insert((number, day));
                // Stays in line until it is sealed indeed.
                self.waiting.push_back((number, day));
            } else {
                spans.remove(&day);
            }
        }
        if picks.is_empty() && (seq - self.first_seq > JOURNAL_APPENDS_MAX || self.crowded(seq)) {
            let mut held: Vec<(u64, u32, i64)> = self
                .spans()
                .filter(|(.., span)| span.touched < seq)
                .filter_map(|(unit, day, span)| Some((span.first_seq?, unit, day)))
                .collect();
            held.sort_unstable();
            picks.extend(held.iter().take(seals_max).map(|(_, unit, day)| (*unit, *day)));
        }
        picks
    }

    fn spans(&self) -> impl Iterator<Item = (u32, i64, &Span)> {
        let numbered = (0..).zip(&self.units);
        numbered.flat_map(|(number, unit)| unit.spans.iter().map(move |(day, span)| (number, *day, span)))
    }

    /// Whether the open days take too much memory; looked at now and then only.
    fn crowded(&self, seq: u64) -> bool {
        seq.is_multiple_of(SETTLE_APPENDS) && self.open_bytes() > OPEN_BYTES_MAX
    }

    /// Memory of the open days, bytes, about.
    pub fn open_bytes(&self) -> usize {
        self.spans().map(|(.., span)| span.rows.bytes()).sum()
    }

    /// Puts what sealing `picks` takes into `commit`.
    fn plan_seals(
        &self,
        disk: &Disk,
        picks: BTreeSet<(u32, i64)>,
        reach: Reach,
        commit: &mut Commit,
    ) -> Result<Seals, StoreError> {
        if picks.is_empty() {
            return Ok(Seals { first_seq: self.first_seq, ..Seals::default() });
        }
        let mut records: BTreeMap<u32, (u64, Runs)> = BTreeMap::new();
        for (number, day) in &picks {
            let unit = &self.units[*number as usize];
            let Some(span) = unit.spans.get(day) else { continue };
            let rows = span.rows.to_vec().map_err(|damage| disk.damaged("an open day", damage))?;
            commit.put(Space::Blocks, day_key(*number, *day), encode_block(&rows));
            let record = records.entry(*number).or_insert_with(|| (unit.sealed_rows, unit.sealed_days.clone()));
            record.0 += (rows.len() - span.sealed_rows) as u64;
            record.1.insert(*day);
        }
        for (number, (sealed_rows, sealed_days)) in records {
            let record = self.units[number as usize].encode_with(sealed_rows, &sealed_days);
            commit.put(Space::Units, number.to_be_bytes(), record);
        }
        let needed = self.spans().filter(|(unit, day, _)| !picks.contains(&(*unit, *day)));
        let oldest = needed.filter_map(|(.., span)| span.first_seq).min().unwrap_or(reach.keep_from);
        let first_seq = oldest.min(reach.keep_from).min(self.first_seq.saturating_add(reach.drops));
        let first_seq = first_seq.max(self.first_seq);
        (self.first_seq..first_seq).for_each(|seq| commit.remove(Space::Journal, seq.to_be_bytes()));
        let marks = self.plan_marks(&picks, reach.sealed, first_seq, commit);
        Ok(Seals { picks, first_seq, marks })
    }

    /// Every mark that changes when `picks` are sealed up to `sealed` and the journal begins at `first_seq`.
    fn plan_marks(
        &self,
        picks: &BTreeSet<(u32, i64)>,
        sealed: u64,
        first_seq: u64,
        commit: &mut Commit,
    ) -> Vec<(u32, i64, Mark)> {
        let mut changed = Vec::new();
        for (number, unit) in (0..).zip(&self.units) {
            for (day, mark) in &unit.marks {
                let sealed = if picks.contains(&(number, *day)) { sealed } else { mark.sealed };
                let after = Mark { sealed, ..*mark }.settled(first_seq);
                if after != *mark {
                    put_mark(commit, number, *day, *mark, after);
                    changed.push((number, *day, after));
                }
            }
        }
        changed
    }

    /// Takes committed seals into memory.
    pub fn apply_seals(&mut self, seals: Seals) {
        self.first_seq = seals.first_seq;
        for (number, day) in seals.picks {
            let unit = &mut self.units[number as usize];
            if let Some(span) = unit.spans.remove(&day) {
                unit.sealed_rows += (span.rows.count() - span.sealed_rows) as u64;
                unit.sealed_days.insert(day);
            }
        }
        for (number, day, mark) in seals.marks {
            self.set_mark(number, day, mark);
        }
    }

    fn set_mark(&mut self, number: u32, day: i64, mark: Mark) {
        let marks = &mut self.units[number as usize].marks;
        if mark.dirty == 0 && !mark.kept {
            marks.remove(&day);
        } else {
            marks.insert(day, mark);
        }
    }

    /// What sealing every open day takes; the journal keeps its newest batch only.
    pub fn plan_seal_all(&self, disk: &Disk) -> Result<(Commit, Seals), StoreError> {
        let mut commit = Commit::default();
        let unsealed = self.spans().filter(|(.., span)| span.first_seq.is_some());
        let picks = unsealed.map(|(unit, day, _)| (unit, day)).collect();
        let newest = self.next_seq - 1;
        let reach = Reach { sealed: newest, keep_from: newest, drops: u64::MAX };
        let seals = self.plan_seals(disk, picks, reach, &mut commit)?;
        Ok((commit, seals))
    }

    /// The days that changed and are not rolled up, and the token that says as of when.
    pub fn dirty(&self) -> Dirty {
        let owed = |unit: &Unit| -> Vec<i64> {
            unit.marks.iter().filter(|(_, mark)| mark.dirty > 0).map(|(day, _)| *day).collect()
        };
        let mut days: Vec<_> = self.units.iter().map(|unit| (unit.id.clone(), owed(unit))).collect();
        days.retain(|(_, days)| !days.is_empty());
        days.sort_unstable();
        Dirty { token: DirtyToken(self.next_seq - 1), days }
    }

    /// The same for one unit.
    pub fn dirty_of(&self, id: &UnitId) -> DirtyDays {
        let marks = self.known(id).map(|number| &self.units[number as usize].marks);
        let owed = marks.into_iter().flatten().filter(|(_, mark)| mark.dirty > 0);
        DirtyDays { token: DirtyToken(self.next_seq - 1), days: owed.map(|(day, _)| *day).collect() }
    }

    /// The marks afterwards when those of `days` that did not change since `token` are rolled up.
    pub fn plan_clear(&self, id: &UnitId, days: &[i64], token: DirtyToken, commit: &mut Commit) -> Cleared {
        let Some(number) = self.known(id) else { return Cleared::default() };
        let marks = &self.units[number as usize].marks;
        let mut cleared = Vec::new();
        for day in days {
            let Some(mark) = marks.get(day) else { continue };
            if mark.dirty > 0 && mark.dirty <= token.0 {
                let after = Mark { dirty: 0, rolled: mark.dirty, ..*mark }.settled(self.first_seq);
                put_mark(commit, number, *day, *mark, after);
                cleared.push((number, *day, after));
            }
        }
        Cleared(cleared)
    }

    /// Takes committed marks into memory; says how many days were cleared.
    pub fn apply_clear(&mut self, cleared: Cleared) -> usize {
        let count = cleared.0.len();
        cleared.0.into_iter().for_each(|(number, day, mark)| self.set_mark(number, day, mark));
        count
    }

    /// A unit's days from `first` to `last`, ascending: the rows of those that are open (they have everything their
    /// block has), and `None` for those that only a block has.
    pub fn days_between(&self, number: u32, first: i64, last: i64) -> BTreeMap<i64, Option<Rows>> {
        let unit = &self.units[number as usize];
        let mut days: BTreeMap<i64, Option<Rows>> =
            unit.sealed_days.between(first, last).map(|day| (day, None)).collect();
        let open = unit.spans.range(first..=last).filter(|(_, span)| span.rows.count() > 0);
        days.extend(open.map(|(day, span)| (*day, Some(span.rows.clone()))));
        days
    }

    /// Every sealed block by unit and day.
    pub fn blocks(&self) -> Vec<(u32, i64)> {
        let of = |(number, unit): (u32, &Unit)| -> Vec<(u32, i64)> {
            unit.sealed_days.between(i64::MIN, i64::MAX).map(|day| (number, day)).collect()
        };
        (0..).zip(&self.units).flat_map(of).collect()
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

/// How far a seal goes.
#[derive(Clone, Copy, Debug)]
struct Reach {
    /// The blocks have everything up to this append.
    sealed: u64,
    /// The journal keeps its batches from here on in any case.
    keep_from: u64,
    /// At most this many batches go.
    drops: u64,
}

/// Unit-days whose readings changed since they were rolled up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dirty {
    /// To be given back with the days that were rolled up.
    pub token: DirtyToken,
    /// By unit, in order; days in UTC, counted from 1970-01-01, ascending.
    pub days: Vec<(UnitId, Vec<i64>)>,
}

/// The days of one unit whose readings changed since they were rolled up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DirtyDays {
    /// To be given back with the days that were rolled up.
    pub token: DirtyToken,
    /// Days in UTC, counted from 1970-01-01, ascending.
    pub days: Vec<i64>,
}

/// The state of the readings at one moment: a day that changed later stays dirty.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DirtyToken(u64);

/// Marks to take into memory once they are durable.
#[derive(Debug, Default)]
pub(super) struct Cleared(Vec<(u32, i64, Mark)>);

fn put_mark(commit: &mut Commit, number: u32, day: i64, before: Mark, after: Mark) {
    if after.kept {
        commit.put(Space::Marks, day_key(number, day), after.encode());
    } else if before.kept {
        commit.remove(Space::Marks, day_key(number, day));
    }
}
