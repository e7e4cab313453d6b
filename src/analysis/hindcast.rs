//! Hindcast: repeat the assessment at past dates and score what it then said against what came.
//!
//! Pure scoring: the assessment and the truth come in as functions, so that a simulated unit with its truth and a real
//! one with only its readings are graded alike. Definitions stand with each field of [`Scores`].

pub mod reality;
pub mod rules;
mod scores;

use jiff::civil::Date;

use self::reality::changes_light;
pub use self::reality::{Outcome, Reality, TrueLosses, TrueStep, observed_crossing};
use self::rules::OnTheWay;
pub use self::scores::{AheadScore, CauseScore, DateScore, DetectionScore, Scores, VerdictScore};
use super::episodes::{self, EpisodeConstants};
use super::quarters::days_between;
use super::steps::{self, StepConstants};
use super::{History, Neighbours};
use crate::domain::assessment::{Loss, StepKind};
use crate::domain::{
    Assessment, Cause, Channel, Condition, DaySummary, Reading, ServiceEntry, Timestamp, UnitSpec, VerdictCause,
};

/// The constants of the hindcast.
#[derive(Clone, Debug, PartialEq)]
pub struct HindcastConstants {
    /// Days from one assessment to the next; 1 to 90.
    pub every_days: i64,
    /// The first assessment comes after this many days of readings; 7 to 365.
    pub first_after_days: i64,
    /// Days before the true crossing at which its date is judged, ascending.
    pub ahead_days: [i64; 3],
    /// An assessment counts for one of them if the crossing lies within this many days of it; half of `every_days`, so
    /// that each crossing is judged about once at each distance.
    pub ahead_within_days: i64,
    /// How far ahead a date can be said, days; one further off counts as this far. 365, the contract's horizon.
    pub horizon_days: i64,
    /// Share of the judged assessments that counts as steep, by the fall per day from the reading to the set point; 0
    /// to 1.
    pub steep_share: f64,
    /// Band of the prognostic horizon, days.
    pub band_days: f64,
    /// Allowed error of alpha-lambda as a share of the days left.
    pub alpha: f64,
    /// Share of the way at which it is judged.
    pub lambda: f64,
    /// A reported step is right within this many days of a true one; 0 to 7.
    pub step_within_days: i64,
    /// The least step that must be found, ln.
    pub least_step: f64,
    /// The least episode that must be found, percent of light.
    pub least_episode_percent: f64,
    /// From this probability on a verdict is a sure claim.
    pub sure: f64,
}

impl Default for HindcastConstants {
    fn default() -> Self {
        Self {
            every_days: 7,
            first_after_days: 60,
            ahead_days: [15, 30, 60],
            ahead_within_days: 3,
            horizon_days: 365,
            steep_share: 1.0 / 3.0,
            band_days: 7.0,
            alpha: 0.2,
            lambda: 0.5,
            step_within_days: 2,
            least_step: 0.01,
            least_episode_percent: 3.0,
            sure: 0.8,
        }
    }
}

/// A unit to be graded: what an assessment at its end would be given.
#[derive(Clone, Copy, Debug)]
pub struct Subject<'a> {
    /// Its papers.
    pub spec: &'a UnitSpec,
    /// Its readings, ascending by time; only the latest before each assessment is looked at.
    pub readings: &'a [Reading],
    /// Its days, ascending.
    pub days: &'a [DaySummary],
    /// Its service log, ascending by time.
    pub log: &'a [ServiceEntry],
    /// Usual milliseconds between its readings, if known.
    pub cadence_millis: Option<i64>,
    /// What other units on the same water have shown, if anything.
    pub neighbours: Option<Neighbours>,
}

impl<'a> Subject<'a> {
    /// What was known at `as_of`. Days that were not over by then are left out.
    fn history_at(&self, as_of: Timestamp) -> History<'a> {
        let today = as_of.date_in(&self.spec.zone);
        let known = &self.readings[..self.readings.partition_point(|r| r.at < as_of)];
        History {
            spec: self.spec,
            days: &self.days[..self.days.partition_point(|day| day.date < today)],
            log: &self.log[..self.log.partition_point(|entry| entry.at < as_of)],
            latest: known.iter().rev().find(|r| r.get(Channel::Intensity).is_some()).copied(),
            cadence_millis: self.cadence_millis,
            neighbours: self.neighbours,
        }
    }
}

/// What one assessment said of the crossing, and what came.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DatePoint {
    /// The last day known.
    pub date: Date,
    /// What came.
    pub outcome: Outcome,
    /// Days to the 10, 50 and 90 % quantiles; `None`: beyond the horizon.
    pub said: [Option<f64>; 3],
    /// Ratio of the reading to the set point; `None` without a reading.
    pub above: Option<f64>,
}

impl DatePoint {
    /// Days left to the crossing, where there was one.
    pub fn left(&self) -> Option<f64> {
        match self.outcome {
            Outcome::Crossed(on) => Some(days_between(self.date, on) as f64),
            Outcome::NotBy(_) | Outcome::Never | Outcome::Unknown => None,
        }
    }
}

/// How one loss was stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LossPoint {
    /// Which; `None` is the total.
    pub cause: Option<Cause>,
    /// Stated less true, points.
    pub error: f64,
    /// Whether the truth lay between low and high.
    pub covered: bool,
}

/// How one verdict was stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct VerdictPoint {
    pub cause: VerdictCause,
    pub probability: Option<f64>,
    pub right: bool,
}

/// Things reported and things there.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Detections {
    pub claims: u32,
    pub right: u32,
    pub truths: u32,
    pub found: u32,
    /// Days from each found one to the first assessment that reported it.
    pub delays: Vec<f64>,
}

/// Everything a unit's hindcast showed; [`Scores::of`] sums up any number of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct UnitGrade {
    pub(crate) assessments: u32,
    pub(crate) dates: Vec<DatePoint>,
    pub(crate) runs: Vec<Vec<OnTheWay>>,
    pub(crate) losses: Vec<LossPoint>,
    pub(crate) verdicts: Vec<VerdictPoint>,
    pub(crate) steps: Option<Detections>,
    pub(crate) episodes: Option<Detections>,
}

/// Repeats `assess` at the end of every `every_days`-th day and keeps what it said beside `reality`.
pub fn grade_unit<C: Fn(Date) -> Outcome>(
    subject: &Subject<'_>,
    reality: &Reality<'_, C>,
    assess: &dyn Fn(&History<'_>, Timestamp) -> Assessment,
    c: &HindcastConstants,
) -> UnitGrade {
    let mut grade = UnitGrade::default();
    let mut past: Vec<(Date, Assessment)> = Vec::new();
    for date in assessed_dates(subject.days, c) {
        let (_, as_of) = Timestamp::day_bounds(date, &subject.spec.zone);
        let said = assess(&subject.history_at(as_of), as_of);
        grade.assessments += 1;
        if said.condition != Condition::Closed {
            grade.dates.push(date_point(date, &said, (reality.crossing)(date)));
            if let Some(losses) = reality.losses {
                grade.add_losses(&said, &losses(as_of));
            }
        }
        past.push((date, said));
    }
    grade.runs = runs(&grade.dates, c);
    grade.steps = reality.unlogged.as_ref().map(|truths| {
        let logged = |t: &TrueStep| {
            let on = |entry: &ServiceEntry| days_between(t.date, entry.at.date_in(&subject.spec.zone)).abs();
            subject.log.iter().any(|e| changes_light(e.action) && on(e) <= c.step_within_days)
        };
        // What happened on a logged day is explained by the log, right or wrong; nobody is asked to report it.
        let (_, asked): (Vec<TrueStep>, Vec<TrueStep>) = truths.iter().copied().partition(logged);
        detect_steps(&past, truths, &asked, c)
    });
    grade.episodes = reality.episodes.as_ref().map(|truths| detect_episodes(&past, truths, subject.spec, c));
    grade
}

/// Grades a real unit, of which only its readings say what came: crossings where nobody worked before (see
/// [`observed_crossing`]), in the light of all steps and episodes its whole history shows. Causes cannot be graded.
pub fn grade_observed(
    subject: &Subject<'_>,
    searches: (&StepConstants, &EpisodeConstants),
    assess: &dyn Fn(&History<'_>, Timestamp) -> Assessment,
    c: &HindcastConstants,
) -> UnitGrade {
    let found = steps::find(subject.days, subject.log, subject.spec, searches.0);
    let snapped = found.snapped.iter().map(|snap| snap.used);
    let work: Vec<Date> = found.steps.iter().map(|step| step.date).chain(snapped).collect();
    let logged = subject.log.iter().filter(|entry| changes_light(entry.action));
    let resets: Vec<Date> =
        logged.map(|entry| entry.at.date_in(&subject.spec.zone)).chain(work.iter().copied()).collect();
    let clouds = episodes::find(subject.days, &resets, subject.spec, searches.1);
    let reality = Reality {
        crossing: |from: Date| observed_crossing(from, subject.days, subject.log, &work, &clouds, subject.spec),
        losses: None,
        unlogged: None,
        episodes: None,
    };
    grade_unit(subject, &reality, assess, c)
}

/// The scores of a fleet: every unit graded, then summed up.
pub fn grade_fleet(grades: &[UnitGrade], c: &HindcastConstants) -> Scores {
    Scores::of(grades, c)
}

/// The days at whose end an assessment is repeated; the last day is always one of them.
fn assessed_dates(days: &[DaySummary], c: &HindcastConstants) -> Vec<Date> {
    let lit = |d: &&DaySummary| d.intensity.is_some();
    let (Some(first), Some(last)) = (days.iter().find(lit), days.iter().rev().find(lit)) else { return Vec::new() };
    let span = days_between(first.date, last.date);
    let day = |n: i64| first.date.checked_add(jiff::Span::new().try_days(n).unwrap_or_default()).unwrap_or(last.date);
    let mut dates: Vec<Date> = Vec::new();
    let mut ahead = span;
    while ahead >= c.first_after_days {
        dates.push(day(ahead));
        ahead -= c.every_days.max(1);
    }
    dates.reverse();
    dates
}

fn date_point(date: Date, said: &Assessment, outcome: Outcome) -> DatePoint {
    let crossing = &said.forecast.crossing;
    let days = |q: Option<Date>| q.map(|q| days_between(date, q) as f64);
    let above = said.reading.as_ref().map(|r| r.intensity / said.forecast.set_point).filter(|a| *a > 0.0);
    DatePoint { date, outcome, said: [crossing.p10, crossing.p50, crossing.p90].map(days), above }
}

/// Consecutive forecasts of one and the same crossing, which a shift of up to `ahead_within_days` leaves the same.
fn runs(points: &[DatePoint], c: &HindcastConstants) -> Vec<Vec<OnTheWay>> {
    let mut runs: Vec<(Date, Vec<OnTheWay>)> = Vec::new();
    for point in points {
        let (Outcome::Crossed(on), Some(left)) = (point.outcome, point.left()) else { continue };
        if left < 1.0 {
            continue;
        }
        let way = OnTheWay { left, said: point.said[1].unwrap_or(f64::INFINITY) };
        match runs.last_mut() {
            Some((same, run)) if days_between(*same, on).abs() <= c.ahead_within_days => run.push(way),
            _ => runs.push((on, vec![way])),
        }
    }
    runs.into_iter().map(|(_, run)| run).collect()
}

impl UnitGrade {
    /// Days truly left to a crossing and the days its median date gave (`None`: beyond the horizon), by assessment.
    pub fn forecasts(&self) -> impl Iterator<Item = (f64, Option<f64>)> + '_ {
        self.dates.iter().filter_map(|point| Some((point.left()?, point.said[1])))
    }

    fn add_losses(&mut self, said: &Assessment, truth: &TrueLosses) {
        if let Some(loss) = &said.loss {
            self.losses.extend(loss_points(loss, truth));
        }
        self.verdicts.push(VerdictPoint {
            cause: said.verdict.cause,
            probability: said.verdict.probability,
            right: truth.bears_out(said.verdict.cause),
        });
    }
}

fn loss_points(loss: &Loss, truth: &TrueLosses) -> Vec<LossPoint> {
    let percent = |x: f64| -100.0 * (-x).exp_m1();
    let point = |cause: Option<Cause>, stated: f64, low: f64, high: f64, true_loss: f64| {
        let want = percent(true_loss);
        LossPoint { cause, error: stated - want, covered: (low..=high).contains(&want) }
    };
    let causes = loss.causes.iter().filter(|l| l.cause != Cause::Unexplained);
    let mut points: Vec<LossPoint> =
        causes.map(|l| point(Some(l.cause), l.percent, l.low, l.high, truth.of(l.cause))).collect();
    points.push(point(None, loss.total.percent, loss.total.low, loss.total.high, truth.total));
    points
}

/// Steps reported by the last assessment against the true ones, of which those `asked` must be found. One that was taken
/// for a mis-dated entry of the log is found too.
fn detect_steps(
    past: &[(Date, Assessment)],
    truths: &[TrueStep],
    asked: &[TrueStep],
    c: &HindcastConstants,
) -> Detections {
    let Some((end, last)) = past.last() else { return Detections::default() };
    let is = |said: &crate::domain::assessment::UnloggedStep, truth: &TrueStep| {
        let up = said.kind == StepKind::StepUp;
        up == (truth.ln_size > 0.0) && {
            let apart = days_between(truth.date, said.at);
            (-c.step_within_days..=truth.days + c.step_within_days).contains(&apart)
        }
    };
    let mut found = Detections { claims: last.unlogged.len() as u32, ..Detections::default() };
    found.right = last.unlogged.iter().filter(|said| truths.iter().any(|t| is(said, t))).count() as u32;
    let visible = |t: &&TrueStep| t.ln_size.abs() >= c.least_step && days_between(t.date, *end) > c.step_within_days;
    for truth in asked.iter().filter(visible) {
        found.truths += 1;
        let used = |date: Date| days_between(truth.date, date).abs() <= c.step_within_days;
        let reports = |a: &Assessment| {
            a.unlogged.iter().any(|said| is(said, truth))
                || a.log_doubts.iter().any(|doubt| doubt.used.is_some_and(used))
        };
        if reports(last) {
            found.found += 1;
            let first = past.iter().find(|(_, a)| reports(a));
            found.delays.extend(first.map(|(on, _)| days_between(truth.date, *on) as f64));
        }
    }
    found
}

/// Episodes reported by the last assessment against the true ones: right where they overlap.
fn detect_episodes(
    past: &[(Date, Assessment)],
    truths: &[(Timestamp, Timestamp, f64)],
    spec: &UnitSpec,
    c: &HindcastConstants,
) -> Detections {
    let Some((_, last)) = past.last() else { return Detections::default() };
    let is =
        |said: &crate::domain::assessment::Episode, t: &(Timestamp, Timestamp, f64)| said.from < t.1 && t.0 < said.to;
    let claims = || last.episodes.iter().filter(|e| e.depth_percent >= c.least_episode_percent);
    let mut found = Detections { claims: claims().count() as u32, ..Detections::default() };
    found.right = claims().filter(|said| truths.iter().any(|t| is(said, t))).count() as u32;
    for truth in truths.iter().filter(|t| t.2 >= c.least_episode_percent && t.0 < last.as_of) {
        found.truths += 1;
        if last.episodes.iter().any(|said| is(said, truth)) {
            found.found += 1;
            let first = past.iter().find(|(_, a)| a.episodes.iter().any(|said| is(said, truth)));
            let begun = truth.0.date_in(&spec.zone);
            found.delays.extend(first.map(|(on, _)| days_between(begun, *on) as f64));
        }
    }
    found
}

#[cfg(test)]
mod tests;
