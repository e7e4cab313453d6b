//! The fleet's records as [`query`](crate::query) asks for them: the engine's view of now, the store's of the past.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

use super::assess::days_now;
use crate::analysis::Constants;
use crate::config::{Config, RoundSettings, SiteSpec};
use crate::domain::assessment::LatestReading;
use crate::domain::time::DAY;
use crate::domain::{Assessment, DaySummary, Reading, ServiceEntry, Timestamp, UnitId, UnitSpec};
use crate::engine::{Engine, Restored, View};
use crate::query::dossier::SiteCard;
use crate::query::round::RoundRules;
use crate::query::{Live, Records, RecordsError, UnknownUnit};
use crate::store::{Store, StoreError};

/// How far before a unit's latest reading its cadence is learnt at the start, milliseconds.
const CADENCE_WINDOW: i64 = DAY;

/// Records at one moment.
#[derive(Debug)]
pub struct Snapshot {
    store: Arc<Store>,
    views: BTreeMap<UnitId, View>,
    unknown: Vec<UnknownUnit>,
    sites: Arc<Vec<SiteCard>>,
    rules: RoundRules,
    /// Units whose log has grown through these records: somebody has to hear of it.
    pub logged: Vec<UnitId>,
}

impl Snapshot {
    /// Records of `store`, with what the engine sees now and which units send without being in the config.
    pub fn new(store: Arc<Store>, engine: &Engine, unknown: Vec<UnknownUnit>, now: Timestamp) -> Self {
        let views = engine.views(now).map(|view| (view.spec.id.clone(), view)).collect();
        Self { store, views, unknown, sites: Arc::default(), rules: RoundRules::default(), logged: Vec::new() }
    }
}

impl Snapshot {
    /// The same, knowing the sites as their owners described them, and the planner's figures.
    #[must_use]
    pub fn with_sites(self, (sites, rules): (Arc<Vec<SiteCard>>, RoundRules)) -> Self {
        Self { sites, rules, ..self }
    }
}

/// The sites of a config, and the planner's figures.
pub fn sites(config: &Config) -> (Arc<Vec<SiteCard>>, RoundRules) {
    let card = |site: &SiteSpec| SiteCard {
        id: site.id.clone(),
        name: site.name.clone(),
        tags: site.tags.clone(),
        access: site.access.clone(),
        travel_minutes: site.travel_minutes,
    };
    let RoundSettings { day_minutes, visit_minutes, travel_minutes, interval_days } = config.round;
    let rules = RoundRules { day_minutes, visit_minutes, travel_minutes, interval_days };
    (Arc::new(config.sites.iter().map(card).collect()), rules)
}

/// What the store knows of a unit.
pub fn restore(store: &Store, spec: &UnitSpec) -> Result<Restored, StoreError> {
    let assessment = store.assessment(&spec.id)?;
    let log = store.logbook(&spec.id)?;
    let latest = store.latest(&spec.id);
    let readings = match latest {
        Some(latest) => store.readings(&spec.id, latest.at.plus_millis(-CADENCE_WINDOW), latest.at.plus_millis(1))?,
        None => Vec::new(),
    };
    let seen = assessment.as_ref().map(|a| a.as_of);
    let unseen_entry = log.iter().any(|entry| seen.is_none_or(|seen| entry.recorded.is_some_and(|r| r >= seen)));
    let stale = latest.is_some() && (seen.is_none() || unseen_entry || !store.dirty_of(&spec.id).days.is_empty());
    Ok(Restored { log, readings, assessment, stale })
}

/// An engine that knows what the store knows.
pub fn engine(store: &Store, config: &Config, now: Timestamp) -> Result<Engine, StoreError> {
    let units = config
        .units
        .iter()
        .map(|spec| Ok((spec.clone(), restore(store, spec)?)))
        .collect::<Result<Vec<_>, StoreError>>()?;
    Ok(Engine::new(units, config.lead_days, now))
}

/// Records for a command that opens the store itself because no daemon runs.
pub fn offline(config: &Config, now: Timestamp) -> Result<Snapshot, StoreError> {
    let store = Store::open(&config.store)?;
    let engine = engine(&store, config, now)?;
    Ok(Snapshot::new(Arc::new(store), &engine, Vec::new(), now).with_sites(sites(config)))
}

fn text(error: StoreError) -> RecordsError {
    RecordsError(error.to_string())
}

impl Records for Snapshot {
    fn live(&mut self, spec: &UnitSpec, _: Timestamp) -> Result<Live, RecordsError> {
        let view = self.views.get(&spec.id).ok_or_else(|| RecordsError(format!("{} is not loaded", spec.id)))?;
        let reading = view.latest.as_ref().and_then(|latest| LatestReading::of(latest, spec));
        Ok(Live { condition: view.condition, reading })
    }

    fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Assessment>, RecordsError> {
        Ok(self.views.get(&spec.id).and_then(|view| view.assessment.as_deref().cloned()))
    }

    fn days(&mut self, spec: &UnitSpec) -> Result<Vec<DaySummary>, RecordsError> {
        let log = self.store.logbook(&spec.id).map_err(text)?;
        days_now(&self.store, spec, &log, &Constants::default()).map_err(text)
    }

    fn log(&mut self, unit: &UnitId) -> Result<Vec<ServiceEntry>, RecordsError> {
        self.store.logbook(unit).map_err(text)
    }

    fn record(&mut self, unit: &UnitId, entry: &ServiceEntry) -> Result<(), RecordsError> {
        self.store.log(unit, entry).map_err(text)?;
        self.logged.push(unit.clone());
        Ok(())
    }

    fn unknown(&mut self) -> Result<Vec<UnknownUnit>, RecordsError> {
        Ok(self.unknown.clone())
    }

    fn readings(&mut self, spec: &UnitSpec, from: Timestamp, to: Timestamp) -> Result<Vec<Reading>, RecordsError> {
        self.store.readings(&spec.id, from, to).map_err(text)
    }

    fn kept_days(&mut self, spec: &UnitSpec, from: Date) -> Result<Vec<DaySummary>, RecordsError> {
        self.store.days(&spec.id, Some(from), None).map_err(text)
    }

    fn round_rules(&mut self) -> RoundRules {
        self.rules
    }

    fn site(&mut self, id: &str) -> SiteCard {
        let known = self.sites.iter().find(|site| site.id == id).cloned();
        known.unwrap_or_else(|| SiteCard { id: id.to_owned(), ..SiteCard::default() })
    }
}
