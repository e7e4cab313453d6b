//! The fleet's records as [`query`](crate::query) asks for them: the engine's view of now, the store's of the past.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::civil::Date;
use serde::de::DeserializeOwned;

use super::assess::days_now;
use super::pasts::Pasts;
use crate::alert::site::SiteBook;
use crate::alert::{Book, Kind, Live as LiveAlert};
use crate::analysis::{Constants, Neighbours};
use crate::config::{Config, RoundSettings, SiteSpec};
use crate::domain::assessment::LatestReading;
use crate::domain::service::effective;
use crate::domain::time::DAY;
use crate::domain::{
    Assessment, Channel, Columns, DaySummary, FittedDay, Reading, ServiceEntry, Timestamp, UnitId, UnitSpec,
};
use crate::engine::{Engine, Restored, Rules, View};
use crate::mqtt::encode::{ALL_KINDS, WHOLE_SITE};
use crate::query::dossier::SiteCard;
use crate::query::round::RoundRules;
use crate::query::{Live, OrderQuery, Records, RecordsError, Scope, UnknownUnit};
use crate::store::{Store, StoreError};

/// How far before a unit's latest reading its cadence is learnt at the start, milliseconds.
const CADENCE_WINDOW: i64 = DAY;

/// Records at one moment.
#[derive(Debug)]
pub struct Snapshot {
    store: Arc<Store>,
    views: BTreeMap<UnitId, View>,
    unknown: Vec<UnknownUnit>,
    alerts: Vec<LiveAlert>,
    sites: Arc<Vec<SiteCard>>,
    rules: RoundRules,
    pasts: Arc<Pasts>,
    neighbours: BTreeMap<UnitId, Neighbours>,
    /// Units whose log has grown through these records: somebody has to hear of it.
    pub logged: Vec<UnitId>,
}

impl Snapshot {
    /// Records of `store`, with what the engine sees now and which units send without being in the config.
    pub fn new(store: Arc<Store>, engine: &Engine, unknown: Vec<UnknownUnit>, now: Timestamp) -> Self {
        let views = engine.views(now).map(|view| (view.spec.id.clone(), view)).collect();
        let (sites, rules) = (Arc::default(), RoundRules::default());
        let (pasts, neighbours) = (Arc::default(), BTreeMap::new());
        let alerts = engine.alerts(now);
        Self { store, views, unknown, alerts, sites, rules, pasts, neighbours, logged: Vec::new() }
    }
}

impl Snapshot {
    /// The same, knowing the sites as their owners described them, and the planner's figures.
    #[must_use]
    pub fn with_sites(self, (sites, rules): (Arc<Vec<SiteCard>>, RoundRules)) -> Self {
        Self { sites, rules, ..self }
    }

    /// The same, with what was read and worked out before.
    #[must_use]
    pub fn with_pasts(self, pasts: Arc<Pasts>) -> Self {
        Self { pasts, ..self }
    }

    /// The same, with what pasts are worked out from.
    #[must_use]
    pub fn with_neighbours(self, neighbours: BTreeMap<UnitId, Neighbours>) -> Self {
        Self { neighbours, ..self }
    }

    /// Of when the latest assessment of a unit is.
    fn as_of(&self, spec: &UnitSpec) -> Option<Timestamp> {
        self.views.get(&spec.id)?.assessment.as_ref().map(|said| said.as_of)
    }

    /// The same, of the allowed sites only.
    #[must_use]
    pub fn within(mut self, scope: &Scope) -> Self {
        self.alerts.retain(|alert| scope.allows(alert.site()));
        self
    }
}

/// The sites of a config, and the planner's figures.
pub fn sites(config: &Config) -> (Arc<Vec<SiteCard>>, RoundRules) {
    let card = |site: &SiteSpec| SiteCard {
        id: site.id.clone(),
        name: site.name.clone(),
        tags: site.tags.clone(),
        address: site.address.clone(),
        contact: site.contact.clone(),
        access: site.access.clone(),
        travel_minutes: site.travel_minutes.map(u32::from),
    };
    let RoundSettings { day_minutes, visit_minutes, travel_minutes, interval_days } = config.round;
    let rules = RoundRules { day_minutes, visit_minutes, travel_minutes, interval_days };
    (Arc::new(config.sites.iter().map(card).collect()), rules)
}

/// What the store knows of a unit.
pub fn restore(store: &Store, spec: &UnitSpec) -> Result<Restored, StoreError> {
    let assessment = store.assessment(&spec.id)?;
    let log = effective(&store.logbook(&spec.id)?);
    let latest = store.latest(&spec.id);
    let readings = match latest {
        Some(latest) => store.readings(&spec.id, latest.at.plus_millis(-CADENCE_WINDOW), latest.at.plus_millis(1))?,
        None => Vec::new(),
    };
    let seen = assessment.as_ref().map(|a| a.as_of);
    let unseen_entry = log.iter().any(|entry| seen.is_none_or(|seen| entry.recorded.is_some_and(|r| r >= seen)));
    let stale = latest.is_some() && (seen.is_none() || unseen_entry || !store.dirty_of(&spec.id).days.is_empty());
    let book = kept(store, &alerts_key(&spec.id))?.unwrap_or_default();
    let signs = kept(store, &signs_key(&spec.id))?.unwrap_or_default();
    Ok(Restored { log, readings, assessment, stale, book, signs })
}

/// An engine that knows what the store knows.
pub fn engine(store: &Store, config: &Config, now: Timestamp) -> Result<Engine, StoreError> {
    // One unit at a time: the engine keeps little of the readings of the last day.
    let mut failed = None;
    let units = config.units.iter().map_while(|spec| {
        let restored = restore(store, spec).map_err(|error| failed = Some(error)).ok()?;
        Some((spec.clone(), restored))
    });
    let mut engine = Engine::new(units, Rules { lead_days: config.lead_days, quiet: config.quiet }, now);
    if let Some(error) = failed {
        return Err(error);
    }
    for site in config.units.iter().map(|spec| spec.id.site()).collect::<BTreeSet<_>>() {
        if let Some(book) = kept(store, &site_key(site))? {
            engine.restore_site(site, book);
        }
    }
    Ok(engine)
}

/// The name under which a unit's alerts are kept.
pub fn alerts_key(unit: &UnitId) -> String {
    format!("alerts/{unit}")
}

/// The name under which is kept what a unit's last days said about sensor, filters and flow sensor.
pub fn signs_key(unit: &UnitId) -> String {
    format!("signs/{unit}")
}

/// The name under which a site's silence is kept.
pub fn site_key(site: &str) -> String {
    format!("site/{site}")
}

/// A small value of the daemon; one that cannot be read any more is told and left out.
pub fn kept<T: DeserializeOwned>(store: &Store, name: &str) -> Result<Option<T>, StoreError> {
    let Some(bytes) = store.kept(name)? else { return Ok(None) };
    match serde_json::from_slice(&bytes) {
        Ok(value) => Ok(Some(value)),
        Err(error) => {
            tracing::warn!(name, "what was kept cannot be read and is left out: {error}");
            Ok(None)
        }
    }
}

/// Records for a command that opens the store itself because no daemon runs.
pub fn offline(config: &Config, now: Timestamp) -> Result<Snapshot, StoreError> {
    let store = Store::open(&config.store)?;
    let engine = engine(&store, config, now)?;
    let unknown = strangers(&store).into_iter().filter(|stranger| engine.spec(&stranger.unit).is_none()).collect();
    let neighbours = config.units.iter().filter_map(|spec| Some((spec.id.clone(), engine.neighbours(&spec.id)?)));
    let neighbours = neighbours.collect();
    let records = Snapshot::new(Arc::new(store), &engine, unknown, now).with_sites(sites(config));
    Ok(records.with_neighbours(neighbours))
}

/// Under which name the store keeps the units that are not in the config.
const STRANGERS: &str = "unknown-units";

/// The units that sent without being in the config, as an earlier run kept them; none if that cannot be read, for they
/// are only counted.
pub fn strangers(store: &Store) -> Vec<UnknownUnit> {
    let kept = store.kept(STRANGERS).ok().flatten();
    kept.and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default()
}

/// Keeps them.
pub fn keep_strangers(store: &Store, strangers: &[UnknownUnit]) -> Result<(), StoreError> {
    store.keep(STRANGERS, &serde_json::to_vec(strangers).unwrap_or_default())
}

/// The unit and the kind (`None`: every one) that an order names.
pub fn target(query: &OrderQuery) -> Result<(UnitId, Option<Kind>), String> {
    let unit = UnitId::new(&query.site, &query.unit).map_err(|error| error.to_string())?;
    let kind =
        if query.kind == ALL_KINDS { None } else { Some(query.kind.parse::<Kind>().map_err(|e| e.to_string())?) };
    Ok((unit, kind))
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

    fn assessment(&mut self, spec: &UnitSpec) -> Result<Option<Arc<Assessment>>, RecordsError> {
        Ok(self.views.get(&spec.id).and_then(|view| view.assessment.clone()))
    }

    fn days(&mut self, spec: &UnitSpec) -> Result<Vec<DaySummary>, RecordsError> {
        let log = effective(&self.store.logbook(&spec.id).map_err(text)?);
        let kept = match self.as_of(spec) {
            Some(as_of) => self.pasts.days(&self.store, spec, as_of),
            None => self.store.days(&spec.id, None, None).map(Arc::new),
        };
        days_now(&self.store, spec, (&kept.map_err(text)?, &log), &Constants::default()).map_err(text)
    }

    fn log(&mut self, unit: &UnitId) -> Result<Vec<ServiceEntry>, RecordsError> {
        self.store.logbook(unit).map_err(text)
    }

    fn record(&mut self, unit: &UnitId, entry: &ServiceEntry) -> Result<(), RecordsError> {
        self.store.log(unit, entry).map_err(text)?;
        self.logged.push(unit.clone());
        Ok(())
    }

    fn alerts(&mut self) -> Result<Vec<LiveAlert>, RecordsError> {
        Ok(self.alerts.clone())
    }

    /// Without a daemon: in what is kept. A daemon asks its engine instead.
    fn order(&mut self, query: &OrderQuery, now: Timestamp) -> Result<Result<usize, String>, RecordsError> {
        let keep = |name: &str, value: Result<Vec<u8>, serde_json::Error>| {
            let bytes = value.map_err(|error| RecordsError(error.to_string()))?;
            self.store.keep(name, &bytes).map_err(text)
        };
        let touched = if query.unit == WHOLE_SITE {
            let name = site_key(&query.site);
            let mut book: SiteBook = kept(&self.store, &name).map_err(text)?.unwrap_or_default();
            let touched = book.obey(&query.order, now).map_err(|error| error.to_string());
            if touched.is_ok() {
                keep(&name, serde_json::to_vec(&book))?;
            }
            touched
        } else {
            let (unit, kind) = match target(query) {
                Ok(target) => target,
                Err(says) => return Ok(Err(says)),
            };
            let name = alerts_key(&unit);
            let mut book: Book = kept(&self.store, &name).map_err(text)?.unwrap_or_default();
            let touched = book.obey(kind, &query.order, now).map_err(|error| error.to_string());
            if touched.is_ok() {
                keep(&name, serde_json::to_vec(&book))?;
            }
            touched
        };
        Ok(touched)
    }

    fn unknown(&mut self) -> Result<Vec<UnknownUnit>, RecordsError> {
        Ok(self.unknown.clone())
    }

    fn readings(&mut self, spec: &UnitSpec, from: Timestamp, to: Timestamp) -> Result<Vec<Reading>, RecordsError> {
        self.store.readings(&spec.id, from, to).map_err(text)
    }

    fn columns(
        &mut self,
        spec: &UnitSpec,
        span: (Timestamp, Timestamp),
        channels: &[Channel],
    ) -> Result<Columns, RecordsError> {
        self.store.columns(&spec.id, span, channels).map_err(text)
    }

    fn course(&mut self, spec: &UnitSpec, from: Date) -> Result<Vec<(Date, f32)>, RecordsError> {
        self.pasts.courses.of(&self.store, &spec.id, self.as_of(spec), from).map_err(text)
    }

    fn fitted(&mut self, spec: &UnitSpec) -> Result<Vec<FittedDay>, RecordsError> {
        let Some(as_of) = self.as_of(spec) else { return Ok(Vec::new()) };
        let neighbours = self.neighbours.get(&spec.id).copied();
        let past = self.pasts.fitted(&self.store, spec, as_of, neighbours, &Constants::default()).map_err(text)?;
        Ok(past.to_vec())
    }

    fn round_rules(&mut self) -> RoundRules {
        self.rules
    }

    fn site(&mut self, id: &str) -> SiteCard {
        let known = self.sites.iter().find(|site| site.id == id).cloned();
        known.unwrap_or_else(|| SiteCard { id: id.to_owned(), ..SiteCard::default() })
    }
}
