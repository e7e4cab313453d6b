//! The Homie 5 convention: a root device for the daemon, one device for each site, one node for each unit.
//!
//! All retained; ids of `a-z0-9-`; `$description` with a version that rises with each change, changed only in `init`;
//! no value that is not a number; `$alert/ID` while an alert lives; a device is removed by an empty `$state`.

use serde_json::{Map, Value as Json, json};

use super::{Facet, Kinds, Shown, Value, facets};
use crate::mqtt::encode::Message;

/// Id of the root device, and first part of the sites' ids.
pub const ROOT: &str = "fadeline";

/// Builds the messages.
#[derive(Clone, Debug)]
pub struct Homie<'a> {
    /// First level of the topics, `homie` as a rule.
    pub prefix: &'a str,
    /// Kinds of alerts.
    pub kinds: Kinds<'a>,
}

impl Homie<'_> {
    /// The topic of a device's attribute or of a property.
    fn topic(&self, device: &str, rest: &str) -> String {
        format!("{}/5/{device}/{rest}", self.prefix)
    }

    /// The state of the root device, which stands for all below it.
    pub fn state(&self, device: &str, state: &str) -> Message {
        Message::retained(self.topic(device, "$state"), state)
    }

    /// Every device: `init`, description, `ready`. `version` must be higher than for any earlier, different fleet.
    pub fn all(&self, units: &[Shown], version: u64) -> Vec<Message> {
        let mut sites: Vec<&str> = units.iter().map(|unit| unit.id.site()).collect();
        sites.dedup();
        let children: Vec<String> = sites.iter().map(|site| device_id(site)).collect();
        let root = json!({"homie": "5.0", "version": version, "name": "Fadeline", "children": children});
        let mut messages = self.device(ROOT, &root).to_vec();
        for site in sites {
            let nodes: Map<String, Json> = units
                .iter()
                .filter(|unit| unit.id.site() == site)
                .map(|unit| (unit.id.unit().to_owned(), self.node(unit)))
                .collect();
            let description =
                json!({"homie": "5.0", "version": version, "name": site, "root": ROOT, "parent": ROOT, "nodes": nodes});
            messages.extend(self.device(&device_id(site), &description));
        }
        messages
    }

    fn device(&self, id: &str, description: &Json) -> [Message; 3] {
        [
            Message { topic: self.topic(id, "$state"), payload: b"init".to_vec(), retain: true, ..Message::default() },
            Message::retained(self.topic(id, "$description"), description.to_string()),
            self.state(id, "ready"),
        ]
    }

    fn node(&self, unit: &Shown) -> Json {
        let properties: Map<String, Json> =
            facets(unit, self.kinds).iter().map(|facet| (facet.id.to_owned(), property(facet))).collect();
        json!({"name": unit.name, "properties": properties})
    }

    /// The value of a property; `None` is not published, for Homie has no word for it.
    pub fn value(&self, unit: &Shown, property: &str, value: &str) -> Message {
        let rest = format!("{}/{property}", unit.id.unit());
        Message::retained(self.topic(&device_id(unit.id.site()), &rest), value)
    }

    /// An alert of a unit; `None`: it is over.
    pub fn alert(&self, unit: &Shown, kind: &str, says: Option<&str>) -> Message {
        let rest = format!("$alert/{}-{kind}", unit.id.unit());
        Message::retained(self.topic(&device_id(unit.id.site()), &rest), says.unwrap_or_default())
    }

    /// The alert of a whole site; `None`: it is over. No unit's alert has this id, for `site-silent` names none of its kinds.
    pub fn site_alert(&self, site: &str, kind: &str, says: Option<&str>) -> Message {
        Message::retained(self.topic(&device_id(site), &format!("$alert/{kind}")), says.unwrap_or_default())
    }

    /// Removes a site's device: its state first, then its description.
    pub fn removal(&self, site: &str) -> [Message; 2] {
        let device = device_id(site);
        ["$state", "$description"].map(|rest| Message::retained(self.topic(&device, rest), Vec::new()))
    }
}

/// The device of a site.
pub fn device_id(site: &str) -> String {
    format!("{ROOT}-{site}")
}

fn property(facet: &Facet) -> Json {
    let mut property = json!({"name": facet.name, "settable": false, "retained": true});
    match facet.value {
        Value::Word(words) => {
            property["datatype"] = json!("enum");
            property["format"] = json!(words.join(","));
        }
        Value::Number { unit, .. } => {
            property["datatype"] = json!("float");
            if !unit.is_empty() {
                property["unit"] = json!(unit);
            }
        }
        Value::Date | Value::Text => property["datatype"] = json!("string"),
        Value::Instant => property["datatype"] = json!("datetime"),
        Value::Problem => property["datatype"] = json!("boolean"),
    }
    property
}

#[cfg(test)]
mod tests {
    use super::*;

    const KINDS: Kinds<'static> = &[("no-light", "No light at the sensor")];

    fn shown(unit: &str) -> Shown {
        Shown { id: unit.parse().unwrap(), name: unit.to_owned(), site_name: "x".to_owned(), percent: false }
    }

    #[test]
    fn devices_nodes_and_properties() {
        let homie = Homie { prefix: "homie", kinds: KINDS };
        let all = homie.all(&[shown("heron-bight/boathouse"), shown("heron-bight/sauna"), shown("loon/house")], 7);
        let topics: Vec<&str> = all.iter().map(|m| m.topic.as_str()).collect();
        assert_eq!(topics.len(), 9, "three devices, each init, description, ready");
        assert_eq!(
            topics[3..6],
            [
                "homie/5/fadeline-heron-bight/$state",
                "homie/5/fadeline-heron-bight/$description",
                "homie/5/fadeline-heron-bight/$state",
            ]
        );
        assert!(all.iter().all(|m| m.retain && !m.payload.is_empty()));
        let site: Json = serde_json::from_slice(&all[4].payload).unwrap();
        insta::assert_json_snapshot!("homie_site", site);
    }

    #[test]
    fn values_alerts_and_removal() {
        let homie = Homie { prefix: "homie", kinds: KINDS };
        let unit = shown("heron-bight/boathouse");
        assert_eq!(homie.value(&unit, "condition", "due").topic, "homie/5/fadeline-heron-bight/boathouse/condition");
        let alert = homie.alert(&unit, "no-light", Some("no light reaches the sensor"));
        assert_eq!(alert.topic, "homie/5/fadeline-heron-bight/$alert/boathouse-no-light");
        assert!(homie.alert(&unit, "no-light", None).payload.is_empty());
        let silent = homie.site_alert("heron-bight", "site-silent", None);
        assert_eq!(silent, Message::retained("homie/5/fadeline-heron-bight/$alert/site-silent".to_owned(), ""));
        let [first, second] = homie.removal("loon");
        assert_eq!((first.topic.as_str(), second.payload.len()), ("homie/5/fadeline-loon/$state", 0));
    }
}
