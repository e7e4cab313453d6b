//! The discovery of the widespread smart-home hub, in its two forms: one message for each unit, or one for each entity.
//!
//! The checklist is the convention's own: ids of `[a-zA-Z0-9_-]`, shared availability, `entity_category` only
//! `diagnostic` for sensors, enum sensors with options and neither unit nor state class, retained, removed by an empty
//! payload, and the hand-over from the old form (`migrate_discovery`).

use serde_json::{Map, Value as Json, json};

use super::{BUTTONS, Facet, Kinds, Shown, ShownSite, Value, facets, site_facets, sites};
use crate::mqtt::encode::{ALL_KINDS, Message, OFFLINE, ONLINE, Topics, WHOLE_SITE};
use crate::mqtt::settings::{DiscoveryForm, DiscoverySettings};

/// Assessments come daily, so what is in them is no more to be believed after this long, s.
const EXPIRE_AFTER_SECS: u32 = 50 * 3_600;
/// The daemon refreshes its health each minute.
const HEALTH_EXPIRE_AFTER_SECS: u32 = 300;

/// Builds the messages for one hub.
#[derive(Clone, Debug)]
pub struct Hub<'a> {
    /// How it discovers.
    pub settings: &'a DiscoverySettings,
    /// Our own topics.
    pub topics: &'a Topics,
    /// Kinds of alerts.
    pub kinds: Kinds<'a>,
    /// The kind of the alert that a whole site is silent.
    pub silent: &'static str,
}

/// Where the hub says that it has started.
pub fn status_topic(settings: &DiscoverySettings) -> String {
    format!("{}/status", settings.prefix)
}

impl Hub<'_> {
    /// Everything the hub must be told: the daemon's own device, every site of several units, and every unit.
    pub fn all(&self, units: &[Shown]) -> Vec<Message> {
        let mut messages = self.form(&self.namespace(), &self.daemon_device(), &self.daemon_components());
        for site in sites(units) {
            let (device, components) = (self.site_device(&site), self.site_components(&site));
            messages.extend(self.form(&self.site_object_id(site.id), &device, &components));
        }
        for unit in units {
            messages.extend(self.form(&self.object_id(unit), &self.device(unit), &self.components(unit)));
        }
        messages
    }

    /// First level of our topics as part of ids: two daemons with different prefixes never share one.
    fn namespace(&self) -> String {
        self.topics.prefix().chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect()
    }

    /// `_` is in no id of ours, so this is unique, and it never changes.
    fn object_id(&self, unit: &Shown) -> String {
        format!("{}_{}_{}", self.namespace(), unit.id.site(), unit.id.unit())
    }

    /// Like a unit's, with what stands for a whole site in topics too.
    fn site_object_id(&self, site: &str) -> String {
        format!("{}_{site}_{WHOLE_SITE}", self.namespace())
    }

    fn form(&self, object_id: &str, device: &Json, components: &Map<String, Json>) -> Vec<Message> {
        let prefix = &self.settings.prefix;
        let shared = json!({
            "device": device,
            "origin": {"name": "Fadeline", "sw_version": env!("CARGO_PKG_VERSION")},
            "availability": [{"topic": self.topics.daemon(), "payload_available": ONLINE, "payload_not_available": OFFLINE}],
        });
        match self.settings.form {
            DiscoveryForm::Device => {
                let mut whole = shared;
                whole["qos"] = json!(1);
                whole["components"] = Json::Object(components.clone());
                vec![message(format!("{prefix}/device/{object_id}/config"), &whole)]
            }
            DiscoveryForm::Entity => components
                .iter()
                .map(|(id, component)| {
                    let mut whole = component.clone();
                    let platform = component["platform"].as_str().unwrap_or_default();
                    if let (Json::Object(whole), Json::Object(shared)) = (&mut whole, &shared) {
                        whole.remove("platform");
                        whole.extend(shared.clone());
                        whole.insert("qos".to_owned(), json!(1));
                    }
                    message(format!("{prefix}/{platform}/{object_id}/{id}/config"), &whole)
                })
                .collect(),
        }
    }

    fn device(&self, unit: &Shown) -> Json {
        json!({
            "identifiers": [self.object_id(unit)],
            "name": unit.name,
            "model": "UV disinfection unit",
            "via_device": self.namespace(),
        })
    }

    fn site_device(&self, site: &ShownSite<'_>) -> Json {
        json!({
            "identifiers": [self.site_object_id(site.id)],
            "name": site.name,
            "model": "Site with UV units",
            "via_device": self.namespace(),
        })
    }

    fn daemon_device(&self) -> Json {
        json!({
            "identifiers": [self.namespace()],
            "name": "Fadeline",
            "model": "Watch over UV units",
            "sw_version": env!("CARGO_PKG_VERSION"),
        })
    }

    fn components(&self, unit: &Shown) -> Map<String, Json> {
        let object_id = self.object_id(unit);
        let mut all = Map::new();
        for facet in facets(unit, self.kinds) {
            let topic = self.topics.unit(&unit.id, facet.topic);
            all.insert(facet.id.to_owned(), entity(&facet, &topic, &format!("{object_id}_{}", facet.id)));
        }
        let order = self.topics.order(&unit.id, ALL_KINDS);
        let (id, acknowledge) = acknowledge(&object_id, "Acknowledge alerts", &order);
        all.insert(id, acknowledge);
        for (action, name) in BUTTONS {
            let press = json!({"action": action.name(), "by": "hub"});
            let id = format!("log-{action}");
            let button = button(&format!("{object_id}_{id}"), name, &self.topics.service(&unit.id), &press);
            all.insert(id, button);
        }
        all
    }

    fn site_components(&self, site: &ShownSite<'_>) -> Map<String, Json> {
        let object_id = self.site_object_id(site.id);
        let shown = site_facets(self.silent).into_iter().map(|facet| {
            let topic = self.topics.site(site.id, facet.topic);
            (facet.id.to_owned(), entity(&facet, &topic, &format!("{object_id}_{}", facet.id)))
        });
        let order = self.topics.site_order(site.id);
        shown.chain([acknowledge(&object_id, "Acknowledge alert", &order)]).collect()
    }

    fn daemon_components(&self) -> Map<String, Json> {
        let topic = format!("{}/health", self.topics.daemon());
        let parts = [
            ("units", "Units", "{{ value_json.units }}", None),
            ("readings-in", "Readings since the start", "{{ value_json.readings_in }}", None),
            ("refused", "Refused since the start", "{{ value_json.refused.values() | sum }}", None),
            ("waiting", "Messages waiting", "{{ value_json.outbox }}", None),
            ("store", "Size of the store", "{{ value_json.store_bytes }}", Some(("B", "data_size"))),
            ("alerts", "Live alerts", "{{ value_json.alerts }}", None),
        ];
        let namespace = self.namespace();
        let mut all = Map::new();
        for (id, name, template, unit) in parts {
            let mut entity = json!({
                "platform": "sensor",
                "unique_id": format!("{namespace}_{id}"),
                "name": name,
                "state_topic": topic,
                "value_template": template,
                "entity_category": "diagnostic",
                "state_class": "measurement",
                "expire_after": HEALTH_EXPIRE_AFTER_SECS,
            });
            if let Some((unit, class)) = unit {
                entity["unit_of_measurement"] = json!(unit);
                entity["device_class"] = json!(class);
            }
            all.insert(id.to_owned(), entity);
        }
        all
    }

    /// What hands entities over from `old` topics to the present form: told before the new messages.
    pub fn hand_over(&self, old: &str) -> Option<Message> {
        let device = old.starts_with(&format!("{}/device/", self.settings.prefix));
        let other_form = (self.settings.form == DiscoveryForm::Device) != device;
        let payload = br#"{"migrate_discovery": true}"#.to_vec();
        other_form.then(|| Message { topic: old.to_owned(), payload, ..Message::default() })
    }
}

/// A topic that holds nothing any more: the hub drops what it had from it.
pub fn removal(topic: &str) -> Message {
    Message::retained(topic.to_owned(), Vec::new())
}

fn message(topic: String, payload: &Json) -> Message {
    Message::retained(topic, payload.to_string())
}

fn button(unique_id: &str, name: &str, topic: &str, press: &Json) -> Json {
    json!({
        "platform": "button",
        "unique_id": unique_id,
        "name": name,
        "command_topic": topic,
        "payload_press": press.to_string(),
    })
}

fn acknowledge(object_id: &str, name: &str, order_topic: &str) -> (String, Json) {
    let press = json!({"do": "acknowledge", "by": "hub"});
    ("acknowledge".to_owned(), button(&format!("{object_id}_acknowledge"), name, order_topic, &press))
}

fn entity(facet: &Facet, topic: &str, unique_id: &str) -> Json {
    let platform = if facet.value == Value::Problem { "binary_sensor" } else { "sensor" };
    let mut entity = json!({
        "platform": platform,
        "unique_id": unique_id,
        "name": facet.name,
        "state_topic": topic,
        "value_template": facet.template,
    });
    match facet.value {
        Value::Word(words) => (entity["device_class"], entity["options"]) = (json!("enum"), json!(words)),
        Value::Number { unit, class } => {
            if !unit.is_empty() {
                entity["unit_of_measurement"] = json!(unit);
            }
            if let Some(class) = class {
                entity["device_class"] = json!(class);
            }
            entity["state_class"] = json!("measurement");
        }
        Value::Date => entity["device_class"] = json!("date"),
        Value::Instant => entity["device_class"] = json!("timestamp"),
        Value::Problem => {
            entity["device_class"] = json!("problem");
            entity["json_attributes_topic"] = json!(topic);
            entity["json_attributes_template"] =
                json!(format!("{{{{ (value_json.alerts['{}'] | default({{}})) | tojson }}}}", facet.id));
        }
        Value::Text => {}
    }
    if facet.topic == "assessment" {
        entity["expire_after"] = json!(EXPIRE_AFTER_SECS);
    }
    if facet.diagnostic {
        entity["entity_category"] = json!("diagnostic");
    }
    entity
}

#[cfg(test)]
#[path = "hub_tests.rs"]
mod tests;
