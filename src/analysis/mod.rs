//! Readings to days to causes, dates and a verdict. PURE: numbers in, numbers out.

pub mod assess;
pub mod causes;
mod cholesky;
mod closing;
pub mod condition;
pub mod constants;
mod contrast;
pub mod course;
pub mod covariate;
pub mod design;
pub mod episodes;
pub mod events;
mod evidence;
pub mod fit;
pub mod forecast;
pub mod growth;
pub mod hindcast;
pub mod lamps;
mod level;
pub mod model;
mod normal;
pub mod parts;
pub mod posterior;
mod quarters;
pub mod readings;
pub mod retrace;
pub mod rollup;
mod rows;
pub mod sensor_window;
pub mod shifts;
pub mod steps;
pub mod structures;
pub mod term;
pub mod tuning;
pub mod water;
pub mod whiten;
mod window;

pub use assess::{assess, retrace};
pub use constants::Constants;

use crate::domain::{DaySummary, Reading, ServiceEntry, UnitSpec};

/// Everything known about a unit, from which [`crate::domain::Assessment`]s are made.
#[derive(Clone, Copy, Debug)]
pub struct History<'a> {
    /// The unit's papers.
    pub spec: &'a UnitSpec,
    /// Its days, ascending and without repeats; days without readings are absent. The last may be incomplete.
    pub days: &'a [DaySummary],
    /// Its service log, ascending by time.
    pub log: &'a [ServiceEntry],
    /// Its latest reading that carries an intensity.
    pub latest: Option<Reading>,
    /// Usual milliseconds between its readings, if known.
    pub cadence_millis: Option<i64>,
    /// What other units on the same water have shown, if anything.
    pub neighbours: Option<Neighbours>,
}

/// How fast sleeves foul on the same water, from other units: natural-log loss per 100 days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Neighbours {
    /// Mean rate, 1 per 100 days.
    pub rate_mean: f64,
    /// Standard deviation between units, 1 per 100 days.
    pub rate_sd: f64,
    /// How many units it rests on.
    pub units: u32,
}
