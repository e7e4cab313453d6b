//! What a command wants of a store, and what it is told: the same beside a daemon and without one.

use serde::{Deserialize, Serialize};

use crate::domain::time::HOUR;
use crate::domain::{Reading, Timestamp, UnitId};

/// Which part of a store to take out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Selection {
    /// Whether everything beside the readings goes along, so that a store can be restored; the rest of the selection
    /// is not looked at then.
    #[serde(default)]
    pub everything: bool,
    /// `SITE` or `SITE/UNIT`; all units where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// Nothing before this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Timestamp>,
    /// Nothing at or after this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Timestamp>,
    /// The service history instead of the readings.
    #[serde(default)]
    pub logbook: bool,
}

impl Selection {
    /// Everything, for a backup.
    pub fn everything() -> Self {
        Self { everything: true, of: None, from: None, to: None, logbook: false }
    }

    /// Whether a unit belongs to it.
    pub fn takes(&self, unit: &UnitId) -> bool {
        self.of.as_deref().is_none_or(|of| of == unit.as_str() || of == unit.site())
    }

    /// The first instant and the first after the last.
    pub fn span(&self) -> (Timestamp, Timestamp) {
        (self.from.unwrap_or(Timestamp::MIN), self.to.unwrap_or(Timestamp::MAX.plus_millis(1)))
    }

    /// Whether an instant belongs to it.
    pub fn spans(&self, at: Timestamp) -> bool {
        self.from.is_none_or(|from| from <= at) && self.to.is_none_or(|to| at < to)
    }
}

/// What became of readings or entries that were brought in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// Readings at instants that were not there before, or entries.
    pub stored: u64,
    /// Readings that changed a channel of one that was there.
    pub changed: u64,
    /// Those that were there already, exactly.
    pub already: u64,
    /// Readings left out because their unit's day is full.
    pub over: u64,
}

impl Taken {
    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            stored: self.stored + other.stored,
            changed: self.changed + other.changed,
            already: self.already + other.already,
            over: self.over + other.over,
        }
    }
}

/// How far a check is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckProgress {
    /// Unit-days of a store, bytes of an archive.
    pub done: u64,
    /// Of so many.
    pub of: u64,
}

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckReport {
    /// What was checked: the store's directory or the archive.
    pub of: String,
    /// Readings decoded.
    pub readings: u64,
    /// Sealed blocks of a store, sections of an archive.
    pub blocks: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Roll-ups, service entries and assessments decoded.
    pub records: u64,
    /// What is damaged, one text for each piece, with its place.
    pub damaged: Vec<String>,
    /// The units, by id.
    pub units: Vec<UnitCheck>,
}

/// What a check found of one unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnitCheck {
    /// Which.
    pub unit: UnitId,
    /// Readings decoded.
    pub readings: u64,
    /// Readings there should be.
    pub expected: u64,
    /// The first reading.
    pub first: Option<Timestamp>,
    /// The last.
    pub last: Option<Timestamp>,
    /// How many silences there are between readings, see [`GAP_LEAST`].
    pub gap_count: u64,
    /// The longest of them, in order of time.
    pub gaps: Vec<Gap>,
}

/// A time without readings between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// The reading before it.
    pub from: Timestamp,
    /// The reading after it.
    pub to: Timestamp,
}

impl Gap {
    fn millis(self) -> i64 {
        self.to.millis_since(self.from)
    }
}

/// A silence shorter than this is no gap, milliseconds.
pub const GAP_LEAST: i64 = HOUR;
/// And it is one from this many usual intervals on.
pub const GAP_INTERVALS: i64 = 6;
/// So many gaps of a unit are listed, the longest.
pub const GAPS_LISTED_MAX: usize = 20;

impl UnitCheck {
    /// Nothing seen yet.
    pub fn new(unit: UnitId, expected: u64) -> Self {
        Self { unit, readings: 0, expected, first: None, last: None, gap_count: 0, gaps: Vec::new() }
    }

    /// The next readings, ascending and after those before.
    pub fn see(&mut self, rows: &[Reading]) {
        let Some((first, last)) = rows.first().zip(rows.last()) else { return };
        let mut steps: Vec<i64> = rows.windows(2).map(|pair| pair[1].at.millis_since(pair[0].at)).collect();
        let middle = steps.len() / 2;
        let usual = if steps.is_empty() { 0 } else { *steps.select_nth_unstable(middle).1 };
        let silence = GAP_LEAST.max(usual.saturating_mul(GAP_INTERVALS));
        let before = self.last.map(|before| Gap { from: before, to: first.at });
        let within = rows.windows(2).map(|pair| Gap { from: pair[0].at, to: pair[1].at });
        for gap in before.into_iter().chain(within).filter(|gap| gap.millis() >= silence) {
            self.gap_count += 1;
            self.gaps.push(gap);
        }
        if self.gaps.len() > GAPS_LISTED_MAX {
            self.gaps.sort_by_key(|gap| std::cmp::Reverse(gap.millis()));
            self.gaps.truncate(GAPS_LISTED_MAX);
            self.gaps.sort_by_key(|gap| gap.from);
        }
        self.readings += rows.len() as u64;
        self.first.get_or_insert(first.at);
        self.last = Some(last.at);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::time::MINUTE;

    #[test]
    fn an_hour_without_minutes_is_a_gap_and_an_hour_between_hours_is_none() {
        let check = |minutes: &mut dyn Iterator<Item = i64>| {
            let rows: Vec<Reading> = minutes.map(|m| Reading::new(Timestamp::from_millis(m * MINUTE))).collect();
            let mut check = UnitCheck::new("home/cellar".parse().unwrap(), 0);
            rows.chunks(100).for_each(|rows| check.see(rows));
            (check.readings, check.gap_count, check.gaps.first().map(|gap| gap.millis() / MINUTE))
        };
        assert_eq!(check(&mut (0..600).chain(660..1_200)), (1_140, 1, Some(61)));
        assert_eq!(check(&mut (0..10).map(|hour| 60 * hour)), (10, 0, None));
        assert_eq!(check(&mut std::iter::empty()), (0, 0, None));
    }

    #[test]
    fn a_selection_takes_a_unit_a_site_or_all() {
        let of =
            |of: Option<&str>| Selection { everything: false, of: of.map(str::to_owned), ..Selection::everything() };
        let (cellar, attic): (UnitId, UnitId) = ("home/cellar".parse().unwrap(), "home-2/attic".parse().unwrap());
        assert!(of(None).takes(&cellar) && of(Some("home")).takes(&cellar) && of(Some("home/cellar")).takes(&cellar));
        assert!(!of(Some("home")).takes(&attic) && !of(Some("home/attic")).takes(&cellar));
    }
}
