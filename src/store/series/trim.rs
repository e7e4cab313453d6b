//! Giving up what is older than its owner wants to keep: whole days, or single channels of them.

use super::super::StoreError;
use super::super::bundles::after;
use super::super::bytes::{Damage, Reader, put_signed};
use super::super::codec::encode_block;
use super::super::tree::{Commit, Disk, Space};
use super::{Series, day_key};
use crate::domain::Channel;
use crate::domain::reading::CHANNELS;

/// For each channel the first day (UTC) that is still kept.
pub type Cutoffs = [i64; CHANNELS];

/// How far the channels of a unit were given up, at each resolution: the first day that may still have them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trims {
    /// Of the readings.
    pub raw: Cutoffs,
    /// Of the hours.
    pub hours: Cutoffs,
    /// Of the days.
    pub days: Cutoffs,
}

impl Default for Trims {
    fn default() -> Self {
        let none = [i64::MIN; CHANNELS];
        Self { raw: none, hours: none, days: none }
    }
}

impl Trims {
    /// The stored form.
    pub fn encode(&self) -> Vec<u8> {
        let mut out = Vec::new();
        out.push(CHANNELS as u8);
        [self.raw, self.hours, self.days].iter().flatten().for_each(|day| put_signed(&mut out, *day));
        out
    }

    /// The inverse of [`Trims::encode`], also of a version with fewer channels.
    pub fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        let channels = usize::from(reader.byte()?);
        let mut trims = Self::default();
        for resolution in [&mut trims.raw, &mut trims.hours, &mut trims.days] {
            for channel in 0..channels {
                let day = reader.signed()?;
                *resolution.get_mut(channel).ok_or(Damage("an unknown channel"))? = day;
            }
        }
        Ok(trims)
    }

    /// Whether these go beyond a bundle's end that `before` did not reach.
    pub fn pass_a_bundle(&self, before: &Self) -> bool {
        let all = |trims: &Self| [trims.raw, trims.hours, trims.days].map(|of| of.map(after));
        all(self) != all(before)
    }
}

/// A step of giving up, ready to be committed.
#[derive(Debug, Default)]
pub struct Given {
    unit: u32,
    removed: Vec<i64>,
    rows: u64,
    trims: Trims,
    /// Unit-days that change.
    pub days: usize,
    /// Whether the unit has more to give.
    pub more: bool,
}

impl Series {
    /// How many units there are; their numbers are below.
    pub fn unit_count(&self) -> u32 {
        self.units.len() as u32
    }

    /// How far a unit's channels were given up.
    pub fn trims(&self, number: u32) -> Trims {
        self.units[number as usize].trims
    }

    /// What giving up a unit's readings before `cutoffs` takes, of at most `days_at_most` days. A day that is not rolled
    /// up yet, and all after it, wait.
    pub fn plan_give_up(
        &mut self,
        disk: &mut Disk,
        number: u32,
        cutoffs: &Cutoffs,
        days_at_most: usize,
        commit: &mut Commit,
    ) -> Result<Given, StoreError> {
        let last = cutoffs.iter().copied().max().unwrap_or(i64::MIN);
        let unit = &self.units[number as usize];
        let mut given = Given { unit: number, trims: unit.trims, ..Given::default() };
        let mut reached = last;
        let mut changed: Vec<i64> = Vec::new();
        for day in unit.sealed_days.between(i64::MIN, last.saturating_sub(1)) {
            let owed = unit.marks.get(&day).is_some_and(|mark| mark.dirty > 0) || unit.spans.contains_key(&day);
            if owed || changed.len() == days_at_most {
                (reached, given.more) = (day, !owed);
                break;
            }
            let fresh = |(cutoff, trimmed): (&i64, &i64)| day < *cutoff && day >= *trimmed;
            if cutoffs.iter().all(|cutoff| day < *cutoff) || cutoffs.iter().zip(&unit.trims.raw).any(fresh) {
                changed.push(day);
            }
        }
        for (channel, cutoff) in cutoffs.iter().enumerate() {
            let trimmed = &mut given.trims.raw[channel];
            *trimmed = (*trimmed).max(reached.min(*cutoff));
        }
        self.keep_for_pins(disk, changed.iter().map(|day| (number, *day)))?;
        for day in changed {
            let before = self.load_block(disk, number, day)?;
            let mut rows = before.clone();
            for (channel, _) in Channel::ALL.iter().zip(cutoffs).filter(|(_, cutoff)| day < **cutoff) {
                rows.iter_mut().for_each(|row| row.clear(*channel));
            }
            rows.retain(|row| !row.is_empty());
            if rows == before {
                continue;
            }
            given.days += 1;
            given.rows += (before.len() - rows.len()) as u64;
            if rows.is_empty() {
                given.removed.push(day);
                commit.remove(Space::Blocks, day_key(number, day));
            } else {
                commit.put(Space::Blocks, day_key(number, day), encode_block(&rows));
            }
        }
        self.plan_record(&given, commit);
        Ok(given)
    }

    fn plan_record(&self, given: &Given, commit: &mut Commit) {
        let unit = &self.units[given.unit as usize];
        if given.days > 0 {
            let mut sealed = unit.sealed_days.clone();
            given.removed.iter().for_each(|day| sealed.remove(*day));
            let record = unit.encode_with(unit.sealed_rows.saturating_sub(given.rows), &sealed, unit.latest);
            commit.put(Space::Units, given.unit.to_be_bytes(), record);
        }
        if given.trims != unit.trims {
            commit.put(Space::Trims, given.unit.to_be_bytes(), given.trims.encode());
        }
    }

    /// Takes a committed step into memory.
    pub fn apply_given(&mut self, given: Given) {
        let unit = &mut self.units[given.unit as usize];
        given.removed.iter().for_each(|day| unit.sealed_days.remove(*day));
        unit.sealed_rows = unit.sealed_rows.saturating_sub(given.rows);
        unit.trims = given.trims;
    }

    /// Notes how far roll-ups were given up.
    pub fn plan_trims(&self, number: u32, trims: Trims, commit: &mut Commit) {
        if self.units[number as usize].trims != trims {
            commit.put(Space::Trims, number.to_be_bytes(), trims.encode());
        }
    }

    /// Takes committed trims into memory.
    pub fn apply_trims(&mut self, number: u32, trims: Trims) {
        self.units[number as usize].trims = trims;
    }
}
