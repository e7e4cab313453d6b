//! Questions about the fleet and their answers, the same with and without a running daemon.
//!
//! [`answer`] decides; where the data comes from is behind [`Records`]: the daemon's memory and store, or a store that
//! a command opened itself because no daemon runs.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::alert::{Live as LiveAlert, Order};
use crate::domain::assessment::LatestReading;
use crate::domain::similar::did_you_mean;
use crate::domain::{Assessment, Condition, DaySummary, ServiceEntry, Timestamp, UnitId, UnitSpec};

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
    Assessment(Box<Assessment>),
    /// To [`Query::Logbook`], ascending by time.
    Logbook(Vec<ServiceEntry>),
    /// To [`Query::Trend`].
    Trend(Box<Trend>),
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
    /// The store failed.
    Store,
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
    pub assessment: Option<Assessment>,
}

impl UnitRow {
    /// The row of a unit as it is now, of which `assessment` is the latest, if there is one.
    pub fn new(spec: &UnitSpec, live: Live, assessment: Option<Assessment>) -> Self {
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

    /// The earliest day by which something must be done, if any.
    pub fn service_by(&self) -> Option<Date> {
        let forecast = &self.assessment.as_ref()?.forecast;
        [forecast.clean_by, forecast.lamp_by, forecast.sensor_by].into_iter().flatten().min()
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
    fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Assessment>, RecordsError>;
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
            Answer::Assessment(Box::new(records.assessment(spec)?.ok_or_else(|| nothing_yet(&unit))?))
        }
        Query::Logbook { unit } => Answer::Logbook(records.log(&find(units, &unit)?.id)?),
        Query::Trend { unit } => Answer::Trend(Box::new(trend(records, find(units, &unit)?)?)),
        Query::Alerts => Answer::Alerts(records.alerts()?),
        Query::Order(order) => {
            let touched = records.order(&order, now)?;
            Answer::Ordered(touched.map_err(|says| Refusal { kind: RefusalKind::BadEntry, says })?)
        }
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
        let key = |row: &UnitRow| (row.condition, row.service_by().unwrap_or(Date::MAX));
        key(a).cmp(&key(b)).then_with(|| (&a.site, &a.unit).cmp(&(&b.site, &b.unit)))
    });
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
            Ok(Live { condition, reading: known.and_then(|a| a.reading) })
        }

        fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Assessment>, RecordsError> {
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
        assert_eq!(rows[1].service_by(), Some(jiff::civil::date(2026, 9, 28)));
    }

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
