//! How long the lamps of a unit have burnt.

use super::course::Course;
use super::events::{EventKind, Events};
use crate::domain::{Timestamp, UnitSpec};

/// The share of the time that a unit runs is that of its last so many days, those it was closed left out.
const PACE_DAYS: usize = 60;
/// A day on which it ran less than this share of the time may be one of those...
const CLOSED_BELOW: f64 = 0.05;
/// ...and is, if it is one of so many in a row: longer than a cabin stands still between two weekends, or two holidays.
const CLOSED_DAYS: usize = 21;
/// The least rated hours that make sense, h.
pub const LEAST_RATED_HOURS: f64 = 100.0;

/// The lamps of a unit and their hours.
#[derive(Clone, Debug)]
pub struct Lamps {
    /// The first day of each lamp after the first, ascending.
    changed: Vec<i32>,
    /// Hours burnt by the lamp of each day of the course.
    by_day: Vec<f64>,
    is_age_known: bool,
    pace: f64,
}

impl Lamps {
    /// From what papers, log and counter say, and where they say nothing from the time the lamp was seen to burn.
    /// `unknown_age`: the age of the first lamp, as a share of its rated hours, where nobody knows.
    pub fn new(course: &Course, spec: &UnitSpec, events: &Events, unknown_age: f64) -> Self {
        let changed = events.inside(&[EventKind::LampReplaced], events.now(course));
        let unknown = unknown_age * spec.lamp.rated_hours.max(LEAST_RATED_HOURS);
        Self {
            by_day: hours_by_day(course, spec, events, &changed, unknown),
            changed,
            is_age_known: is_age_known(course, spec, events),
            pace: pace_of(&course.on),
        }
    }

    /// The first day of each lamp after the first, ascending.
    pub fn changed(&self) -> &[i32] {
        &self.changed
    }

    /// Whether papers, counter or log say how long the first lamp had burnt at the first reading.
    pub fn is_age_known(&self) -> bool {
        self.is_age_known
    }

    /// Share of the time the unit runs, as lately.
    pub fn pace(&self) -> f64 {
        self.pace
    }

    /// Hours of the lamp that burns on `day`, if anything says how many it had at its start.
    pub fn known_hours(&self, day: i32) -> Option<f64> {
        let (lamp, hours) = self.at(day);
        (lamp > 0 || self.is_age_known).then_some(hours)
    }

    /// Which lamp burns on `day` (0: the first) and for how many hours it has.
    pub fn at(&self, day: i32) -> (usize, f64) {
        let lamp = self.changed.partition_point(|d| *d <= day);
        let last = i32::try_from(self.by_day.len()).unwrap_or(i32::MAX) - 1;
        let known = day.clamp(0, last.max(0));
        let hours = match usize::try_from(known).ok().and_then(|d| self.by_day.get(d)) {
            Some(hours) if self.changed.partition_point(|d| *d <= known) == lamp => {
                hours + 24.0 * self.pace * f64::from(day - known)
            }
            _ => 24.0 * self.pace * f64::from(day - self.changed[lamp - 1]),
        };
        (lamp, hours.max(0.0))
    }
}

/// Whether papers, counter or log say how long the first lamp had burnt at the first reading.
fn is_age_known(course: &Course, spec: &UnitSpec, events: &Events) -> bool {
    spec.lamp.hours_at_start.is_some()
        || spec.lamp.installed.is_some()
        || course.counter.iter().any(Option::is_some)
        || events.list.iter().any(|e| e.kind == EventKind::LampReplaced && e.day <= 0)
}

/// The share of the time a unit runs when it is in use, from that of each day. Closed days say nothing of it: just opened,
/// a cabin fouls as fast as before it was closed. A unit that is closed now is looked at as if it were opened: a date
/// for a unit out of service would be no date at all.
fn pace_of(on: &[f64]) -> f64 {
    let dark = |share: &f64| *share < CLOSED_BELOW;
    let in_use = on.chunk_by(|a, b| dark(a) == dark(b)).filter(|run| run.len() < CLOSED_DAYS || !dark(&run[0]));
    let recent: Vec<f64> = in_use.rev().flat_map(|run| run.iter().rev()).take(PACE_DAYS).copied().collect();
    let pace = recent.iter().sum::<f64>() / recent.len().max(1) as f64;
    if pace < CLOSED_BELOW { 1.0 } else { pace }
}

/// Hours burnt by the lamp of each calendar day: the counter where it was sent, else days times share.
fn hours_by_day(course: &Course, spec: &UnitSpec, events: &Events, lamps: &[i32], unknown: f64) -> Vec<f64> {
    let first_counter = course.counter.iter().flatten().next().copied();
    let since_installed = |at: Timestamp| 24.0 * f64::from(-course.number(at.date_in(&spec.zone))).max(0.0);
    let logged = events.days(&[EventKind::LampReplaced]).into_iter().rfind(|d| *d <= 0).map(|d| f64::from(-d) * 24.0);
    let start = spec
        .lamp
        .hours_at_start
        .or(logged)
        .or(first_counter)
        .or_else(|| spec.lamp.installed.map(since_installed))
        .unwrap_or(unknown);
    let mut hours = start.max(0.0);
    let mut offset: Option<f64> = None;
    let mut out = Vec::with_capacity(course.on.len());
    for (day, on) in (0i32..).zip(&course.on) {
        let counter = usize::try_from(day).ok().and_then(|d| course.counter[d]);
        let burnt = if day == 0 { 0.0 } else { 24.0 * on };
        if lamps.contains(&day) {
            hours = 0.0;
            offset = None;
        } else {
            hours += burnt;
        }
        if let Some(counter) = counter {
            let counted = offset.map(|o| counter - o);
            match counted {
                // The counter goes on as it should.
                Some(counted) if counted >= hours - burnt - 24.0 && counted <= hours + 24.0 * 60.0 => {
                    hours = counted.max(0.0);
                }
                // First count of this lamp, or the timer was reset or set to something else: count on from here.
                _ => offset = Some(counter - hours),
            }
        }
        out.push(hours);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_closed_does_not_slow_the_next_one() {
        let days = |share: f64, count: usize| vec![share; count];
        let is = |on: &[f64], want: f64| assert!((pace_of(on) - want).abs() < 0.02, "{} for {want}", pace_of(on));
        is(&[days(1.0, 2), days(0.0, 5)].concat().repeat(20), 2.0 / 7.0);
        is(&[days(1.0, 150), days(0.0, 200), days(1.0, 5)].concat(), 1.0);
        // Closed now: as it ran before.
        is(&[days(0.8, 150), days(0.0, 200)].concat(), 0.8);
        is(&days(0.0, 200), 1.0);
        is(&[], 1.0);
        // Switched off for a fortnight: that may be how it is used.
        assert!(pace_of(&[days(1.0, 150), days(0.0, 14)].concat()) < 0.8);
    }
}
