//! Questions about the fleet and their answers, the same with and without a running daemon.
//!
//! [`answer`] decides; where the data comes from is behind [`Records`]: the daemon's memory and store, or a store that
//! a command opened itself because no daemon runs.

pub mod bring;
pub mod dossier;
pub mod month;
pub mod round;
pub mod series;

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::alert::{Live as LiveAlert, Order};
use crate::domain::assessment::LatestReading;
use crate::domain::similar::did_you_mean;
use crate::domain::time::{DAY, HOUR, MINUTE};
use crate::domain::{
    Assessment, Channel, Columns, Condition, DaySummary, FittedDay, Reading, ServiceAction, ServiceEntry, Timestamp,
    UnitId, UnitSpec,
};

use dossier::{Dossier, FleetLine, Sample, SiteCard};
use month::MonthRecord;
use round::{OtherRules, Round, RoundRules};
use series::{Point, Resolution, Series, Span};

/// Days of a unit's course on the fleet's page.
pub const COURSE_DAYS: i32 = 60;
/// How long a visit lasts at most, and how long before it the light is looked at, milliseconds.
const VISIT_READINGS: (i64, i64) = (12 * HOUR, 2 * HOUR);

/// A question about the fleet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Query {
    /// Every unit in one line each, worst first.
    Units,
    /// Units that send readings but stand in no config.
    Unknown,
    /// What is said about a unit now.
    Assessment {
        /// Which unit.
        unit: UnitId,
    },
    /// The service history of a unit.
    Logbook {
        /// Which unit.
        unit: UnitId,
    },
    /// The days of a unit.
    Trend {
        /// Which unit.
        unit: UnitId,
    },
    /// A part of the history of a unit, for a chart.
    Readings {
        /// Which unit.
        unit: UnitId,
        /// Which part, and how fine.
        span: Span,
    },
    /// The days behind as the fit explains them.
    Course {
        /// Which unit.
        unit: UnitId,
    },
    /// Everything known of one unit.
    Dossier {
        /// Which unit.
        unit: UnitId,
    },
    /// Every unit with its recent course, worst first.
    Fleet,
    /// The next trip.
    Round {
        /// In place of the planner's usual figures.
        rules: OtherRules,
    },
    /// The monthly record of a site.
    Month {
        /// Which site.
        site: String,
        /// `2026-08`.
        month: String,
    },
    /// Record a service action.
    Log {
        /// Which unit.
        unit: UnitId,
        /// What was done.
        entry: ServiceEntry,
    },
    /// Every live alert, the most urgent first.
    Alerts,
    /// Acknowledge, silence or reopen alerts.
    Order(OrderQuery),
}

/// What somebody wants done with alerts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderQuery {
    /// Which site.
    pub site: String,
    /// Which unit; `_site`: the alert of the whole site.
    pub unit: String,
    /// Which kind of alert; `all`: every one of the unit.
    pub kind: String,
    /// What is to be done.
    pub order: Order,
}

/// The answer to a [`Query`].
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// To [`Query::Units`], worst first.
    Units(Vec<UnitRow>),
    /// To [`Query::Unknown`], by id.
    Unknown(Vec<UnknownUnit>),
    /// To [`Query::Assessment`].
    Assessment(Arc<Assessment>),
    /// To [`Query::Logbook`], ascending by time.
    Logbook(Vec<ServiceEntry>),
    /// To [`Query::Trend`].
    Trend(Box<Trend>),
    /// To [`Query::Readings`].
    Readings(Box<Series>),
    /// To [`Query::Course`], ascending; empty where there is too little data for a fit.
    Course(Vec<FittedDay>),
    /// To [`Query::Dossier`].
    Dossier(Box<Dossier>),
    /// To [`Query::Fleet`], worst first.
    Fleet(Vec<FleetLine>),
    /// To [`Query::Round`].
    Round(Box<Round>),
    /// To [`Query::Month`].
    Month(Box<MonthRecord>),
    /// To [`Query::Log`].
    Logged(Logged),
    /// To [`Query::Alerts`].
    Alerts(Vec<LiveAlert>),
    /// To [`Query::Order`]: how many alerts it touched.
    Ordered(usize),
    /// Instead of an answer.
    Refused(Refusal),
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{says}")]
pub struct Refusal {
    /// Which kind.
    pub kind: RefusalKind,
    /// Lower-case fragment that names the value and the remedy.
    pub says: String,
}

/// Kinds of [`Refusal`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefusalKind {
    /// No unit of that name is in the config.
    NoSuchUnit,
    /// The unit exists, but nothing has been heard of it yet.
    NothingYet,
    /// The entry cannot be recorded as it is, or the order cannot be obeyed.
    BadEntry,
    /// The span cannot be had as it is.
    BadSpan,
    /// The store failed.
    Store,
}

/// Which sites somebody may ask about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scope {
    /// Every one.
    All,
    /// These.
    Sites(Vec<String>),
}

impl Scope {
    /// Whether a site is within.
    pub fn allows(&self, site: &str) -> bool {
        match self {
            Self::All => true,
            Self::Sites(sites) => sites.iter().any(|allowed| allowed == site),
        }
    }
}

/// One unit of the fleet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnitRow {
    /// The site's id.
    pub site: String,
    /// The unit's id within the site.
    pub unit: String,
    /// A name for people, if the owner gave one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The site's time zone, in which the dates are meant.
    pub zone: String,
    /// The state of the unit now.
    pub condition: Condition,
    /// The latest reading, if there was one.
    pub reading: Option<LatestReading>,
    /// `mW/cm2` or `percent`.
    pub intensity_unit: String,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// What was last said of it, perhaps hours ago; `None` before the first word.
    pub assessment: Option<Arc<Assessment>>,
}

impl UnitRow {
    /// The row of a unit as it is now, of which `assessment` is the latest, if there is one.
    pub fn new(spec: &UnitSpec, live: Live, assessment: Option<Arc<Assessment>>) -> Self {
        Self {
            site: spec.id.site().to_owned(),
            unit: spec.id.unit().to_owned(),
            name: spec.name.clone(),
            zone: spec.zone.iana_name().unwrap_or("UTC").to_owned(),
            condition: live.condition,
            reading: live.reading,
            intensity_unit: spec.sensor.unit.symbol().to_owned(),
            set_point: spec.set_point,
            assessment,
        }
    }

    /// What must be done first, and by which day: see [`Assessment::first_due`].
    pub fn first_due(&self) -> Option<(Date, ServiceAction)> {
        self.assessment.as_deref()?.first_due()
    }
}

/// A unit that sends readings but stands in no config.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnknownUnit {
    /// Which.
    pub unit: UnitId,
    /// How many readings came since the daemon started, or since they are kept.
    pub readings: u64,
    /// When the last one came.
    pub last: Timestamp,
}

/// The days of a unit and what belongs beside them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trend {
    /// The site's id.
    pub site: String,
    /// The unit's id within the site.
    pub unit: String,
    /// `mW/cm2` or `percent`: the unit of every intensity here.
    pub intensity_unit: String,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
    /// Intensity when everything was new, if known.
    pub reference: Option<f64>,
    /// Ascending; days without readings are absent.
    pub days: Vec<DaySummary>,
    /// The service log, ascending.
    pub log: Vec<ServiceEntry>,
}

/// What became of an entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Logged {
    /// The entry as it stands in the logbook.
    pub entry: ServiceEntry,
    /// Whether it stood there before.
    pub already: bool,
}

/// A unit at this moment; its assessment may be hours older.
#[derive(Clone, Debug, PartialEq)]
pub struct Live {
    /// Its condition.
    pub condition: Condition,
    /// Its latest reading.
    pub reading: Option<LatestReading>,
}

/// Why records cannot be had: a text for people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct RecordsError(pub String);

/// Where the data is: the daemon, or a store opened by a command. Blocking.
pub trait Records {
    /// A unit at `now`.
    fn live(&mut self, spec: &UnitSpec, now: Timestamp) -> Result<Live, RecordsError>;
    /// What was last said about a unit; `None` before the first word.
    fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Arc<Assessment>>, RecordsError>;
    /// Its days, ascending.
    fn days(&mut self, spec: &UnitSpec) -> Result<Vec<DaySummary>, RecordsError>;
    /// Its service log, ascending.
    fn log(&mut self, unit: &UnitId) -> Result<Vec<ServiceEntry>, RecordsError>;
    /// Keeps a checked entry that is not there yet; it is durable when this returns.
    fn record(&mut self, unit: &UnitId, entry: &ServiceEntry) -> Result<(), RecordsError>;
    /// Every live alert.
    fn alerts(&mut self) -> Result<Vec<LiveAlert>, RecordsError>;
    /// Obeys an order that is there for a unit of the config or a site.
    fn order(&mut self, order: &OrderQuery, now: Timestamp) -> Result<Result<usize, String>, RecordsError>;
    /// Its raw readings from `from` up to but not including `to`, ascending.
    fn readings(&mut self, spec: &UnitSpec, from: Timestamp, to: Timestamp) -> Result<Vec<Reading>, RecordsError>;
    /// The same by columns, these channels alone.
    fn columns(
        &mut self,
        spec: &UnitSpec,
        span: (Timestamp, Timestamp),
        channels: &[Channel],
    ) -> Result<Columns, RecordsError>;
    /// Its kept days from `from` on with their median light, ascending; the running one may be missing.
    fn course(&mut self, spec: &UnitSpec, from: Date) -> Result<Vec<(Date, f32)>, RecordsError>;
    /// Its days as the fit of its last assessment explains them.
    fn fitted(&mut self, spec: &UnitSpec) -> Result<Vec<FittedDay>, RecordsError>;
    /// The planner's usual figures.
    fn round_rules(&mut self) -> RoundRules {
        RoundRules::default()
    }
    /// Where it stands.
    fn site(&mut self, id: &str) -> SiteCard;
    /// Units that send readings but stand in no config, by id.
    fn unknown(&mut self) -> Result<Vec<UnknownUnit>, RecordsError>;
}

/// Answers `query` from `records`. `units`: the config's, ordered by id.
pub fn answer(records: &mut impl Records, units: &[UnitSpec], query: Query, now: Timestamp) -> Answer {
    try_answer(records, units, query, now).unwrap_or_else(Answer::Refused)
}

fn try_answer(records: &mut impl Records, units: &[UnitSpec], query: Query, now: Timestamp) -> Result<Answer, Refusal> {
    Ok(match query {
        Query::Units => Answer::Units(rows(records, units, now)?),
        Query::Unknown => Answer::Unknown(records.unknown()?),
        Query::Assessment { unit } => {
            let spec = find(units, &unit)?;
            Answer::Assessment(records.assessment(spec)?.ok_or_else(|| nothing_yet(&unit))?)
        }
        Query::Logbook { unit } => Answer::Logbook(records.log(&find(units, &unit)?.id)?),
        Query::Trend { unit } => Answer::Trend(Box::new(trend(records, find(units, &unit)?)?)),
        Query::Alerts => Answer::Alerts(records.alerts()?),
        Query::Order(order) => {
            let touched = records.order(&order, now)?;
            Answer::Ordered(touched.map_err(|says| Refusal { kind: RefusalKind::BadEntry, says })?)
        }
        Query::Readings { unit, span } => {
            Answer::Readings(Box::new(readings(records, find(units, &unit)?, &span, now)?))
        }
        Query::Course { unit } => Answer::Course(records.fitted(find(units, &unit)?)?),
        Query::Dossier { unit } => Answer::Dossier(Box::new(dossier(records, find(units, &unit)?, now)?)),
        Query::Fleet => Answer::Fleet(fleet(records, units, now)?),
        Query::Round { rules } => {
            let rules = rules.over(records.round_rules());
            let zone = units.first().map_or(jiff::tz::TimeZone::UTC, |spec| spec.zone.clone());
            Answer::Round(Box::new(round::plan(&lines(records, units, now)?, rules, now.date_in(&zone))))
        }
        Query::Month { site, month } => Answer::Month(Box::new(month_of(records, units, &site, &month, now)?)),
        Query::Log { unit, entry } => Answer::Logged(log(records, find(units, &unit)?, entry, now)?),
    })
}

fn rows(records: &mut impl Records, units: &[UnitSpec], now: Timestamp) -> Result<Vec<UnitRow>, RecordsError> {
    let mut rows = units
        .iter()
        .map(|spec| Ok(UnitRow::new(spec, records.live(spec, now)?, records.assessment(spec)?)))
        .collect::<Result<Vec<_>, RecordsError>>()?;
    sort_worst_first(&mut rows);
    Ok(rows)
}

/// Worst condition first; within one, the earliest date first, then by id.
pub fn sort_worst_first(rows: &mut [UnitRow]) {
    rows.sort_by(|a, b| {
        let key = |row: &UnitRow| (row.condition, row.first_due().map_or(Date::MAX, |(by, _)| by));
        key(a).cmp(&key(b)).then_with(|| (&a.site, &a.unit).cmp(&(&b.site, &b.unit)))
    });
}

fn readings(records: &mut impl Records, spec: &UnitSpec, span: &Span, now: Timestamp) -> Result<Series, Refusal> {
    let latest = records.live(spec, now)?.reading.map_or(now, |reading| reading.at);
    let to = span.to.unwrap_or(latest.plus_millis(1));
    let from = span.from.unwrap_or(to.plus_millis(-30 * DAY));
    let millis = to.millis_since(from);
    let bad = |says| Refusal { kind: RefusalKind::BadSpan, says };
    if millis <= 0 {
        return Err(bad(format!("from {from} is not before to {to}")));
    }
    let resolution = span.resolution.unwrap_or_else(|| series::choose(millis, span.points));
    let by_day = resolution == Resolution::Day && series::kept_by_day(span.channel);
    let points = if by_day {
        let within = |day: &DaySummary| (from.date_in(&spec.zone)..=to.date_in(&spec.zone)).contains(&day.date);
        let days: Vec<DaySummary> = records.days(spec)?.into_iter().filter(within).collect();
        series::of_days(&days, span.channel, &spec.zone)
    } else {
        let finest = if resolution == Resolution::Day { Resolution::Hour } else { resolution };
        series::refusal(&spec.id, finest, millis).map_or(Ok(()), |says| Err(bad(says)))?;
        by_time(records, spec, (from, to), span, resolution)?
    };
    let (points, thinned) = series::thin(points, span.points.max(1));
    Ok(Series {
        site: spec.id.site().to_owned(),
        unit: spec.id.unit().to_owned(),
        channel: span.channel.name().to_owned(),
        measure: series::measure(span.channel, spec.sensor.unit.symbol()).to_owned(),
        resolution,
        thinned,
        from,
        to,
        points,
    })
}

/// Points made of raw readings, a stretch of readings at a time so that a year does not stand in memory at once.
fn by_time(
    records: &mut impl Records,
    spec: &UnitSpec,
    (from, to): (Timestamp, Timestamp),
    span: &Span,
    resolution: Resolution,
) -> Result<Vec<Point>, Refusal> {
    const STRETCH: i64 = 16 * DAY;
    let mut points = Vec::new();
    let mut start = from;
    while start < to {
        // Stretches end on whole hours, so that no hour is cut.
        let end = Timestamp::from_millis((start.as_millis() + STRETCH).div_euclid(HOUR) * HOUR).min(to);
        let raw = series::raw(&records.columns(spec, (start, end), &[span.channel])?, span.channel);
        match resolution {
            Resolution::Raw => points.extend(raw),
            Resolution::Hour => points.extend(series::stretches(&raw, HOUR)),
            Resolution::Day => points.extend(series::stretches(&raw, 15 * MINUTE)),
        }
        start = end;
    }
    Ok(if resolution == Resolution::Day { series::days(&points, &spec.zone) } else { points })
}

fn row(records: &mut impl Records, spec: &UnitSpec, now: Timestamp) -> Result<UnitRow, RecordsError> {
    Ok(UnitRow::new(spec, records.live(spec, now)?, records.assessment(spec)?))
}

fn dossier(records: &mut impl Records, spec: &UnitSpec, now: Timestamp) -> Result<Dossier, RecordsError> {
    let trend = trend(records, spec)?;
    let started = trend.log.iter().rfind(|entry| entry.action == ServiceAction::VisitStarted).map(|entry| entry.at);
    let recent = match started {
        Some(at) => {
            let (longest, before) = VISIT_READINGS;
            let readings = records.readings(spec, at.plus_millis(-before), at.plus_millis(longest))?;
            readings.iter().filter_map(Sample::of).collect()
        }
        None => Vec::new(),
    };
    Ok(Dossier { site: records.site(spec.id.site()), row: row(records, spec, now)?, trend, recent })
}

fn month_of(
    records: &mut impl Records,
    units: &[UnitSpec],
    site: &str,
    month: &str,
    now: Timestamp,
) -> Result<MonthRecord, Refusal> {
    let bounds = month::bounds(month).ok_or_else(|| Refusal {
        kind: RefusalKind::BadSpan,
        says: format!("`{month}` is not a month; write it like 2026-08"),
    })?;
    let of_site: Vec<&UnitSpec> = units.iter().filter(|spec| spec.id.site() == site).collect();
    if of_site.is_empty() {
        let says = format!("there is no site `{site}` with a unit in the config");
        return Err(Refusal { kind: RefusalKind::NoSuchUnit, says });
    }
    let record = |spec: &UnitSpec| {
        let (from, to) = month::span(spec, bounds);
        let readings = records.readings(spec, from, to.min(now.plus_millis(1)).max(from))?;
        Ok(month::unit_month(spec, bounds, &readings, &records.log(&spec.id)?, now))
    };
    let units = of_site.into_iter().map(record).collect::<Result<_, RecordsError>>()?;
    Ok(MonthRecord { site: site.to_owned(), name: records.site(site).name, month: month.to_owned(), units })
}

fn fleet(records: &mut impl Records, units: &[UnitSpec], now: Timestamp) -> Result<Vec<FleetLine>, RecordsError> {
    let by_id: BTreeMap<(&str, &str), &UnitSpec> =
        units.iter().map(|spec| ((spec.id.site(), spec.id.unit()), spec)).collect();
    let mut lines = lines(records, units, now)?;
    for line in &mut lines {
        if let Some(spec) = by_id.get(&(&*line.row.site, &*line.row.unit)) {
            line.course = course(records, spec, now)?;
        }
    }
    Ok(lines)
}

/// Every unit, worst first, without its course.
fn lines(records: &mut impl Records, units: &[UnitSpec], now: Timestamp) -> Result<Vec<FleetLine>, RecordsError> {
    let rows = rows(records, units, now)?.into_iter();
    Ok(rows.map(|row| FleetLine { site: records.site(&row.site), row, course: Vec::new() }).collect())
}

fn course(records: &mut impl Records, spec: &UnitSpec, now: Timestamp) -> Result<Vec<Option<f32>>, RecordsError> {
    let today = now.date_in(&spec.zone);
    let first = today.saturating_sub(jiff::Span::new().days(COURSE_DAYS - 1));
    let mut course = vec![None; usize::try_from(COURSE_DAYS).unwrap_or_default()];
    for (date, light) in records.course(spec, first)? {
        let place = usize::try_from((date - first).get_days()).ok().and_then(|index| course.get_mut(index));
        if let Some(place) = place {
            *place = Some(100.0 * light / spec.set_point.max(1e-9) as f32);
        }
    }
    Ok(course)
}

fn trend(records: &mut impl Records, spec: &UnitSpec) -> Result<Trend, RecordsError> {
    Ok(Trend {
        site: spec.id.site().to_owned(),
        unit: spec.id.unit().to_owned(),
        intensity_unit: spec.sensor.unit.symbol().to_owned(),
        set_point: spec.set_point,
        reference: spec.reference,
        days: records.days(spec)?,
        log: records.log(&spec.id)?,
    })
}

fn log(records: &mut impl Records, spec: &UnitSpec, entry: ServiceEntry, now: Timestamp) -> Result<Logged, Refusal> {
    entry.check(now).map_err(|e| Refusal { kind: RefusalKind::BadEntry, says: e.to_string() })?;
    let bare = |entry: &ServiceEntry| ServiceEntry { recorded: None, ..entry.clone() };
    let wanted = bare(&entry);
    if let Some(there) = records.log(&spec.id)?.into_iter().find(|there| bare(there) == wanted) {
        return Ok(Logged { entry: there, already: true });
    }
    if let Some(corrects) = entry.corrects
        && !records.log(&spec.id)?.iter().any(|other| corrects.is(other))
    {
        let says = format!("the logbook has no {} at {} to correct", corrects.action, corrects.time);
        return Err(Refusal { kind: RefusalKind::BadEntry, says });
    }
    let entry = ServiceEntry { recorded: Some(now), ..entry };
    records.record(&spec.id, &entry)?;
    Ok(Logged { entry, already: false })
}

fn find<'a>(units: &'a [UnitSpec], id: &UnitId) -> Result<&'a UnitSpec, Refusal> {
    units.iter().find(|spec| spec.id == *id).ok_or_else(|| {
        let hint = did_you_mean(id.as_str(), units.iter().map(|spec| spec.id.as_str()));
        let remedy = if hint.is_empty() { "; `fadeline units` lists them" } else { "" };
        Refusal { kind: RefusalKind::NoSuchUnit, says: format!("there is no unit `{id}` in the config{hint}{remedy}") }
    })
}

fn nothing_yet(unit: &UnitId) -> Refusal {
    let says = format!("nothing has been heard of {unit} yet; is its sensor publishing?");
    Refusal { kind: RefusalKind::NothingYet, says }
}

impl From<RecordsError> for Refusal {
    fn from(error: RecordsError) -> Self {
        Self { kind: RefusalKind::Store, says: error.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ServiceAction;

    /// One unit, boathouse, with an assessment; everything kept in memory.
    #[derive(Default)]
    struct Memory {
        log: Vec<ServiceEntry>,
        broken: bool,
    }

    impl Records for Memory {
        fn alerts(&mut self) -> Result<Vec<LiveAlert>, RecordsError> {
            Ok(Vec::new())
        }

        fn order(&mut self, _: &OrderQuery, _: Timestamp) -> Result<Result<usize, String>, RecordsError> {
            Ok(Err("no such alert".to_owned()))
        }

        fn live(&mut self, spec: &UnitSpec, _: Timestamp) -> Result<Live, RecordsError> {
            let known = self.assessment(spec)?;
            let condition = known.as_ref().map_or(Condition::Silent, |a| a.condition);
            Ok(Live { condition, reading: known.and_then(|a| a.reading.clone()) })
        }

        fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Arc<Assessment>>, RecordsError> {
            let contract = include_str!("../fixtures/assessment/contract.json");
            Ok((spec.id.unit() == "boathouse").then(|| serde_json::from_str(contract).unwrap()))
        }

        fn days(&mut self, _: &UnitSpec) -> Result<Vec<DaySummary>, RecordsError> {
            Ok(Vec::new())
        }

        fn log(&mut self, _: &UnitId) -> Result<Vec<ServiceEntry>, RecordsError> {
            if self.broken { Err(RecordsError("disk full".to_owned())) } else { Ok(self.log.clone()) }
        }

        fn record(&mut self, _: &UnitId, entry: &ServiceEntry) -> Result<(), RecordsError> {
            self.log.push(entry.clone());
            Ok(())
        }

        fn unknown(&mut self) -> Result<Vec<UnknownUnit>, RecordsError> {
            Ok(Vec::new())
        }

        fn readings(&mut self, _: &UnitSpec, from: Timestamp, to: Timestamp) -> Result<Vec<Reading>, RecordsError> {
            let every_minute = (from.as_millis()..to.as_millis()).step_by(60_000).map(Timestamp::from_millis);
            Ok(every_minute.map(|at| Reading::new(at).with(Channel::Intensity, 20.0)).collect())
        }

        fn columns(
            &mut self,
            spec: &UnitSpec,
            (from, to): (Timestamp, Timestamp),
            _: &[Channel],
        ) -> Result<Columns, RecordsError> {
            Ok(self.readings(spec, from, to)?.into_iter().collect())
        }

        fn fitted(&mut self, _: &UnitSpec) -> Result<Vec<FittedDay>, RecordsError> {
            Ok(Vec::new())
        }

        fn course(&mut self, _: &UnitSpec, _: Date) -> Result<Vec<(Date, f32)>, RecordsError> {
            Ok(Vec::new())
        }

        fn site(&mut self, id: &str) -> SiteCard {
            SiteCard { id: id.to_owned(), ..SiteCard::default() }
        }
    }

    fn now() -> Timestamp {
        "2026-08-14T06:00:00Z".parse().unwrap()
    }

    fn ask(memory: &mut Memory, query: Query) -> Answer {
        let units = ["heron-bight/bakery", "heron-bight/boathouse"].map(|id| UnitSpec::new(id.parse().unwrap(), 14.0));
        answer(memory, &units, query, now())
    }

    fn refusal(answer: Answer) -> Refusal {
        match answer {
            Answer::Refused(refusal) => refusal,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn rows_are_worst_first_and_a_unit_never_heard_of_is_silent() {
        let Answer::Units(rows) = ask(&mut Memory::default(), Query::Units) else { panic!() };
        let shown: Vec<_> = rows.iter().map(|row| (row.unit.as_str(), row.condition)).collect();
        assert_eq!(shown, [("bakery", Condition::Silent), ("boathouse", Condition::Fading)]);
        assert_eq!(rows[1].first_due().map(|(by, _)| by), Some(jiff::civil::date(2026, 9, 28)));
    }

    /// By hand: the light is too little from 1 September on, by whatever costs it.
    #[test]
    fn a_unit_that_is_not_there_gets_a_suggestion() {
        let unit: UnitId = "heron-bight/boathose".parse().unwrap();
        let said = refusal(ask(&mut Memory::default(), Query::Logbook { unit }));
        assert_eq!(said.kind, RefusalKind::NoSuchUnit);
        assert!(said.says.ends_with("did you mean `heron-bight/boathouse`?"), "{said}");
    }

    #[test]
    fn the_same_entry_twice_is_kept_once() {
        let mut memory = Memory::default();
        let unit: UnitId = "heron-bight/boathouse".parse().unwrap();
        let entry = ServiceEntry::new(now(), ServiceAction::SleeveCleaned);
        for already in [false, true] {
            let Answer::Logged(logged) = ask(&mut memory, Query::Log { unit: unit.clone(), entry: entry.clone() })
            else {
                panic!()
            };
            assert_eq!((logged.already, logged.entry.recorded), (already, Some(now())));
        }
        assert_eq!(memory.log.len(), 1);
    }

    #[test]
    fn a_chart_gets_few_points_and_no_more_than_can_be_had() {
        let unit: UnitId = "heron-bight/boathouse".parse().unwrap();
        let series = |days: i64, resolution, points| {
            let span = Span {
                from: Some(now().plus_millis(-days * DAY)),
                to: Some(now()),
                resolution,
                points,
                ..Span::default()
            };
            ask(&mut Memory::default(), Query::Readings { unit: unit.clone(), span })
        };
        for (days, resolution, points, want) in
            [(1, None, 1_500, 1_440), (30, None, 1_500, 720), (60, Some(Resolution::Raw), 100, 100)]
        {
            let Answer::Readings(found) = series(days, resolution, points) else { panic!() };
            assert!(
                found.points.len() <= want && found.points.len() * 10 >= want * 9,
                "{days}: {}",
                found.points.len()
            );
            assert_eq!(found.points.iter().map(|p| i64::from(p.count)).sum::<i64>(), days * 1_440);
        }
        assert_eq!(refusal(series(100, Some(Resolution::Raw), 100)).kind, RefusalKind::BadSpan);
        assert_eq!(refusal(series(0, None, 100)).kind, RefusalKind::BadSpan);
    }

    #[test]
    fn refusals_name_their_kind() {
        let unit: UnitId = "heron-bight/bakery".parse().unwrap();
        let mut memory = Memory { broken: true, ..Memory::default() };
        let bad = ServiceEntry::new(now(), ServiceAction::ReferenceCheck);
        let kinds = [
            refusal(ask(&mut memory, Query::Assessment { unit: unit.clone() })).kind,
            refusal(ask(&mut memory, Query::Log { unit: unit.clone(), entry: bad })).kind,
            refusal(ask(&mut memory, Query::Logbook { unit })).kind,
        ];
        assert_eq!(kinds, [RefusalKind::NothingYet, RefusalKind::BadEntry, RefusalKind::Store]);
    }
}
