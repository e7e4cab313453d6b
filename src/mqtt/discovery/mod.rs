//! What hubs are told to show of the fleet: the discovery of the widespread smart-home hub, and Homie 5. PURE.
//!
//! Both are built from one list of [`Facet`]s, so that they show the same. Ids follow from the units' ids and never
//! change; names may.

pub mod homie;
pub mod hub;

use serde::{Deserialize, Serialize};

use crate::domain::{IntensityUnit, ServiceAction, UnitId, UnitSpec};

/// Payload by which the hub says that it has just started.
pub const HUB_ONLINE: &[u8] = b"online";

/// The service actions that get a button: the commonest.
pub const BUTTONS: [(ServiceAction, &str); 5] = [
    (ServiceAction::SleeveCleaned, "Sleeve cleaned"),
    (ServiceAction::SensorCleaned, "Sensor window wiped"),
    (ServiceAction::LampReplaced, "Lamp replaced"),
    (ServiceAction::VisitStarted, "Visit started"),
    (ServiceAction::VisitEnded, "Visit ended"),
];

/// A unit as a hub shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    /// Which.
    pub id: UnitId,
    /// Its name for people.
    pub name: String,
    /// Its site's name for people.
    pub site_name: String,
    /// Whether its intensity is in percent.
    pub percent: bool,
}

impl Shown {
    /// A unit as its owner described it; `site_name`: its site's name for people, if there is one.
    pub fn of(spec: &UnitSpec, site_name: Option<&str>) -> Self {
        let unit = spec.name.clone().unwrap_or_else(|| spec.id.unit().to_owned());
        let site = site_name.unwrap_or(spec.id.site());
        Self {
            id: spec.id.clone(),
            name: format!("{unit}, {site}"),
            site_name: site.to_owned(),
            percent: spec.sensor.unit == IntensityUnit::Percent,
        }
    }
}

/// The alerts of a unit in one retained object: what a hub shows, for topics that are empty say nothing after a restart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlertSummary {
    /// How many want somebody.
    pub open: usize,
    /// The worst level of them.
    pub worst: Option<String>,
    /// What the most urgent says, at most 250 characters: a hub's state holds 255.
    pub says: String,
    /// The alerts that want somebody, by kind.
    pub alerts: std::collections::BTreeMap<String, AlertLine>,
}

/// One alert in an [`AlertSummary`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlertLine {
    /// `notice`, `warning` or `urgent`.
    pub level: String,
    /// `raised` or `acknowledged`.
    pub state: String,
    /// What is known.
    pub says: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
}

/// The longest [`AlertSummary::says`], characters.
pub const SAYS_MAX_CHARS: usize = 250;

/// What a facet's value is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Value {
    /// One of some words.
    Word(&'static [&'static str]),
    /// A number with a unit and, for the hub, a device class.
    Number {
        /// The unit as the hub spells it.
        unit: &'static str,
        /// The hub's device class.
        class: Option<&'static str>,
    },
    /// A date or `none`.
    Date,
    /// An instant.
    Instant,
    /// Yes or no; yes is a problem.
    Problem,
    /// A text.
    Text,
}

/// One thing that is shown of a unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Facet {
    /// Its id, `a-z0-9-`.
    pub id: &'static str,
    /// Its name for people.
    pub name: &'static str,
    /// The last level of the topic it comes from.
    pub topic: &'static str,
    /// Where in that topic's JSON: a template of the hub's language over `value_json` (or `value`).
    pub template: String,
    /// What it is.
    pub value: Value,
    /// Of interest to who looks after the system, not to who lives with it.
    pub diagnostic: bool,
}

/// A site as a hub shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShownSite<'a> {
    /// Which.
    pub id: &'a str,
    /// Its name for people.
    pub name: &'a str,
}

/// The sites of two or more units (in order of their ids): those whose silence is an alert of its own.
pub fn sites(units: &[Shown]) -> Vec<ShownSite<'_>> {
    let of_one_site = units.chunk_by(|one, other| one.id.site() == other.id.site());
    of_one_site
        .filter_map(|units| match units {
            [first, _, ..] => Some(ShownSite { id: first.id.site(), name: &first.site_name }),
            _ => None,
        })
        .collect()
}

/// Everything that is shown of a site: `silent` is its alert's kind.
pub fn site_facets(silent: &'static str) -> Vec<Facet> {
    let facet =
        |id, name, template: String, value| Facet { id, name, topic: "alerts", template, value, diagnostic: false };
    let lives = format!("{{{{ 'ON' if value_json.alerts['{silent}'] is defined else 'OFF' }}}}");
    vec![
        facet(silent, "Site silent", lives, Value::Problem),
        facet("says", "What to do", "{{ value_json.says }}".to_owned(), Value::Text),
    ]
}

/// The words of the conditions.
pub const CONDITIONS: &[&str] =
    &["dark", "short", "silent", "due", "fading", "learning", "steady", "in-service", "closed"];
/// The words of the verdict's causes.
pub const CAUSES: &[&str] = &[
    "sleeve-fouling",
    "lamp-ageing",
    "sensor-drift",
    "lamp-or-sensor",
    "water-quality",
    "unexplained",
    "none",
    "unsettled",
];

/// Kinds of alerts with their names for people, the most urgent first.
pub type Kinds<'a> = &'a [(&'static str, &'static str)];

/// Everything that is shown of a unit.
pub fn facets(shown: &Shown, kinds: Kinds<'_>) -> Vec<Facet> {
    let facet = |id, name, topic, template: &str, value| Facet {
        id,
        name,
        topic,
        template: template.to_owned(),
        value,
        diagnostic: false,
    };
    let percent = Value::Number { unit: "%", class: None };
    let (intensity, template) = if shown.percent {
        (percent, "{{ value_json.reading.intensity if value_json.reading else none }}")
    } else {
        // The hub knows W/m2, and 1 mW/cm2 is 10 of them.
        let irradiance = Value::Number { unit: "W/m²", class: Some("irradiance") };
        (irradiance, "{{ (value_json.reading.intensity * 10) | round(2) if value_json.reading else none }}")
    };
    let mut all = vec![
        facet("condition", "Condition", "condition", "{{ value }}", Value::Word(CONDITIONS)),
        facet("clean-by", "Clean by", "clean-by", "{{ none if value == 'none' else value }}", Value::Date),
        facet("cause", "Main cause", "assessment", "{{ value_json.verdict.cause }}", Value::Word(CAUSES)),
        facet("intensity", "Intensity at the last assessment", "assessment", template, intensity),
        facet(
            "loss",
            "Light lost",
            "assessment",
            "{{ value_json.loss.total.percent | round(1) if value_json.loss else none }}",
            percent,
        ),
        facet("lamp-by", "New lamp by", "assessment", "{{ value_json.forecast.lamp_by }}", Value::Date),
        facet("sensor-by", "New sensor by", "assessment", "{{ value_json.forecast.sensor_by }}", Value::Date),
        facet("says", "What to do", "alerts", "{{ value_json.says }}", Value::Text),
        facet("open-alerts", "Open alerts", "alerts", "{{ value_json.open }}", Value::Number { unit: "", class: None }),
    ];
    all.extend(kinds.iter().map(|(id, name)| {
        let template = format!("{{{{ 'ON' if value_json.alerts['{id}'] is defined else 'OFF' }}}}");
        Facet { id, name, topic: "alerts", template, value: Value::Problem, diagnostic: false }
    }));
    let diagnostic = [
        facet("as-of", "Assessed", "assessment", "{{ value_json.as_of }}", Value::Instant),
        facet(
            "days",
            "Days with usable readings",
            "assessment",
            "{{ value_json.readings.days }}",
            Value::Number { unit: "d", class: Some("duration") },
        ),
        facet(
            "lamp-hours",
            "Lamp hours",
            "assessment",
            "{{ (value_json.parts | selectattr('part', 'eq', 'lamp') | map(attribute='age_hours') | list | first) \
             if value_json.parts else none }}",
            Value::Number { unit: "h", class: Some("duration") },
        ),
    ];
    all.extend(diagnostic.map(|facet| Facet { diagnostic: true, ..facet }));
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{Condition, VerdictCause};

    #[test]
    fn the_words_are_the_domains() {
        let conditions: Vec<&str> = Condition::ALL.iter().map(|word| word.name()).collect();
        assert_eq!(conditions, CONDITIONS);
        let causes: Vec<&str> = VerdictCause::ALL.iter().map(|word| word.name()).collect();
        assert_eq!(causes, CAUSES);
    }

    #[test]
    fn ids_are_distinct() {
        let shown = Shown {
            id: "heron-bight/boathouse".parse().unwrap(),
            name: "x".into(),
            site_name: "y".into(),
            percent: false,
        };
        let mut ids: Vec<&str> = facets(&shown, &[("no-light", "No light")]).iter().map(|f| f.id).collect();
        let count = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), count);
        assert!(ids.iter().all(|id| crate::domain::id::check_id(id).is_ok()));
    }
}
