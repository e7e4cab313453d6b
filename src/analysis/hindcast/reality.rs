//! What became of a unit: what a hindcast is scored against.

use jiff::civil::Date;

use crate::analysis::quarters::days_between;
use crate::domain::assessment::Episode;
use crate::domain::{Cause, DaySummary, ServiceAction, ServiceEntry, Timestamp, UnitSpec, VerdictCause};

/// When the light would have been too little after a day, had nobody done anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// On this day (the contract's crossing).
    Crossed(Date),
    /// Not up to and with this day; what came later is not known.
    NotBy(Date),
    /// Never within the horizon.
    Never,
    /// Nothing can be said, as on a day without light or within a closed season.
    Unknown,
}

/// Losses at an instant, ln, positive when light is lost, against the unit's first reference.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TrueLosses {
    /// Of each cause of the contract, in the order of [`Cause::ALL`]; `unexplained` is not used.
    pub by_cause: [f64; 6],
    /// All together.
    pub total: f64,
    /// The cause that has cost most; `None` is "nothing wrong".
    pub leading: Option<Cause>,
}

impl TrueLosses {
    /// The loss to one cause.
    pub fn of(&self, cause: Cause) -> f64 {
        Cause::ALL.iter().position(|c| *c == cause).map_or(0.0, |i| self.by_cause[i])
    }

    /// Whether a verdict names what has cost most. Lamp and sensor named together are right where the two together
    /// have cost most.
    pub fn bears_out(&self, verdict: VerdictCause) -> bool {
        let leads = |cause| self.leading == Some(cause);
        match verdict {
            VerdictCause::SleeveFouling => leads(Cause::SleeveFouling),
            VerdictCause::LampAgeing => leads(Cause::LampAgeing),
            VerdictCause::SensorDrift => leads(Cause::SensorDrift),
            VerdictCause::WaterQuality => leads(Cause::WaterQuality),
            VerdictCause::LampOrSensor => {
                let both = self.of(Cause::LampAgeing) + self.of(Cause::SensorDrift);
                let others = self.of(Cause::SleeveFouling).max(self.of(Cause::WaterQuality));
                self.leading.is_some() && both >= others
            }
            VerdictCause::None => self.leading.is_none(),
            VerdictCause::Unexplained | VerdictCause::Unsettled => false,
        }
    }
}

/// A lasting change of the light that is in no log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueStep {
    /// The day it began.
    pub date: Date,
    /// Days it took; 0 for work at the unit.
    pub days: i64,
    /// ln; positive: up.
    pub ln_size: f64,
}

/// What really happened to a unit, as far as anybody knows.
pub struct Reality<'a, C> {
    /// The crossing after a day.
    pub crossing: C,
    /// The losses at an instant; `None` where nobody knows them, as with any real unit.
    pub losses: Option<&'a dyn Fn(Timestamp) -> TrueLosses>,
    /// Every change that is in no log; `None` where nobody knows them all.
    pub unlogged: Option<Vec<TrueStep>>,
    /// Every passing clouding: first and last instant and depth in percent; `None` where nobody knows them all.
    pub episodes: Option<Vec<(Timestamp, Timestamp, f64)>>,
}

/// Days in the mean of the contract's crossing.
const MEAN_DAYS: i64 = 7;
/// Days in that mean that must have readings.
const MEAN_LEAST: usize = 4;

/// The crossing that the readings themselves show: the first day from `from` on whose mean of seven days is at or under
/// the set point, if nothing was done before. Days within `episodes` are left out; work in the log or found (`work`)
/// ends what can be known.
pub fn observed_crossing(
    from: Date,
    days: &[DaySummary],
    log: &[ServiceEntry],
    work: &[Date],
    episodes: &[Episode],
    spec: &UnitSpec,
) -> Outcome {
    let cloudy =
        |date: Date| episodes.iter().any(|e| e.from.date_in(&spec.zone) <= date && date <= e.to.date_in(&spec.zone));
    let logged = log.iter().filter(|entry| changes_light(entry.action)).map(|entry| entry.at.date_in(&spec.zone));
    let until = logged.chain(work.iter().copied()).filter(|date| *date > from).min();
    let open = |day: &&DaySummary| until.is_none_or(|until| day.date < until);
    let first = days.partition_point(|day| days_between(day.date, from) >= MEAN_DAYS);
    let course: Vec<(Date, f64)> = days[first..]
        .iter()
        .take_while(open)
        .filter(|day| !cloudy(day.date))
        .filter_map(|day| day.intensity.map(|i| (day.date, i.median.exp())))
        .collect();
    for (i, (date, _)) in course.iter().enumerate().filter(|(_, (date, _))| *date >= from) {
        let week: Vec<f64> = course[..=i]
            .iter()
            .rev()
            .take_while(|(earlier, _)| days_between(*earlier, *date) < MEAN_DAYS)
            .map(|(_, intensity)| *intensity)
            .collect();
        if week.len() >= MEAN_LEAST && week.iter().sum::<f64>() / week.len() as f64 <= spec.set_point {
            return Outcome::Crossed(*date);
        }
    }
    match course.last() {
        Some((last, _)) if *last >= from => Outcome::NotBy(*last),
        _ => Outcome::Unknown,
    }
}

/// Whether after this action "nobody did anything" no longer holds.
pub(super) fn changes_light(action: ServiceAction) -> bool {
    matches!(
        action,
        ServiceAction::SleeveCleaned
            | ServiceAction::SleeveReplaced
            | ServiceAction::LampReplaced
            | ServiceAction::SensorCleaned
            | ServiceAction::SensorReplaced
            | ServiceAction::Closed
    )
}
