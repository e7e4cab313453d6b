//! Rolls a unit's touched days up and assesses it. Blocking: runs off the async threads.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;

use crate::alert::{Signs, signs};
use crate::analysis::condition::VISIT_AT_MOST;
use crate::analysis::rollup::{MARGIN_AFTER, MARGIN_BEFORE, summarise_day};
use crate::analysis::{self, Constants, History, Neighbours};
use crate::domain::service::effective;
use crate::domain::time::DAY;
use crate::domain::{Assessment, DaySummary, Reading, ServiceAction, ServiceEntry, Timestamp, UnitSpec};
use crate::store::{Store, StoreError};

/// What an assessment needs beside the store.
#[derive(Clone, Debug)]
pub struct Job {
    /// The unit's papers.
    pub spec: Arc<UnitSpec>,
    /// Its latest reading with an intensity.
    pub latest: Option<Reading>,
    /// Usual milliseconds between its readings, if known.
    pub cadence_millis: Option<i64>,
    /// What other units on the same water have shown.
    pub neighbours: Option<Neighbours>,
}

/// Rolls up what has changed, assesses the unit as of `now`, and keeps both; beside it what the last days say about
/// sensor, filters and flow sensor.
pub fn assess(
    store: &Store,
    job: &Job,
    constants: &Constants,
    now: Timestamp,
) -> Result<(Assessment, Signs), StoreError> {
    judge(store, job, constants, now).map(|judged| (judged.assessment, judged.signs))
}

/// What became of a [`Job`].
#[derive(Debug)]
pub struct Judged {
    /// What is said.
    pub assessment: Assessment,
    /// What the last days say about sensor, filters and flow sensor.
    pub signs: Signs,
    /// The days it rests on, ascending.
    pub days: Vec<DaySummary>,
}

/// The same as [`assess`], with the days.
pub fn judge(store: &Store, job: &Job, constants: &Constants, now: Timestamp) -> Result<Judged, StoreError> {
    let spec = &job.spec;
    let book = store.logbook(&spec.id)?;
    let log = effective(&book);
    let before = store.assessment(&spec.id)?.map(|assessment| assessment.as_of);
    roll_up(store, spec, (&book, &log), before, constants, now)?;
    let days = store.days(&spec.id, None, None)?;
    let history = History {
        spec,
        days: &days,
        log: &log,
        latest: job.latest,
        cadence_millis: job.cadence_millis,
        neighbours: job.neighbours,
    };
    let assessment = analysis::assess(&history, now, constants);
    store.put_assessment(&spec.id, &assessment)?;
    let signs = signs(store, spec, (&days, &log), now)?;
    Ok(Judged { assessment, signs, days })
}

/// What the last days before `now` say about sensor, filters and flow sensor.
fn signs(
    store: &Store,
    spec: &UnitSpec,
    (days, log): (&[DaySummary], &[ServiceEntry]),
    now: Timestamp,
) -> Result<Signs, StoreError> {
    let first = days.first().map_or(now, |day| Timestamp::day_start(day.date, &spec.zone));
    let mut spans = signs::spans(log, first, now).into_iter().map(|(from, to)| store.readings(&spec.id, from, to));
    let mut next = || spans.next().unwrap_or_else(|| Ok(Vec::new()));
    let (new, recent, check) = (next()?, next()?, next()?);
    Ok(signs::look(spec, log, [&new, &recent, &check], days, now))
}

/// Summarises the days whose readings changed, and those that an entry made since the last assessment takes in or out.
fn roll_up(
    store: &Store,
    spec: &UnitSpec,
    (book, log): (&[ServiceEntry], &[ServiceEntry]),
    before: Option<Timestamp>,
    constants: &Constants,
    now: Timestamp,
) -> Result<(), StoreError> {
    let dirty = store.dirty_of(&spec.id);
    let spans = changed(&dirty.days).chain(reviewed(book, before, now));
    let mut dates: BTreeSet<Date> = spans.flat_map(|(from, to)| dates(from, to, spec)).collect();
    leave_given_up(store, spec, &mut dates)?;
    store.roll_up(&spec.id, &summaries(store, spec, log, &dates, constants)?, &dirty.days, dirty.token)?;
    Ok(())
}

/// Leaves out the dates that were summarised while all their readings were there, and no longer can be.
fn leave_given_up(store: &Store, spec: &UnitSpec, dates: &mut BTreeSet<Date>) -> Result<(), StoreError> {
    let Some(whole_from) = store.whole_from(&spec.id) else { return Ok(()) };
    let given_up = |date: &Date| Timestamp::day_start(*date, &spec.zone).plus_millis(-MARGIN_BEFORE) < whole_from;
    let Some(last) = dates.iter().copied().rfind(|date| given_up(date)) else { return Ok(()) };
    for kept in store.days(&spec.id, dates.first().copied(), Some(last))? {
        if given_up(&kept.date) {
            dates.remove(&kept.date);
        }
    }
    Ok(())
}

/// The days as they stand, oldest first: those whose readings changed since they were rolled up, as a rule only the
/// running one, are summarised anew but not kept. `kept`: its kept days.
pub fn days_now(
    store: &Store,
    spec: &UnitSpec,
    (kept, log): (&[DaySummary], &[ServiceEntry]),
    constants: &Constants,
) -> Result<Vec<DaySummary>, StoreError> {
    let dirty = store.dirty_of(&spec.id);
    let mut dates: BTreeSet<Date> = changed(&dirty.days).flat_map(|(from, to)| dates(from, to, spec)).collect();
    leave_given_up(store, spec, &mut dates)?;
    let fresh = summaries(store, spec, log, &dates, constants)?;
    let days: BTreeMap<Date, DaySummary> = kept.iter().cloned().chain(fresh).map(|day| (day.date, day)).collect();
    Ok(days.into_values().collect())
}

/// The spans whose eligible readings the readings of these UTC days decide.
fn changed(days: &[i64]) -> impl Iterator<Item = (Timestamp, Timestamp)> {
    days.iter().map(|day| {
        let start = Timestamp::from_millis(day * DAY);
        (start.plus_millis(-MARGIN_AFTER), start.plus_millis(DAY + MARGIN_BEFORE))
    })
}

/// Summaries of those of the dates that have readings.
fn summaries(
    store: &Store,
    spec: &UnitSpec,
    log: &[ServiceEntry],
    dates: &BTreeSet<Date>,
    constants: &Constants,
) -> Result<Vec<DaySummary>, StoreError> {
    let rollup = &constants.for_unit(spec).rollup;
    let mut summaries = Vec::new();
    for run in runs(dates) {
        let (from, _) = Timestamp::day_bounds(run.0, &spec.zone);
        let (_, to) = Timestamp::day_bounds(run.1, &spec.zone);
        let readings = store.readings(&spec.id, from.plus_millis(-MARGIN_BEFORE), to.plus_millis(MARGIN_AFTER))?;
        let days = dates.range(run.0..=run.1).map(|date| summarise_day(*date, &readings, spec, log, rollup));
        summaries.extend(days.filter(|day: &DaySummary| day.readings > 0));
    }
    Ok(summaries)
}

/// The spans whose eligible readings are decided anew by entries that no assessment has seen.
fn reviewed(log: &[ServiceEntry], before: Option<Timestamp>, now: Timestamp) -> Vec<(Timestamp, Timestamp)> {
    let unseen = |entry: &&ServiceEntry| before.is_none_or(|b| entry.recorded.is_none_or(|recorded| recorded >= b));
    // What a correction takes back is looked at anew as well.
    let taken_back = |entry: &ServiceEntry| {
        log.iter().filter(unseen).any(|other| other.corrects.is_some_and(|corrects| corrects.is(entry)))
    };
    log.iter()
        .filter(|entry| unseen(entry) || taken_back(entry))
        .filter_map(|entry| match entry.action {
            ServiceAction::VisitStarted | ServiceAction::VisitEnded => {
                Some((entry.at, entry.at.plus_millis(VISIT_AT_MOST)))
            }
            ServiceAction::Closed | ServiceAction::Opened => {
                let season = |e: &&ServiceEntry| {
                    e.at > entry.at && matches!(e.action, ServiceAction::Closed | ServiceAction::Opened)
                };
                Some((entry.at, log.iter().find(season).map_or(now, |next| next.at)))
            }
            _ => None,
        })
        .collect()
}

/// Every date in the site's zone that the span touches.
fn dates(from: Timestamp, to: Timestamp, spec: &UnitSpec) -> impl Iterator<Item = Date> {
    let last = to.date_in(&spec.zone);
    std::iter::successors(Some(from.date_in(&spec.zone)), |date| date.tomorrow().ok())
        .take_while(move |date| *date <= last)
}

/// First and last of each run of consecutive dates.
fn runs(dates: &BTreeSet<Date>) -> Vec<(Date, Date)> {
    let mut runs: Vec<(Date, Date)> = Vec::new();
    for date in dates {
        match runs.last_mut() {
            Some(run) if run.1.tomorrow().is_ok_and(|next| next == *date) => run.1 = *date,
            _ => runs.push((*date, *date)),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::Channel;
    use crate::store::settings::StoreSettings;

    #[test]
    fn runs_of_dates() {
        let date = |day| jiff::civil::date(2026, 3, day);
        let dates: BTreeSet<Date> = [1, 2, 3, 7, 9, 10].map(date).into();
        assert_eq!(runs(&dates), [(date(1), date(3)), (date(7), date(7)), (date(9), date(10))]);
        assert_eq!(runs(&BTreeSet::new()), []);
    }

    #[test]
    fn the_running_day_counts_readings_that_came_after_its_assessment() {
        let dir = tempfile::tempdir().unwrap();
        let settings = StoreSettings { path: dir.path().join("store"), cache_bytes: 8 << 20 };
        let store = Store::open(&settings).unwrap();
        let spec = Arc::new(UnitSpec::new("home/cellar".parse().unwrap(), 14.0));
        let constants = Constants::default();
        let put = |time: &str, intensity| {
            let reading = Reading::new(time.parse().unwrap()).with(Channel::Intensity, intensity);
            store.append(&[(spec.id.clone(), reading)]).unwrap();
        };
        let counts = || {
            let kept = store.days(&spec.id, None, None).unwrap();
            let days = days_now(&store, &spec, (&kept, &[]), &constants).unwrap();
            days.iter().map(|day| (day.date.to_string(), day.readings)).collect::<Vec<_>>()
        };
        put("2026-03-01T06:00:00Z", 21.4);
        let job = Job { spec: spec.clone(), latest: None, cadence_millis: None, neighbours: None };
        assess(&store, &job, &constants, "2026-03-01T06:01:00Z".parse().unwrap()).unwrap();
        assert_eq!(counts(), [("2026-03-01".to_owned(), 1)]);
        put("2026-03-01T07:00:00Z", 21.5);
        put("2026-03-02T07:00:00Z", 21.6);
        assert_eq!(counts(), [("2026-03-01".to_owned(), 2), ("2026-03-02".to_owned(), 1)]);
        assert_eq!(store.days(&spec.id, None, None).unwrap().len(), 1, "a question keeps nothing");
    }

    #[test]
    fn only_entries_that_no_assessment_has_seen_are_reviewed() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let entry = |time, action, recorded| ServiceEntry {
            recorded: Some(at(recorded)),
            ..ServiceEntry::new(at(time), action)
        };
        let log = [
            entry("2026-03-01T00:00:00Z", ServiceAction::Closed, "2026-03-01T00:00:00Z"),
            entry("2026-04-01T00:00:00Z", ServiceAction::Opened, "2026-06-02T00:00:00Z"),
            entry("2026-06-01T00:00:00Z", ServiceAction::SleeveCleaned, "2026-06-02T00:00:00Z"),
        ];
        let now = at("2026-06-02T00:01:00Z");
        let spans = reviewed(&log, Some(at("2026-06-01T12:00:00Z")), now);
        assert_eq!(spans, [(at("2026-04-01T00:00:00Z"), now)]);
        assert_eq!(reviewed(&log, None, now).len(), 2);
    }
}
