//! The whole lives of the alerts about this moment: light, treatment, silence of a unit and of a site. In the real
//! binary, with a real broker, while a turned clock lets the hours pass.

use fadeline::alert::{Kind, Level, Standing};
use fadeline::domain::time::{DAY, HOUR, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use serde_json::{Value as Json, json};

use super::publish::{collect, request};
use super::world::{Fed, World};

/// Readings come at the even hours.
const START: &str = "2026-06-10T10:41:00Z";
const STEP: i64 = 2 * HOUR;

/// `hour` o'clock and `minutes` of the first day; hours go on beyond 24.
fn at(hour: i64, minutes: i64) -> Timestamp {
    "2026-06-10T00:00:00Z".parse::<Timestamp>().unwrap().plus_millis(hour * HOUR + minutes * MINUTE)
}

fn id(unit: &str) -> UnitId {
    unit.parse().unwrap()
}

/// Readings every two hours for three days from the day before the start; `None`: nothing comes.
fn fed(unit: &str, reading: impl Fn(Reading) -> Option<Reading>) -> Fed {
    let count = 4 * DAY / STEP;
    let readings = (0..count).filter_map(|i| reading(Reading::new(at(-24, 0).plus_millis(i * STEP))));
    Fed::new(id(unit), readings.collect(), Vec::new())
}

fn light(reading: Reading, light: f64) -> Option<Reading> {
    Some(reading.with(Channel::Intensity, light))
}

/// Between 11 and 17 o'clock.
fn then(reading: &Reading) -> bool {
    (at(11, 0)..at(17, 0)).contains(&reading.at)
}

fn dark(unit: &str, lamp_on: f64) -> Fed {
    fed(unit, |reading| {
        let (light, on) = if then(&reading) { (0.0, lamp_on) } else { (21.0, 1.0) };
        Some(reading.with(Channel::Intensity, light).with(Channel::LampOn, on))
    })
}

fn world(units: Vec<Fed>, more: &str) -> World {
    let tables = units.iter().map(|fed| {
        let (site, unit) = (fed.id.site(), fed.id.unit());
        format!(
            "[[unit]]\nsite = \"{site}\"\nunit = \"{unit}\"\nset_point.intensity = 14.0\nreference.intensity = 24.0\n"
        )
    });
    let config = format!("{more}\n{}", tables.collect::<String>());
    let mut world = World::start(START.parse().unwrap(), "UTC", &config, units);
    world.wait("daemon/health", |payload| payload.map(|_| ()));
    world
}

fn wait_condition(world: &mut World, unit: &str, word: &str) {
    world.wait(&format!("{unit}/condition"), |payload| (payload == Some(word.as_bytes())).then_some(()));
}

#[test]
fn no_light_and_too_little_of_it_are_told_at_once_and_apart() {
    let short = |unit| {
        fed(unit, |reading| {
            let low = then(&reading);
            light(reading, if low { 13.0 } else { 21.0 })
        })
    };
    let cut =
        fed("cut/unit", |reading| if then(&reading) || reading.at > at(30, 0) { None } else { light(reading, 21.0) });
    let plain = fed("plain/unit", |reading| {
        let out = then(&reading);
        light(reading, if out { 0.1 } else { 21.0 })
    });
    let units = vec![
        dark("lamp/unit", 1.0),
        dark("power/unit", 0.0),
        plain,
        cut,
        short("short/unit"),
        short("mended/unit"),
        short("visited/unit"),
    ];
    let mut world = world(units, "[alerts]\nquiet_from = \"00:00\"\nquiet_until = \"23:59\"\n");
    world.go_on(at(12, 5));
    wait_condition(&mut world, "lamp/unit", "dark");
    wait_condition(&mut world, "short/unit", "short");
    let short = world.wait_alert(&id("short/unit"), Kind::TreatmentNotAssured, |_| true);
    assert_eq!((short.level, short.state), (Level::Urgent, Standing::Raised));
    assert!(short.says.contains("set point of 14 mW/cm2: treatment is not assured"), "{}", short.says);
    assert!(short.first.contains("boiled as your health authority advises, or other safe water"), "{}", short.first);
    assert!(short.caution.contains("local codes and the health authority"), "{}", short.caution);
    world.wait_alert(&id("mended/unit"), Kind::TreatmentNotAssured, |_| true);
    world.wait_alert(&id("visited/unit"), Kind::TreatmentNotAssured, |_| true);
    no_light_is_told_apart(&mut world);
    a_visit_holds(&mut world);
    // The light is back at 18 o'clock.
    world.go_on(at(18, 5));
    let better = world.wait_alert(&id("lamp/unit"), Kind::NoLight, |alert| alert.says.contains("it saw light again"));
    assert!(better.first.contains("boiled") && !better.says.contains("not assured"), "{better:?}");
    world.wait_alert(&id("short/unit"), Kind::TreatmentNotAssured, |alert| alert.says.contains("over it again"));
    world.log_action(&id("mended/unit"), &json!({"action": "sleeve-cleaned"}));
    world.go_on(at(18, 40));
    world.wait_over(&id("mended/unit"), Kind::TreatmentNotAssured);
    world.go_on(at(22, 10));
    for unit in ["lamp/unit", "power/unit", "plain/unit"] {
        world.wait_over(&id(unit), Kind::NoLight);
    }
    assert!(world.alert(&id("short/unit"), Kind::TreatmentNotAssured).is_some(), "not yet for a day");
    world.go_on(at(42, 10));
    world.wait_over(&id("short/unit"), Kind::TreatmentNotAssured);
    a_power_cut_is_silence(&mut world);
    told(&world);
}

fn no_light_is_told_apart(world: &mut World) {
    world.go_on(at(12, 8));
    let sure = |world: &mut World, unit: &str| {
        let alert = world.wait_alert(&id(unit), Kind::NoLight, |_| true);
        assert_eq!(alert.level, Level::Urgent);
        assert!(alert.says.contains("treatment is not assured"), "{}", alert.says);
        assert!(alert.first.contains("boiled as your health authority advises"), "{}", alert.first);
        (alert.sure, alert.first)
    };
    let (lamp, look) = sure(world, "lamp/unit");
    assert!(lamp.contains("says that the lamp has power") && look.contains("whether the lamp is lit"), "{lamp} {look}");
    let (power, look) = sure(world, "power/unit");
    assert!(power.contains("not a power cut of the whole place") && look.contains("plug and fuse"), "{power} {look}");
    let (plain, _) = sure(world, "plain/unit");
    assert!(plain.contains("cannot be told apart from here"), "{plain}");
    assert_eq!(world.alert(&id("cut/unit"), Kind::NoLight), None, "a power cut is no word about light");
}

fn a_visit_holds(world: &mut World) {
    let unit = id("visited/unit");
    world.log_action(&unit, &json!({"action": "visit-started"}));
    world.wait_alert(&unit, Kind::TreatmentNotAssured, |alert| alert.state == Standing::Held);
    wait_condition(world, "visited/unit", "in-service");
    world.log_action(&unit, &json!({"action": "visit-ended"}));
    world.wait_alert(&unit, Kind::TreatmentNotAssured, |alert| alert.state == Standing::Raised);
}

/// From 30 o'clock on nothing comes of the unit whose place has no power.
fn a_power_cut_is_silence(world: &mut World) {
    let cut = id("cut/unit");
    world.go_on(at(42, 30));
    let alert = world.wait_alert(&cut, Kind::NoReadings, |_| true);
    assert_eq!(alert.level, Level::Notice);
    assert!(alert.says.contains("readings have stopped since 2026-06-11 06:00"), "{}", alert.says);
    assert!(alert.sure.contains("a power cut, the node and its network cannot be told apart"), "{}", alert.sure);
    assert!(alert.caution.contains("no proof that the lamp is lit"), "{}", alert.caution);
    assert_eq!(world.alert(&cut, Kind::NoLight), None);
    wait_condition(world, "cut/unit", "silent");
    // After half a day it is worth telling, after a day it is worse.
    world.go_on(at(54, 45));
    world.wait_alert(&cut, Kind::NoReadings, |alert| alert.level == Level::Warning);
    world.go_on(at(60, 5));
    super::publish::publish_all(world.port(), "gateway", vec![(format!("fadeline/in/{cut}"), b"21.0".to_vec())]);
    world.wait_alert(&cut, Kind::NoReadings, |alert| alert.says.contains("one came again"));
    world.turn(at(63, 10));
    world.wait_over(&cut, Kind::NoReadings);
}

/// Urgent ones at any hour; what can wait is not told in quiet hours, which here last all day.
fn told(world: &World) {
    let mut told = Vec::new();
    while told.len() < 12 {
        told.extend(world.next_told());
    }
    told.sort();
    let want: Vec<String> = [
        ("lamp", "no-light"),
        ("mended", "treatment-not-assured"),
        ("plain", "no-light"),
        ("power", "no-light"),
        ("short", "treatment-not-assured"),
        ("visited", "treatment-not-assured"),
    ]
    .iter()
    .flat_map(|(site, kind)| ["cleared", "raised"].map(|what| format!("{site}/unit: {what} {kind}")))
    .collect();
    assert_eq!(told, want);
}

#[test]
fn a_silent_site_is_one_alert_and_one_thing_on_the_hub() {
    // Both cabins stop after 16 o'clock and come back; the light of one was too little before. Of the other site only
    // one unit stops.
    let silent = |reading: &Reading| (at(17, 0)..at(41, 0)).contains(&reading.at);
    let units = vec![
        fed("heron-bight/boathouse", |reading| {
            let low = then(&reading) && reading.at > at(15, 0);
            if silent(&reading) { None } else { light(reading, if low { 13.0 } else { 21.0 }) }
        }),
        fed("heron-bight/sauna", |reading| if silent(&reading) { None } else { light(reading, 21.0) }),
        fed("mill-cove/smithy", |reading| if silent(&reading) { None } else { light(reading, 21.0) }),
        fed("mill-cove/teal", |reading| light(reading, 21.0)),
    ];
    let mut world = world(units, "[hub]\ndiscovery = \"device\"\nhomie = true\n");
    let site = "homeassistant/device/fadeline_heron-bight__site/config";
    let config = collect(world.port(), "hub", site, |got| !got.is_empty()).remove(0).1;
    let config: Json = serde_json::from_slice(&config).unwrap();
    let entity = &config["components"]["site-silent"];
    assert_eq!(entity["state_topic"], "fadeline/out/heron-bight/_site/alerts");
    world.go_on(at(16, 5));
    world.wait_alert(&id("heron-bight/boathouse"), Kind::TreatmentNotAssured, |_| true);
    world.go_on(at(28, 10));
    let alert =
        world.wait("heron-bight/_site/alert/site-silent", |payload| serde_json::from_slice::<Json>(payload?).ok());
    assert!(
        alert["says"].as_str().unwrap().contains("none of the 2 units of heron-bight has sent a reading"),
        "{alert}"
    );
    let of_hub = |payload: Option<&[u8]>| serde_json::from_slice::<Json>(payload?).ok();
    world.wait("heron-bight/_site/alerts", |payload| {
        of_hub(payload).filter(|summary| summary["open"] == 1 && summary["alerts"]["site-silent"]["state"] == "raised")
    });
    let homie = "homie/5/fadeline-heron-bight/$alert/site-silent";
    assert!(!collect(world.port(), "homie", homie, |got| !got.is_empty())[0].1.is_empty());
    let held = world.wait_alert(&id("heron-bight/boathouse"), Kind::TreatmentNotAssured, |alert| alert.held.is_some());
    assert_eq!(held.state, Standing::Held);
    world.wait_alert(&id("mill-cove/smithy"), Kind::NoReadings, |_| true);
    assert_eq!(world.alert(&id("heron-bight/sauna"), Kind::NoReadings), None, "the site's alert is enough");

    orders_about_the_site(&mut world, entity, &config);
    world.restart();
    world.wait("heron-bight/_site/alert/site-silent", |payload| {
        of_hub(payload).filter(|now| now["since"] == alert["since"] && now["state"] == "acknowledged")
    });
    world.go_on(at(42, 5));
    world.tick();
    world.turn(at(42, 16));
    world.wait("heron-bight/_site/alert/site-silent", |payload| payload.is_none().then_some(()));
    world.wait("heron-bight/_site/alerts", |payload| of_hub(payload).filter(|summary| summary["open"] == 0));
    world.wait_alert(&id("heron-bight/boathouse"), Kind::TreatmentNotAssured, |alert| alert.held.is_none());
    world.wait_over(&id("heron-bight/sauna"), Kind::NoReadings);
}

fn orders_about_the_site(world: &mut World, _: &Json, config: &Json) {
    let answer = "fadeline/out/heron-bight/_site/alert-answer";
    let topic = config["components"]["acknowledge"]["command_topic"].as_str().unwrap();
    let ask = |payload: &str| {
        let got = request(world.port(), topic, payload.as_bytes(), answer);
        serde_json::from_slice::<Json>(&got).unwrap()
    };
    for (payload, piece) in [
        (json!({"do": "silence"}), "needs `until`"),
        (json!({"do": "silence", "until": at(20, 0).to_string()}), "not within the next 366 days"),
        (json!({"do": "acknowledge", "until": "2031-01-01T00:00:00Z"}), "not within the next 366 days"),
        (json!({"do": "acknowledge", "by": "a\u{7}"}), "control characters"),
        (json!({"do": "acknowledge", "note": "x".repeat(3_000)}), "longer than 2000 characters"),
    ] {
        let answer = ask(&payload.to_string());
        assert!(answer["accepted"] == false && answer["says"].as_str().unwrap().contains(piece), "{answer}");
    }
    assert_eq!(ask(config["components"]["acknowledge"]["payload_press"].as_str().unwrap())["accepted"], true);
    world.wait("heron-bight/_site/alert/site-silent", |payload| {
        let alert: Json = serde_json::from_slice(payload?).ok()?;
        (alert["state"] == "acknowledged" && alert["acknowledged"]["by"] == "hub").then_some(())
    });
    let text = world.command(&["alerts"]);
    assert!(text.contains("heron-bight: Site silent (warning, acknowledged)") && text.contains(", by hub"), "{text}");
}
