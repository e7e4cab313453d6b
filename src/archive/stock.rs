//! What a command wants of a store, and what it is told: the same beside a daemon and without one.

use serde::{Deserialize, Serialize};

use crate::domain::{Timestamp, UnitId};

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

/// How far a check of the store is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckProgress {
    /// Readings looked at.
    pub readings: u64,
    /// Of so many, about.
    pub of: u64,
}

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CheckReport {
    /// What was checked: the store's directory or the archive.
    pub of: String,
    /// The units, by id.
    pub units: Vec<UnitCheck>,
    /// Bytes the data takes on disk.
    pub bytes: u64,
    /// What is damaged, one text for each piece, with its place.
    pub damaged: Vec<String>,
}

/// What a check found of one unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnitCheck {
    /// Which.
    pub unit: UnitId,
    /// Readings decoded.
    pub readings: u64,
    /// Sealed blocks they lie in; none in an archive.
    pub blocks: u64,
    /// The first reading.
    pub first: Option<Timestamp>,
    /// The last.
    pub last: Option<Timestamp>,
    /// What usually lies between two readings, seconds, about.
    pub cadence_secs: Option<f64>,
    /// How often at least [`GAP_FACTOR`] times as much lay between two.
    pub gaps: u64,
    /// The longest time between two readings, seconds.
    pub longest_gap_secs: f64,
    /// Day roll-ups.
    pub days: u64,
    /// Service entries.
    pub entries: u64,
}

/// What lies between two readings is a gap when it is at least about this many times the usual.
pub const GAP_FACTOR: u64 = 16;

/// Looks at a unit's readings one after the other and tells what is usual between them and what is missing.
#[derive(Clone, Debug)]
pub struct Gaps {
    /// By the binary logarithm of the milliseconds between two readings: how many, and their sum.
    steps: [(u64, f64); 64],
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    longest: i64,
    readings: u64,
}

impl Default for Gaps {
    fn default() -> Self {
        Self { steps: [(0, 0.0); 64], first: None, last: None, longest: 0, readings: 0 }
    }
}

impl Gaps {
    /// The next reading's time; they ascend.
    pub fn see(&mut self, at: Timestamp) {
        if let Some(last) = self.last {
            let step = at.millis_since(last).max(1);
            let (count, sum) = &mut self.steps[step.ilog2() as usize];
            *count += 1;
            *sum += step as f64;
            self.longest = self.longest.max(step);
        }
        self.first.get_or_insert(at);
        self.last = Some(at);
        self.readings += 1;
    }

    /// How many readings were seen.
    pub fn readings(&self) -> u64 {
        self.readings
    }

    /// What they showed of `unit`.
    pub fn check(&self, unit: UnitId) -> UnitCheck {
        let steps: u64 = self.steps.iter().map(|(count, _)| count).sum();
        let mut below = 0;
        let usual = self.steps.iter().position(|(count, _)| {
            below += count;
            2 * below >= steps && *count > 0
        });
        let wide = usual.map_or(self.steps.len(), |usual| usual + GAP_FACTOR.ilog2() as usize);
        UnitCheck {
            unit,
            readings: self.readings,
            blocks: 0,
            first: self.first,
            last: self.last,
            cadence_secs: usual.map(|usual| self.steps[usual].1 / self.steps[usual].0 as f64 / 1_000.0),
            gaps: self.steps.iter().skip(wide).map(|(count, _)| count).sum(),
            longest_gap_secs: self.longest as f64 / 1_000.0,
            days: 0,
            entries: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::time::{HOUR, MINUTE};

    #[test]
    fn an_hour_without_minutes_is_a_gap_and_an_hour_between_hours_is_none() {
        let unit = || "home/cellar".parse().unwrap();
        let mut gaps = Gaps::default();
        for minute in (0..600).chain(660..1_200) {
            gaps.see(Timestamp::from_millis(minute * MINUTE));
        }
        let found = gaps.check(unit());
        assert_eq!((found.readings, found.gaps, found.longest_gap_secs), (1_140, 1, 3_660.0));
        assert_eq!(found.cadence_secs, Some(60.0));
        let mut hourly = Gaps::default();
        (0..100).for_each(|hour| hourly.see(Timestamp::from_millis(hour * HOUR)));
        assert_eq!(hourly.check(unit()).gaps, 0);
        assert_eq!(Gaps::default().check(unit()).cadence_secs, None);
    }

    #[test]
    fn a_selection_takes_a_unit_a_site_or_all() {
        let of = |of: Option<&str>| Selection { everything: false, of: of.map(str::to_owned), ..Selection::everything() };
        let (cellar, attic): (UnitId, UnitId) = ("home/cellar".parse().unwrap(), "home-2/attic".parse().unwrap());
        assert!(of(None).takes(&cellar) && of(Some("home")).takes(&cellar) && of(Some("home/cellar")).takes(&cellar));
        assert!(!of(Some("home")).takes(&attic) && !of(Some("home/attic")).takes(&cellar));
    }
}
