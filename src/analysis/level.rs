//! The level of a unit's course: without its usual fall, with its noise, and the contrasts that show where it steps.

use std::ops::Range;

use super::closing::closing;
use super::quarters::{PER_DAY, robust_sd};
use super::window::{SortedWindow, median};

/// Windows to choose from, days.
const WINDOWS: [usize; 6] = [1, 2, 4, 8, 16, 32];
/// What is unknown of the usual fall: at least this much, ln per day, and this share of it. Limits how long a window
/// helps.
const FALL_UNKNOWN: (f64, f64) = (0.0005, 0.3);
/// Differences that a variance needs.
const LEAST_DIFFERENCES: usize = 8;
/// Variance of the differences where nothing is known: 1 % of a reading.
const NOISE_UNKNOWN: f64 = 1e-4;
/// The least variance of a quarter: .03 %, under the resolution of any sensor of the trade.
const LEAST_VARIANCE: f64 = 1e-7;
/// Standard error of the difference of two variances by median absolute deviations, as a share of one of them, times
/// the root of their number: 2.33 for one (asymptotic efficiency .37), and two of them.
const VARIANCE_ERROR: f64 = 3.3;
/// Variance of a median against that of a mean of normal values.
const MEDIAN_COST: f64 = 1.57;
/// Days on either side in the rolling median of day-to-day differences.
const FALL_DAYS: usize = 25;
/// A unit's usual course rises no faster than this, ln per day: by the season. What rises faster is water that clears.
const FASTEST_RISE: f64 = 0.0007;
/// Differences that median needs.
const FALL_LEAST: usize = 8;

/// A step at quarter `at`: quarters before it are before, quarters from `at` + 1 on are after, `at` itself is mixed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    pub at: usize,
    /// ln; positive: up.
    pub size: f64,
    /// Size over standard error.
    pub z: f64,
}

/// The noise of a unit's quarters.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Noise {
    /// Variance of one quarter's own part.
    pub white: f64,
    /// Variance of the AR(1) part.
    pub slow: f64,
    /// What that keeps per day.
    keeps: f64,
    /// What is unknown of the usual fall, ln per day.
    pub fall_unknown: f64,
    /// Days in each of the two medians that tell most.
    pub window: usize,
}

impl Noise {
    fn of(ln: &[Option<f64>], fall: f64, keeps: f64) -> Self {
        let lag_variance = |lag: usize| {
            let mut d: Vec<f64> = (lag..ln.len()).filter_map(|t| Some(ln[t]? - ln[t - lag]?)).collect();
            if d.len() < LEAST_DIFFERENCES {
                return None;
            }
            let middle = median(&mut d.clone())?;
            d.iter_mut().for_each(|v| *v -= middle);
            robust_sd(&mut d).map(|s| s * s)
        };
        let days_seen = ln.chunks(PER_DAY).filter(|day| day.iter().any(Option::is_some)).count();
        let short = [1, 2, PER_DAY].into_iter().find_map(|lag| lag_variance(lag).map(|v| (lag, v)));
        let (short_lag, short) = short.unwrap_or((1, NOISE_UNKNOWN));
        let long_lag = 4 * PER_DAY;
        let long = lag_variance(long_lag).unwrap_or(short);
        let keep = |lag: usize| keeps.powf(lag as f64 / PER_DAY as f64);
        // Where the two variances differ no more than their own errors let them, all of it is white.
        let differ = long - short > 3.0 * VARIANCE_ERROR * short / (days_seen.max(1) as f64).sqrt();
        let (slow, white) = if differ {
            let slow = (long - short) / (2.0 * (keep(short_lag) - keep(long_lag)));
            (slow, (0.5 * short - slow * (1.0 - keep(short_lag))).max(0.1 * short))
        } else {
            (0.0, 0.25 * (long + short))
        };
        let white = white.max(LEAST_VARIANCE);
        let fall_unknown = FALL_UNKNOWN.0.max(FALL_UNKNOWN.1 * fall.abs());
        let mut noise = Self { white, slow, keeps, fall_unknown, window: 1 };
        let per_day = ln.iter().flatten().count() as f64 / (ln.len() as f64 / PER_DAY as f64).max(1.0);
        let cost = |w: usize| noise.variance(w as f64, w as f64 * per_day, w as f64 * per_day);
        noise.window = WINDOWS.into_iter().min_by(|a, b| cost(*a).total_cmp(&cost(*b))).unwrap_or(1);
        noise
    }

    /// Standard deviation of one quarter about the course.
    pub fn sd(&self) -> f64 {
        (self.white + self.slow).sqrt()
    }

    /// Variance of the difference of two medians whose centres lie `lag` days apart, of `n` and `m` quarters.
    pub fn variance(&self, lag: f64, n: f64, m: f64) -> f64 {
        let wander = 2.0 * self.slow * (1.0 - self.keeps.powf(2.0 / 3.0 * lag));
        MEDIAN_COST * self.white * (1.0 / n.max(1.0) + 1.0 / m.max(1.0)) + wander + (self.fall_unknown * lag).powi(2)
    }
}

/// The course without its usual fall.
#[derive(Clone, Debug)]
pub(crate) struct Level {
    /// ln, one for each quarter; steps that were found are taken out of it.
    pub values: Vec<Option<f64>>,
    /// Its usual change, ln per day; negative: it falls.
    pub fall: f64,
    pub noise: Noise,
}

impl Level {
    /// From ln(intensity) of each quarter. `keeps` is what the slow part of the noise keeps per day.
    pub fn new(ln: &[Option<f64>], keeps: f64) -> Self {
        let (values, fall) = without_fall(ln);
        let noise = Noise::of(&values, fall, keeps);
        Self { values, fall, noise }
    }

    /// Measures the noise afresh, after steps were taken out.
    pub fn measure_noise(&mut self, keeps: f64) {
        self.noise = Noise::of(&self.values, self.fall, keeps);
    }

    /// Median of the quarters in `range`, as far as there are any.
    pub fn median(&self, range: Range<usize>) -> Option<f64> {
        let end = range.end.min(self.values.len());
        let mut v: Vec<f64> = self.values.get(range.start..end)?.iter().flatten().copied().collect();
        median(&mut v)
    }

    /// How far each quarter lies under the grey closing of `days`, the usual distance taken off. With `open_end` a
    /// course that ends inside a dip counts as if it came back the day after.
    pub fn under_closing(&self, days: usize, open_end: bool) -> Vec<Option<f64>> {
        let width = days * PER_DAY;
        let mut padded = self.values.clone();
        if open_end {
            padded.extend(std::iter::repeat_n(Some(f64::MAX), width));
        }
        let closed = closing(&padded, width);
        let mut under: Vec<Option<f64>> =
            self.values.iter().zip(&closed).map(|(v, closed)| Some((*closed)? - (*v)?)).collect();
        let usual = median(&mut under.iter().flatten().copied().collect::<Vec<_>>()).unwrap_or(0.0);
        under.iter_mut().flatten().for_each(|u| *u -= usual);
        under
    }

    /// Takes a step out.
    pub fn take_out(&mut self, edge: &Edge) {
        self.values[edge.at..].iter_mut().flatten().for_each(|v| *v -= edge.size);
        self.values[edge.at] = None;
    }

    /// Share of the step that lies between the two half days beside its quarter, and its standard error; `None` where
    /// one of them has no readings.
    pub fn sharpness(&self, edge: &Edge) -> Option<(f64, f64)> {
        let near = |range: Range<usize>| {
            let mut v: Vec<f64> = self.values.get(range)?.iter().flatten().copied().collect();
            let n = v.len() as f64;
            median(&mut v).map(|m| (m, n))
        };
        let before = near(edge.at.saturating_sub(2)..edge.at)?;
        let after = near(edge.at + 1..(edge.at + 3).min(self.values.len()))?;
        let noise = (self.noise.white * (1.0 / before.1 + 1.0 / after.1)).sqrt();
        Some(((after.0 - before.0) / edge.size, noise / edge.size.abs()))
    }

    /// The quarter of a step to which the quarters around it bear witness: medians give its size, not its place.
    pub fn placed(&self, edge: &Edge) -> usize {
        let end = self.values.len();
        let span = self.noise.window.max(2) * PER_DAY;
        let around = edge.at.saturating_sub(span)..(edge.at + span + 1).min(end);
        let before = self.median(edge.at.saturating_sub(span + PER_DAY)..edge.at.saturating_sub(2));
        let after = self.median((edge.at + 3).min(end)..edge.at + span + PER_DAY);
        let (Some(before), Some(after)) = (before, after) else { return edge.at };
        let off = |at: usize| -> f64 {
            let level = |t: usize| if t < at { before } else { after };
            let misfit = |t: usize| self.values[t].map_or(0.0, |v| (v - level(t)).abs());
            // Its own quarter is mixed; whatever it reads costs as much as the noise.
            let own = self.values[at].map_or(0.0, |_| self.noise.white.sqrt());
            around.clone().filter(|t| *t != at).map(misfit).sum::<f64>() + own
        };
        let places = edge.at.saturating_sub(span / 2)..(edge.at + span / 2 + 1).min(end);
        places.min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(edge.at)
    }
}

/// The course with the rolling median of day-to-day differences, summed up, taken out; and their overall median.
fn without_fall(ln: &[Option<f64>]) -> (Vec<Option<f64>>, f64) {
    let days = ln.len() / PER_DAY;
    let difference = |d: usize| -> Vec<f64> {
        (d * PER_DAY..(d + 1) * PER_DAY).filter_map(|t| Some(ln[t]? - ln[t.checked_sub(PER_DAY)?]?)).collect()
    };
    let by_day: Vec<Vec<f64>> = (0..days).map(difference).collect();
    let mut all: Vec<f64> = by_day.iter().flatten().copied().collect();
    let per_day = all.len() as f64 / by_day.iter().filter(|d| !d.is_empty()).count().max(1) as f64;
    let middle = median(&mut all).unwrap_or(0.0);
    let sd = robust_sd(&mut all.iter().map(|d| d - middle).collect::<Vec<_>>()).unwrap_or(0.0);
    // What is no more than the noise of a median of so many days is nothing (Stein's shrinkage, positive part).
    let shrunk = |value: f64, differences: usize| {
        let error = MEDIAN_COST * sd * sd * per_day.max(1.0) / differences.max(1) as f64;
        value * (1.0 - error / (value * value).max(error)).max(0.0)
    };
    let overall = shrunk(middle, all.len());
    let mut fall = 0.0;
    let mut out = ln.to_vec();
    let mut near = SortedWindow::default();
    by_day.iter().take(FALL_DAYS).flatten().for_each(|v| near.insert(*v));
    for d in 0..days {
        by_day.get(d + FALL_DAYS).into_iter().flatten().for_each(|v| near.insert(*v));
        let left = (d > FALL_DAYS).then(|| &by_day[d - FALL_DAYS - 1]);
        left.into_iter().flatten().for_each(|v| near.remove(*v));
        let here = if near.len() >= FALL_LEAST { near.median().unwrap_or(overall) } else { overall };
        let slope = (overall + shrunk(here - overall, near.len())).min(FASTEST_RISE);
        for q in 0..PER_DAY {
            fall += slope / PER_DAY as f64;
            if let Some(value) = &mut out[d * PER_DAY + q] {
                *value -= fall;
            }
        }
    }
    (out, overall)
}
