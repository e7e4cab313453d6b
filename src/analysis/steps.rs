//! Steps in the light that nobody logged, and log entries that the light does not bear out.
//!
//! Work at a unit shows as a step within hours that stays; water comes and goes over hours to days and returns. So:
//! the course in quarter days ([`super::quarters`]), its usual fall taken out by a rolling median of day-to-day
//! differences, dips narrower than 17 days filled by a grey closing (Serra, "Image Analysis and Mathematical
//! Morphology", 1982) and left out, and then steps added greedily while the contrast between the medians on both sides
//! is better evidence than its penalty, each taken out of the course before the next is sought, and pruned at the end.
//! The noise is a white and an AR(1) part with FIXED memory, from median absolute deviations: estimating the memory
//! while selecting steps would let it grow until it swallowed them.

use jiff::civil::Date;

use super::level::{Edge, Level, closing};
use super::quarters::{PER_DAY, Quarters, days_between};
use crate::domain::{DaySummary, ServiceAction, ServiceEntry, UnitSpec};

/// The constants of the search for steps.
#[derive(Clone, Debug, PartialEq)]
pub struct StepConstants {
    /// What the AR(1) part of the noise keeps from one day to the next; 0 to 1. From a trial on simulated units; fixed
    /// on purpose.
    pub keeps_per_day: f64,
    /// Dips narrower than this are filled; days, 3 to 60. From the same trial: storms are over by then.
    pub dip_days: usize,
    /// Evidence (squared contrast over its variance) a step needs on a day on which the lamp was seen to be off: to
    /// clean a sleeve, the power must be off; 4 to 50.
    pub penalty_lamp_off: f64,
    /// The same where readings are too rare to show whether the lamp was off; 4 to 50. The penalty of the trial.
    pub penalty: f64,
    /// The same on a day on which the lamp was seen to stay on; 4 to 100.
    pub penalty_lamp_on: f64,
    /// The least step; ln, .002 to .1. Ours: a cleaning that gains under 1 % changes no date worth knowing.
    pub least_step: f64,
    /// Evidence a change needs that takes days rather than hours; 4 to 100.
    pub penalty_slow: f64,
    /// The least such change; ln, .005 to .2.
    pub least_slow_step: f64,
    /// The longest such change; days, 2 to 10.
    pub slow_days: usize,
    /// How long a step down must stay before it is one, where all of it came within hours; days, 5 to 60.
    pub stays_days: usize,
    /// The same where it took longer, as the onset of a storm does; days, 10 to 90. From the lengths of storms.
    pub stays_days_unsharp: usize,
    /// Share of a step that must stay; 0 to 1.
    pub stays_share: f64,
    /// A logged date is moved to the largest rise within this many days; 0 to 5.
    pub snap_days: i64,
    /// An entry without a step is looked for within this many days; 2 to 30.
    pub misdated_days: i64,
    /// Evidence a logged entry needs to count as borne out; 1 to 20.
    pub borne_out: f64,
    /// Readings a day from which a visit's half hour without power cannot be missed; 24 to 1440.
    pub sees_visits: u32,
}

impl Default for StepConstants {
    fn default() -> Self {
        Self {
            keeps_per_day: 0.85,
            dip_days: 17,
            penalty_lamp_off: 12.0,
            penalty: 20.0,
            penalty_lamp_on: 45.0,
            least_step: 0.01,
            penalty_slow: 25.0,
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
}

/// Searches `days` (in order) for steps that `log` (in order) does not explain.
pub fn find(days: &[DaySummary], log: &[ServiceEntry], spec: &UnitSpec, c: &StepConstants) -> StepsFound {
    let mut course = Course::new(days, spec, c);
    let edges = course.edges(c);
    let slow = course.slow_edges(&edges, c);
    course.match_log(edges, &slow, log, spec, c)
}

/// Whether an action can make the light step.
fn can_step(action: ServiceAction) -> bool {
    expects_rise(action) || matches!(action, ServiceAction::SensorCleaned | ServiceAction::SensorReplaced)
}

/// Whether the light should rise after an action.
fn expects_rise(action: ServiceAction) -> bool {
    matches!(action, ServiceAction::SleeveCleaned | ServiceAction::SleeveReplaced | ServiceAction::LampReplaced)
}

/// The course on which steps are sought.
struct Course {
    quarters: Quarters,
    level: Level,
    /// For each day from the origin: whether the lamp was off; `None` where it cannot be told.
    lamp_off: Vec<Option<bool>>,
    /// Days on which the hour counter was reset.
    resets: Vec<usize>,
}

impl Course {
    fn new(days: &[DaySummary], spec: &UnitSpec, c: &StepConstants) -> Self {
        let quarters = Quarters::new(days, spec);
        let level = Level::new(&quarters.ln, c.keeps_per_day);
        let mut course = Self { lamp_off: vec![None; quarters.days()], resets: Vec::new(), quarters, level };
        course.note_lamp(days, c);
        course
    }

    fn note_lamp(&mut self, days: &[DaySummary], c: &StepConstants) {
        let mut hours: Option<f64> = None;
        for day in days {
            let Ok(index) = usize::try_from(self.quarters.day_of(day.date)) else { continue };
            let Some(known) = self.lamp_off.get_mut(index) else { continue };
            let s = &day.set_aside;
            let off = s.lamp_off > 0 || s.dark > 0 || s.warm_up > 0 || s.visit > 0 || s.dry > 0;
            *known = (off || day.readings >= c.sees_visits).then_some(off);
            let fell = day.lamp_hours_fell.is_some_and(|fell| fell > RESET_HOURS)
                || hours.zip(day.lamp_hours).is_some_and(|(before, now)| before - now > RESET_HOURS);
            if fell {
                self.resets.push(index);
            }
            hours = day.lamp_hours.or(hours);
        }
    }

    /// Quarters that belong to no dip. A dip ends by itself; one that ends in a sharp rise was ended by somebody.
    fn outside_dips(&self, c: &StepConstants) -> Vec<Option<f64>> {
        let closed = closing(&self.level.values, c.dip_days * PER_DAY);
        let limit = DIP_SDS * self.level.noise.sd();
        let values = &self.level.values;
        let depth = |t: usize| values[t].zip(closed[t]).map_or(0.0, |(v, c)| c - v);
        let mut kept = values.clone();
        let mut t = 0;
        while t < values.len() {
            let first = t;
            while t < values.len() && (values[t].is_none() || depth(t) > limit) {
                t += 1;
            }
            let deepest = (first..t).map(depth).fold(0.0, f64::max);
            if deepest > limit && !self.ends_sharply(first, t, deepest) {
                kept[first..t].fill(None);
            }
            t += 1;
        }
        kept
    }

    /// Whether the course rises by most of `depth` right after the dip `first..end`.
    fn ends_sharply(&self, first: usize, end: usize, depth: f64) -> bool {
        let before = self.level.values[first..end].iter().rev().flatten().take(2).copied().reduce(f64::max);
        let after = self.level.values[end..].iter().flatten().take(2).copied().reduce(f64::min);
        before.zip(after).is_some_and(|(before, after)| after - before >= SHARP_SHARE * depth)
    }

    /// Sharp steps, whoever logged them, by time. Takes them out of the level.
    fn edges(&mut self, c: &StepConstants) -> Vec<Edge> {
        let mut found: Vec<Edge> = Vec::new();
        let mut spent = vec![false; self.level.values.len()];
        for _ in 0..MOST_STEPS {
            let kept = self.outside_dips(c);
            let best = (0..kept.len())
                .filter(|at| !spent[*at])
                .filter_map(|at| self.candidate(&kept, at, c))
                .filter(|edge| found.iter().all(|f| !is_tail(edge, f)))
                .max_by(|a, b| a.z.abs().total_cmp(&b.z.abs()));
            let Some(best) = best else { break };
            // Whatever becomes of it, it is not looked at again: a step that cannot be placed must not come back.
            spent[best.at] = true;
            let best = Edge { at: self.level.placed(&best), ..best };
            if found.iter().all(|f| f.at.abs_diff(best.at) > 1) {
                self.level.take_out(&best);
                found.push(best);
            }
        }
        found.sort_by_key(|edge| edge.at);
        found
    }

    fn candidate(&self, kept: &[Option<f64>], at: usize, c: &StepConstants) -> Option<Edge> {
        let edge = self.level.contrast(kept, at, 1, self.level.noise.window)?;
        let penalty = self.penalty(at, c);
        if edge.size.abs() < c.least_step || edge.z * edge.z < penalty {
            return None;
        }
        let (sharp, error) = self.level.sharpness(&edge).unwrap_or((1.0, 0.0));
        (sharp >= SHARP_SHARE - error && self.stays(kept, &edge, sharp, c)).then_some(edge)
    }

    fn penalty(&self, at: usize, c: &StepConstants) -> f64 {
        match self.lamp_off_near(at) {
            Some(true) => c.penalty_lamp_off,
            None => c.penalty,
            Some(false) => c.penalty_lamp_on,
        }
    }

    fn lamp_off_near(&self, at: usize) -> Option<bool> {
        // The quarter of the step and those beside it: the day before or after only if it is next to it.
        let (first, last) = (at.saturating_sub(1) / PER_DAY, (at + 1) / PER_DAY);
        let known: Vec<bool> = (first..=last).filter_map(|d| self.lamp_off.get(d).copied().flatten()).collect();
        (!known.is_empty()).then(|| known.contains(&true))
    }

    /// Whether the level some days on is still there, and was not there before.
    fn stays(&self, kept: &[Option<f64>], edge: &Edge, sharp: f64, c: &StepConstants) -> bool {
        let share = c.stays_share * edge.size.abs();
        let sign = edge.size.signum();
        let week = self.level.contrast(kept, edge.at, 1, 6.max(self.level.noise.window));
        if week.is_none_or(|w| sign * w.size < share) {
            return false;
        }
        if edge.size > 0.0 {
            return true;
        }
        // Down: it must last, and last long enough to be told from a passing cloud.
        let days = if sharp >= WHOLLY_SHARP { c.stays_days } else { c.stays_days_unsharp };
        let from = edge.at + 1;
        let to = from + days * PER_DAY;
        let before = [6, 20].map(|d| self.level.median(edge.at.saturating_sub(d * PER_DAY)..edge.at));
        let lowered = |after: f64| before.iter().flatten().all(|before| sign * (after - before) >= share);
        let chunk = STAY_CHUNK * PER_DAY;
        to <= self.level.values.len()
            && (from + days * PER_DAY / 2..to)
                .step_by(chunk)
                .all(|t| self.level.median(t..t + chunk).is_none_or(lowered))
    }

    /// Changes over days that stay, on what the sharp steps left. Takes them out too.
    fn slow_edges(&mut self, sharp: &[Edge], c: &StepConstants) -> Vec<Edge> {
        let mut found: Vec<Edge> = Vec::new();
        let skip = c.slow_days * PER_DAY;
        for _ in 0..MOST_STEPS {
            let kept = self.outside_dips(c);
            let best = (0..kept.len())
                .filter_map(|at| self.level.contrast(&kept, at, skip, 6.max(self.level.noise.window)))
                .filter(|e| e.size.abs() >= c.least_slow_step && e.z * e.z >= c.penalty_slow)
                .filter(|e| found.iter().all(|f| f.at.abs_diff(e.at) > skip))
                .filter(|e| sharp.iter().all(|s| s.at + TAIL < e.at || s.at > e.at + skip + TAIL))
                .filter(|e| self.slow_stays(e, c))
                .max_by(|a, b| a.z.abs().total_cmp(&b.z.abs()));
            let Some(best) = best else { break };
            let middle = (best.at + skip / 2).min(self.level.values.len());
            self.level.values[middle..].iter_mut().flatten().for_each(|v| *v -= best.size);
            self.level.values[best.at..(best.at + skip).min(kept.len())].fill(None);
            found.push(best);
        }
        found.sort_by_key(|edge| edge.at);
        found
    }

    fn slow_stays(&self, edge: &Edge, c: &StepConstants) -> bool {
        let skip = c.slow_days * PER_DAY;
        let month = 30 * PER_DAY;
        let after = edge.at + skip;
        let late = self.level.median(after + month / 2..after + month);
        let early = edge.at.checked_sub(20 * PER_DAY).and_then(|from| self.level.median(from..edge.at - 8 * PER_DAY));
        let near = self.level.median(edge.at.saturating_sub(6 * PER_DAY)..edge.at);
        let share = c.stays_share * edge.size.abs();
        let sign = edge.size.signum();
        late.zip(near).is_some_and(|(l, n)| sign * (l - n) >= share)
            && early.zip(late).is_none_or(|(e, l)| sign * (l - e) >= share)
    }

    fn match_log(
        &self,
        mut edges: Vec<Edge>,
        slow: &[Edge],
        log: &[ServiceEntry],
        spec: &UnitSpec,
        c: &StepConstants,
    ) -> StepsFound {
        let mut found = StepsFound::default();
        let day_of = |edge: &Edge| (edge.at / PER_DAY) as i64;
        let logged: Vec<(usize, i64)> = log
            .iter()
            .enumerate()
            .filter(|(_, e)| can_step(e.action))
            .map(|(i, e)| (i, self.quarters.quarter_of(e.at, &spec.zone)))
            .collect();
        // First the edges that stand where an entry says, then the rest for entries that are off.
        let mut explained: Vec<Option<usize>> = vec![None; edges.len()];
        let mut left: Vec<(usize, i64)> = Vec::new();
        for (entry, quarter) in logged {
            let away = |i: usize| (edges[i].at as i64 - quarter).abs();
            let near = (0..edges.len())
                .filter(|i| away(*i) <= c.snap_days * PER_DAY as i64)
                .filter(|i| !expects_rise(log[entry].action) || edges[*i].size > 0.0)
                .max_by(|a, b| {
                    let here = |i: usize| away(i) <= AS_LOGGED;
                    here(*a).cmp(&here(*b)).then(edges[*a].size.abs().total_cmp(&edges[*b].size.abs()))
                });
            let day = quarter.div_euclid(PER_DAY as i64);
            match near {
                Some(i) => {
                    explained[i] = Some(entry);
                    if away(i) > AS_LOGGED && day_of(&edges[i]) != day {
                        found.snapped.push(Snap { entry, used: self.quarters.date(day_of(&edges[i]) as usize) });
                    }
                }
                None => left.push((entry, day)),
            }
        }
        for (entry, day) in left {
            if !expects_rise(log[entry].action) || self.rises_at(day, c) {
                continue;
            }
            let stray = (0..edges.len())
                .filter(|i| explained[*i].is_none() && edges[*i].size > 0.0)
                .filter(|i| (day_of(&edges[*i]) - day).abs() <= c.misdated_days)
                .min_by_key(|i| (day_of(&edges[*i]) - day).abs());
            if let Some(i) = stray {
                explained[i] = Some(entry);
                found.snapped.push(Snap { entry, used: self.quarters.date(day_of(&edges[i]) as usize) });
            } else if day >= 0 && (day as usize) + 1 < self.quarters.days() {
                found.no_recovery.push(entry);
            }
        }
        let mut keep = explained.iter().map(Option::is_none);
        edges.retain(|_| keep.next().unwrap_or(true));
        found.steps = edges.iter().map(|e| self.step(e, false, e.at / PER_DAY + 1)).collect();
        let slow = slow.iter().map(|e| self.step(e, true, (e.at + c.slow_days * PER_DAY / 2) / PER_DAY + 1));
        found.steps.extend(slow);
        found.steps.sort_by_key(|s| s.date);
        found.snapped.sort_by_key(|s| s.entry);
        found
    }

    fn step(&self, edge: &Edge, slow: bool, day: usize) -> Step {
        let near = |reset: &usize| reset.abs_diff(edge.at / PER_DAY) <= 1;
        Step {
            date: self.quarters.date(day),
            ln_size: edge.size,
            z: edge.z,
            lamp_reset: !slow && self.resets.iter().any(near),
            slow,
            lamp_off: self.lamp_off_near(edge.at),
        }
    }

    /// Whether the light rose at all on a logged day or one beside it. Edges have been taken out by now.
    fn rises_at(&self, day: i64, c: &StepConstants) -> bool {
        let Ok(day) = usize::try_from(day) else { return false };
        let window = self.level.noise.window.max(2);
        let first = day * PER_DAY;
        (first..first + PER_DAY)
            .filter(|at| *at < self.level.values.len())
            .filter_map(|at| self.level.contrast(&self.level.values, at, 1, window))
            .any(|e| e.size > 0.0 && e.z * e.z >= c.borne_out)
    }
}

/// A step within so many quarters of an entry stands where it says: people write down the hour roughly.
const AS_LOGGED: i64 = 3;
/// A fall of the hour counter by more than this is a reset, h.
const RESET_HOURS: f64 = 24.0;
/// The most steps sought in one history: a bound on time, far beyond any unit's life.
const MOST_STEPS: usize = 200;
/// Standard deviations under the closing at which a quarter belongs to a dip.
const DIP_SDS: f64 = 2.5;
/// Share of a step that must lie within half a day.
const SHARP_SHARE: f64 = 0.5;
/// While a step down must stay, the level is looked at over so many days at a time.
const STAY_CHUNK: usize = 5;
/// From this share on it came within hours.
const WHOLLY_SHARP: f64 = 0.8;
/// A smaller step this soon beside a greater one belongs to it: the day of a visit, a new lamp's burn-in, the days
/// before a clean sleeve begins to foul; quarters.
const TAIL: usize = 4 * PER_DAY;

/// Whether `edge` is a tail of the step `of`.
fn is_tail(edge: &Edge, of: &Edge) -> bool {
    let apart = edge.at.abs_diff(of.at);
    apart <= 1 || (apart <= TAIL && edge.size.abs() < TAIL_SHARE * of.size.abs())
}

/// A tail is smaller than this share of its step.
const TAIL_SHARE: f64 = 0.5;

/// Days from one date to another, for tests and callers that match dates.
pub fn days_apart(a: Date, b: Date) -> i64 {
    days_between(a, b).abs()
}
