use super::*;

const KINDS: Kinds<'static> = &[("no-light", "No light at the sensor"), ("cleaning-due", "Cleaning due")];

const SILENT: &str = "site-silent";

fn shown(unit: &str, name: &str) -> Shown {
    let (id, site_name) = (format!("heron-bight/{unit}").parse().unwrap(), "Heron Bight".to_owned());
    Shown { id, name: format!("{name}, {site_name}"), site_name, percent: false }
}

fn boathouse() -> Shown {
    shown("boathouse", "Boathouse")
}

fn messages(form: DiscoveryForm) -> Vec<Message> {
    messages_of(form, &[boathouse()])
}

fn messages_of(form: DiscoveryForm, units: &[Shown]) -> Vec<Message> {
    let settings = DiscoverySettings { prefix: "homeassistant".into(), form };
    let topics = Topics::new("fadeline");
    Hub { settings: &settings, topics: &topics, kinds: KINDS, silent: SILENT }.all(units)
}

fn body(message: &Message) -> Json {
    serde_json::from_slice(&message.payload).unwrap()
}

#[test]
fn a_unit_is_one_retained_message_in_the_device_form() {
    let all = messages(DiscoveryForm::Device);
    let topics: Vec<&str> = all.iter().map(|m| m.topic.as_str()).collect();
    let want = ["homeassistant/device/fadeline/config", "homeassistant/device/fadeline_heron-bight_boathouse/config"];
    assert_eq!(topics, want);
    assert!(all.iter().all(|m| m.retain && m.expiry.is_none()));
    let mut whole = body(&all[1]);
    whole["origin"]["sw_version"] = json!("[version]");
    insta::assert_json_snapshot!("device_form", whole);
}

/// Field by field from the convention's checklist (its own documentation, from memory).
#[test]
fn every_entity_keeps_the_rules_of_the_hub() {
    let all = messages_of(DiscoveryForm::Device, &[boathouse(), shown("sauna", "Sauna")]);
    assert_eq!(all.len(), 4, "the daemon, the site, two units");
    let mut ids = std::collections::BTreeSet::new();
    for message in &all {
        let whole = body(message);
        assert!(whole["origin"]["name"].is_string() && whole["device"]["identifiers"].is_array());
        assert!(whole.get("availability_topic").is_none(), "never both forms of availability");
        for (key, entity) in whole["components"].as_object().unwrap() {
            let word = |name: &str| entity.get(name).and_then(Json::as_str).unwrap_or_default().to_owned();
            let unique_id = word("unique_id");
            assert!(unique_id.chars().all(|c| c.is_ascii_alphanumeric() || "_-".contains(c)), "{unique_id}");
            assert!(ids.insert(unique_id.clone()), "{unique_id} twice");
            assert!(!word("name").is_empty(), "{key}");
            match word("platform").as_str() {
                "sensor" => {
                    assert!(!word("state_topic").is_empty());
                    assert!(["", "diagnostic"].contains(&word("entity_category").as_str()));
                    let class = word("device_class");
                    let plain = entity.get("unit_of_measurement").is_none() && entity.get("state_class").is_none();
                    match class.as_str() {
                        "enum" => assert!(plain && entity["options"].is_array(), "{key}"),
                        "date" | "timestamp" => assert!(plain && entity.get("options").is_none(), "{key}"),
                        "irradiance" => assert_eq!(word("unit_of_measurement"), "W/m²"),
                        "duration" => assert!(["d", "h"].contains(&word("unit_of_measurement").as_str())),
                        "data_size" => assert_eq!(word("unit_of_measurement"), "B"),
                        "" => {}
                        other => panic!("{other}"),
                    }
                }
                "binary_sensor" => assert_eq!(word("device_class"), "problem"),
                "button" => {
                    assert!(!word("command_topic").is_empty() && entity.get("state_topic").is_none());
                    let press: Json = serde_json::from_str(&word("payload_press")).unwrap();
                    assert!(press.get("do").is_some() || press.get("action").is_some());
                }
                other => panic!("{other}"),
            }
        }
    }
}

#[test]
fn the_entity_form_says_the_same_one_by_one() {
    let device = messages(DiscoveryForm::Device);
    let single = messages(DiscoveryForm::Entity);
    let count: usize = device.iter().map(|m| body(m)["components"].as_object().unwrap().len()).sum();
    assert_eq!(single.len(), count);
    let clean_by = single.iter().find(|m| m.topic.ends_with("boathouse/clean-by/config")).unwrap();
    assert_eq!(clean_by.topic, "homeassistant/sensor/fadeline_heron-bight_boathouse/clean-by/config");
    let entity = body(clean_by);
    assert_eq!(entity["unique_id"], body(&device[1])["components"]["clean-by"]["unique_id"], "ids never change");
    assert_eq!((&entity["device_class"], entity.get("platform")), (&json!("date"), None));
    assert_eq!(entity["device"], body(&device[1])["device"]);
}

#[test]
fn a_site_of_several_units_is_a_device_of_its_own() {
    let all = messages_of(DiscoveryForm::Device, &[boathouse(), shown("sauna", "Sauna")]);
    let site = all.iter().find(|m| m.topic == "homeassistant/device/fadeline_heron-bight__site/config").unwrap();
    let whole = body(site);
    let silent = &whole["components"]["site-silent"];
    assert_eq!(silent["state_topic"], "fadeline/out/heron-bight/_site/alerts");
    assert_eq!((&silent["device_class"], &silent["platform"]), (&json!("problem"), &json!("binary_sensor")));
    assert_eq!(whole["components"]["acknowledge"]["command_topic"], "fadeline/alert/heron-bight/_site/all");
    assert_eq!(whole["device"]["name"], "Heron Bight");
}

#[test]
fn a_change_of_form_is_handed_over() {
    let settings = DiscoverySettings { prefix: "homeassistant".into(), form: DiscoveryForm::Device };
    let topics = Topics::new("fadeline");
    let hub = Hub { settings: &settings, topics: &topics, kinds: KINDS, silent: SILENT };
    let old = "homeassistant/sensor/fadeline_heron-bight_boathouse/clean-by/config";
    let message = hub.hand_over(old).unwrap();
    assert_eq!(
        (message.topic.as_str(), &*message.payload, message.retain),
        (old, &br#"{"migrate_discovery": true}"#[..], false)
    );
    assert_eq!(hub.hand_over("homeassistant/device/fadeline_heron-bight_sauna/config"), None);
    assert!(removal(old).retain && removal(old).payload.is_empty());
}
