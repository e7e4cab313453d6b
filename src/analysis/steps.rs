//! Steps in the light that nobody logged, and log entries that the light does not bear out.
//!
//! Work at a unit shows as a step within hours that stays; water comes and goes over hours to days and returns. So:
//! the course in quarter days, its usual fall taken out by a rolling median of day-to-day
//! differences, dips narrower than 17 days filled by a grey closing (Serra, "Image Analysis and Mathematical
//! Morphology", 1982) and left out, and then steps added greedily while the contrast between the medians on both sides
//! is better evidence than its penalty, each taken out of the course before the next is sought, and pruned at the end.
//! The noise is a white and an AR(1) part with FIXED memory, from median absolute deviations: estimating the memory
//! while selecting steps would let it grow until it swallowed them.

mod candidates;
mod dips;
mod matching;
mod search;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use self::matching::Matched;
use self::search::Course;
use super::level::Edge;
use super::quarters::PER_DAY;
use crate::domain::{DaySummary, ServiceEntry, UnitSpec};

/// The constants of the search for steps. "Tuned": on simulated units of every kind, seeds 1000 to 1039, and judged on
/// others; with the lamp on and for slow changes on seeds 300 to 599.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepConstants {
    /// What the AR(1) part of the noise keeps from one day to the next; 0 to 1. From a trial on simulated units; fixed
    /// on purpose.
    pub keeps_per_day: f64,
    /// Dips narrower than this are filled; days, 3 to 60. From the same trial: storms are over by then.
    pub dip_days: usize,
    /// Evidence (squared contrast over its variance) a step needs on a day on which the lamp was seen to be off: to
    /// clean a sleeve, the power must be off; 4 to 50. Tuned.
    pub penalty_lamp_off: f64,
    /// The same where readings are too rare to show whether the lamp was off; 4 to 50. The trial had 15; tuned.
    pub penalty: f64,
    /// The same on a day on which the lamp was seen to stay on; 4 to 100. Tuned: only a wiped window or a knock is left.
    pub penalty_lamp_on: f64,
    /// The least step; ln, .002 to .1. Ours: a cleaning that gains under 1 % changes no date worth knowing.
    pub least_step: f64,
    /// A step down must take more than this many days of the unit's usual fall; 0 to 60. Ours: less moves no date by
    /// as many days, and a fast fall is easily taken for a step.
    pub least_fall_days: f64,
    /// Evidence a change needs that takes days rather than hours; 4 to 100. Tuned.
    pub penalty_slow: f64,
    /// The least such change; ln, .005 to .2. Tuned: less is within what seasons do.
    pub least_slow_step: f64,
    /// The longest such change; days, 2 to 10. Ours: a change of source or treatment has worked through by then.
    pub slow_days: usize,
    /// How long a step down must stay before it is one, where all of it came within hours; days, 5 to 60. Ours: no storm
    /// comes wholly within hours and stays twelve days.
    pub stays_days: usize,
    /// The same where it took longer, as the onset of a storm does; days, 10 to 90. From the lengths of storms.
    pub stays_days_unsharp: usize,
    /// Share of a step that must stay; 0 to 1. Ours: most of it.
    pub stays_share: f64,
    /// A logged date is moved to the largest rise within this many days; 0 to 5. From the trial.
    pub snap_days: i64,
    /// An entry without a step is looked for within this many days; 2 to 30. Ours: people date back by a week or two.
    pub misdated_days: i64,
    /// Evidence a logged entry needs to count as borne out; 1 to 20. Two standard errors.
    pub borne_out: f64,
    /// Readings a day from which a visit's half hour without power cannot be missed; 24 to 1440. Derived: one in 20 min.
    pub sees_visits: u32,
}

impl Default for StepConstants {
    fn default() -> Self {
        Self {
            keeps_per_day: 0.85,
            dip_days: 17,
            penalty_lamp_off: 12.0,
            penalty: 20.0,
            penalty_lamp_on: 60.0,
            least_step: 0.01,
            least_fall_days: 12.0,
            penalty_slow: 32.0,
            least_slow_step: 0.025,
            slow_days: 5,
            stays_days: 12,
            stays_days_unsharp: 35,
            stays_share: 0.5,
            snap_days: 2,
            misdated_days: 14,
            borne_out: 4.0,
            sees_visits: 72,
        }
    }
}

/// A lasting change of the light that no log entry explains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The first day wholly after it, in the site's zone.
    pub date: Date,
    /// Its size in ln(intensity); positive: up.
    pub ln_size: f64,
    /// Size over standard error.
    pub z: f64,
    /// Whether the hour counter was reset there: a new lamp.
    pub lamp_reset: bool,
    /// Whether it took days, as a change of the water does, rather than hours, as work at the unit does.
    pub slow: bool,
    /// Whether the lamp was off on its day; `None` where readings are too rare to tell.
    pub lamp_off: Option<bool>,
}

/// A log entry used at another day than logged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Snap {
    /// Index in the log.
    pub entry: usize,
    /// The day to use, in the site's zone: the day of the work, as an entry's own date would be.
    pub used: Date,
}

/// What the search found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StepsFound {
    /// Steps that no log entry explains, oldest first.
    pub steps: Vec<Step>,
    /// Entries used at another day.
    pub snapped: Vec<Snap>,
    /// Indices of entries of cleanings and new lamps after which the light did not rise.
    pub no_recovery: Vec<usize>,
    /// Indices of such entries after which it rose by too little to be found without the entry; the assessment adds those
    /// that an episode hides.
    pub faint: Vec<usize>,
}

/// Searches `days` (in order) for steps that `log` (in order) does not explain.
pub fn find(days: &[DaySummary], log: &[ServiceEntry], spec: &UnitSpec, c: &StepConstants) -> StepsFound {
    let mut course = Course::new(days, spec, c);
    let edges = course.edges(c);
    let matched = Matched::new(&course, &edges, log, spec, c);
    let slow = course.slow_edges(&edges, c);
    let lasts = |edge: &&Edge| !is_undone(edge, &edges, c);
    let mut steps: Vec<Step> = matched.unexplained(&edges).filter(lasts).map(|e| course.step(e)).collect();
    steps.extend(slow.iter().filter(|e| !matched.covers(e, c)).filter(lasts).map(|e| course.slow_step(e, c)));
    steps.sort_by_key(|step| step.date);
    StepsFound { steps, snapped: matched.snapped, no_recovery: matched.no_recovery, faint: matched.faint }
}

/// Whether a step down ended before anybody could see that it lasts: the light rose by most of it while a storm could
/// still have been on. Fast fouling ends so too.
fn is_undone(edge: &Edge, edges: &[Edge], c: &StepConstants) -> bool {
    let span = edge.at..edge.at + c.stays_days_unsharp * PER_DAY;
    let rises = |up: &Edge| span.contains(&up.at) && up.size >= -c.stays_share * edge.size;
    edge.size < 0.0 && edges.iter().any(rises)
}

#[cfg(test)]
mod tests;
