//! Which unit-days changed since they were rolled up.

use crate::domain::UnitId;

use super::super::tree::Commit;
use super::Series;
use super::unit::{Mark, Unit, put_mark};

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
pub struct Cleared(Vec<(u32, i64, Mark)>);

impl Cleared {
    /// The units' numbers and days.
    pub fn days(&self) -> Vec<(u32, i64)> {
        self.0.iter().map(|(unit, day, _)| (*unit, *day)).collect()
    }
}

impl Series {
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
}
