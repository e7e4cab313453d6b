//! When the light will be too little: every draw is carried on, day by day, until it crosses the set point.

use std::collections::VecDeque;

use jiff::civil::Date;
use ndarray::{Array1, Array2, ArrayView1, Axis};
use rand::{Rng, RngExt};
use rand_distr::StandardNormal;

use super::Constants;
use super::causes::Losses;
use super::constants::{Belief, ForecastConstants, ModelConstants};
use super::course::{Course, quantile_sorted};
use super::design::Standing;
use super::model::{Draw, Fitted, Variant};
use super::term::{Share, Term};
use super::whiten::Wander;
use crate::domain::assessment::{AfterCleaning, Crossing};

/// A drift of this size makes a sensor due: a duty sensor may differ from a reference by a factor of 1.2 (EPA
/// 815-R-06-007 sec. 6.4.1.1, from memory), here as ln.
const SENSOR_DRIFT_LIMIT: f64 = 0.182;

/// Light for its logarithm, cut at e^50 either way so that no absurd history makes an infinite number.
fn light_of(ln: f64) -> f64 {
    ln.clamp(-50.0, 50.0).exp()
}

/// Dates and readings ahead.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ahead {
    /// Quantiles of the crossing.
    pub crossing: Crossing,
    /// When to clean.
    pub clean_by: Option<Date>,
    /// When the light would be too little even with a clean sleeve and a wiped sensor window.
    pub lamp_by_light: Option<Date>,
    /// When the sensor's drift, without the dirt on its window, reaches its limit.
    pub sensor_by_drift: Option<Date>,
    /// The reading after a cleaning now.
    pub after_cleaning: Option<AfterCleaning>,
    /// Whether half of the courses cross inside the horizon.
    pub falling: bool,
}

/// The first index at which the mean of that value and the `mean_days - 1` before it is at or under `limit`; those
/// before the first are `before`, as far as there are any.
pub fn first_crossing(
    light: impl Iterator<Item = f64>,
    limit: f64,
    (mean_days, before): (usize, &[f64]),
) -> Option<usize> {
    let known = &before[before.len().saturating_sub(mean_days.saturating_sub(1))..];
    let mut recent: VecDeque<f64> = known.iter().copied().collect();
    let mut sum: f64 = known.iter().sum();
    light.enumerate().find_map(|(place, value)| {
        sum += value;
        recent.push_back(value);
        if recent.len() > mean_days {
            sum -= recent.pop_front().unwrap_or(0.0);
        }
        (sum <= limit * recent.len() as f64).then_some(place)
    })
}

/// Carries every draw on, `lately` being the light of the days before now that count in the mean; see [`last_week`].
pub fn ahead(
    (fitted, losses): (&Fitted<'_>, &[Losses]),
    (course, lately): (&Course, &[f64]),
    set_point: f64,
    constants: &Constants,
    rng: &mut impl Rng,
) -> Ahead {
    let limits = &constants.forecast;
    let mut days: Vec<Option<usize>> = Vec::with_capacity(fitted.draws.len());
    for (place, variant) in fitted.variants.iter().enumerate() {
        let draws: Vec<&Draw> = fitted.draws.iter().filter(|d| d.variant == place).collect();
        if draws.is_empty() {
            continue;
        }
        let future = Future::new(variant, limits);
        let shape = (future.at_work.len(), draws.len());
        let paths = future.rows.dot(&Array2::from_shape_fn(shape, |(k, d)| draws[d].theta[future.at_work[k]]));
        for (draw, path) in draws.iter().zip(paths.axis_iter(Axis(1))) {
            let light = future.walk(draw, path, fitted.centre, limits, rng);
            days.push(first_crossing(light, set_point, (limits.mean_days, lately)));
        }
    }
    let now = fitted.variants[0].design.now;
    let date = |offset: usize| course.date(now.saturating_add(i32::try_from(offset).unwrap_or(i32::MAX)));
    let crossing = quantiles(days, date);
    let mut ahead = Ahead { crossing, falling: crossing.p50.is_some(), ..Ahead::default() };
    ahead.after_cleaning =
        Some(after_cleaning((fitted, losses), course.rounding_variance, set_point, &constants.model, rng));
    // Where no reading has shown a fall yet, a date would come from beliefs and noise.
    let fell = fitted.slope_score <= -limits.fall_seen;
    ahead.clean_by = crossing.p10.filter(|by| fell && cleaning_helps(fitted, course, *by, limits));
    let heaviest = fitted.components.first().map_or(0, |component| component.variant);
    ahead.add_parts(fitted, heaviest, course, set_point, limits);
    ahead
}

/// The light of the days before now that are in the mean of the crossing with it, as far as nothing was done since; days
/// in an episode are left out, as the crossing is that of the course without them.
pub fn last_week(course: &Course, fitted: &Fitted<'_>, mean_days: usize, clouded: impl Fn(i32) -> bool) -> Vec<f64> {
    let design = &fitted.variants[0].design;
    let now = design.now;
    let reset = design.resets().into_iter().rfind(|day| *day <= now).unwrap_or(0);
    let from = reset.max(now.saturating_sub(i32::try_from(mean_days).unwrap_or(i32::MAX)) + 1);
    let days = course.days.iter().zip(&course.ln);
    let clear = days.filter(|(day, _)| (from..now).contains(*day) && !clouded(**day));
    clear.map(|(_, ln)| ln.exp()).collect()
}

impl Ahead {
    /// Dates of lamp and sensor from the mean course of the heaviest variant.
    fn add_parts(
        &mut self,
        fitted: &Fitted<'_>,
        heaviest: usize,
        course: &Course,
        set_point: f64,
        limits: &ForecastConstants,
    ) {
        let draws: Vec<&Draw> = fitted.draws.iter().filter(|d| d.variant == heaviest).collect();
        if draws.is_empty() {
            return;
        }
        let variant = &fitted.variants[heaviest];
        let future = Future::new(variant, limits);
        let count = draws.len() as f64;
        let mean = |k: usize| draws.iter().map(|d| d.theta[k]).sum::<f64>() / count;
        let theta = Array1::from_iter((0..variant.design.terms.len()).map(mean));
        let sum = |keep: &dyn Fn(Term) -> bool| {
            let kept = |term: &usize| if keep(variant.design.terms[*term]) { theta[*term] } else { 0.0 };
            future.rows.dot(&Array1::from_iter(future.at_work.iter().map(kept)))
        };
        let date =
            |offset: usize| course.date(variant.design.now.saturating_add(i32::try_from(offset).unwrap_or(i32::MAX)));
        // Dirt on the window is wiped off: it makes neither a lamp nor a sensor due.
        let clean = sum(&|term| !term.is_coat() && !term.is_window_dirt());
        // Of the rate only the coat comes off.
        let left = variant.design.intervals.last().map_or(0.0, |last| last.left_by_rate);
        let left = left * future.rate.map_or(0.0, |rate| theta[rate]);
        let light = clean.iter().map(|ln| (fitted.centre + ln - left).exp());
        self.lamp_by_light = first_crossing(light, set_point, (limits.mean_days, &[])).map(date);
        let drift = sum(&|term| term.share() == Share::Sensor && !term.is_window_dirt());
        self.sensor_by_drift = drift.iter().position(|ln| -ln >= SENSOR_DRIFT_LIMIT).map(date);
    }
}

/// The days ahead.
struct Future {
    /// The terms that are not 0 throughout.
    at_work: Vec<usize>,
    /// Their regressors, a row for each day.
    rows: Array2<f64>,
    days: Vec<DayAhead>,
    rate: Option<usize>,
    own: Option<usize>,
    /// Place and age of each lasting shift, days.
    shifts: Vec<(usize, f64)>,
    /// How the regressors of which terms wander.
    wanderings: Vec<(usize, Wander)>,
}

/// What is the same of a day ahead under all draws of a variant.
struct DayAhead {
    /// Growth since now, in hundreds of days.
    grown: f64,
    /// By how many e-folds the deposit is older than now.
    older: f64,
    /// Share of what passes that has passed.
    passed: f64,
}

impl Future {
    fn new(variant: &Variant<'_>, limits: &ForecastConstants) -> Self {
        let design = &variant.design;
        let (first, last) = (design.now, design.now + limits.horizon_days.max(1));
        let standing: Vec<Standing> = (first..=last).map(|day| design.standing(day)).collect();
        let at_work = design.at_work(&standing[0], &standing[standing.len() - 1]);
        let value = |(day, term): (usize, usize)| design.value(design.terms[at_work[term]], &standing[day]);
        // Exposure of the sleeve since the last cleaning, days.
        let age = design.interval_age(first).max(limits.least_age_days);
        let fade = 0.5 * limits.shift_passes.1;
        let day_ahead = |day: i32| {
            let ahead = f64::from(day - first);
            let (older, passed) = ((ahead / age).ln_1p(), 1.0 - (-ahead / fade).exp());
            DayAhead { grown: design.grown_since_now(day), older, passed }
        };
        Self {
            rows: Array2::from_shape_fn((standing.len(), at_work.len()), value),
            days: (first..=last).map(day_ahead).collect(),
            at_work,
            rate: design.terms.iter().position(|term| *term == Term::Rate),
            shifts: design.shift_ages(),
            wanderings: design.wanderings(),
            own: design.terms.iter().position(|term| *term == design.own_rate()),
        }
    }

    /// How much of the present shifts is passing under a draw, ln.
    fn passing_shifts(&self, draw: &Draw, limits: &ForecastConstants, rng: &mut impl Rng) -> f64 {
        let (chance, days) = limits.shift_passes;
        let parts = self.shifts.iter().map(|(term, age)| {
            let passes = rng.random::<f64>() < chance * (-age / days).exp();
            if passes { draw.theta[*term] } else { 0.0 }
        });
        parts.sum()
    }

    /// The light of one draw, day by day. The growth ahead has a pace of its own, and bends away from the form fitted the
    /// more the older the deposit becomes against its age now.
    fn walk<R: Rng>(
        &self,
        draw: &Draw,
        path: ArrayView1<'_, f64>,
        centre: f64,
        limits: &ForecastConstants,
        rng: &mut R,
    ) -> impl Iterator<Item = f64> {
        let theta = |term: Option<usize>| term.map_or(0.0, |k| draw.theta[k]);
        let rate = (theta(self.rate) + theta(self.own)).max(0.0);
        let (pace, bend): (f64, f64) = (rng.sample(StandardNormal), rng.sample(StandardNormal));
        let (pace, bend) = (limits.pace_spread * pace, limits.bend_spread * bend);
        let passing = self.passing_shifts(draw, limits, rng);
        // The light's own begins where it is now, those of what is measured where that is expected to be.
        let measured = self.wanderings.iter().map(|(term, wander)| (0.0, draw.theta[*term].abs() * wander.sd, *wander));
        let wanderings = std::iter::once((draw.wandering, draw.noise.wander.sd, draw.noise.wander)).chain(measured);
        let mut wanderings: Vec<Wandering> = wanderings.map(Wandering::new).collect();
        path.into_iter().zip(&self.days).enumerate().map(move |(place, (ln, day))| {
            if place > 0 {
                wanderings.iter_mut().for_each(|z| z.pass(rng.sample(StandardNormal)));
            }
            let z: f64 = wanderings.iter().map(|z| z.now).sum();
            let faster = pace + bend * day.older;
            light_of(centre + ln + z + passing * day.passed - faster * rate * day.grown)
        })
    }
}

/// A first-order autoregression on its way, from one day to the next.
struct Wandering {
    now: f64,
    decay: f64,
    step: f64,
}

impl Wandering {
    fn new((now, sd, wander): (f64, f64, Wander)) -> Self {
        let decay = wander.correlation(1.0);
        Self { now, decay, step: sd * (1.0 - decay * decay).sqrt() }
    }

    fn pass(&mut self, noise: f64) {
        self.now = self.decay * self.now + self.step * noise;
    }
}

/// Quantiles of the days to the crossing, those that never cross counting as later than any.
fn quantiles(mut days: Vec<Option<usize>>, date: impl Fn(usize) -> Date) -> Crossing {
    days.sort_by_key(|day| day.unwrap_or(usize::MAX));
    let at = |share: f64| {
        let place = (share * days.len() as f64).ceil() as usize;
        days.get(place.saturating_sub(1)).copied().flatten().map(&date)
    };
    Crossing { p10: at(0.1), p50: at(0.5), p90: at(0.9) }
}

/// The reading to expect if the sleeve were cleaned now: the coat goes, but for what a cleaning leaves behind. As it is
/// read on a day: with the day's noise, and `rounding`, the variance of ln of light in whole steps.
fn after_cleaning(
    (fitted, losses): (&Fitted<'_>, &[Losses]),
    rounding: f64,
    set_point: f64,
    model: &ModelConstants,
    rng: &mut impl Rng,
) -> AfterCleaning {
    let Belief { mean, sd } = model.left_behind;
    let sd = sd.hypot(model.left_behind_unit);
    let rows: Vec<Vec<f64>> = fitted.variants.iter().map(|v| v.design.row(v.design.now)).collect();
    let mut light: Vec<f64> = fitted
        .draws
        .iter()
        .zip(losses)
        .map(|(draw, losses)| {
            let now: f64 = rows[draw.variant].iter().zip(&draw.theta).map(|(x, t)| x * t).sum();
            let (noise, left): (f64, f64) = (rng.sample(StandardNormal), rng.sample(StandardNormal));
            let left = (losses.coat * (mean + sd * left)).max(0.0);
            let own = (draw.noise.day_variance + rounding).sqrt() * noise;
            light_of(fitted.centre + now + draw.wandering + losses.coat - left + own)
        })
        .collect();
    light.sort_by(f64::total_cmp);
    let (low, high) = (quantile_sorted(&light, 0.1), quantile_sorted(&light, 0.9));
    AfterCleaning { intensity: quantile_sorted(&light, 0.5), low, high, enough: low > set_point }
}

/// Whether a cleaning on `by` would give back a loss worth the trip: the median coat by then.
fn cleaning_helps(fitted: &Fitted<'_>, course: &Course, by: Date, limits: &ForecastConstants) -> bool {
    let day = course.number(by);
    let rows: Vec<Vec<f64>> = fitted.variants.iter().map(|v| v.design.row(day)).collect();
    let coat = |draw: &Draw| {
        let terms = fitted.variants[draw.variant].design.terms.iter();
        let parts = terms.zip(&draw.theta).zip(&rows[draw.variant]);
        let design = &fitted.variants[draw.variant].design;
        parts.map(|((term, t), x)| -t * design.coat_of(*term, *x, day)).sum::<f64>()
    };
    let mut coats: Vec<f64> = fitted.draws.iter().map(coat).collect();
    coats.sort_by(f64::total_cmp);
    quantile_sorted(&coats, 0.5) >= limits.small_loss
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Days to 0.7 and 0.8 of clean from 0.5 % a day at the start; linear, exponential and asymptotic growth of the
    /// deposit (Kern and Seaton 1959), closed forms. The crossing of the day's own value is the first whole day after.
    #[test]
    fn fouling_shapes() {
        let linear = |t: f64| 1.0 - 0.005 * t;
        let exponential = |t: f64| (-0.005 * t).exp();
        let asymptotic = |end: f64| move |t: f64| 1.0 - end * (1.0 - (-0.005 * t / end).exp());
        type Shape = (Box<dyn Fn(f64) -> f64>, Option<f64>, Option<f64>);
        let shapes: [Shape; 5] = [
            (Box::new(linear), Some(60.0), Some(40.0)),
            (Box::new(exponential), Some(71.335), Some(44.629)),
            (Box::new(|t| (-(1.0 - (-0.005 * t).exp())).exp()), Some(88.221), Some(50.500)),
            (Box::new(asymptotic(0.5)), None, None),
            (Box::new(asymptotic(0.3)), None, None),
        ];
        for (place, (shape, to_07, to_08)) in shapes.iter().enumerate() {
            for (limit, want) in [(0.7, to_07), (0.8, to_08)] {
                let found = first_crossing((0..365).map(|day| shape(f64::from(day))), limit, (1, &[]));
                if let Some(want) = want {
                    let found = found.unwrap() as f64;
                    assert!((want - 1e-9..want + 1.0).contains(&found), "{place} {limit}: {found} for {want}");
                }
            }
        }
    }

    #[test]
    fn seven_day_mean() {
        // 10, 9, 8 ...: the mean of seven lags three days behind the value.
        let light = (0..20).map(|day| 10.0 - f64::from(day));
        assert_eq!(first_crossing(light.clone(), 2.0, (1, &[])), Some(8));
        assert_eq!(first_crossing(light.clone(), 2.0, (7, &[])), Some(11));
        assert_eq!(first_crossing([5.0; 9].into_iter(), 4.9, (7, &[])), None);
        assert_eq!(first_crossing([5.0; 9].into_iter(), 5.0, (7, &[])), Some(0), "at the set point is not enough");
        assert_eq!(first_crossing(std::iter::empty(), 5.0, (7, &[])), None);
        // What came before is in the mean.
        assert_eq!(
            first_crossing(light.clone().skip(4), 4.0, (3, &[8.0, 7.0])),
            Some(3),
            "6 5 4 3: (5 + 4 + 3) / 3 is 4"
        );
        assert_eq!(first_crossing([1.0].into_iter(), 4.0, (3, &[9.0, 8.0, 7.0])), None, "(8 + 7 + 1) / 3 is over 4");
    }
}
