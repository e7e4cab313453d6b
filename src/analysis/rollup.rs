//! From readings to days: which readings show the unit's normal running, and each day of them in a few numbers.
//!
//! Every rule looks at most [`MARGIN_BEFORE`] back from the first instant of the day and never ahead of its last, so
//! a day comes out the same from a whole history ([`summarise`]) and from its own readings ([`summarise_day`]).
//! The median is that of the mid-distribution (Ma, Genton and Parzen, "Asymptotic properties of sample quantiles of
//! discrete distributions", 2011): the ordinary one where no values tie, and finer than one step of a coarse sensor
//! where noise dithers it. Outliers are found after Hampel ("The influence curve and its role in robust estimation",
//! 1974) against a running median, which follows a step or an episode.

use std::ops::Range;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::condition::{DARK_SHARE_OF_SET_POINT, VISIT_AT_MOST};
use crate::domain::measure::{LoopState, loop_state};
use crate::domain::time::{HOUR, MINUTE};
use crate::domain::{
    Channel, DaySummary, LnSummary, Reading, ServiceAction, ServiceEntry, SetAside, Timestamp, UnitSpec,
};

/// How far before the first instant of a day its summary looks, milliseconds: long enough to know a stuck sensor's
/// earlier ways.
pub const MARGIN_BEFORE: i64 = 24 * HOUR;
/// How far past the last instant of a day its summary looks, milliseconds.
pub const MARGIN_AFTER: i64 = 0;
/// Turns a median absolute deviation into the standard deviation of a normal distribution.
const MAD_TO_SD: f64 = 1.4826;
/// The widest running median, readings.
const HAMPEL_WIDEST: usize = 2 * 16 + 1;

/// The constants of the roll-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RollupConstants {
    /// How long after a lamp start a reading is not yet the lamp's; minutes, 0 to 120. Warm-up is 1 to 2 min for
    /// low-pressure and 4 to 10 min for amalgam lamps, longer in cold water (EPA 815-R-06-007 table 2.3, from memory);
    /// half as much again.
    pub warm_up_minutes: i64,
    /// A gap counts as a possible restart from this many usual intervals on; 2 to 100. Ours: a lost message or two is
    /// no restart.
    pub restart_gap_intervals: i64,
    /// And from this many minutes on; 1 to 1440. Ours: a cut of the mains shorter than this is rare and costs little.
    pub restart_gap_minutes: i64,
    /// Pressure at the unit at or under which, with no flow, there is no water; kPa over atmosphere, 0 to 20. Derived:
    /// half a metre of water, less than any gravity supply.
    pub dry_pressure_kpa: f64,
    /// From this temperature on the probe is not in the water of a running unit; C, 50 to 80. Ours: standing water
    /// over a burning lamp stays well under it, a dry chamber does not.
    pub dry_temperature_c: f64,
    /// From this temperature on the probe has failed and says nothing; C. Common digital probes give exactly 85.0
    /// before their first conversion (common practice, no source).
    pub probe_failed_c: f64,
    /// A run of equal values is never stuck with fewer readings; 5 to 1000. Ours.
    pub stuck_readings: usize,
    /// Nor if it is shorter; hours, 1 to 24. Ours: still water at night keeps a good sensor steady for minutes, not
    /// hours.
    pub stuck_hours: i64,
    /// How improbable a run must be, by how often the other values of the unit repeat; 1e-15 to 1e-3. Ours: less than
    /// once in the life of ten thousand units.
    pub stuck_chance: f64,
    /// Share of the moves of a window that must be wider than one step of the sensor before its other values can
    /// convict a run; 0 to 1. Derived: 13 % of pairs at a noise of .7 steps, where even mid-step one reading in two
    /// moves; noise of .3 steps, which rests mid-step for hours, gives under one in a thousand.
    pub stuck_wide_moves: f64,
    /// Where the sensor shows nothing but one value, a step finer than this share of it says that it should have
    /// moved; 0 to .01. Ours: a tenth of a per cent is under the noise of every sensor of the trade.
    pub stuck_fine_step: f64,
    /// But not before this long; hours, 3 to 48. Ours: half a day brings use, still water and another temperature.
    pub stuck_alone_hours: i64,
    /// Readings on either side in the running median of the outlier rule; 2 to 16. An event of more readings than this
    /// is never an outlier.
    pub hampel_half_width: usize,
    /// Distance from the running median at which a reading is an outlier, in robust standard deviations of the day;
    /// 3 to 20. Wider than the usual 3, because what is cut away here is lost to the episodes.
    pub hampel_sigmas: f64,
    /// But never closer than this; ln, 0 to .2. Ours: under 3 % nothing is alarming enough to be cut.
    pub hampel_floor: f64,
}

impl Default for RollupConstants {
    fn default() -> Self {
        Self {
            warm_up_minutes: 15,
            restart_gap_intervals: 6,
            restart_gap_minutes: 30,
            dry_pressure_kpa: 5.0,
            dry_temperature_c: 60.0,
            probe_failed_c: 85.0,
            stuck_readings: 12,
            stuck_hours: 3,
            stuck_chance: 1e-9,
            stuck_wide_moves: 0.1,
            stuck_fine_step: 0.001,
            stuck_alone_hours: 12,
            hampel_half_width: 4,
            hampel_sigmas: 6.0,
            hampel_floor: 0.03,
        }
    }
}

/// Every day with at least one reading, ascending. `readings` and `log` must be in order of time; repeats of an
/// instant have been merged by the caller.
pub fn summarise(readings: &[Reading], spec: &UnitSpec, log: &[ServiceEntry], c: &RollupConstants) -> Vec<DaySummary> {
    let away = Away::from_log(log);
    let mut days = Vec::new();
    let (mut first, mut margin) = (0, 0);
    while let Some(reading) = readings.get(first) {
        let bounds = DayBounds::of(reading.at.date_in(&spec.zone), &spec.zone);
        let end = first + readings[first..].partition_point(|r| r.at < bounds.end());
        let margin_start = bounds.start().plus_millis(-MARGIN_BEFORE);
        margin += readings[margin..first].partition_point(|r| r.at < margin_start);
        let window = Window { readings: &readings[margin..end], day: first - margin, bounds: &bounds };
        days.push(window.summary(spec, &away, c));
        // A reading is always before the end of its own day; the step to the next keeps the loop finite regardless.
        first = end.max(first + 1);
    }
    days
}

/// One day. `readings`, in order of time, must cover it and the [`MARGIN_BEFORE`] it; more does no harm. A day
/// without readings has a summary that says so.
pub fn summarise_day(
    date: Date,
    readings: &[Reading],
    spec: &UnitSpec,
    log: &[ServiceEntry],
    c: &RollupConstants,
) -> DaySummary {
    let bounds = DayBounds::of(date, &spec.zone);
    let from = |at: Timestamp| readings.partition_point(|r| r.at < at);
    let margin = from(bounds.start().plus_millis(-MARGIN_BEFORE));
    let (first, end) = (from(bounds.start()), from(bounds.end()));
    let window = Window { readings: &readings[margin..end], day: first - margin, bounds: &bounds };
    window.summary(spec, &Away::from_log(log), c)
}

/// The instants of 0, 6, 12, 18 and 24 o'clock of one day, not descending.
struct DayBounds {
    date: Date,
    at: [Timestamp; 5],
}

impl DayBounds {
    fn of(date: Date, zone: &TimeZone) -> Self {
        let (start, end) = Timestamp::day_bounds(date, zone);
        let hour = |hour: i8| {
            let wall = date.at(hour, 0, 0, 0).to_zoned_datetime(zone.clone());
            wall.map_or(start, |zoned| Timestamp::from(zoned.timestamp())).clamp(start, end)
        };
        Self { date, at: [start, hour(6), hour(12), hour(18), end] }
    }

    fn start(&self) -> Timestamp {
        self.at[0]
    }

    fn end(&self) -> Timestamp {
        self.at[4]
    }

    fn quarter(&self, at: Timestamp) -> usize {
        (1..4).filter(|q| at >= self.at[*q]).count()
    }
}

/// When the log says that readings do not show normal running: half-open spans of time, ascending.
struct Away {
    visits: Vec<Range<Timestamp>>,
    closed: Vec<Range<Timestamp>>,
}

impl Away {
    fn from_log(log: &[ServiceEntry]) -> Self {
        let mut visits = spans(log, ServiceAction::VisitStarted, ServiceAction::VisitEnded);
        for visit in &mut visits {
            // One millisecond more: a visit nobody ended still counts at its last instant, as in `condition`.
            visit.end = visit.end.min(visit.start.plus_millis(VISIT_AT_MOST + 1));
        }
        Self { visits, closed: spans(log, ServiceAction::Closed, ServiceAction::Opened) }
    }
}

fn spans(log: &[ServiceEntry], opens: ServiceAction, ends: ServiceAction) -> Vec<Range<Timestamp>> {
    let mut spans: Vec<Range<Timestamp>> = Vec::new();
    for entry in log.iter().filter(|e| e.action == opens || e.action == ends) {
        if let Some(open) = spans.last_mut().filter(|span| span.end == Timestamp::MAX) {
            open.end = entry.at;
        }
        if entry.action == opens {
            spans.push(entry.at..Timestamp::MAX);
        }
    }
    spans
}

fn inside(spans: &[Range<Timestamp>], at: Timestamp) -> bool {
    let next = spans.partition_point(|span| span.start <= at);
    next > 0 && spans[next - 1].contains(&at)
}

/// Why a reading is set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Why {
    WarmUp,
    LampOff,
    Dry,
    Dark,
    Stuck,
    OutOfRange,
    Visit,
    Closed,
    Outlier,
}

fn count(set_aside: &mut SetAside, why: Why) {
    *match why {
        Why::WarmUp => &mut set_aside.warm_up,
        Why::LampOff => &mut set_aside.lamp_off,
        Why::Dry => &mut set_aside.dry,
        Why::Dark => &mut set_aside.dark,
        Why::Stuck => &mut set_aside.stuck,
        Why::OutOfRange => &mut set_aside.out_of_range,
        Why::Visit => &mut set_aside.visit,
        Why::Closed => &mut set_aside.closed,
        Why::Outlier => &mut set_aside.outlier,
    } += 1;
}

/// The readings of one day and the margin before it.
struct Window<'a> {
    readings: &'a [Reading],
    /// Index of the day's first reading.
    day: usize,
    bounds: &'a DayBounds,
}

/// An intensity that no rule has set aside.
#[derive(Clone, Copy)]
struct Eligible {
    /// Index in the window.
    index: usize,
    value: f64,
}

impl Window<'_> {
    fn summary(&self, spec: &UnitSpec, away: &Away, c: &RollupConstants) -> DaySummary {
        let mut why = self.single_readings(spec, away, c);
        self.mark_stuck(&mut why, c);
        self.mark_outliers(&mut why, c);
        let day = &self.readings[self.day..];
        let mut set_aside = SetAside::default();
        why[self.day..].iter().flatten().for_each(|w| count(&mut set_aside, *w));
        let quarters = self.quarters(&why);
        // What other channels say counts while the unit runs with water, whatever the light does.
        let runs = |i: &usize| !matches!(why[*i], Some(Why::Closed | Why::Visit | Why::Dry));
        let median_of = |channel: Channel, above: f64| {
            let running = (self.day..self.readings.len()).filter(runs);
            let mut values: Vec<f64> =
                running.filter_map(|i| self.readings[i].get(channel)).filter(|v| *v > above).collect();
            values.sort_unstable_by(f64::total_cmp);
            mid_median(&values)
        };
        DaySummary {
            date: self.bounds.date,
            intensity: ln_summary(&mut quarters.iter().flatten().copied().collect::<Vec<_>>()),
            lowest: quarters.iter().flatten().copied().min_by(f64::total_cmp),
            quarters: quarters.map(|mut quarter| ln_summary(&mut quarter)),
            flow: median_of(Channel::Flow, 0.0),
            water_temperature: median_of(Channel::WaterTemperature, f64::NEG_INFINITY),
            transmittance: median_of(Channel::Transmittance, 0.0),
            turbidity: median_of(Channel::Turbidity, f64::NEG_INFINITY),
            lamp_hours: day.iter().rev().find_map(|r| r.get(Channel::LampHours)),
            lamp_hours_fell: self.lamp_hours_fell(),
            lamp_on_share: lamp_on_share(day),
            readings: u32::try_from(day.len()).unwrap_or(u32::MAX),
            set_aside,
        }
    }

    /// The rules that judge a reading by itself, its log and the lamp start before it.
    fn single_readings(&self, spec: &UnitSpec, away: &Away, c: &RollupConstants) -> Vec<Option<Why>> {
        let dark_at = DARK_SHARE_OF_SET_POINT * spec.set_point;
        let gauge_lies = self.readings.iter().any(|r| r.get(Channel::Flow) > Some(0.0) && no_pressure(r, c));
        let mut lamp = LampWatch::new(self.restart_gap(c), dark_at);
        self.readings
            .iter()
            .map(|reading| {
                let since_start = lamp.see(reading);
                if inside(&away.closed, reading.at) {
                    Some(Why::Closed)
                } else if inside(&away.visits, reading.at) {
                    Some(Why::Visit)
                } else if reading.get(Channel::LampOn).is_some_and(|on| on < 0.5) {
                    Some(Why::LampOff)
                } else if out_of_range(reading, dark_at) {
                    Some(Why::OutOfRange)
                } else if is_dry(reading, gauge_lies, c) {
                    Some(Why::Dry)
                } else if reading.get(Channel::Intensity).is_some_and(|v| v <= dark_at) {
                    Some(Why::Dark)
                } else if since_start.is_some_and(|millis| millis < c.warm_up_minutes * MINUTE) {
                    Some(Why::WarmUp)
                } else {
                    None
                }
            })
            .collect()
    }

    /// A gap of this many milliseconds may hide a restart.
    fn restart_gap(&self, c: &RollupConstants) -> i64 {
        let mut gaps: Vec<i64> = self.readings.windows(2).map(|w| w[1].at.millis_since(w[0].at)).collect();
        let middle = gaps.len() / 2;
        let usual = if gaps.is_empty() { 0 } else { *gaps.select_nth_unstable(middle).1 };
        usual.saturating_mul(c.restart_gap_intervals).max(c.restart_gap_minutes * MINUTE)
    }

    fn eligible(&self, why: &[Option<Why>], from: usize) -> Vec<Eligible> {
        (from..self.readings.len())
            .filter(|i| why[*i].is_none())
            .filter_map(|index| self.readings[index].get(Channel::Intensity).map(|value| Eligible { index, value }))
            .collect()
    }

    /// A value that repeats to the last digit where the unit's other values show that it should have moved, or where
    /// its digits do. A coarse sensor that shows one value for days is left alone: nothing tells it from a steady one.
    fn mark_stuck(&self, why: &mut [Option<Why>], c: &RollupConstants) {
        let eligible = self.eligible(why, 0);
        let moves = Moves::of(&eligible);
        for run in eligible.chunk_by(|a, b| a.value == b.value) {
            let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
            let lasted = self.readings[last.index].at.millis_since(self.readings[first.index].at);
            if run.len() < c.stuck_readings || lasted < c.stuck_hours * HOUR {
                continue;
            }
            let others = eligible.len() - run.len();
            let improbable = if others >= c.stuck_readings {
                moves.wide_share >= c.stuck_wide_moves && moves.chance_of_rest(run.len(), others) <= c.stuck_chance
            } else {
                lasted >= c.stuck_alone_hours * HOUR && decimal_step(first.value) <= c.stuck_fine_step * first.value
            };
            if improbable {
                run.iter().for_each(|reading| why[reading.index] = Some(Why::Stuck));
            }
        }
    }

    /// Readings of the day far from the median of those around them.
    fn mark_outliers(&self, why: &mut [Option<Why>], c: &RollupConstants) {
        let day = self.eligible(why, self.day);
        let ln: Vec<f64> = day.iter().map(|e| e.value.ln()).collect();
        let distance = running_median_distance(&ln, c.hampel_half_width.clamp(1, HAMPEL_WIDEST / 2));
        let mut sorted = distance.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let Some(usual) = mid_median(&sorted) else { return };
        let limit = (c.hampel_sigmas * MAD_TO_SD * usual).max(c.hampel_floor);
        for (reading, _) in day.iter().zip(&distance).filter(|(_, d)| **d > limit) {
            why[reading.index] = Some(Why::Outlier);
        }
    }

    fn quarters(&self, why: &[Option<Why>]) -> [Vec<f64>; 4] {
        let mut quarters: [Vec<f64>; 4] = Default::default();
        for reading in self.eligible(why, self.day) {
            quarters[self.bounds.quarter(self.readings[reading.index].at)].push(reading.value);
        }
        quarters
    }

    /// The greatest fall of the hour counter that the next count does not take back.
    fn lamp_hours_fell(&self) -> Option<f64> {
        let hours = |r: &Reading| r.get(Channel::LampHours);
        let before = self.readings[..self.day].iter().rev().find_map(hours);
        let counts: Vec<f64> = before.into_iter().chain(self.readings[self.day..].iter().filter_map(hours)).collect();
        (1..counts.len())
            .filter(|i| counts.get(i + 1).is_none_or(|next| *next < counts[i - 1]))
            .map(|i| counts[i - 1] - counts[i])
            .filter(|fell| *fell > 0.0)
            .max_by(f64::total_cmp)
    }
}

/// How a sensor moves from one reading to the next.
struct Moves {
    /// Pairs of readings that differ.
    moved: usize,
    /// Share of them that differ by more than the least difference, which is the sensor's step.
    wide_share: f64,
}

impl Moves {
    fn of(readings: &[Eligible]) -> Self {
        let sizes = || readings.windows(2).map(|w| (w[1].value - w[0].value).abs()).filter(|size| *size > 0.0);
        let step = sizes().fold(f64::INFINITY, f64::min);
        let moved = sizes().count();
        // Halfway to the next multiple of the step, so that rounding decides nothing.
        let wide = sizes().filter(|size| *size > 1.5 * step).count();
        Self { moved, wide_share: wide as f64 / moved.max(1) as f64 }
    }

    /// How likely a healthy sensor repeats one value `run` times, by how often the `others` moved.
    fn chance_of_rest(&self, run: usize, others: usize) -> f64 {
        let rests = (1.0 - self.moved as f64 / others as f64).max(f64::EPSILON);
        (rests.ln() * (run - 1) as f64).exp()
    }
}

/// Follows the lamp through a window to know how long it has been burning.
struct LampWatch {
    restart_gap: i64,
    dark_at: f64,
    started: Option<Timestamp>,
    last_at: Option<Timestamp>,
    was_on: Option<bool>,
    starts: Option<f64>,
    was_dark: bool,
}

impl LampWatch {
    fn new(restart_gap: i64, dark_at: f64) -> Self {
        Self { restart_gap, dark_at, started: None, last_at: None, was_on: None, starts: None, was_dark: false }
    }

    /// Milliseconds since the latest start seen, at `reading`; `None` if none was.
    fn see(&mut self, reading: &Reading) -> Option<i64> {
        let on = reading.get(Channel::LampOn).map(|v| v >= 0.5);
        let starts = reading.get(Channel::LampStarts);
        let dark = reading.get(Channel::Intensity).map(|v| v <= self.dark_at);
        let begun = self.last_at.is_some_and(|last| reading.at.millis_since(last) >= self.restart_gap)
            || (self.was_on == Some(false) && on == Some(true))
            || self.starts.zip(starts).is_some_and(|(before, now)| now > before)
            || (self.was_dark && dark == Some(false));
        if begun {
            self.started = Some(reading.at);
        }
        self.last_at = Some(reading.at);
        self.was_on = on.or(self.was_on);
        self.starts = starts.or(self.starts);
        self.was_dark = dark.unwrap_or(self.was_dark);
        self.started.map(|started| reading.at.millis_since(started))
    }
}

fn out_of_range(reading: &Reading, dark_at: f64) -> bool {
    let failed = |ma: f64| !matches!(loop_state(ma), LoopState::Valid(_));
    // A little under zero is a dark sensor's zero error; more is not a measurement.
    reading.get(Channel::LoopCurrent).is_some_and(failed)
        || reading.get(Channel::Intensity).is_some_and(|v| v < -dark_at)
}

fn no_pressure(reading: &Reading, c: &RollupConstants) -> bool {
    let pressure = reading.get(Channel::PressureOut).or_else(|| reading.get(Channel::PressureIn));
    pressure.is_some_and(|kpa| kpa <= c.dry_pressure_kpa)
}

/// No channel says whether there is water. Two things do: no pressure together with no flow (unless the gauge has
/// shown no pressure while water flowed), and a probe hotter than water in the unit can be.
fn is_dry(reading: &Reading, gauge_lies: bool, c: &RollupConstants) -> bool {
    let still = reading.get(Channel::Flow).is_some_and(|flow| flow <= 0.0);
    let hot = reading
        .get(Channel::WaterTemperature)
        .is_some_and(|celsius| celsius >= c.dry_temperature_c && celsius < c.probe_failed_c);
    hot || (still && !gauge_lies && no_pressure(reading, c))
}

fn lamp_on_share(day: &[Reading]) -> Option<f64> {
    let known: Vec<f64> = day.iter().filter_map(|r| r.get(Channel::LampOn)).collect();
    (!known.is_empty()).then(|| known.iter().filter(|on| **on >= 0.5).count() as f64 / known.len() as f64)
}

/// The place of the last decimal of a number as people write it: .01 for 21.37, 1 for 80. At finest a millionth.
fn decimal_step(value: f64) -> f64 {
    let mut step = 1.0;
    for places in 0..6 {
        let scaled = value * 10_f64.powi(places);
        if (scaled - scaled.round()).abs() <= 64.0 * f64::EPSILON * scaled.abs().max(1.0) {
            return step;
        }
        step /= 10.0;
    }
    step
}

/// Distance of each value from the median of itself and up to `half` neighbours on either side.
fn running_median_distance(values: &[f64], half: usize) -> Vec<f64> {
    let mut window = [0.0; HAMPEL_WIDEST];
    (0..values.len())
        .map(|i| {
            // The same number on both sides, so that a steady fall at the edge of the day is no distance.
            let half = half.min(i).min(values.len() - 1 - i).max(1);
            let around = &values[i.saturating_sub(half)..(i + half + 1).min(values.len())];
            let sorted = &mut window[..around.len()];
            sorted.copy_from_slice(around);
            sorted.sort_unstable_by(f64::total_cmp);
            let middle = around.len() / 2;
            let median =
                if around.len() % 2 == 1 { sorted[middle] } else { f64::midpoint(sorted[middle - 1], sorted[middle]) };
            (values[i] - median).abs()
        })
        .collect()
}

/// Summary of the logarithms of positive values, which it sorts; `None` of none.
fn ln_summary(values: &mut [f64]) -> Option<LnSummary> {
    values.sort_unstable_by(f64::total_cmp);
    let median = mid_median(values)?.ln();
    let mut deviations: Vec<f64> = values.iter().map(|v| (v.ln() - median).abs()).collect();
    deviations.sort_unstable_by(f64::total_cmp);
    let spread = MAD_TO_SD * mid_median(&deviations)?;
    Some(LnSummary { median, spread, count: u32::try_from(values.len()).unwrap_or(u32::MAX) })
}

/// The median of sorted values by their mid-distribution: between distinct values, where the share below plus half
/// the share at a value passes one half, linearly. `None` of none.
pub(crate) fn mid_median(sorted: &[f64]) -> Option<f64> {
    let half = sorted.len() as f64 / 2.0;
    let (first, value, end) = ties(sorted, sorted.len() / 2)?;
    let middle = |first: usize, end: usize| (first + end) as f64 / 2.0;
    let rank = middle(first, end);
    let between = |(lower, lower_rank): (f64, f64), (upper, upper_rank): (f64, f64)| {
        lower + (upper - lower) * (half - lower_rank) / (upper_rank - lower_rank)
    };
    Some(if rank >= half {
        let Some((lower_first, lower, lower_end)) = first.checked_sub(1).and_then(|at| ties(sorted, at)) else {
            return Some(value);
        };
        between((lower, middle(lower_first, lower_end)), (value, rank))
    } else {
        let Some((upper_first, upper, upper_end)) = ties(sorted, end) else { return Some(value) };
        between((value, rank), (upper, middle(upper_first, upper_end)))
    })
}

/// The value at a place of sorted values, from where to where it stands.
fn ties(sorted: &[f64], at: usize) -> Option<(usize, f64, usize)> {
    let value = *sorted.get(at)?;
    // Mostly it stands there once.
    let alone_before = at == 0 || sorted[at - 1] < value;
    let first = if alone_before { at } else { sorted[..at].partition_point(|v| *v < value) };
    let alone_after = sorted.get(at + 1).is_none_or(|next| *next > value);
    let end = if alone_after { at + 1 } else { at + sorted[at..].partition_point(|v| *v <= value) };
    Some((first, value, end))
}

#[cfg(test)]
mod tests;
