//! A unit's course in quarter days, with everything measured taken out: what the searches for steps and episodes see.
//!
//! A quarter is six hours of wall-clock time. The daily round (standing water is warmer in the morning) is taken out
//! by a rolling profile, and what the measured transmittance and water temperature explain by a regression of
//! day-to-day differences, which a step can bend only on its own day.

use std::f64::consts::LN_10;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::window::{SortedWindow, median};
use crate::domain::{DaySummary, Timestamp, UnitSpec};

/// Quarters in a day.
pub(crate) const PER_DAY: usize = 4;
/// The longest history looked at, days; older days are left out. A bound on memory, far beyond any unit's life.
const LONGEST_DAYS: i64 = 40 * 366;
/// Days on either side in the rolling profile of the daily round.
const PROFILE_DAYS: usize = 10;
/// Days with all four quarters that a profile needs.
const PROFILE_LEAST: usize = 5;
/// Turns a median absolute deviation into the standard deviation of a normal distribution.
pub(crate) const MAD_TO_SD: f64 = 1.4826;

/// The course of a unit, one value for each quarter of each day from `origin` on.
#[derive(Clone, Debug)]
pub(crate) struct Quarters {
    /// The day of the first four quarters.
    pub origin: Date,
    /// ln(intensity) without the daily round and what is measured explains; `None` where there is no reading.
    pub ln: Vec<Option<f64>>,
}

impl Quarters {
    /// From days in order, with measured transmittance and temperature taken out. Empty without any intensity.
    pub fn new(days: &[DaySummary], spec: &UnitSpec) -> Self {
        let mut quarters = Self::with_water(days);
        quarters.take_out(&absorbance(days, spec));
        quarters
    }

    /// The same with what the water's transmittance does left in.
    pub fn with_water(days: &[DaySummary]) -> Self {
        let lit: Vec<&DaySummary> = days.iter().filter(|d| d.intensity.is_some()).collect();
        let Some(last) = lit.last() else { return Self { origin: Date::ZERO, ln: Vec::new() } };
        let kept = lit.partition_point(|d| days_between(d.date, last.date) > LONGEST_DAYS);
        let origin = lit[kept].date;
        let mut ln = vec![None; (days_between(origin, last.date) as usize + 1) * PER_DAY];
        for day in &lit[kept..] {
            let first = days_between(origin, day.date) as usize * PER_DAY;
            for (i, quarter) in day.quarters.iter().enumerate() {
                ln[first + i] = quarter.map(|q| q.median);
            }
            if day.quarters.iter().all(Option::is_none) {
                ln[first + 2] = day.intensity.map(|i| i.median);
            }
        }
        let mut quarters = Self { origin, ln };
        quarters.take_out_daily_round();
        quarters.take_out(&temperature(days));
        quarters
    }

    /// How many days it spans.
    pub fn days(&self) -> usize {
        self.ln.len() / PER_DAY
    }

    /// The date of a day counted from the origin.
    pub fn date(&self, day: usize) -> Date {
        let span = jiff::Span::new().try_days(day as i64).unwrap_or_default();
        self.origin.checked_add(span).unwrap_or(self.origin)
    }

    /// The day of `date` counted from the origin; negative before it.
    pub fn day_of(&self, date: Date) -> i64 {
        days_between(self.origin, date)
    }

    /// The first instant of a quarter.
    pub fn start_of(&self, quarter: usize, spec: &UnitSpec) -> Timestamp {
        let hour = i8::try_from(quarter % PER_DAY * 6).unwrap_or(0);
        let date = self.date(quarter / PER_DAY);
        let wall = date.at(hour, 0, 0, 0).to_zoned_datetime(spec.zone.clone());
        wall.map_or_else(|_| Timestamp::day_start(date, &spec.zone), |zoned| zoned.timestamp().into())
    }

    /// The quarter of an instant counted from the origin; negative before it.
    pub fn quarter_of(&self, at: Timestamp, zone: &TimeZone) -> i64 {
        let wall = at.to_jiff().to_zoned_datetime(zone.clone());
        self.day_of(wall.date()) * PER_DAY as i64 + i64::from(wall.hour()) / 6
    }

    fn take_out_daily_round(&mut self) {
        let days = self.days();
        let away: Vec<Option<[f64; PER_DAY]>> = (0..days)
            .map(|d| {
                let mut values = [0.0; PER_DAY];
                for (q, value) in values.iter_mut().enumerate() {
                    *value = self.ln[d * PER_DAY + q]?;
                }
                let mean = values.iter().sum::<f64>() / PER_DAY as f64;
                Some(values.map(|v| v - mean))
            })
            .collect();
        let known = |day: Option<usize>| day.and_then(|d| away.get(d).copied().flatten());
        for q in 0..PER_DAY {
            let mut offsets = SortedWindow::default();
            away.iter().take(PROFILE_DAYS).flatten().for_each(|a| offsets.insert(a[q]));
            for d in 0..days {
                known(Some(d + PROFILE_DAYS)).into_iter().for_each(|a| offsets.insert(a[q]));
                known(d.checked_sub(PROFILE_DAYS + 1)).into_iter().for_each(|a| offsets.remove(a[q]));
                if offsets.len() >= PROFILE_LEAST
                    && let Some(value) = &mut self.ln[d * PER_DAY + q]
                    && let Some(offset) = offsets.median()
                {
                    *value -= offset;
                }
            }
        }
    }

    /// Takes out `covariate` times the coefficient that its day-to-day differences and its prior say.
    fn take_out(&mut self, covariate: &Covariate) {
        let middle = |d: usize| {
            // The covariate may be measured on days after the last with light.
            let quarters = self.ln.get(d * PER_DAY..(d + 1) * PER_DAY)?;
            median(&mut quarters.iter().flatten().copied().collect::<Vec<_>>())
        };
        let known: Vec<(usize, f64, f64)> = covariate
            .by_day
            .iter()
            .filter_map(|(date, x)| {
                let day = usize::try_from(self.day_of(*date)).ok()?;
                Some((day, *x, middle(day)?))
            })
            .collect();
        let differences: Vec<(f64, f64)> =
            known.windows(2).filter(|w| w[1].0 == w[0].0 + 1).map(|w| (w[1].1 - w[0].1, w[1].2 - w[0].2)).collect();
        let coefficient = covariate.coefficient(&moved(differences));
        let Some(mut usual) = median(&mut known.iter().map(|k| k.1).collect::<Vec<_>>()) else { return };
        // Noon to noon in straight lines, as far as two known days lie close together.
        let mut next = 0;
        for (t, value) in self.ln.iter_mut().enumerate() {
            let now = (t as f64 + 0.5) / PER_DAY as f64 - 0.5;
            while next < known.len() && (known[next].0 as f64) < now {
                next += 1;
            }
            let before = next.checked_sub(1).map(|i| &known[i]);
            let x = match (before, known.get(next)) {
                (Some(a), Some(b)) if b.0 - a.0 <= 3 => a.1 + (b.1 - a.1) * (now - a.0 as f64) / (b.0 - a.0) as f64,
                (Some(a), _) if now - a.0 as f64 <= 3.0 => a.1,
                (_, Some(b)) if b.0 as f64 - now <= 3.0 => b.1,
                _ => usual,
            };
            usual = x;
            let restless =
                before.zip(known.get(next)).is_some_and(|(a, b)| (coefficient * (b.1 - a.1)).abs() > RESTLESS);
            *value = value.filter(|_| !restless).map(|v| v - coefficient * x);
        }
    }
}

/// Between two days that what is measured moves further apart than this, ln, nobody knows when within the day it moved:
/// those quarters are left out.
const RESTLESS: f64 = 0.015;

/// A measured quantity that moves the light, day by day, with what is known of its coefficient beforehand.
struct Covariate {
    by_day: Vec<(Date, f64)>,
    prior_mean: f64,
    prior_sd: f64,
}

/// A difference of the covariate counts beyond this many of their standard deviations: the noise of a meter, which is
/// no water, thins the coefficient out (errors in variables: by 1 / (1 + 1 / 9) at most, at three times the noise).
const MOVED_SDS: f64 = 3.0;

/// The pairs of differences in which the covariate really moved.
fn moved(mut differences: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let sd = robust_sd(&mut differences.iter().map(|(dx, _)| *dx).collect::<Vec<_>>()).unwrap_or(0.0);
    differences.retain(|(dx, _)| dx.abs() > MOVED_SDS * sd);
    differences
}

/// Rounds of reweighting.
const ROUNDS: usize = 4;

impl Covariate {
    /// Posterior mean of the coefficient from pairs of differences (of the covariate, of the course), by least
    /// squares reweighted for heavy tails (Student t, 4 degrees of freedom).
    fn coefficient(&self, differences: &[(f64, f64)]) -> f64 {
        let mut coefficient = self.prior_mean;
        for _ in 0..ROUNDS {
            let residual = |(dx, dy): &(f64, f64)| dy - coefficient * dx;
            let Some(s) = robust_sd(&mut differences.iter().map(residual).collect::<Vec<_>>()) else { break };
            let s2 = (s * s).max(1e-10);
            let weight = |pair: &(f64, f64)| 5.0 / (4.0 + residual(pair).powi(2) / s2);
            let precision = self.prior_sd.powi(-2);
            let xx: f64 = differences.iter().map(|p| weight(p) * p.0 * p.0).sum::<f64>() / s2 + precision;
            let xy: f64 = differences.iter().map(|p| weight(p) * p.0 * p.1).sum::<f64>() / s2;
            coefficient = (xy + precision * self.prior_mean) / xx;
        }
        coefficient
    }
}

fn by_day(days: &[DaySummary], value: fn(&DaySummary) -> Option<f64>) -> Vec<(Date, f64)> {
    days.iter().filter_map(|d| value(d).map(|v| (d.date, v))).collect()
}

/// Beer-Lambert: ln light falls by ln 10 for each unit of absorbance and cm. Where the papers give no path, 2.5 cm
/// within 1 cm covers small units.
fn absorbance(days: &[DaySummary], spec: &UnitSpec) -> Covariate {
    let (path, path_sd) = spec.sensor.path_cm.map_or((2.5, 1.0), |cm| (cm, 0.2 * cm));
    Covariate {
        by_day: by_day(days, |d| d.transmittance.filter(|t| *t > 0.0).map(|t| -(t / 100.0).log10())),
        prior_mean: -LN_10 * path,
        prior_sd: LN_10 * path_sd,
    }
}

/// A lamp in cold water gains about .3 % a degree.
fn temperature(days: &[DaySummary]) -> Covariate {
    Covariate { by_day: by_day(days, |d| d.water_temperature), prior_mean: 0.003, prior_sd: 0.001 }
}

/// Whole days from `a` to `b`.
pub(crate) fn days_between(a: Date, b: Date) -> i64 {
    i64::from((b - a).get_days())
}

/// Standard deviation by the median absolute deviation from zero; `None` of none.
pub(crate) fn robust_sd(values: &mut [f64]) -> Option<f64> {
    values.iter_mut().for_each(|v| *v = v.abs());
    median(values).map(|m| MAD_TO_SD * m)
}
