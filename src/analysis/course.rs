//! A unit's history as the model sees it: one number for each day, numbered from the first day with light.

use jiff::civil::Date;

use super::History;
use super::constants::ModelConstants;
use super::covariate::Covariate;
use crate::domain::{DaySummary, IntensityUnit, ServiceAction, Timestamp};

/// No sensor reads less than e^-20 or more than e^20 of any unit in use: such a day is a scaling mistake.
const MOST_LN: f64 = 20.0;

/// Days ahead whose seasons are worked out beforehand: further than a forecast looks.
const SEASONS_AHEAD: i32 = 800;

/// The daily course of a unit up to an instant. Only days that were over by then are in it, so that readings after the
/// instant cannot get in through the summary of a day that had begun.
#[derive(Clone, Debug)]
pub struct Course {
    /// The date of day 0.
    pub first: Date,
    /// The day number of the assessment's own date.
    pub today: i32,
    /// Day numbers with a value, ascending.
    pub days: Vec<i32>,
    /// ln of intensity on them.
    pub ln: Vec<f64>,
    /// Relative precision of them, 0 to 1, from the number of readings.
    pub precision: Vec<f64>,
    /// Share of each calendar day the lamp burnt and water was in the unit, 0 to 1; days 0 to `today`.
    pub on: Vec<f64>,
    /// Lamp-hour counter on calendar days where it was sent.
    pub counter: Vec<Option<f64>>,
    /// Absorbance of the water at 254 nm, 1/cm, if measured on most days.
    pub absorbance: Option<Covariate>,
    /// Water temperature, C, if measured on most days.
    pub temperature: Option<Covariate>,
    /// Least variance a day's value can have, from rounding, ln squared.
    pub rounding_variance: f64,
    /// Days summarised that were over by the instant, with light or without.
    pub summarised: usize,
    /// [`Course::season`] of the days from 0 on: every design asks for them.
    seasons: Vec<(f64, f64)>,
}

impl Course {
    /// The course of `history` up to `as_of`; `None` without a single eligible day.
    pub fn new(history: &History<'_>, as_of: Timestamp, c: &ModelConstants) -> Option<Self> {
        let today = as_of.date_in(&history.spec.zone);
        let over: Vec<&DaySummary> = history.days.iter().filter(|day| day.date < today).collect();
        let first = over.iter().find(|day| day.intensity.is_some())?.date;
        let number = |date: Date| days_between(first, date);
        let length = usize::try_from(number(today)).ok()?;
        let mut course = Self {
            first,
            today: number(today),
            days: Vec::new(),
            ln: Vec::new(),
            precision: Vec::new(),
            on: vec![f64::NAN; length + 1],
            counter: vec![None; length + 1],
            absorbance: None,
            temperature: None,
            rounding_variance: 0.0,
            summarised: over.len(),
            seasons: Vec::new(),
        };
        course.seasons = (0..course.today.saturating_add(SEASONS_AHEAD)).map(|day| course.season(day)).collect();
        let mut known: Vec<(usize, &DaySummary)> = Vec::new();
        for day in over {
            let Ok(at) = usize::try_from(number(day.date)) else { continue };
            known.push((at, day));
            course.counter[at] = day.lamp_hours.filter(|h| h.is_finite());
            course.on[at] = day.lamp_on_share.unwrap_or(f64::NAN);
            if let Some(light) = day.intensity.filter(|light| light.median.abs() < MOST_LN) {
                course.days.push(number(day.date));
                course.ln.push(light.median);
                let count = f64::from(light.count);
                course.precision.push((count / (count + c.half_weight_readings)).max(1e-3));
            }
        }
        course.fill_on(history, as_of);
        let absorbance = |day: &DaySummary| day.transmittance.filter(|t| *t > 0.1).map(|t| -(t / 100.0).log10());
        course.absorbance = Covariate::by_days(&measured(&known, c.covariate_coverage, absorbance), course.today);
        // A day's median is of standing water or of running water, as people use it.
        let warmth = measured(&known, c.covariate_coverage, |day| day.water_temperature);
        course.temperature = Covariate::by_fortnights(&warmth, course.today);
        course.rounding_variance = rounding(history, &course.ln);
        Some(course)
    }

    /// The date of a day number, clamped to what a calendar can hold.
    pub fn date(&self, day: i32) -> Date {
        self.first.saturating_add(jiff::Span::new().days(day.clamp(-1_000_000, 1_000_000)))
    }

    /// Sine and cosine of the place of a day in the year.
    pub fn season(&self, day: i32) -> (f64, f64) {
        usize::try_from(day).ok().and_then(|day| self.seasons.get(day).copied()).unwrap_or_else(|| {
            let start = f64::from(self.first.day_of_year());
            (std::f64::consts::TAU * ((start + f64::from(day)) / 365.25).fract()).sin_cos()
        })
    }

    /// The day number of a date.
    pub fn number(&self, date: Date) -> i32 {
        days_between(self.first, date)
    }

    /// Days with the light of unknown share burn like the known ones; closed days do not burn.
    fn fill_on(&mut self, history: &History<'_>, as_of: Timestamp) {
        let known: Vec<f64> = self.on.iter().copied().filter(|on| on.is_finite()).collect();
        let usual = if known.is_empty() { 1.0 } else { known.iter().sum::<f64>() / known.len() as f64 };
        for on in &mut self.on {
            *on = if on.is_finite() { on.clamp(0.0, 1.0) } else { usual };
        }
        let mut closed: Option<i32> = None;
        let log = history.log.iter().take_while(|entry| entry.at <= as_of);
        let marks = log.filter(|entry| matches!(entry.action, ServiceAction::Closed | ServiceAction::Opened));
        let mut spans = Vec::new();
        for entry in marks {
            let day = self.number(entry.at.date_in(&history.spec.zone));
            match (entry.action, closed) {
                (ServiceAction::Closed, None) => closed = Some(day),
                (ServiceAction::Opened, Some(from)) => {
                    spans.push((from, day));
                    closed = None;
                }
                _ => {}
            }
        }
        spans.extend(closed.map(|from| (from, self.today + 1)));
        for (from, to) in spans {
            for day in from.max(0)..to.min(self.today + 1) {
                if let Some(on) = usize::try_from(day).ok().and_then(|d| self.on.get_mut(d)) {
                    *on = 0.0;
                }
            }
        }
    }
}

/// Days from one date to another.
pub fn days_between(from: Date, to: Date) -> i32 {
    (to - from).get_days()
}

/// What was measured, if it was on most of the days with light.
fn measured(
    known: &[(usize, &DaySummary)],
    coverage: f64,
    value: impl Fn(&DaySummary) -> Option<f64>,
) -> Vec<(i32, f64)> {
    let one = |(at, day): &(usize, &DaySummary)| Some((*at as i32, value(day).filter(|v| v.is_finite())?));
    let measured: Vec<(i32, f64)> = known.iter().filter_map(one).collect();
    let lit = known.iter().filter(|(_, day)| day.intensity.is_some()).count();
    if (measured.len() as f64) < coverage * lit as f64 { Vec::new() } else { measured }
}

/// Whole-number percent sensors: the variance of rounding at the usual level.
fn rounding(history: &History<'_>, ln: &[f64]) -> f64 {
    if history.spec.sensor.unit != IntensityUnit::Percent || ln.is_empty() {
        return 0.0;
    }
    let mut levels = ln.to_vec();
    let step = (-median(&mut levels)).exp();
    // Noise dithers the readings, so that a day's median resolves about a third of a step: by simulation, no source.
    (step / 3.0).powi(2) / 12.0
}

/// The median; 0 of nothing. Sorts its argument.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    quantile_sorted(values, 0.5)
}

/// A quantile of ascending values, linear between them; 0 of nothing.
pub fn quantile_sorted(values: &[f64], p: f64) -> f64 {
    let Some(last) = values.len().checked_sub(1) else { return 0.0 };
    let place = p * last as f64;
    let below = place.floor() as usize;
    let (low, high) = (values[below], values[(below + 1).min(last)]);
    low + (high - low) * (place - below as f64)
}
