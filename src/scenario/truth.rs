//! What really happened to a simulated unit, and what would have, had nobody done anything.

use std::sync::Arc;

use jiff::civil::Date;

use super::physics;
use super::plan::{Fault, FaultKind, Service, UnitPlan, Work};
use super::water::Shift;
pub use super::world::Losses;
use super::world::{State, World};
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{Cause, ServiceEntry, Timestamp, VerdictCause};

/// Days in the mean of the contract's crossing: "that day and the six before it".
pub const MEAN_DAYS: usize = 7;
/// How far ahead a crossing is looked for unless told otherwise, days.
pub const HORIZON_DAYS: i64 = 365;
/// A unit whose every cause has cost less than this has nothing wrong, ln (1.5 %).
pub const NOTHING_WRONG: f64 = 0.015;
/// Work logged within this many days of its day counts as logged.
pub const LOGGED_WITHIN_DAYS: i32 = 2;
/// Points of a day at which its course is taken.
const POINTS: i64 = 4;
/// An episode begins and ends where it costs this share of its deepest loss.
const EPISODE_EDGE: f64 = 0.1;

/// The truth about a simulated unit.
#[derive(Clone, Debug)]
pub struct Truth {
    /// Every day of the history in the unit's zone, in order.
    pub days: Vec<TruthDay>,
    /// What was really done, logged or not, oldest first.
    pub services: Vec<Service>,
    /// Storms and thaws, oldest first; overlapping ones are one.
    pub episodes: Vec<TrueEpisode>,
    /// Lasting changes of the water.
    pub shifts: Vec<Shift>,
    /// What went wrong.
    pub faults: Vec<Fault>,
    /// Intensity when everything was new (lamp at 100 h), in the unit of the papers.
    pub new_intensity: f64,
    world: Arc<World>,
    /// The state at the start of each day, and one more at the end of the last.
    states: Vec<State>,
}

/// One day of the truth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthDay {
    /// Which, in the unit's zone.
    pub date: Date,
    /// Mean losses of the day, ln.
    pub losses: Losses,
    /// Mean intensity of the noise-free, episode-free course, in the unit of the papers.
    pub intensity: f64,
    /// Closed for the season all day.
    pub closed: bool,
}

/// A passing clouding of the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueEpisode {
    /// When it began to cost a tenth of its deepest loss.
    pub from: Timestamp,
    /// When it ceased to.
    pub to: Timestamp,
    /// Deepest loss, percent of light.
    pub depth_percent: f64,
}

/// A lasting change of the light that stands in no log within [`LOGGED_WITHIN_DAYS`] of its day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unlogged {
    /// The day it began.
    pub date: Date,
    /// Days it took; 0 for work at the unit.
    pub days: i64,
    /// ln; positive: up.
    pub ln_size: f64,
}

/// Percent of light lost to a loss in ln, as the contract has it: 100 (1 - exp(-x)).
pub fn percent(loss: f64) -> f64 {
    -100.0 * (-loss).exp_m1()
}

impl Losses {
    /// The loss to a cause of the contract, ln; zero for `unexplained`.
    pub fn of(&self, cause: Cause) -> f64 {
        match cause {
            Cause::SleeveFouling => self.sleeve,
            Cause::LampAgeing => self.lamp,
            Cause::SensorDrift => self.sensor(),
            Cause::LampOrSensor => self.lamp + self.sensor(),
            Cause::WaterQuality => self.water + self.episode,
            Cause::Unexplained => 0.0,
        }
    }

    /// The cause that has cost most, or none where all are under [`NOTHING_WRONG`].
    pub fn leading(&self) -> VerdictCause {
        [
            (VerdictCause::SleeveFouling, self.of(Cause::SleeveFouling)),
            (VerdictCause::LampAgeing, self.of(Cause::LampAgeing)),
            (VerdictCause::SensorDrift, self.of(Cause::SensorDrift)),
            (VerdictCause::WaterQuality, self.of(Cause::WaterQuality)),
        ]
        .into_iter()
        .filter(|(_, loss)| *loss >= NOTHING_WRONG)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(VerdictCause::None, |(cause, _)| cause)
    }
}

impl Truth {
    pub(super) fn of(world: Arc<World>, from: Timestamp, to: Timestamp) -> Self {
        let mut state = world.start();
        let (mut days, mut states) = (Vec::new(), Vec::new());
        for pair in world.days().windows(2) {
            if pair[0].start >= to {
                break;
            }
            if pair[1].start <= from {
                state.advance(&world, pair[1].start.plus_millis(-1));
                continue;
            }
            state.advance(&world, pair[0].start);
            states.push(state.clone());
            days.push(live_day(&world, &mut state, pair[0].start, pair[1].start, pair[0].date));
        }
        states.push(state);
        let plan = &world.plan;
        Self {
            days,
            services: plan.services.iter().filter(|s| s.at <= to).cloned().collect(),
            episodes: episodes(plan, from, to),
            shifts: plan.water.shifts.clone(),
            faults: plan.faults.clone(),
            new_intensity: world.new_intensity,
            states,
            world,
        }
    }

    /// The day `date` of the history.
    pub fn day(&self, date: Date) -> Option<&TruthDay> {
        self.position(date).map(|i| &self.days[i])
    }

    /// What a lasting change of the water costs in the end, ln.
    pub fn shift_loss(&self, shift: &Shift) -> f64 {
        physics::water_loss(shift.absorbance, self.world.plan.optics.path_cm)
    }

    /// Every lasting change that nobody wrote down where it belongs: work, water, a knocked sensor.
    pub fn unlogged(&self) -> Vec<Unlogged> {
        let zone = &self.world.plan.papers.zone;
        let logged = |s: &Service| {
            let apart = |entry: &ServiceEntry| (entry.at.date_in(zone) - s.at.date_in(zone)).get_days().abs();
            s.logged.as_ref().is_some_and(|entry| apart(entry) <= LOGGED_WITHIN_DAYS)
        };
        let course = |at: Timestamp| self.losses_at(at).course();
        let work = self.services.iter().filter(|s| !logged(s) && !matches!(s.work, Work::Close | Work::Open));
        let work = work.map(|s| {
            let ln_size = course(s.at.plus_millis(-MINUTE)) - course(s.at.plus_millis(MINUTE));
            Unlogged { date: s.at.date_in(zone), days: 0, ln_size }
        });
        let end = self.states.last().map_or(self.world.plan.from, |state| state.at);
        let shifts = self.shifts.iter().filter(|s| s.at <= end).map(|s| Unlogged {
            date: s.at.date_in(zone),
            days: s.days.ceil() as i64,
            ln_size: -self.shift_loss(s),
        });
        let jumps = self.faults.iter().filter(|f| f.from <= end).filter_map(|f| match f.kind {
            FaultKind::Jump(lower) => Some(Unlogged { date: f.from.date_in(zone), days: 0, ln_size: -lower }),
            _ => None,
        });
        work.chain(shifts).chain(jumps).collect()
    }

    fn position(&self, date: Date) -> Option<usize> {
        self.days.binary_search_by_key(&date, |day| day.date).ok()
    }

    /// Losses at an instant of the history, ln; at its ends, those of its first and last day.
    pub fn losses_at(&self, at: Timestamp) -> Losses {
        let next = self.states.partition_point(|state| state.at <= at);
        let mut state = self.states[next.saturating_sub(1)].clone();
        state.advance(&self.world, at);
        state.losses(&self.world, at)
    }

    /// [`Self::crossing_within`] the default horizon.
    pub fn crossing_from(&self, date: Date) -> Option<Date> {
        self.crossing_within(date, HORIZON_DAYS)
    }

    /// The first day from `date` on (at most `horizon_days` later) on which the mean of the course of that day and
    /// the six before it is at or under the set point, if nobody does anything after `date` and no lasting change of
    /// the water begins after it. Closed days have no course. `None` also for a day outside the history.
    pub fn crossing_within(&self, date: Date, horizon_days: i64) -> Option<Date> {
        let start = self.position(date)?;
        let first = (start + 1).saturating_sub(MEAN_DAYS);
        let mut recent: Vec<Option<f64>> =
            self.days[first..=start].iter().map(|day| (!day.closed).then_some(day.intensity)).collect();
        let set_point = self.world.plan.papers.set_point;
        let mut state = self.states[start + 1].clone();
        let known = state.at;
        if state.closed {
            return None;
        }
        let offset = self.world.days().iter().position(|day| day.date == date)?;
        for (ahead, pair) in self.world.days()[offset..].windows(2).enumerate() {
            if ahead > 0 {
                recent.push(Some(idle_day(&self.world, &mut state, pair[0].start, pair[1].start, known)));
            }
            let open: Vec<f64> = recent[recent.len().saturating_sub(MEAN_DAYS)..].iter().flatten().copied().collect();
            if !open.is_empty() && open.iter().sum::<f64>() / open.len() as f64 <= set_point {
                return Some(pair[0].date);
            }
            if ahead as i64 >= horizon_days {
                return None;
            }
        }
        None
    }

    /// The course `days` days after `date` if nobody does anything: intensities in the unit of the papers, the first
    /// for the day after `date`. Empty for a day outside the history.
    pub fn course_from(&self, date: Date, days: usize) -> Vec<f64> {
        let Some(start) = self.position(date) else { return Vec::new() };
        let mut state = self.states[start + 1].clone();
        let known = state.at;
        let Some(offset) = self.world.days().iter().position(|day| day.date == date) else { return Vec::new() };
        self.world.days()[offset + 1..]
            .windows(2)
            .take(days)
            .map(|pair| idle_day(&self.world, &mut state, pair[0].start, pair[1].start, known))
            .collect()
    }
}

fn points(start: Timestamp, end: Timestamp) -> impl Iterator<Item = Timestamp> {
    let length = end.millis_since(start);
    (0..POINTS).map(move |i| start.plus_millis(length * (2 * i + 1) / (2 * POINTS)))
}

fn live_day(world: &World, state: &mut State, start: Timestamp, end: Timestamp, date: Date) -> TruthDay {
    let (mut losses, mut intensity, mut closed) = (Losses::default(), 0.0, state.closed);
    for at in points(start, end) {
        state.advance(world, at);
        let now = state.losses(world, at);
        losses.add_scaled(&now, 1.0 / POINTS as f64);
        intensity += world.new_intensity * (-now.course()).exp() / POINTS as f64;
        closed &= state.closed;
    }
    // The last millisecond belongs to this day; what happens at midnight to the next.
    state.advance(world, end.plus_millis(-1));
    TruthDay { date, losses, intensity, closed }
}

fn idle_day(world: &World, state: &mut State, start: Timestamp, end: Timestamp, known: Timestamp) -> f64 {
    let mut intensity = 0.0;
    for at in points(start, end) {
        state.drift_on(world, at);
        intensity += (-state.losses(world, known).course()).exp();
    }
    world.new_intensity * intensity / POINTS as f64
}

fn episodes(plan: &UnitPlan, from: Timestamp, to: Timestamp) -> Vec<TrueEpisode> {
    let loss = |at: Timestamp| physics::water_loss(plan.water.passing(at), plan.optics.path_cm);
    let storms = plan.water.storms.iter().map(|s| (s.at, s.lasts_hours() as i64));
    let thaws = plan.water.snowmelts.iter().map(|s| (s.at, (24.0 * s.days) as i64));
    let mut spans: Vec<TrueEpisode> = Vec::new();
    let mut sources: Vec<_> = storms.chain(thaws).filter(|(at, _)| *at < to).collect();
    sources.sort();
    for (at, hours) in sources {
        let times = || (0..=hours).map(|h| at.plus_millis(h * HOUR));
        let peak = times().map(loss).fold(0.0, f64::max);
        let within: Vec<Timestamp> = times().filter(|t| loss(*t) >= EPISODE_EDGE * peak).collect();
        let (Some(begin), Some(end)) = (within.first(), within.last()) else { continue };
        let depth_percent = percent(peak);
        match spans.last_mut() {
            Some(before) if before.to >= *begin => {
                before.to = before.to.max(*end);
                before.depth_percent = before.depth_percent.max(depth_percent);
            }
            _ => spans.push(TrueEpisode { from: *begin, to: *end, depth_percent }),
        }
    }
    spans.retain(|episode| episode.to >= from && episode.to.millis_since(episode.from) < 400 * DAY);
    spans
}
