//! Which log entry explains which step.

use super::search::Course;
use super::{Snap, StepConstants};
use crate::analysis::level::Edge;
use crate::analysis::quarters::PER_DAY;
use crate::domain::{ServiceAction, ServiceEntry, UnitSpec};

/// A step within so many quarters of an entry stands where it says: people write down the hour roughly.
const AS_LOGGED: i64 = 3;

/// Whether an action can make the light step.
fn can_step(action: ServiceAction) -> bool {
    expects_rise(action) || matches!(action, ServiceAction::SensorCleaned | ServiceAction::SensorReplaced)
}

/// Whether the light should rise after an action.
fn expects_rise(action: ServiceAction) -> bool {
    matches!(action, ServiceAction::SleeveCleaned | ServiceAction::SleeveReplaced | ServiceAction::LampReplaced)
}

/// An entry of something that can make the light step.
#[derive(Clone, Copy)]
struct Entry {
    /// Index in the log.
    index: usize,
    action: ServiceAction,
    /// When, in quarters from the origin of the course.
    quarter: i64,
}

impl Entry {
    fn day(&self) -> i64 {
        self.quarter.div_euclid(PER_DAY as i64)
    }

    fn quarters_from(&self, edge: &Edge) -> i64 {
        (edge.at as i64 - self.quarter).abs()
    }

    /// Whether a step of this direction can be this entry's.
    fn fits(&self, edge: &Edge) -> bool {
        edge.size > 0.0 || !expects_rise(self.action)
    }
}

/// The entries of a log and the steps they explain.
pub(super) struct Matched {
    entries: Vec<Entry>,
    explained: Vec<bool>,
    /// See [`super::StepsFound::snapped`].
    pub snapped: Vec<Snap>,
    /// See [`super::StepsFound::no_recovery`].
    pub no_recovery: Vec<usize>,
    /// See [`super::StepsFound::faint`].
    pub faint: Vec<usize>,
}

impl Matched {
    /// Matches `edges`, which have been taken out of `course`.
    pub fn new(course: &Course, edges: &[Edge], log: &[ServiceEntry], spec: &UnitSpec, c: &StepConstants) -> Self {
        let entries: Vec<Entry> = log
            .iter()
            .enumerate()
            .filter(|(_, entry)| can_step(entry.action))
            .map(|(index, entry)| Entry {
                index,
                action: entry.action,
                quarter: course.quarters.quarter_of(entry.at, &spec.zone),
            })
            .collect();
        let explained = vec![false; edges.len()];
        let mut matched = Self { entries, explained, snapped: Vec::new(), no_recovery: Vec::new(), faint: Vec::new() };
        let mut left = matched.as_logged(edges);
        left.retain(|entry| !matched.snap(entry, course, edges, c.snap_days));
        left.retain(|entry| expects_rise(entry.action) || entry.action == ServiceAction::SensorReplaced);
        for entry in left {
            if borne_out(&entry, course, c) {
                matched.faint.extend(expects_rise(entry.action).then_some(entry.index));
                continue;
            }
            let seen = entry.day() >= 0 && entry.day() + 1 < course.quarters.days() as i64;
            if !matched.snap(&entry, course, edges, c.misdated_days) && seen && expects_rise(entry.action) {
                matched.no_recovery.push(entry.index);
            }
        }
        matched.snapped.sort_by_key(|snap| snap.entry);
        matched
    }

    /// Marks the steps that stand where an entry says; returns the entries without one.
    fn as_logged(&mut self, edges: &[Edge]) -> Vec<Entry> {
        let mut left = Vec::new();
        for entry in &self.entries {
            let mut here = false;
            for (edge, explained) in edges.iter().zip(&mut self.explained) {
                let is_here = entry.quarters_from(edge) <= AS_LOGGED && entry.fits(edge);
                *explained |= is_here;
                here |= is_here;
            }
            if !here {
                left.push(*entry);
            }
        }
        left
    }

    /// Moves an entry to the largest step within `days` that nothing explains yet, if there is one.
    fn snap(&mut self, entry: &Entry, course: &Course, edges: &[Edge], days: i64) -> bool {
        let near = |i: &usize| {
            !self.explained[*i] && entry.fits(&edges[*i]) && entry.quarters_from(&edges[*i]) <= days * PER_DAY as i64
        };
        let Some(best) =
            (0..edges.len()).filter(near).max_by(|a, b| edges[*a].size.abs().total_cmp(&edges[*b].size.abs()))
        else {
            return false;
        };
        self.explained[best] = true;
        let day = edges[best].at / PER_DAY;
        // Other entries of the same visit were written down on the same wrong day.
        let visit = self.entries.iter().filter(|other| (other.quarter - entry.quarter).abs() <= AS_LOGGED);
        let used = course.quarters.date(day);
        for other in visit.filter(|other| other.day() != day as i64) {
            if self.snapped.iter().all(|snap| snap.entry != other.index) {
                self.snapped.push(Snap { entry: other.index, used });
            }
        }
        true
    }

    /// Steps that no entry explains.
    pub fn unexplained<'a>(&'a self, edges: &'a [Edge]) -> impl Iterator<Item = &'a Edge> {
        edges.iter().zip(&self.explained).filter(|(_, explained)| !**explained).map(|(edge, _)| edge)
    }

    /// Whether an entry lies within a change over days: then it is that entry's step, blurred.
    pub fn covers(&self, slow: &Edge, c: &StepConstants) -> bool {
        let margin = PER_DAY as i64;
        let from = slow.at as i64 - margin;
        let to = (slow.at + c.slow_days * PER_DAY) as i64 + margin;
        self.entries.iter().any(|entry| (from..=to).contains(&entry.quarter) && entry.fits(slow))
    }
}

/// Whether the light rose on an entry's day, if only too little to be found without the entry.
fn borne_out(entry: &Entry, course: &Course, c: &StepConstants) -> bool {
    let rise = usize::try_from(entry.day()).ok().and_then(|day| course.rise_on(day));
    rise.is_some_and(|rise| rise.size > 0.0 && rise.z * rise.z >= c.borne_out)
}
