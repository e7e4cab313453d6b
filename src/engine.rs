//! The core that decides. PURE: `handle(event, now) -> effects`; the daemon performs the effects.
//!
//! One owner, no locks. The engine keeps for each unit what it needs to decide *when* to assess and *what* to say; the
//! history itself stays in the store. Readings never cause an assessment by themselves: a closed day, a service
//! action or late data does, and late data only after it has stopped coming for a moment.

mod watch;

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

pub use self::watch::{Item, NOTICE_SCHEMA, Notice};
use self::watch::{Site, Surroundings};
use crate::alert::quiet::Quiet;
use crate::alert::site::{SiteAlert, SiteBook};
use crate::alert::{Alert, Book, Kind, Signs};
use crate::analysis::Neighbours;
use crate::analysis::condition::{self, Facts, LogState};
use crate::domain::time::{MINUTE, SECOND};
use crate::domain::{Assessment, Cause, Channel, Condition, Reading, ServiceEntry, Timestamp, UnitId, UnitSpec};

/// Late data is assessed after this long without more of it.
pub const LATE_QUIET: i64 = 2 * SECOND;
/// But not later than this after the first of it, however much comes.
pub const LATE_AT_MOST: i64 = 20 * SECOND;
/// A day is closed this long after its midnight, so that the last readings are in.
pub const DAY_CLOSES_AFTER: i64 = 10 * MINUTE;
/// Units of one zone are spread over this long after that, so that a fleet does not close its day in one second.
pub const DAY_CLOSE_SPREAD: i64 = 20 * MINUTE;
/// Fewer other units than this say nothing about a water.
const NEIGHBOURS_MIN: usize = 2;
/// How many of the latest gaps between readings make the cadence.
const CADENCE_GAPS: usize = 9;

/// Something that happened.
#[derive(Clone, Debug)]
pub enum Event {
    /// Readings of one unit are safely stored, in order of time.
    Stored {
        /// Which unit.
        unit: UnitId,
        /// What was stored.
        readings: Vec<Reading>,
    },
    /// A service action is safely stored.
    Serviced {
        /// Which unit.
        unit: UnitId,
        /// The unit's whole log after it.
        log: Vec<ServiceEntry>,
    },
    /// An assessment is made and stored.
    Assessed {
        /// Which unit.
        unit: UnitId,
        /// What it says.
        assessment: Box<Assessment>,
        /// What the last days say about sensor, filters and flow sensor.
        signs: Box<Signs>,
    },
    /// An assessment could not be made; try again later.
    AssessmentFailed {
        /// Which unit.
        unit: UnitId,
    },
    /// Time passes.
    Tick,
    /// The broker has forgotten us, or we start: everything must be said again.
    SayAll,
}

/// Something the daemon must do.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Roll up the unit's touched days and assess it as of now.
    Assess {
        /// Which unit.
        unit: UnitId,
    },
    /// Publish, retained.
    Say {
        /// Which unit.
        unit: UnitId,
        /// What about it.
        statement: Statement,
    },
    /// Publish, retained, what is to be said about a site; `None`: clear the topic.
    SaySite {
        /// Which site.
        site: String,
        /// Its alert.
        alert: Option<Box<SiteAlert>>,
    },
    /// Keep a unit's alerts over restarts.
    Keep {
        /// Which unit.
        unit: UnitId,
        /// Its alerts.
        book: Box<Book>,
    },
    /// Keep what is known of a site's silence over restarts.
    KeepSite {
        /// Which site.
        site: String,
        /// What is known.
        book: Box<SiteBook>,
    },
    /// Tell people, through every channel.
    Notify(Box<Notice>),
}

/// What is said about a unit on its retained topics.
#[derive(Clone, Debug, PartialEq)]
pub enum Statement {
    /// The whole assessment.
    Assessment(Arc<Assessment>),
    /// Its condition.
    Condition(Condition),
    /// The date to clean by, if there is one.
    CleanBy(Option<Date>),
    /// An alert of this kind is raised, changed, or (`None`) cleared.
    Alert(Kind, Option<Box<Alert>>),
    /// Every live alert, after one of them has changed.
    Alerts(Vec<Alert>),
}

/// What the store knows of a unit when the daemon starts.
#[derive(Clone, Debug, Default)]
pub struct Restored {
    /// Its log.
    pub log: Vec<ServiceEntry>,
    /// Its latest readings in order of time, enough for the cadence.
    pub readings: Vec<Reading>,
    /// Its last assessment.
    pub assessment: Option<Assessment>,
    /// Whether readings are stored that no assessment has seen.
    pub stale: bool,
    /// Its alerts.
    pub book: Book,
    /// What its last days said about sensor, filters and flow sensor.
    pub signs: Signs,
}

/// The owner's rules.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rules {
    /// A date at most this many days off is due.
    pub lead_days: u16,
    /// When people may be told of what can wait.
    pub quiet: Quiet,
}

/// The engine: the state of every unit.
#[derive(Debug)]
pub struct Engine {
    units: BTreeMap<UnitId, Unit>,
    sites: BTreeMap<String, Site>,
    rules: Rules,
}

#[derive(Debug)]
struct Unit {
    spec: Arc<UnitSpec>,
    log: Vec<ServiceEntry>,
    /// The latest reading with an intensity.
    latest: Option<Reading>,
    /// The latest gaps between readings, milliseconds.
    gaps: Vec<i64>,
    /// When the node last sent anything.
    heard: Option<Timestamp>,
    /// When it last sent a reading without light.
    dark_at: Option<Timestamp>,
    /// When the lamp last came on.
    lit_at: Option<Timestamp>,
    /// When this engine began to listen.
    started: Timestamp,
    assessment: Option<Arc<Assessment>>,
    signs: Signs,
    wanted: Option<Wanted>,
    under_way: bool,
    book: Book,
    said: Said,
}

/// An assessment that has to be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Wanted {
    /// When the first reason came.
    since: Timestamp,
    /// When to make it.
    at: Timestamp,
}

#[derive(Debug, Default)]
struct Said {
    condition: Option<Condition>,
    clean_by: Option<Option<Date>>,
    /// Raised alerts; a kind that is absent has been cleared, or, before the first word, must be.
    alerts: Option<BTreeMap<Kind, Alert>>,
}

/// A unit as the engine sees it now.
#[derive(Clone, Debug)]
pub struct View {
    /// Its papers.
    pub spec: Arc<UnitSpec>,
    /// Its condition now.
    pub condition: Condition,
    /// Its latest reading with an intensity.
    pub latest: Option<Reading>,
    /// Its last assessment.
    pub assessment: Option<Arc<Assessment>>,
}

impl Engine {
    /// An engine for these units, each with what the store knows of it.
    pub fn new(units: impl IntoIterator<Item = (UnitSpec, Restored)>, rules: Rules, now: Timestamp) -> Self {
        let units: BTreeMap<UnitId, Unit> = units
            .into_iter()
            .map(|(spec, restored)| (spec.id.clone(), Unit::restore(Arc::new(spec), restored, now)))
            .collect();
        let sites = watch::sites(&units);
        Self { units, sites, rules }
    }

    /// Takes over what was kept of a site's silence.
    pub fn restore_site(&mut self, site: &str, book: SiteBook) {
        if let Some(known) = self.sites.get_mut(site) {
            known.book = book;
        }
    }

    /// Lets the engine decide what follows from `event`.
    pub fn handle(&mut self, event: Event, now: Timestamp) -> Vec<Effect> {
        let mut effects = Vec::new();
        match event {
            Event::Stored { unit, readings } => self.with(&unit, now, &mut effects, |u, _| u.stored(&readings, now)),
            Event::Serviced { unit, log } => self.with(&unit, now, &mut effects, |u, _| u.serviced(log, now)),
            Event::Assessed { unit, assessment, signs } => {
                self.with(&unit, now, &mut effects, |u, effects| {
                    u.signs = *signs;
                    u.assessed(Arc::new(*assessment), effects);
                });
            }
            Event::AssessmentFailed { unit } => self.with(&unit, now, &mut effects, |u, _| u.failed(now)),
            Event::Tick => self.all(now, &mut effects, |_, _| {}),
            Event::SayAll => {
                self.sites.values_mut().for_each(Site::forget_said);
                self.all(now, &mut effects, Unit::forget_said);
            }
        }
        effects
    }

    /// Every unit as it stands now, ordered by id.
    pub fn views(&self, now: Timestamp) -> impl Iterator<Item = View> + '_ {
        self.units.values().map(move |unit| View {
            spec: Arc::clone(&unit.spec),
            condition: unit.condition(self.rules.lead_days, now),
            latest: unit.latest,
            assessment: unit.assessment.clone(),
        })
    }

    /// A unit's papers, if it is in the config.
    pub fn spec(&self, unit: &UnitId) -> Option<Arc<UnitSpec>> {
        self.units.get(unit).map(|u| Arc::clone(&u.spec))
    }

    /// A unit's latest reading with an intensity.
    pub fn latest(&self, unit: &UnitId) -> Option<Reading> {
        self.units.get(unit).and_then(|u| u.latest)
    }

    /// Usual milliseconds between a unit's readings, if known.
    pub fn cadence(&self, unit: &UnitId) -> Option<i64> {
        self.units.get(unit).and_then(Unit::cadence)
    }

    /// What the other units on the same kind of water have shown of their sleeves, by their last assessments.
    pub fn neighbours(&self, unit: &UnitId) -> Option<Neighbours> {
        let water = self.units.get(unit)?.spec.water?;
        let rates: Vec<f64> = self
            .units
            .values()
            .filter(|other| other.spec.water == Some(water) && other.spec.id != *unit)
            .filter_map(|other| sleeve_rate(other.assessment.as_deref()?))
            .collect();
        let count = rates.len() as f64;
        if rates.len() < NEIGHBOURS_MIN {
            return None;
        }
        let rate_mean = rates.iter().sum::<f64>() / count;
        let variance = rates.iter().map(|rate| (rate - rate_mean).powi(2)).sum::<f64>() / (count - 1.0);
        Some(Neighbours { rate_mean, rate_sd: variance.sqrt(), units: u32::try_from(rates.len()).unwrap_or(u32::MAX) })
    }

    fn with(
        &mut self,
        id: &UnitId,
        now: Timestamp,
        effects: &mut Vec<Effect>,
        act: impl FnOnce(&mut Unit, &mut Vec<Effect>),
    ) {
        let mut news = Vec::new();
        if let Some(unit) = self.units.get_mut(id) {
            act(unit, effects);
            let around = self.sites.get(id.site()).map_or_else(Surroundings::default, |site| site.around(id));
            unit.settle(&self.rules, around, now, effects, &mut news);
        }
        watch::tell(news, &self.rules, effects);
    }

    fn all(&mut self, now: Timestamp, effects: &mut Vec<Effect>, act: impl Fn(&mut Unit, &mut Vec<Effect>)) {
        let mut news = Vec::new();
        for (name, site) in &mut self.sites {
            site.look(name, &self.units, &self.rules, now, effects, &mut news);
        }
        for (id, unit) in &mut self.units {
            act(unit, effects);
            let around = self.sites.get(id.site()).map_or_else(Surroundings::default, |site| site.around(id));
            unit.settle(&self.rules, around, now, effects, &mut news);
        }
        watch::tell(news, &self.rules, effects);
    }
}

/// How fast a sleeve fouls by its unit's assessment, natural-log loss per 100 days; `None` if it is not known.
fn sleeve_rate(assessment: &Assessment) -> Option<f64> {
    let sleeve = assessment.loss.as_ref()?.causes.iter().find(|cause| cause.cause == Cause::SleeveFouling)?;
    // Percent a day is the same number as 1 per 100 days; -ln(1 - r/100) differs from r/100 in the fourth digit only.
    sleeve.rate_percent_per_day
}

impl Unit {
    fn restore(spec: Arc<UnitSpec>, restored: Restored, now: Timestamp) -> Self {
        let mut unit = Self {
            spec,
            log: restored.log,
            latest: None,
            gaps: Vec::new(),
            heard: None,
            dark_at: None,
            lit_at: None,
            started: now,
            assessment: restored.assessment.map(Arc::new),
            signs: restored.signs,
            wanted: None,
            under_way: false,
            book: restored.book,
            said: Said::default(),
        };
        unit.learn(&restored.readings);
        if restored.stale {
            unit.want(now, 0);
        }
        unit
    }

    fn stored(&mut self, readings: &[Reading], now: Timestamp) {
        let newest_before = self.latest.map(|r| r.at);
        self.learn(readings);
        let today = now.date_in(&self.spec.zone);
        let late =
            readings.iter().any(|r| r.at.date_in(&self.spec.zone) < today || newest_before.is_some_and(|n| r.at < n));
        if late || self.assessment.is_none() {
            self.want(now, LATE_QUIET);
        }
    }

    /// Notes when the lamp last came on: its first reading with light after one without, or after a start it counts.
    fn see_lamp(&mut self, readings: &[Reading]) {
        let dark_below = self.dark_below();
        let mut starts = self.latest.and_then(|latest| latest.get(Channel::LampStarts));
        for reading in readings {
            let Some(light) = reading.get(Channel::Intensity) else { continue };
            let counted = reading.get(Channel::LampStarts);
            let started = counted.zip(starts).is_some_and(|(now, before)| now > before);
            starts = counted.or(starts);
            if light <= dark_below {
                self.dark_at = self.dark_at.max(Some(reading.at));
            } else if started || self.dark_at.is_some_and(|dark| dark < reading.at && self.lit_at < Some(dark)) {
                self.lit_at = self.lit_at.max(Some(reading.at));
            }
        }
    }

    /// Takes over the newest reading and the gaps up to it.
    fn learn(&mut self, readings: &[Reading]) {
        self.heard = readings.iter().map(|r| r.at).chain(self.heard).max();
        self.see_lamp(readings);
        for reading in readings.iter().filter(|r| r.get(Channel::Intensity).is_some()) {
            match self.latest {
                Some(latest) if reading.at < latest.at => {}
                Some(latest) if reading.at == latest.at => self.latest = Some(*reading),
                latest => {
                    if let Some(latest) = latest {
                        self.gaps.push(reading.at.millis_since(latest.at));
                        let surplus = self.gaps.len().saturating_sub(CADENCE_GAPS);
                        self.gaps.drain(..surplus);
                    }
                    self.latest = Some(*reading);
                }
            }
        }
    }

    fn serviced(&mut self, log: Vec<ServiceEntry>, now: Timestamp) {
        self.log = log;
        self.want(now, 0);
    }

    fn assessed(&mut self, assessment: Arc<Assessment>, effects: &mut Vec<Effect>) {
        self.under_way = false;
        self.assessment = Some(assessment);
        self.say_assessment(effects);
    }

    fn failed(&mut self, now: Timestamp) {
        self.under_way = false;
        self.want(now, MINUTE);
    }

    fn forget_said(&mut self, effects: &mut Vec<Effect>) {
        self.said = Said::default();
        self.say_assessment(effects);
    }

    fn say_assessment(&self, effects: &mut Vec<Effect>) {
        if let Some(assessment) = &self.assessment {
            let statement = Statement::Assessment(Arc::clone(assessment));
            effects.push(Effect::Say { unit: self.spec.id.clone(), statement });
        }
    }

    /// Says what has changed and starts the assessment that is due.
    fn settle(
        &mut self,
        rules: &Rules,
        around: Surroundings,
        now: Timestamp,
        effects: &mut Vec<Effect>,
        news: &mut Vec<watch::Untold>,
    ) {
        self.close_day(now);
        self.say(rules.lead_days, now, effects);
        self.watch(rules, around, now, effects, news);
        if self.wanted.is_some_and(|wanted| wanted.at <= now) && !self.under_way {
            self.wanted = None;
            self.under_way = true;
            effects.push(Effect::Assess { unit: self.spec.id.clone() });
        }
    }

    /// Asks for an assessment `delay` from now; one that is wanted already moves back, but not for ever.
    fn want(&mut self, now: Timestamp, delay: i64) {
        let since = self.wanted.map_or(now, |wanted| wanted.since);
        let at = now.plus_millis(delay).min(since.plus_millis(LATE_AT_MOST.max(delay)));
        self.wanted = Some(Wanted { since, at });
    }

    /// Asks for an assessment when a day has ended since the last one and there are readings.
    fn close_day(&mut self, now: Timestamp) {
        let (Some(assessment), None) = (&self.assessment, self.wanted) else { return };
        if self.under_way || now.millis_since(assessment.as_of) < DAY_CLOSES_AFTER {
            return;
        }
        let settled = now.plus_millis(-DAY_CLOSES_AFTER - self.spread());
        if settled.date_in(&self.spec.zone) > assessment.as_of.date_in(&self.spec.zone) {
            self.want(now, 0);
        }
    }

    /// This unit's place within [`DAY_CLOSE_SPREAD`], always the same.
    fn spread(&self) -> i64 {
        let hash = self.spec.id.as_str().bytes().fold(0_i64, |hash, byte| (hash * 31 + i64::from(byte)) % 1_000_003);
        hash * DAY_CLOSE_SPREAD / 1_000_003
    }

    fn cadence(&self) -> Option<i64> {
        let mut gaps = self.gaps.clone();
        gaps.sort_unstable();
        gaps.get(gaps.len() / 2).copied()
    }

    fn log_state(&self, now: Timestamp) -> LogState {
        condition::log_state(&self.log, now)
    }

    fn condition(&self, lead_days: u16, now: Timestamp) -> Condition {
        let assessment = self.assessment.as_deref();
        condition::condition(
            &Facts {
                spec: &self.spec,
                log: self.log_state(now),
                latest: self.latest.as_ref(),
                cadence_millis: self.cadence(),
                learning: assessment.is_none_or(|a| a.loss.is_none()),
                service_by: assessment
                    .and_then(|a| condition::service_by(&a.forecast, now.date_in(&self.spec.zone), lead_days)),
                falling: assessment.is_some_and(|a| a.forecast.crossing.p50.is_some()),
                lead_days,
            },
            now,
        )
    }

    fn say(&mut self, lead_days: u16, now: Timestamp, effects: &mut Vec<Effect>) {
        let condition = self.condition(lead_days, now);
        let mut say = |statement| effects.push(Effect::Say { unit: self.spec.id.clone(), statement });
        if self.said.condition.replace(condition) != Some(condition) {
            say(Statement::Condition(condition));
        }
        if let Some(assessment) = &self.assessment {
            let clean_by = assessment.forecast.clean_by;
            if self.said.clean_by.replace(clean_by) != Some(clean_by) {
                say(Statement::CleanBy(clean_by));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ServiceAction;
    use crate::domain::time::DAY;

    const NOON: &str = "2026-08-14T12:00:00Z";

    fn id() -> UnitId {
        "heron-bight/boathouse".parse().unwrap()
    }

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn reading(at: Timestamp, intensity: f64) -> Reading {
        Reading::new(at).with(Channel::Intensity, intensity)
    }

    /// Readings every ten minutes up to `until`.
    fn readings(until: Timestamp, count: i64, intensity: f64) -> Vec<Reading> {
        (0..count).rev().map(|i| reading(until.plus_millis(-i * 10 * MINUTE), intensity)).collect()
    }

    fn engine(restored: Restored, now: Timestamp) -> Engine {
        Engine::new([(UnitSpec::new(id(), 14.0), restored)], Rules { lead_days: 14, ..Rules::default() }, now)
    }

    fn assessment(as_of: Timestamp) -> Box<Assessment> {
        let mut assessment: Assessment =
            serde_json::from_str(include_str!("../fixtures/assessment/contract.json")).unwrap();
        assessment.as_of = as_of;
        Box::new(assessment)
    }

    fn assessed(as_of: Timestamp) -> Event {
        Event::Assessed { unit: id(), assessment: assessment(as_of), signs: Box::default() }
    }

    fn assesses(effects: &[Effect]) -> usize {
        effects.iter().filter(|e| matches!(e, Effect::Assess { .. })).count()
    }

    fn conditions(effects: &[Effect]) -> Vec<Condition> {
        let condition = |e: &Effect| match e {
            Effect::Say { statement: Statement::Condition(condition), .. } => Some(*condition),
            _ => None,
        };
        effects.iter().filter_map(condition).collect()
    }

    #[test]
    fn a_live_reading_of_today_asks_for_no_assessment() {
        let now = at(NOON);
        let mut engine = engine(
            Restored { assessment: Some(*assessment(now)), readings: readings(now, 5, 20.0), ..Default::default() },
            now,
        );
        for minutes in 1..60 {
            let now = now.plus_millis(minutes * MINUTE);
            let stored = Event::Stored { unit: id(), readings: vec![reading(now, 20.0)] };
            let effects = engine.handle(stored, now);
            assert_eq!(assesses(&effects) + assesses(&engine.handle(Event::Tick, now)), 0);
        }
    }

    #[test]
    fn late_data_is_assessed_once_after_it_stops_but_not_later_than_the_limit() {
        let now = at(NOON);
        let mut engine = engine(Restored::default(), now);
        let mut made = Vec::new();
        for second in 0..100 {
            let now = now.plus_millis(second * SECOND);
            let mut effects = engine.handle(Event::Tick, now);
            if second < 50 {
                let day = now.plus_millis(-(200 - second) * DAY);
                let stored = Event::Stored { unit: id(), readings: readings(day, 144, 20.0) };
                effects.append(&mut engine.handle(stored, now));
            }
            if assesses(&effects) > 0 {
                made.push(second);
                engine.handle(assessed(now), now);
            }
        }
        assert_eq!(made, [20, 40, 51], "every 20 s while it comes, then 2 s after the last");
    }

    #[test]
    fn a_closed_day_is_assessed_once() {
        let now = at(NOON);
        let mut engine = engine(
            Restored { assessment: Some(*assessment(now)), readings: readings(now, 5, 20.0), ..Default::default() },
            now,
        );
        let mut made = Vec::new();
        for quarter in 0..96 {
            let now = now.plus_millis(quarter * 15 * MINUTE);
            if assesses(&engine.handle(Event::Tick, now)) > 0 {
                made.push(now);
                engine.handle(assessed(now), now);
            }
        }
        assert_eq!(made.len(), 1);
        let midnight = at("2026-08-15T00:00:00Z");
        assert!(
            (DAY_CLOSES_AFTER..DAY_CLOSES_AFTER + DAY_CLOSE_SPREAD + 15 * MINUTE)
                .contains(&made[0].millis_since(midnight))
        );
    }

    #[test]
    fn a_service_action_is_assessed_at_once_and_a_second_waits_for_the_first() {
        let now = at(NOON);
        let mut engine = engine(Restored::default(), now);
        let log = vec![ServiceEntry::new(now, ServiceAction::SleeveCleaned)];
        assert_eq!(assesses(&engine.handle(Event::Serviced { unit: id(), log: log.clone() }, now)), 1);
        assert_eq!(assesses(&engine.handle(Event::Serviced { unit: id(), log }, now)), 0, "one at a time");
        assert_eq!(assesses(&engine.handle(assessed(now), now)), 1);
    }

    #[test]
    fn the_condition_is_said_when_it_changes_and_alerts_follow_it() {
        let now = at(NOON);
        let mut engine = engine(
            Restored { assessment: Some(*assessment(now)), readings: readings(now, 5, 21.4), ..Default::default() },
            now,
        );
        assert_eq!(conditions(&engine.handle(Event::SayAll, now)), [Condition::Fading]);
        assert_eq!(conditions(&engine.handle(Event::Tick, now)), []);
        let low = Event::Stored { unit: id(), readings: vec![reading(now.plus_millis(MINUTE), 13.9)] };
        let effects = engine.handle(low, now.plus_millis(MINUTE));
        assert_eq!(conditions(&effects), [Condition::Short]);
        let raised = effects
            .iter()
            .any(|e| matches!(e, Effect::Say { statement: Statement::Alert(Kind::TreatmentNotAssured, Some(_)), .. }));
        assert!(raised, "{effects:?}");
        let effects = engine.handle(Event::Tick, now.plus_millis(3 * DAY));
        assert_eq!(conditions(&effects), [Condition::Silent]);
        let cleared = effects
            .iter()
            .any(|e| matches!(e, Effect::Say { statement: Statement::Alert(Kind::TreatmentNotAssured, None), .. }));
        assert!(!cleared, "silence resolves nothing: {effects:?}");
    }

    #[test]
    fn everything_is_said_again_when_the_broker_has_forgotten() {
        let now = at(NOON);
        let mut engine = engine(
            Restored { assessment: Some(*assessment(now)), readings: readings(now, 5, 21.4), ..Default::default() },
            now,
        );
        let mut say_all = || {
            let effects = engine.handle(Event::SayAll, now).into_iter();
            effects.filter(|effect| matches!(effect, Effect::Say { .. })).collect::<Vec<_>>()
        };
        let first = say_all();
        assert_eq!(
            first.len(),
            4 + Kind::ALL.len(),
            "assessment, condition, clean-by, no alert of any kind nor in all"
        );
        assert_eq!(say_all(), first);
    }

    #[test]
    fn a_unit_that_is_not_in_the_config_changes_nothing() {
        let now = at(NOON);
        let mut engine = engine(Restored::default(), now);
        engine.handle(Event::SayAll, now);
        let stranger = Event::Stored { unit: "heron-bight/other".parse().unwrap(), readings: readings(now, 3, 1.0) };
        assert_eq!(engine.handle(stranger, now), []);
    }
}
