//! The steps in a unit's course, whoever logged them.

use std::ops::Range;

use super::candidates::Candidates;
use super::dips::Dips;
use super::{Step, StepConstants};
use crate::analysis::contrast::Windows;
use crate::analysis::level::{Edge, Level};
use crate::analysis::quarters::{PER_DAY, Quarters};
use crate::domain::{DaySummary, UnitSpec};

/// A fall of the hour counter by more than this is a reset, h.
const RESET_HOURS: f64 = 24.0;
/// The most steps sought in one history: a bound on time, far beyond any unit's life.
const MOST_STEPS: usize = 200;
/// Share of a step that must lie within half a day.
const SHARP_SHARE: f64 = 0.5;
/// While a step down must stay, the level is looked at over so many days at a time.
const STAY_CHUNK: usize = 5;
/// And compared with the medians of so many days before it.
const STAY_BEFORE: (usize, usize) = (6, 20);
/// From this share on it came within hours.
const WHOLLY_SHARP: f64 = 0.8;
/// A smaller step this soon beside a greater one belongs to it: the day of a visit, a new lamp's burn-in, the days
/// before a clean sleeve begins to foul; quarters.
const TAIL: usize = 4 * PER_DAY;

/// A tail is smaller than this share of its step.
const TAIL_SHARE: f64 = 0.5;
/// In a longer gap it is of no use to ask on which of its days the lamp was off, quarters.
const LONGEST_GAP: usize = 10 * PER_DAY;
/// How long a new lamp burns in, quarters (most of it within 100 h, from memory of EPA 815-R-06-007; three times that).
const BURN_IN: usize = 12 * PER_DAY;
/// Where a fall beside a step down is looked for, quarters.
const FALL_BESIDE: usize = 6;
/// And how far beyond the noise, standard deviations.
const FALL_SDS: f64 = 3.0;
/// A fall of more than this share of the step is no step.
const FALL_SHARE: f64 = 0.4;

/// The course on which steps are sought.
pub(super) struct Course {
    pub quarters: Quarters,
    level: Level,
    /// For each day from the origin: whether the lamp was off; `None` where it cannot be told.
    lamp_off: Vec<Option<bool>>,
    /// Days on which the hour counter was reset.
    resets: Vec<usize>,
}

impl Course {
    pub fn new(days: &[DaySummary], spec: &UnitSpec, c: &StepConstants) -> Self {
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

    /// Sharp steps, whoever logged them, by time. Takes them out of the level.
    pub fn edges(&mut self, c: &StepConstants) -> Vec<Edge> {
        let mut found: Vec<Edge> = Vec::new();
        let windows = Windows::new(1, self.level.noise.window);
        let mut dips = Dips::new(&self.level, c);
        let mut kept = dips.outside(&self.level);
        let mut candidates = Candidates::new(kept.len());
        self.look(&mut candidates, &kept, 0..kept.len(), windows, c);
        for _ in 0..MOST_STEPS {
            let best = candidates.best(|at| {
                let edge = self.level.contrast(&kept, at, windows)?;
                let is_free = found.iter().all(|f| !is_tail(&edge, f));
                (is_free && self.is_step(&kept, &edge, c)).then_some(edge)
            });
            let Some(best) = best else { break };
            // Whatever becomes of it, it is not looked at again: a step that cannot be placed must not come back.
            candidates.spend(best.at);
            let best = Edge { at: self.in_gap(self.level.placed(&best)), ..best };
            if found.iter().all(|f| f.at.abs_diff(best.at) > 1) {
                self.level.take_out(&best);
                found.push(best);
                dips.renew(&self.level, best.at);
                let before = std::mem::replace(&mut kept, dips.outside(&self.level));
                let changed = |t: &usize| *t == best.at || before[*t].is_some() != kept[*t].is_some();
                for range in joined((0..kept.len()).filter(changed), |t| self.sees(windows, t, c)) {
                    candidates.reconsider(range);
                }
                for range in joined((0..kept.len()).filter(changed), |t| windows.see(t)) {
                    self.look(&mut candidates, &kept, range, windows, c);
                }
            }
        }
        found.sort_by_key(|edge| edge.at);
        found
    }

    /// Looks for candidates in `range` afresh.
    fn look(
        &self,
        candidates: &mut Candidates,
        kept: &[Option<f64>],
        range: Range<usize>,
        windows: Windows,
        c: &StepConstants,
    ) {
        candidates.clear(range.clone());
        self.level.contrasts(kept, range, windows, c.least_step, |edge| {
            if self.is_worth_it(&edge, c.least_step, c) && edge.z * edge.z >= self.penalty(edge.at, c) {
                candidates.add(edge);
            }
        });
    }

    /// The quarters whose candidates must be judged afresh where quarter `t` has changed.
    fn sees(&self, windows: Windows, t: usize, c: &StepConstants) -> Range<usize> {
        let window = self.level.noise.window;
        let stays = c.stays_days.max(c.stays_days_unsharp).max(2 * window) + STAY_CHUNK.max(window) + 1;
        let week = windows.see(t);
        let back = t.saturating_sub(stays * PER_DAY);
        let on = t + STAY_BEFORE.1.max(window) * PER_DAY + 1;
        back.min(week.start.saturating_sub(6 * PER_DAY))..on.max(week.end + 6 * PER_DAY)
    }

    fn is_step(&self, kept: &[Option<f64>], edge: &Edge, c: &StepConstants) -> bool {
        let (sharp, error) = self.level.sharpness(edge).unwrap_or((1.0, 0.0));
        sharp >= SHARP_SHARE - 2.0 * error && self.stays(kept, edge, sharp, c)
    }

    /// Whether a step is large enough to change anything: down, it must take more than days of the usual fall would.
    fn is_worth_it(&self, edge: &Edge, least: f64, c: &StepConstants) -> bool {
        let usual = if edge.size < 0.0 { c.least_fall_days * self.level.fall.abs() } else { 0.0 };
        edge.size.abs() >= least.max(usual)
    }

    fn penalty(&self, at: usize, c: &StepConstants) -> f64 {
        match self.lamp_off_near(at) {
            Some(true) => c.penalty_lamp_off,
            None => c.penalty,
            Some(false) => c.penalty_lamp_on,
        }
    }

    /// Where in a gap a step stands: nobody knows but from the lamp, so on a day on which it was off, if there is one.
    /// Quarters in which the measured water moves a lot are such gaps, and in a storm sleeves are cleaned too.
    fn in_gap(&self, at: usize) -> usize {
        let values = &self.level.values;
        let from = values[..at].iter().rposition(Option::is_some).map_or(0, |last| last + 1);
        let to = values[at..].iter().position(Option::is_some).map_or(values.len(), |next| at + next);
        if to - from <= 1 || to - from > LONGEST_GAP {
            return at;
        }
        let off = (from / PER_DAY..=to / PER_DAY).filter(|day| self.lamp_off.get(*day) == Some(&Some(true)));
        let noons = off.map(|day| (day * PER_DAY + PER_DAY / 2).clamp(from, to));
        noons.min_by_key(|noon| noon.abs_diff(at)).unwrap_or(at)
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
        let week = self.level.contrast(kept, edge.at, Windows::new(1, 6.max(self.level.noise.window)));
        if week.is_none_or(|w| sign * w.size < share) {
            return false;
        }
        if edge.size > 0.0 {
            return true;
        }
        if self.falls_beside(edge) {
            return false;
        }
        // Down: it must last, and last long enough to be told from a passing cloud.
        let window = self.level.noise.window;
        let days = if sharp >= WHOLLY_SHARP { c.stays_days } else { c.stays_days_unsharp }.max(2 * window);
        let from = edge.at + 1;
        let to = from + days * PER_DAY;
        let before = [STAY_BEFORE.0, STAY_BEFORE.1]
            .map(|d| self.level.median(edge.at.saturating_sub(d.max(window) * PER_DAY)..edge.at));
        let lowered = |after: f64| before.iter().flatten().all(|before| sign * (after - before) >= share);
        let chunk = STAY_CHUNK.max(window) * PER_DAY;
        to <= self.level.values.len()
            && (from + days * PER_DAY / 2..to)
                .step_by(chunk)
                .all(|t| self.level.median(t..t + chunk).is_none_or(lowered))
    }

    /// Changes over days that stay, on what the sharp steps left. Takes them out too.
    pub fn slow_edges(&mut self, sharp: &[Edge], c: &StepConstants) -> Vec<Edge> {
        let mut found: Vec<Edge> = Vec::new();
        let skip = c.slow_days * PER_DAY;
        let windows = Windows::new(skip, 6.max(self.level.noise.window));
        for _ in 0..MOST_STEPS {
            let kept = Dips::new(&self.level, c).outside(&self.level);
            let mut candidates = Candidates::new(kept.len());
            self.level.contrasts(&kept, 0..kept.len(), windows, c.least_slow_step, |e| {
                let is_free = found.iter().all(|f| f.at.abs_diff(e.at) > skip)
                    && sharp.iter().all(|s| s.at + TAIL < e.at || s.at > e.at + skip + TAIL)
                    && sharp.iter().all(|s| !is_burn_in(&e, s));
                if self.is_worth_it(&e, c.least_slow_step, c) && e.z * e.z >= c.penalty_slow && is_free {
                    candidates.add(e);
                }
            });
            let best =
                candidates.best(|at| self.level.contrast(&kept, at, windows).filter(|edge| self.slow_stays(edge, c)));
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

    /// Whether the course falls nearly as much just before or after a step down: then it is a fast fall and no step.
    fn falls_beside(&self, edge: &Edge) -> bool {
        let beside = [edge.at.checked_sub(FALL_BESIDE), Some(edge.at + FALL_BESIDE)];
        beside
            .into_iter()
            .flatten()
            .filter_map(|at| self.level.contrast(&self.level.values, at, Windows::new(1, 1)))
            .any(|fall| fall.size < FALL_SHARE * edge.size && fall.z < -FALL_SDS)
    }

    /// A sharp step, in the words of the result.
    pub fn step(&self, edge: &Edge) -> Step {
        let near = |reset: &usize| reset.abs_diff(edge.at / PER_DAY) <= 1;
        Step {
            date: self.quarters.date(edge.at / PER_DAY + 1),
            ln_size: edge.size,
            z: edge.z,
            lamp_reset: self.resets.iter().any(near),
            slow: false,
            lamp_off: self.lamp_off_near(edge.at),
        }
    }

    /// A change over days, in the words of the result.
    pub fn slow_step(&self, edge: &Edge, c: &StepConstants) -> Step {
        let middle = edge.at + c.slow_days * PER_DAY / 2;
        let date = self.quarters.date(middle / PER_DAY + 1);
        Step { date, lamp_reset: false, slow: true, ..self.step(&Edge { at: middle, ..*edge }) }
    }

    /// The largest rise on a day, with what was found taken out.
    pub fn rise_on(&self, day: usize) -> Option<Edge> {
        let first = day * PER_DAY;
        (first..(first + PER_DAY).min(self.level.values.len()))
            .filter_map(|at| {
                self.level.contrast(&self.level.values, at, Windows::new(1, self.level.noise.window.max(2)))
            })
            .max_by(|a, b| a.size.total_cmp(&b.size))
    }
}

/// Whether `edge` is a tail of the step `of`.
fn is_tail(edge: &Edge, of: &Edge) -> bool {
    let apart = edge.at.abs_diff(of.at);
    apart <= 1 || (apart <= TAIL && edge.size.abs() < TAIL_SHARE * of.size.abs())
}

/// Whether a slow fall belongs to a rise some days before: a new lamp burns in.
fn is_burn_in(slow: &Edge, rise: &Edge) -> bool {
    slow.size < 0.0 && -slow.size < TAIL_SHARE * rise.size && (rise.at..rise.at + BURN_IN).contains(&slow.at)
}

/// What `around` gives for each of `places`, ascending, joined where it overlaps.
fn joined(places: impl Iterator<Item = usize>, around: impl Fn(usize) -> Range<usize>) -> Vec<Range<usize>> {
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for range in places.map(around) {
        match ranges.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => ranges.push(range),
        }
    }
    ranges
}
