//! Scores what each cause has cost since the first reading: `--change`. What was lost before anybody watched hangs on
//! papers and beliefs; what came after is seen. The fitted course of an assessment is held against the truth of its
//! first and last day, in points of light.

use fadeline::domain::{Cause, FittedDay};
use fadeline::scenario::Kind;
use fadeline::scenario::truth::percent;
use jiff::civil::Date;

use super::score::{mean, middle};
use super::unit::Unit;

const NAMES: [&str; 4] = ["sleeve", "lamp", "sensor", "lamp + sensor"];

/// Errors of the causes of [`NAMES`], points.
#[derive(Default)]
pub struct Change {
    errors: [Vec<f64>; NAMES.len()],
}

impl Change {
    /// Scores one unit as of a day.
    pub fn score(&mut self, unit: &Unit, date: Date) {
        let days = unit.retrace(unit.after(date));
        let Some((first, last)) = days.first().zip(days.last()) else { return };
        let said: Vec<f64> = ln(last).iter().zip(ln(first)).map(|(now, then)| now - then).collect();
        let (then, now) = (unit.lost(first.date), unit.lost(date));
        let lost = |cause: Cause| now.of(cause) - then.of(cause);
        let causes = [Cause::SleeveFouling, Cause::LampAgeing, Cause::SensorDrift].map(lost);
        let pair = (said[1] + said[2], causes[1] + causes[2]);
        let all = said.iter().copied().zip(causes).take(3).chain([pair]);
        for (errors, (said, want)) in self.errors.iter_mut().zip(all) {
            errors.push((percent(said) - percent(want)).abs());
        }
    }

    /// Prints the figures.
    pub fn print(&mut self, kind: Kind) {
        println!("== {kind}: lost since the first reading, {} verdicts", self.errors[0].len());
        for (name, errors) in NAMES.iter().zip(&mut self.errors) {
            errors.sort_by(f64::total_cmp);
            println!("  {name}: median {:.2} mean {:.2} points", middle(errors), mean(errors));
        }
    }
}

/// Sleeve, lamp and sensor in ln.
fn ln(day: &FittedDay) -> [f64; 3] {
    let points = day.lost.each();
    let all: f64 = points.iter().sum();
    let each = if all > 0.0 { -(-all / 100.0).ln_1p() / all } else { 0.0 };
    [points[0] * each, points[1] * each, points[2] * each]
}
