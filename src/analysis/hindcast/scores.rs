//! What a fleet's hindcasts come to, as numbers to compare and as a table.

use std::fmt;

use serde::Serialize;

use super::rules::{self, OnTheWay};
use super::{DatePoint, Detections, HindcastConstants, LossPoint, Outcome, UnitGrade, VerdictPoint};
use crate::analysis::quarters::days_between;
use crate::analysis::window::median;
use crate::domain::{Cause, VerdictCause};

/// The scores of any number of units.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scores {
    /// Units graded.
    pub units: usize,
    /// Assessments repeated.
    pub assessments: u32,
    /// The date of the crossing.
    pub dates: DateScore,
    /// Losses by cause, in points of percent; the total last, as `None`.
    pub causes: Vec<CauseScore>,
    /// The verdict; `None` where nobody knows the truth.
    pub verdict: Option<VerdictScore>,
    /// Steps that nobody logged; `None` where nobody knows the truth.
    pub unlogged: Option<DetectionScore>,
    /// Water episodes; `None` where nobody knows the truth.
    pub episodes: Option<DetectionScore>,
}

/// How good the dates were.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DateScore {
    /// By distance from the crossing.
    pub ahead: Vec<AheadScore>,
    /// Assessments after which nothing crosses within the horizon.
    pub never: usize,
    /// Of those, how many gave a median date within half the horizon all the same.
    pub never_dated: usize,
    /// Assessments after which the light is known to have held for some time, not how long.
    pub open: usize,
    /// Of those, how many had given a 90 % date before that.
    pub open_contradicted: usize,
    /// Crossings approached.
    pub runs: usize,
    /// Prognostic horizon (Saxena et al. 2010; met and stays met, band [`HindcastConstants::band_days`]): its median over
    /// the crossings, days; 0 for those that were never met.
    pub prognostic_horizon_days: Option<f64>,
    /// Alpha-lambda (the same; [`HindcastConstants::alpha`] at [`HindcastConstants::lambda`]): share of the crossings met.
    pub alpha_lambda: Option<f64>,
    /// Relative accuracy (the same), median over all forecasts of those crossings; a date beyond the horizon counts
    /// as the horizon.
    pub relative_accuracy: Option<f64>,
}

/// Forecasts made some days before the true crossing. Dates beyond the horizon count as the horizon.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AheadScore {
    /// Days before the crossing.
    pub days: i64,
    /// Forecasts judged.
    pub count: usize,
    /// Of those, how many gave no median date within the horizon.
    pub without_date: usize,
    /// Mean absolute error of the median date, days.
    pub mean_error: Option<f64>,
    /// Median absolute error, days.
    pub median_error: Option<f64>,
    /// Mean error, days; positive: said too late.
    pub bias: Option<f64>,
    /// Share of crossings within the 80 % interval.
    pub coverage: Option<f64>,
    /// The same among the steepest falls.
    pub coverage_steep: Option<f64>,
    /// Mean continuous ranked probability score from the three quantiles, days ([`rules::crps_quantiles`]).
    pub crps: Option<f64>,
    /// Mean pinball loss of the 10 % date, days.
    pub pinball_p10: Option<f64>,
    /// Mean interval score of the 80 % interval, days.
    pub interval_score: Option<f64>,
}

/// How well one cause's loss was stated.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CauseScore {
    /// Which; `None` is the total.
    pub cause: Option<Cause>,
    /// Statements judged.
    pub count: usize,
    /// Mean absolute error, points.
    pub mean_error: Option<f64>,
    /// Median absolute error, points.
    pub median_error: Option<f64>,
    /// Mean error, points; positive: said too much.
    pub bias: Option<f64>,
    /// Share of truths between low and high.
    pub coverage: Option<f64>,
}

/// How well the main cause was named.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct VerdictScore {
    /// Verdicts judged.
    pub count: usize,
    /// Of those, how many named a cause or none.
    pub settled: usize,
    /// Share of the settled ones that were right.
    pub right: Option<f64>,
    /// Verdicts with at least [`HindcastConstants::sure`].
    pub sure: usize,
    /// Share of those that were right.
    pub sure_right: Option<f64>,
    /// Mean squared difference of the stated probability and what came (Brier 1950), among the settled.
    pub brier: Option<f64>,
}

/// How well something was found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DetectionScore {
    /// Reported.
    pub claims: u32,
    /// Of those, real.
    pub right: u32,
    /// There to be found.
    pub truths: u32,
    /// Of those, reported.
    pub found: u32,
    /// `right` of `claims`.
    pub precision: Option<f64>,
    /// `found` of `truths`.
    pub recall: Option<f64>,
    /// Median days from the thing to the first assessment that reported it.
    pub delay_days: Option<f64>,
}

impl Scores {
    /// Sums up the grades.
    pub fn of(grades: &[UnitGrade], c: &HindcastConstants) -> Self {
        let losses: Vec<&LossPoint> = grades.iter().flat_map(|g| &g.losses).collect();
        let verdicts: Vec<&VerdictPoint> = grades.iter().flat_map(|g| &g.verdicts).collect();
        Self {
            units: grades.len(),
            assessments: grades.iter().map(|g| g.assessments).sum(),
            dates: DateScore::of(grades, c),
            causes: cause_scores(&losses),
            verdict: (!verdicts.is_empty()).then(|| VerdictScore::of(&verdicts, c)),
            unlogged: DetectionScore::of(grades.iter().filter_map(|g| g.steps.as_ref())),
            episodes: DetectionScore::of(grades.iter().filter_map(|g| g.episodes.as_ref())),
        }
    }
}

/// Mean; `None` of none.
fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn share(part: usize, whole: usize) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

impl DateScore {
    fn of(grades: &[UnitGrade], c: &HindcastConstants) -> Self {
        let points: Vec<&DatePoint> = grades.iter().flat_map(|g| &g.dates).collect();
        let runs: Vec<&Vec<OnTheWay>> = grades.iter().flat_map(|g| &g.runs).collect();
        let never: Vec<&&DatePoint> = points.iter().filter(|p| p.outcome == Outcome::Never).collect();
        let soon = |p: &DatePoint| p.said[1].is_some_and(|days| days <= c.horizon_days as f64 / 2.0);
        let held = |p: &DatePoint| match p.outcome {
            Outcome::NotBy(date) => Some(days_between(p.date, date) as f64),
            _ => None,
        };
        let open: Vec<(&DatePoint, f64)> = points.iter().filter_map(|p| held(p).map(|days| (*p, days))).collect();
        let contradicted = open.iter().filter(|(p, held)| p.said[2].is_some_and(|said| said <= *held)).count();
        let mut horizons: Vec<f64> =
            runs.iter().map(|run| rules::prognostic_horizon(run, c.band_days).unwrap_or(0.0)).collect();
        let met: Vec<bool> = runs.iter().filter_map(|run| rules::alpha_lambda(run, c.alpha, c.lambda)).collect();
        let capped = |f: &OnTheWay| OnTheWay { said: f.said.min(c.horizon_days as f64), ..*f };
        let mut accuracy: Vec<f64> =
            runs.iter().flat_map(|run| run.iter()).filter_map(|f| rules::relative_accuracy(capped(f))).collect();
        Self {
            ahead: c.ahead_days.iter().map(|days| AheadScore::of(*days, &points, c)).collect(),
            never: never.len(),
            never_dated: never.iter().filter(|p| soon(p)).count(),
            open: open.len(),
            open_contradicted: contradicted,
            runs: runs.len(),
            prognostic_horizon_days: median(&mut horizons),
            alpha_lambda: share(met.iter().filter(|met| **met).count(), met.len()),
            relative_accuracy: median(&mut accuracy),
        }
    }
}

/// One judged forecast: days truly left, and the three quantiles with the horizon for none.
struct Judged {
    left: f64,
    said: [f64; 3],
    dated: bool,
    covered: bool,
    /// Fall to the set point, ln per day.
    steepness: f64,
}

impl AheadScore {
    fn of(days: i64, points: &[&DatePoint], c: &HindcastConstants) -> Self {
        let horizon = c.horizon_days as f64;
        let judged: Vec<Judged> = points
            .iter()
            .filter_map(|p| p.left().map(|left| (p, left)))
            .filter(|(_, left)| *left >= 1.0 && (*left - days as f64).abs() <= c.ahead_within_days as f64)
            .map(|(p, left)| Judged {
                left,
                said: p.said.map(|said| said.unwrap_or(horizon)),
                dated: p.said[1].is_some(),
                covered: p.said[0].is_some_and(|low| low <= left) && p.said[2].is_none_or(|high| left <= high),
                steepness: p.above.map_or(0.0, |above| above.ln() / left),
            })
            .collect();
        let errors: Vec<f64> = judged.iter().map(|j| j.said[1] - j.left).collect();
        let mut absolute: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let mut by_steepness: Vec<&Judged> = judged.iter().collect();
        by_steepness.sort_by(|a, b| b.steepness.total_cmp(&a.steepness));
        let steep = &by_steepness[..(c.steep_share * judged.len() as f64).round() as usize];
        let each = |score: &dyn Fn(&Judged) -> f64| mean(&judged.iter().map(score).collect::<Vec<_>>());
        Self {
            days,
            count: judged.len(),
            without_date: judged.iter().filter(|j| !j.dated).count(),
            mean_error: mean(&absolute),
            median_error: median(&mut absolute),
            bias: mean(&errors),
            coverage: share(judged.iter().filter(|j| j.covered).count(), judged.len()),
            coverage_steep: share(steep.iter().filter(|j| j.covered).count(), steep.len()),
            crps: each(&|j| {
                let [p10, p50, p90] = j.said;
                rules::crps_quantiles(&[(0.1, p10), (0.5, p50), (0.9, p90)], j.left).unwrap_or(0.0)
            }),
            pinball_p10: each(&|j| rules::pinball(0.1, j.said[0], j.left)),
            interval_score: each(&|j| rules::interval_score(j.said[0], j.said[2], 0.2, j.left)),
        }
    }
}

fn cause_scores(points: &[&LossPoint]) -> Vec<CauseScore> {
    let causes = Cause::ALL.iter().copied().map(Some).chain([None]);
    causes
        .filter_map(|cause| {
            let of: Vec<&&LossPoint> = points.iter().filter(|p| p.cause == cause).collect();
            let errors: Vec<f64> = of.iter().map(|p| p.error).collect();
            let mut absolute: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
            (!of.is_empty()).then(|| CauseScore {
                cause,
                count: of.len(),
                mean_error: mean(&absolute),
                median_error: median(&mut absolute),
                bias: mean(&errors),
                coverage: share(of.iter().filter(|p| p.covered).count(), of.len()),
            })
        })
        .collect()
}

impl VerdictScore {
    fn of(points: &[&VerdictPoint], c: &HindcastConstants) -> Self {
        let settled: Vec<&&VerdictPoint> = points.iter().filter(|p| p.cause != VerdictCause::Unsettled).collect();
        let sure: Vec<&&&VerdictPoint> = settled.iter().filter(|p| p.probability >= Some(c.sure)).collect();
        let squares: Vec<f64> = settled
            .iter()
            .filter_map(|p| p.probability.map(|said| (said - f64::from(u8::from(p.right))).powi(2)))
            .collect();
        Self {
            count: points.len(),
            settled: settled.len(),
            right: share(settled.iter().filter(|p| p.right).count(), settled.len()),
            sure: sure.len(),
            sure_right: share(sure.iter().filter(|p| p.right).count(), sure.len()),
            brier: mean(&squares),
        }
    }
}

impl DetectionScore {
    fn of<'a>(all: impl Iterator<Item = &'a Detections>) -> Option<Self> {
        let sum = all.fold(None, |sum: Option<Detections>, more| {
            let mut sum = sum.unwrap_or_default();
            sum.claims += more.claims;
            sum.right += more.right;
            sum.truths += more.truths;
            sum.found += more.found;
            sum.delays.extend(&more.delays);
            Some(sum)
        });
        sum.map(|mut sum| Self {
            claims: sum.claims,
            right: sum.right,
            truths: sum.truths,
            found: sum.found,
            precision: share(sum.right as usize, sum.claims as usize),
            recall: share(sum.found as usize, sum.truths as usize),
            delay_days: median(&mut sum.delays),
        })
    }
}

/// A number of a table, or a dash.
fn cell(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{v:.digits$}"))
}

/// A share of a table in percent, or a dash.
fn percent(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |v| format!("{:.0} %", 100.0 * v))
}

impl fmt::Display for Scores {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} units, {} assessments", self.units, self.assessments)?;
        self.dates.fmt(f)?;
        if !self.causes.is_empty() {
            writeln!(f, "\nloss, points of percent   count    mean  median    bias  80 % holds")?;
        }
        for score in &self.causes {
            writeln!(
                f,
                "{:<24} {:>6} {:>7} {:>7} {:>7} {:>11}",
                score.cause.map_or("total", Cause::name),
                score.count,
                cell(score.mean_error, 2),
                cell(score.median_error, 2),
                cell(score.bias, 2),
                percent(score.coverage),
            )?;
        }
        if let Some(v) = &self.verdict {
            writeln!(
                f,
                "\nverdicts: {} of {} settled, {} right; {} sure, {} right; Brier score {}",
                v.settled,
                v.count,
                percent(v.right),
                v.sure,
                percent(v.sure_right),
                cell(v.brier, 3),
            )?;
        }
        for (name, score) in [("unlogged steps", &self.unlogged), ("water episodes", &self.episodes)] {
            if let Some(s) = score {
                writeln!(
                    f,
                    "{name}: {} of {} reported are real ({}), {} of {} found ({}), after {} days (median)",
                    s.right,
                    s.claims,
                    percent(s.precision),
                    s.found,
                    s.truths,
                    percent(s.recall),
                    cell(s.delay_days, 0),
                )?;
            }
        }
        Ok(())
    }
}

impl fmt::Display for DateScore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "\ncrossing, days ahead  count  no date  mean error  median  bias  80 % holds  if steep  CRPS")?;
        for a in &self.ahead {
            writeln!(
                f,
                "{:>20} {:>6} {:>8} {:>11} {:>7} {:>5} {:>11} {:>9} {:>5}",
                a.days,
                a.count,
                a.without_date,
                cell(a.mean_error, 1),
                cell(a.median_error, 1),
                cell(a.bias, 1),
                percent(a.coverage),
                percent(a.coverage_steep),
                cell(a.crps, 1),
            )?;
        }
        writeln!(
            f,
            "{} crossings approached: right to the end from {} days ahead (median); {} within the cone half-way; \
             relative accuracy {}",
            self.runs,
            cell(self.prognostic_horizon_days, 0),
            percent(self.alpha_lambda),
            cell(self.relative_accuracy, 2),
        )?;
        if self.never > 0 {
            writeln!(f, "{} times nothing would have crossed; {} of them had a date", self.never, self.never_dated)?;
        }
        if self.open > 0 {
            writeln!(
                f,
                "{} times work came before the crossing; {} of them had said it would come sooner",
                self.open, self.open_contradicted
            )?;
        }
        Ok(())
    }
}
