//! Sealing: days that are over become blocks, and the journal gets shorter.

use std::collections::{BTreeMap, BTreeSet};

use super::super::StoreError;
use super::super::codec::encode_block;
use super::super::runs::Runs;
use super::super::tree::{Commit, Disk, Space};
use super::unit::Span;
use super::unit::{Mark, put_mark};
use super::{Series, day_key};

/// A day that is over is sealed when this many appends went by without touching it.
const SETTLE_APPENDS: u64 = 64;
/// The journal may reach back this many appends; older open days are sealed even if they are not over.
const JOURNAL_APPENDS_MAX: u64 = 100_000;
/// Open days may take this much memory; beyond, those with the oldest journal entries are sealed.
const OPEN_BYTES_MAX: usize = 128 << 20;

/// Days about to be sealed, and what else changes with them.
#[derive(Debug, Default)]
pub struct Seals {
    picks: BTreeSet<(u32, i64)>,
    /// Where the journal begins afterwards.
    first_seq: u64,
    marks: Vec<(u32, i64, Mark)>,
}

/// How far a seal goes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    /// The blocks have everything up to this append.
    pub sealed: u64,
    /// The first append that is not in any block nor in any open day yet.
    pub next: u64,
}

impl Series {
    /// Days to seal with the append `seq`: those that are over and at rest, or, under pressure, those that hold the
    /// journal. Open days with nothing unsealed are let go.
    pub(super) fn ripe(&mut self, seq: u64, seals_max: usize) -> BTreeSet<(u32, i64)> {
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

    pub(super) fn spans(&self) -> impl Iterator<Item = (u32, i64, &Span)> {
        let numbered = (0..).zip(&self.units);
        numbered.flat_map(|(number, unit)| unit.spans.iter().map(move |(day, span)| (number, *day, span)))
    }

    /// Whether the open days take too much memory; looked at now and then only.
    pub(super) fn crowded(&self, seq: u64) -> bool {
        seq.is_multiple_of(SETTLE_APPENDS) && self.open_bytes() > OPEN_BYTES_MAX
    }

    /// Memory of the open days, bytes, about.
    pub fn open_bytes(&self) -> usize {
        self.spans().map(|(.., span)| span.rows.bytes()).sum()
    }

    /// Puts what sealing `picks` takes into `commit`.
    pub(super) fn plan_seals(
        &self,
        disk: &mut Disk,
        picks: BTreeSet<(u32, i64)>,
        reach: Reach,
        commit: &mut Commit,
    ) -> Result<Seals, StoreError> {
        if picks.is_empty() {
            return Ok(Seals { first_seq: self.first_seq, ..Seals::default() });
        }
        self.keep_for_pins(disk, picks.iter().copied())?;
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
            let record =
                self.units[number as usize].encode_with(sealed_rows, &sealed_days, self.units[number as usize].latest);
            commit.put(Space::Units, number.to_be_bytes(), record);
        }
        let first_seq = self.plan_trim(&picks, reach, commit);
        let marks = self.plan_marks(&picks, reach.sealed, first_seq, commit);
        Ok(Seals { picks, first_seq, marks })
    }

    /// Lets the journal begin where days other than `picks` need it, and says where that is.
    pub(super) fn plan_trim(&self, picks: &BTreeSet<(u32, i64)>, reach: Reach, commit: &mut Commit) -> u64 {
        let needed = self.spans().filter(|(unit, day, _)| !picks.contains(&(*unit, *day)));
        let oldest = needed.filter_map(|(.., span)| span.first_seq).min().unwrap_or(reach.next);
        let first_seq = oldest.min(reach.next).max(self.first_seq);
        commit.bound_journal(first_seq, reach.next);
        first_seq
    }

    /// Every mark that changes when `picks` are sealed up to `sealed` and the journal begins at `first_seq`.
    pub(super) fn plan_marks(
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

    pub(super) fn set_mark(&mut self, number: u32, day: i64, mark: Mark) {
        let marks = &mut self.units[number as usize].marks;
        if mark.dirty == 0 && !mark.kept {
            marks.remove(&day);
        } else {
            marks.insert(day, mark);
        }
    }

    /// What sealing every open day takes; the journal is empty then.
    pub fn plan_seal_all(&self, disk: &mut Disk) -> Result<(Commit, Seals), StoreError> {
        let mut commit = Commit::default();
        let unsealed = self.spans().filter(|(.., span)| span.first_seq.is_some());
        let picks = unsealed.map(|(unit, day, _)| (unit, day)).collect();
        let reach = Reach { sealed: self.next_seq - 1, next: self.next_seq };
        let seals = self.plan_seals(disk, picks, reach, &mut commit)?;
        Ok((commit, seals))
    }
}
