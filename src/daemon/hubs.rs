//! What hubs are told, beside the contract's topics: discovery, its removal, and the values of Homie.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::alert::site::{SITE_SILENT, SiteAlert};
use crate::alert::{Alert, Kind, Level, Standing};
use crate::config::Config;
use crate::domain::{Assessment, UnitId};
use crate::engine::Statement;
use crate::mqtt::discovery::homie::{Homie, ROOT};
use crate::mqtt::discovery::hub::{self, Hub};
use crate::mqtt::discovery::{AlertLine, AlertSummary, SAYS_MAX_CHARS, Shown};
use crate::mqtt::encode::{Message, Topics};
use crate::mqtt::settings::HubSettings;

/// The name under which is kept what hubs have been told.
pub const TOLD_KEY: &str = "hubs";

/// What hubs and the broker have been told by this daemon or an earlier one, so that it can be taken back.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// Retained discovery topics.
    #[serde(default)]
    pub discovery: BTreeSet<String>,
    /// Units whose retained topics the broker has.
    #[serde(default)]
    pub units: BTreeSet<UnitId>,
    /// The first level of Homie's topics, and the sites told there.
    #[serde(default)]
    pub homie: Option<(String, BTreeSet<String>)>,
    /// The version of Homie's descriptions, and what they described.
    #[serde(default)]
    pub homie_version: u64,
    #[serde(default)]
    homie_fleet: String,
}

/// What the hubs must know.
#[derive(Clone, Debug)]
pub struct Hubs {
    settings: HubSettings,
    units: Vec<Shown>,
    kinds: Vec<(&'static str, &'static str)>,
    told: Told,
}

impl Hubs {
    /// For the units of a config; `told`: by an earlier daemon.
    pub fn new(config: &Config, told: Told) -> Self {
        let name = |site: &str| config.sites.iter().find(|s| s.id == site).and_then(|s| s.name.as_deref());
        let units = config.units.iter().map(|spec| Shown::of(spec, name(spec.id.site()))).collect();
        let kinds = Kind::ALL.iter().map(|kind| (kind.name(), kind.title())).collect();
        Self { settings: config.hub.clone(), units, kinds, told }
    }

    /// What has been told, to be kept.
    pub fn told(&self) -> &Told {
        &self.told
    }

    /// Everything that hubs must be told now, what is to be taken back included.
    pub fn say_all(&mut self, topics: &Topics) -> Vec<Message> {
        let mut messages = self.take_back_units(topics);
        let discovery = self.discovery(topics);
        let now: BTreeSet<String> = discovery.iter().map(|message| message.topic.clone()).collect();
        let old: Vec<String> = self.told.discovery.difference(&now).cloned().collect();
        if let Some(settings) = &self.settings.discovery {
            let hub = Hub { settings, topics, kinds: &self.kinds, silent: SITE_SILENT };
            messages.extend(old.iter().filter_map(|topic| hub.hand_over(topic)));
        }
        messages.extend(discovery);
        messages.extend(old.iter().map(|topic| hub::removal(topic)));
        self.told.discovery = now;
        messages.extend(self.homie_devices());
        messages
    }

    fn discovery(&self, topics: &Topics) -> Vec<Message> {
        let Some(settings) = &self.settings.discovery else { return Vec::new() };
        Hub { settings, topics, kinds: &self.kinds, silent: SITE_SILENT }.all(&self.units)
    }

    /// Clears the retained topics of units that are not in the config any more.
    fn take_back_units(&mut self, topics: &Topics) -> Vec<Message> {
        let now: BTreeSet<UnitId> = self.units.iter().map(|unit| unit.id.clone()).collect();
        let mut messages = Vec::new();
        for gone in self.told.units.difference(&now) {
            let whats = ["assessment", "condition", "clean-by", "alerts"].map(str::to_owned);
            let alerts = self.kinds.iter().map(|(kind, _)| format!("alert/{kind}"));
            messages.extend(whats.into_iter().chain(alerts).map(|what| hub::removal(&topics.unit(gone, &what))));
        }
        let sites: BTreeSet<&str> = now.iter().map(UnitId::site).collect();
        let gone: BTreeSet<&str> =
            self.told.units.iter().map(UnitId::site).filter(|site| !sites.contains(site)).collect();
        for site in gone {
            let whats = ["alerts".to_owned(), format!("alert/{SITE_SILENT}")];
            messages.extend(whats.iter().map(|what| hub::removal(&topics.site(site, what))));
        }
        self.told.units = now;
        messages
    }

    fn homie_devices(&mut self) -> Vec<Message> {
        let sites: BTreeSet<String> = self.units.iter().map(|unit| unit.id.site().to_owned()).collect();
        let mut messages = Vec::new();
        if let Some((prefix, told)) = &self.told.homie {
            let stays = self.settings.homie.as_ref() == Some(prefix);
            let homie = Homie { prefix, kinds: &self.kinds };
            let gone = told.iter().filter(|site| !stays || !sites.contains(*site));
            messages.extend(gone.flat_map(|site| homie.removal(site)));
        }
        let Some(prefix) = self.settings.homie.clone() else {
            self.told.homie = None;
            return messages;
        };
        let fleet = format!("{} {:?}", env!("CARGO_PKG_VERSION"), self.units);
        if self.told.homie_fleet != fleet {
            self.told.homie_version += 1;
            self.told.homie_fleet = fleet;
        }
        let homie = Homie { prefix: &prefix, kinds: &self.kinds };
        messages.extend(homie.all(&self.units, self.told.homie_version));
        self.told.homie = Some((prefix, sites));
        messages
    }

    /// `$state` of Homie's root device, if Homie is spoken.
    pub fn homie_state(&self, state: &str) -> Option<Message> {
        let prefix = self.settings.homie.as_deref()?;
        Some(Homie { prefix, kinds: &self.kinds }.state(ROOT, state))
    }

    /// The same statement for Homie.
    pub fn homie_values(&self, unit: &UnitId, statement: &Statement) -> Vec<Message> {
        let (Some(prefix), Some(shown)) =
            (self.settings.homie.as_deref(), self.units.iter().find(|shown| shown.id == *unit))
        else {
            return Vec::new();
        };
        let homie = Homie { prefix, kinds: &self.kinds };
        match statement {
            Statement::Condition(condition) => vec![homie.value(shown, "condition", condition.name())],
            Statement::CleanBy(date) => vec![homie.value(shown, "clean-by", &or_none(*date))],
            Statement::Assessment(assessment) => values(shown, assessment)
                .into_iter()
                .map(|(property, value)| homie.value(shown, property, &value))
                .collect(),
            Statement::Alerts(alerts) => {
                let summary = summary(alerts);
                let mut messages = vec![
                    homie.value(shown, "open-alerts", &summary.open.to_string()),
                    homie.value(shown, "says", if summary.says.is_empty() { "nothing" } else { &summary.says }),
                ];
                for (kind, _) in &self.kinds {
                    let lives = summary.alerts.contains_key(*kind).to_string();
                    messages.push(homie.value(shown, kind, &lives));
                }
                messages
            }
            Statement::Alert(kind, alert) => {
                let says = alert.as_ref().map(|alert| alert.says.as_str());
                vec![homie.alert(shown, kind.name(), says)]
            }
        }
    }
}

impl Hubs {
    /// The alert of a whole site for Homie, if that is spoken.
    pub fn homie_site(&self, site: &str, alert: Option<&SiteAlert>) -> Option<Message> {
        let homie = Homie { prefix: self.settings.homie.as_deref()?, kinds: &self.kinds };
        Some(homie.site_alert(site, SITE_SILENT, alert.map(|alert| alert.says.as_str())))
    }
}

fn or_none(date: Option<jiff::civil::Date>) -> String {
    date.map_or_else(|| "none".to_owned(), |date| date.to_string())
}

/// What an assessment says, by property; what it does not say is left out, for Homie has no word for that.
fn values(shown: &Shown, assessment: &Assessment) -> Vec<(&'static str, String)> {
    let mut values = vec![
        ("cause", assessment.verdict.cause.name().to_owned()),
        ("lamp-by", or_none(assessment.forecast.lamp_by)),
        ("sensor-by", or_none(assessment.forecast.sensor_by)),
        ("as-of", assessment.as_of.to_string()),
        ("days", assessment.readings.days.to_string()),
    ];
    if let Some(reading) = &assessment.reading {
        let scale = if shown.percent { 1.0 } else { 10.0 };
        values.push(("intensity", format!("{:.2}", scale * reading.intensity)));
    }
    values.extend(assessment.loss.as_ref().map(|loss| ("loss", format!("{:.1}", loss.total.percent))));
    let hours = assessment.parts.iter().find(|part| part.part == "lamp").and_then(|part| part.age_hours);
    values.extend(hours.map(|hours| ("lamp-hours", format!("{hours:.0}"))));
    values
}

/// The alerts of a unit that want somebody, in one object.
pub fn summary(alerts: &[Alert]) -> AlertSummary {
    let wanting = |alert: &&Alert| matches!(alert.state, Standing::Raised | Standing::Acknowledged);
    let open: Vec<&Alert> = alerts.iter().filter(wanting).collect();
    let line = |alert: &&Alert| {
        let texts = [&alert.says, &alert.first, &alert.caution];
        (alert.kind.name().to_owned(), line(alert.level, alert.state, texts))
    };
    let first =
        open.iter().min_by_key(|alert| (alert.state != Standing::Raised, std::cmp::Reverse(alert.level), alert.kind));
    AlertSummary {
        open: open.iter().filter(|alert| alert.state == Standing::Raised).count(),
        worst: open.iter().map(|alert| alert.level).max().map(|level| level.name().to_owned()),
        says: first.map(|alert| shorten(&alert.says)).unwrap_or_default(),
        alerts: open.iter().map(line).collect(),
    }
}

/// The same of a whole site.
pub fn site_summary(alert: Option<&SiteAlert>) -> AlertSummary {
    let wanting = |alert: &&SiteAlert| matches!(alert.state, Standing::Raised | Standing::Acknowledged);
    let Some(alert) = alert.filter(wanting) else { return AlertSummary::default() };
    let line = line(alert.level, alert.state, [&alert.says, &alert.first, &alert.caution]);
    AlertSummary {
        open: usize::from(alert.state == Standing::Raised),
        worst: Some(alert.level.name().to_owned()),
        says: shorten(&alert.says),
        alerts: [(alert.kind.clone(), line)].into(),
    }
}

fn line(level: Level, state: Standing, [says, first, caution]: [&String; 3]) -> AlertLine {
    let state = if state == Standing::Raised { "raised" } else { "acknowledged" };
    AlertLine {
        level: level.name().to_owned(),
        state: state.to_owned(),
        says: says.clone(),
        first: first.clone(),
        caution: caution.clone(),
    }
}

fn shorten(text: &str) -> String {
    if text.chars().count() <= SAYS_MAX_CHARS {
        return text.to_owned();
    }
    text.chars().take(SAYS_MAX_CHARS - 1).chain(['…']).collect()
}
