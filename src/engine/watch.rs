//! Alerts in the engine: signals into books, books onto topics, news to people, units of a silent site held.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::{Effect, Engine, Rules, Statement, Unit};
use crate::alert::site::{Hearing, SITE_SILENT, SiteAlert, SiteBook};
use crate::alert::{Alert, Evidence, Held, Kind, Level, Live, Order, OrderError, Standing, What, text};
use crate::analysis::condition::{DARK_SHARE_OF_SET_POINT, silent_after};
use crate::domain::{Channel, ServiceAction, Timestamp, UnitId, UnitSpec};

/// The value of [`Notice::schema`].
pub const NOTICE_SCHEMA: &str = "fadeline.notice.v1";

/// News for people, as every channel carries it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notice {
    /// Always [`NOTICE_SCHEMA`].
    pub schema: String,
    /// When it was told.
    pub at: Timestamp,
    /// Which site.
    pub site: String,
    /// Whether it is the day's digest.
    pub digest: bool,
    /// What happened, the most urgent first.
    pub items: Vec<Item>,
}

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Item {
    /// What.
    pub what: What,
    /// When.
    pub at: Timestamp,
    /// The kind of the alert, or `site-silent`.
    pub kind: String,
    /// The kind in a few words.
    pub title: String,
    /// How bad it is.
    pub level: Level,
    /// Which unit; `None`: the whole site.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Its name for people.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What is known.
    pub says: String,
    /// How sure that is.
    pub sure: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
}

/// News of one site on the way to a notice.
#[derive(Debug)]
pub(super) struct Untold {
    site: String,
    urgent: bool,
    now: Timestamp,
    item: Item,
}

/// What a unit's site does, for the unit.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Surroundings {
    silent: bool,
    late: bool,
}

/// A site in the engine.
#[derive(Debug, Default)]
pub(super) struct Site {
    pub book: SiteBook,
    units: Vec<UnitId>,
    hearings: Vec<Hearing>,
    said: Option<Option<SiteAlert>>,
}

/// The sites of these units.
pub(super) fn sites(units: &BTreeMap<UnitId, Unit>) -> BTreeMap<String, Site> {
    let mut sites: BTreeMap<String, Site> = BTreeMap::new();
    for id in units.keys() {
        sites.entry(id.site().to_owned()).or_default().units.push(id.clone());
    }
    sites
}

/// Turns news into notices: what the digest has gathered is one for each site, the rest one each.
pub(super) fn tell(news: Vec<Untold>, rules: &Rules, effects: &mut Vec<Effect>) {
    let mut notices: Vec<Notice> = Vec::new();
    for Untold { site, urgent, now, item } in news {
        let digest = rules.quiet.digest.is_some() && !urgent;
        let gathering = notices.iter_mut().find(|notice| digest && notice.digest && notice.site == site);
        match gathering {
            Some(notice) => notice.items.push(item),
            None => notices.push(Notice { schema: NOTICE_SCHEMA.to_owned(), at: now, site, digest, items: vec![item] }),
        }
    }
    for mut notice in notices {
        notice.items.sort_by(|a, b| (b.level, &a.unit, &a.kind).cmp(&(a.level, &b.unit, &b.kind)));
        effects.push(Effect::Notify(Box::new(notice)));
    }
}

impl Site {
    pub(super) fn forget_said(&mut self) {
        self.said = None;
    }

    /// What the site does, for one of its units.
    pub(super) fn around(&self, unit: &UnitId) -> Surroundings {
        let others = self.units.iter().zip(&self.hearings).filter(|(id, h)| *id != unit && **h != Hearing::Unknown);
        let (mut known, mut late) = (0, 0);
        for (_, hearing) in others {
            known += 1;
            late += usize::from(*hearing != Hearing::Heard);
        }
        Surroundings { silent: self.book.silent_since.is_some(), late: known > 0 && late == known }
    }

    /// Looks how its units are heard, and says what follows for the site.
    pub(super) fn look(
        &mut self,
        name: &str,
        units: &BTreeMap<UnitId, Unit>,
        rules: &Rules,
        now: Timestamp,
        effects: &mut Vec<Effect>,
        news: &mut Vec<Untold>,
    ) {
        let heard = |id: &UnitId| units.get(id).map_or(Hearing::Unknown, |unit| unit.hearing(now));
        self.hearings = self.units.iter().map(heard).collect();
        let mut changed = self.book.update(&self.hearings, now) | self.book.expire(now);
        let zone = self.units.first().and_then(|id| units.get(id)).map_or(TimeZone::UTC, |u| u.spec.zone.clone());
        let may = |at: Timestamp| rules.quiet.may_tell(Kind::NoReadings, at, now, &zone);
        let alert = self.book.alert(name, now);
        if let Some(alert) = alert.as_ref().filter(|a| !self.book.told && self.book.is_open(now) && may(a.since)) {
            self.book.told = true;
            changed = true;
            news.push(site_news(What::Raised, alert.since, alert, now));
        }
        let still = self.book.still_untold.filter(|since| self.book.is_open(now) && may(*since));
        if let Some((since, alert)) = still.zip(alert.as_ref()) {
            self.book.still_untold = None;
            changed = true;
            news.push(site_news(What::Still, since, alert, now));
        }
        if let Some(back) = self.book.back_untold.filter(|back| may(*back)) {
            self.book.back_untold = None;
            changed = true;
            let mut silent = SiteBook::default();
            (silent.silent_since, silent.units) = (Some(back), self.units.len());
            if let Some(was) = silent.alert(name, now) {
                news.push(site_news(What::Cleared, back, &was, now));
            }
        }
        if self.said.as_ref() != Some(&alert) {
            self.said = Some(alert.clone());
            effects.push(Effect::SaySite { site: name.to_owned(), alert: alert.map(Box::new) });
        }
        if changed {
            effects.push(Effect::KeepSite { site: name.to_owned(), book: Box::new(self.book.clone()) });
        }
    }
}

fn site_news(what: What, at: Timestamp, alert: &SiteAlert, now: Timestamp) -> Untold {
    let says = match what {
        What::Cleared => format!("readings of {} come again", alert.site),
        _ => alert.says.clone(),
    };
    let item = Item {
        what,
        at,
        kind: SITE_SILENT.to_owned(),
        title: "Site silent".to_owned(),
        level: alert.level,
        unit: None,
        name: None,
        says,
        sure: alert.sure.clone(),
        first: alert.first.clone(),
        caution: alert.caution.clone(),
    };
    Untold { site: alert.site.clone(), urgent: false, now, item }
}

fn unit_news(spec: &UnitSpec, news: crate::alert::News, now: Timestamp) -> Untold {
    let says = match news.what {
        What::Cleared => format!("over: {}", news.life.text.says),
        _ => news.life.text.says,
    };
    let item = Item {
        what: news.what,
        at: news.at,
        kind: news.kind.name().to_owned(),
        title: news.kind.title().to_owned(),
        level: news.life.level,
        unit: Some(spec.id.unit().to_owned()),
        name: spec.name.clone(),
        says,
        sure: news.life.text.sure,
        first: news.life.text.first,
        caution: news.life.text.caution,
    };
    Untold { site: spec.id.site().to_owned(), urgent: news.kind.is_urgent(), now, item }
}

impl Unit {
    /// At or under this intensity there is no light.
    pub(super) fn dark_below(&self) -> f64 {
        DARK_SHARE_OF_SET_POINT * self.spec.set_point
    }

    fn silent_after(&self) -> i64 {
        silent_after(self.cadence())
    }

    /// From when on silence counts.
    fn listening_since(&self, now: Timestamp) -> Timestamp {
        // Who was known to be silent before our own start has been so all along.
        let known = self.book.live.contains_key(&Kind::NoReadings);
        self.unheard_since(now).into_iter().chain((!known).then_some(self.started)).max().unwrap_or(self.started)
    }

    /// Since when nothing has been heard of the unit; work at it is a word too.
    fn unheard_since(&self, now: Timestamp) -> Option<Timestamp> {
        let back = [ServiceAction::Opened, ServiceAction::VisitEnded, ServiceAction::VisitStarted];
        let opened = self.log.iter().rfind(|e| e.at <= now && back.contains(&e.action)).map(|e| e.at);
        self.heard.into_iter().chain(opened).max()
    }

    /// How the unit is heard, for its site.
    fn hearing(&self, now: Timestamp) -> Hearing {
        let state = self.log_state(now);
        let (Some(heard), Some(cadence)) = (self.heard, self.cadence()) else { return Hearing::Unknown };
        if state.closed_since.is_some() || state.visit_since.is_some() {
            return Hearing::Unknown;
        }
        let (age, waited) = (now.millis_since(heard), now.millis_since(self.listening_since(now)));
        if waited > self.silent_after() {
            Hearing::Silent
        } else if age > self.silent_after() {
            Hearing::Unknown
        } else if age > 2 * cadence.max(crate::domain::time::MINUTE) {
            Hearing::Late
        } else {
            Hearing::Heard
        }
    }

    fn held(&self, around: Surroundings, now: Timestamp) -> Option<Held> {
        let state = self.log_state(now);
        if state.closed_since.is_some() {
            Some(Held::Closed)
        } else if state.visit_since.is_some() {
            Some(Held::Visit)
        } else {
            around.silent.then_some(Held::Site)
        }
    }

    /// Brings the alerts up to `now`: takes the signals unless something holds them, says and keeps what changed, and
    /// gathers the news that may be told.
    pub(super) fn watch(
        &mut self,
        rules: &Rules,
        around: Surroundings,
        now: Timestamp,
        effects: &mut Vec<Effect>,
        news: &mut Vec<Untold>,
    ) {
        let held = self.held(around, now);
        let mut changed = self.book.expire(now);
        if held.is_none() {
            changed |= self.take_signals(rules, around, now);
            let may = |kind, at| rules.quiet.may_tell(kind, at, now, &self.spec.zone);
            let told = self.book.tell(now, may);
            changed |= !told.is_empty();
            news.extend(told.into_iter().map(|told| unit_news(&self.spec, told, now)));
        }
        self.say_alerts(held, now, effects);
        if changed {
            effects.push(Effect::Keep { unit: self.spec.id.clone(), book: Box::new(self.book.clone()) });
        }
    }

    fn take_signals(&mut self, rules: &Rules, around: Surroundings, now: Timestamp) -> bool {
        let mut book = std::mem::take(&mut self.book);
        let assessment = self.assessment.clone();
        let mut changed = false;
        let mut evidence = Evidence {
            now,
            spec: &self.spec,
            latest: self.latest.as_ref().filter(|latest| latest.get(Channel::Intensity).is_some()),
            heard: self.heard,
            listening_since: self.listening_since(now),
            unheard_since: self.unheard_since(now).unwrap_or(self.started),
            silent_after: self.silent_after(),
            dark_below: self.dark_below(),
            lit_at: self.lit_at,
            site_late: around.late,
            assessment: assessment.as_deref(),
            signs: &self.signs,
            log: &self.log,
            lead_days: rules.lead_days,
            not_enough_lives: false,
        };
        for kind in Kind::ALL {
            evidence.not_enough_lives = book.live.contains_key(&Kind::CleaningNotEnough);
            let answered = book.live.contains_key(kind).then(|| evidence.answered(*kind)).flatten();
            let signal = evidence.signal(*kind);
            changed |= book.update(*kind, signal, answered, now, || text::text(*kind, &evidence));
        }
        self.book = book;
        changed
    }

    fn say_alerts(&mut self, held: Option<Held>, now: Timestamp, effects: &mut Vec<Effect>) {
        let first_word = self.said.alerts.is_none();
        let said = self.said.alerts.get_or_insert_default();
        let mut any = first_word;
        for kind in Kind::ALL {
            let alert = self.book.live.get(kind).map(|life| Alert::of(&self.spec.id, *kind, life, held, now));
            let mut say = |alert| {
                any = true;
                let statement = Statement::Alert(*kind, alert);
                effects.push(Effect::Say { unit: self.spec.id.clone(), statement });
            };
            match alert {
                Some(alert) if said.get(kind) != Some(&alert) => {
                    said.insert(*kind, alert.clone());
                    say(Some(Box::new(alert)));
                }
                None if said.remove(kind).is_some() || first_word => say(None),
                _ => {}
            }
        }
        if any {
            let statement = Statement::Alerts(said.values().cloned().collect());
            effects.push(Effect::Say { unit: self.spec.id.clone(), statement });
        }
    }

    fn live(&self, around: Surroundings, now: Timestamp) -> impl Iterator<Item = Alert> + '_ {
        let held = self.held(around, now);
        self.book.live.iter().map(move |(kind, life)| Alert::of(&self.spec.id, *kind, life, held, now))
    }
}

impl Engine {
    /// Every live alert, the most urgent first.
    pub fn alerts(&self, now: Timestamp) -> Vec<Live> {
        let mut alerts: Vec<Alert> = self
            .units
            .values()
            .flat_map(|unit| {
                let id = &unit.spec.id;
                let around = self.sites.get(id.site()).map_or_else(Surroundings::default, |site| site.around(id));
                unit.live(around, now)
            })
            .collect();
        let rank = |alert: &Alert| (alert.state == Standing::Held, alert.state != Standing::Raised);
        alerts.sort_by(|a, b| {
            (rank(a), b.level, a.kind, &a.site, &a.unit).cmp(&(rank(b), a.level, b.kind, &b.site, &b.unit))
        });
        let sites = self.sites.iter().filter_map(|(name, site)| site.book.alert(name, now));
        let sites = sites.map(|alert| Live::Site(Box::new(alert)));
        sites.chain(alerts.into_iter().map(|alert| Live::Unit(Box::new(alert)))).collect()
    }

    /// Does what a person asks for with the alerts of a unit: with one kind, or with all that live.
    ///
    /// # Errors
    /// No such alert lives, or the order makes no sense.
    pub fn order(
        &mut self,
        id: &UnitId,
        kind: Option<Kind>,
        order: &Order,
        now: Timestamp,
    ) -> Result<(usize, Vec<Effect>), OrderError> {
        let unit = self.units.get_mut(id).ok_or(OrderError::NoSuchAlert)?;
        let count = unit.book.obey(kind, order, now)?;
        let mut effects = vec![Effect::Keep { unit: id.clone(), book: Box::new(unit.book.clone()) }];
        let around = self.sites.get(id.site()).map_or_else(Surroundings::default, |site| site.around(id));
        let held = unit.held(around, now);
        unit.say_alerts(held, now, &mut effects);
        Ok((count, effects))
    }

    /// The same for the alert of a silent site.
    ///
    /// # Errors
    /// The site is not silent, or the order makes no sense.
    pub fn order_site(
        &mut self,
        name: &str,
        order: &Order,
        now: Timestamp,
    ) -> Result<(usize, Vec<Effect>), OrderError> {
        let site = self.sites.get_mut(name).ok_or(OrderError::NoSuchAlert)?;
        let count = site.book.obey(order, now)?;
        let alert = site.book.alert(name, now);
        site.said = Some(alert.clone());
        let keep = Effect::KeepSite { site: name.to_owned(), book: Box::new(site.book.clone()) };
        Ok((count, vec![keep, Effect::SaySite { site: name.to_owned(), alert: alert.map(Box::new) }]))
    }

    /// The unit whose node was heard least lately, closed ones left out.
    pub fn oldest(&self) -> Option<(UnitId, Option<Timestamp>)> {
        let open = |unit: &&Unit| {
            unit.log
                .iter()
                .rfind(|e| e.action == ServiceAction::Closed)
                .is_none_or(|closed| unit.log.iter().any(|e| e.action == ServiceAction::Opened && e.at >= closed.at))
        };
        self.units.values().filter(open).min_by_key(|unit| unit.heard).map(|unit| (unit.spec.id.clone(), unit.heard))
    }
}

#[cfg(test)]
#[path = "watch_tests.rs"]
mod tests;
