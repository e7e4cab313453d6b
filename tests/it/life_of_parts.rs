//! The whole lives of the alerts about sensors and parts: in the real binary, with a real broker, while a turned clock
//! lets the days pass.

use fadeline::alert::{Kind, Level, Standing};
use fadeline::domain::time::{DAY, HOUR};
use fadeline::domain::{Channel, Reading, ServiceAction, ServiceEntry, Timestamp, UnitId};
use serde_json::json;

use super::world::{Fed, World};

const ZONE: &str = "Europe/Vienna";
/// 10:41 there; readings come at the even hours of UTC.
const START: &str = "2026-06-10T08:41:00Z";
const STEP: i64 = 2 * HOUR;
const DAYS: i64 = 8;

fn start() -> Timestamp {
    START.parse().unwrap()
}

/// `hour` o'clock of UTC, `days` after the start.
fn at(days: i64, hour: i64) -> Timestamp {
    "2026-06-10T00:00:00Z".parse::<Timestamp>().unwrap().plus_millis(days * DAY + hour * HOUR)
}

fn id(site: &str) -> UnitId {
    UnitId::new(site, "unit").unwrap()
}

/// Readings every two hours from `history` days before the start.
fn fed(site: &str, history: i64, reading: impl Fn(Reading, i64) -> Reading) -> Fed {
    let count = (history + DAYS) * DAY / STEP;
    let readings = (0..count).map(|i| reading(Reading::new(at(-history, 0).plus_millis(i * STEP)), i));
    Fed::new(id(site), readings.collect(), Vec::new())
}

/// Light of a unit at work, with the noise of a sensor.
fn light(i: i64) -> f64 {
    21.0 + ((i * 7_919) % 31) as f64 / 100.0
}

fn lit(reading: Reading, i: i64) -> Reading {
    reading.with(Channel::Intensity, light(i))
}

/// Water is drawn in every third reading.
fn draws(i: i64, peak: f64) -> f64 {
    if i % 3 == 0 { peak * (0.7 + ((i * 13) % 30) as f64 / 100.0) } else { 0.0 }
}

fn logged(mut fed: Fed, entries: &[(&str, ServiceAction)]) -> Fed {
    fed.log = entries.iter().map(|(time, action)| ServiceEntry::new(time.parse().unwrap(), *action)).collect();
    fed
}

fn world(units: Vec<(Fed, &str)>, more: &str) -> World {
    let tables = units.iter().map(|(fed, papers)| {
        format!(
            "[[unit]]\nsite = \"{}\"\nunit = \"unit\"\nset_point.intensity = 14.0\nreference.intensity = 24.0\n{papers}\n",
            fed.id.site()
        )
    });
    let config = tables.collect::<String>() + more;
    let mut world = World::start(start(), ZONE, &config, units.into_iter().map(|(fed, _)| fed).collect());
    world.wait_assessed(start());
    world
}

/// A current loop; where there is no light in the reading its wire is broken.
fn loop_current(_: &UnitId, reading: &Reading) -> (String, Vec<u8>) {
    let current = reading.get(Channel::Intensity).map_or(0.4, |light| 4.0 + 16.0 * light / 40.0);
    let time = reading.at.as_millis() as f64 / 1_000.0;
    ("wiring/loop".to_owned(), json!([{"n": "uv-loop", "t": time, "v": current}]).to_string().into_bytes())
}

#[test]
fn a_doubtful_sensor_is_told_by_what_makes_it_so() {
    let stuck = fed("stuck", 6, |reading, i| {
        let same = (at(0, 10)..at(2, 10)).contains(&reading.at);
        reading.with(Channel::Intensity, if same { 21.07 } else { light(i) })
    });
    let high = fed("high", 6, |reading, i| {
        let high = (at(-1, 22)..at(3, 10)).contains(&reading.at);
        reading.with(Channel::Intensity, light(i) + if high { 7.5 } else { 0.0 })
    });
    let mute = fed("mute", 6, |reading, i| {
        let mute = (at(0, 12)..at(2, 12)).contains(&reading.at);
        if mute { reading.with(Channel::Flow, 0.0) } else { lit(reading, i) }
    });
    let mut wiring = fed("wiring", 6, |reading, i| {
        let broken = (at(0, 12)..at(1, 12)).contains(&reading.at);
        if broken { reading } else { lit(reading, i) }
    });
    wiring.sends = loop_current;
    let source = "[[source]]\ntopic = \"wiring/loop\"\nunit = \"wiring/unit\"\n[[source.channel]]\nchannel = \
                  \"intensity\"\nrecord = \"uv-loop\"\nat_4_ma = 0.0\nat_20_ma = 40.0\n";
    let units = vec![(fed("ratio", 6, lit), ""), (stuck, ""), (high, ""), (mute, ""), (wiring, "")];
    let mut world = world(units, source);
    assert_eq!(world.alerts(), Vec::<String>::new());

    world.log_action(&id("ratio"), &json!({"action": "reference-check", "value": 16.0}));
    let ratio = world.wait_alert(&id("ratio"), Kind::SensorDoubtful, |_| true);
    assert!(ratio.says.contains("1.31 times") || ratio.says.contains("1.32 times"), "{}", ratio.says);
    assert_eq!((ratio.level, ratio.state), (Level::Warning, Standing::Raised));
    assert!(ratio.sure.contains("a reference sensor tells for certain"), "{}", ratio.sure);
    assert!(ratio.caution.contains("hides a lack of light"), "{}", ratio.caution);
    world.close_day();
    let mute = world.wait_alert(&id("mute"), Kind::SensorDoubtful, |_| true);
    assert!(mute.says.contains("no intensity comes with it"), "{}", mute.says);
    world.log_action(&id("ratio"), &json!({"action": "sensor-replaced"}));
    world.wait_over(&id("ratio"), Kind::SensorDoubtful);

    world.close_day();
    let says = |world: &mut World, site: &str| world.wait_alert(&id(site), Kind::SensorDoubtful, |_| true).says;
    assert!(says(&mut world, "stuck").contains("one and the same value for hours"));
    assert!(says(&mut world, "wiring").contains("a broken wire, a short or a failed transmitter"));
    let high = says(&mut world, "high");
    assert!(high.contains("the sensor reads 119 % of what it read") || high.contains("reads 118 %"), "{high}");
    // The signs stand in no assessment: a restart must not take them for gone, though the log has an answer.
    world.go_on(at(2, 12));
    world.log_action(&id("high"), &json!({"action": "reference-check", "value": 28.0}));
    world.close_day();
    world.restart();
    world.go_on(at(3, 1));
    assert!(world.alert(&id("high"), Kind::SensorDoubtful).is_some());
    assert!(world.alert(&id("stuck"), Kind::SensorDoubtful).is_some());
    for _ in 3..6 {
        world.close_day();
    }
    world.go_on(at(6, 2));
    for site in ["stuck", "high", "mute", "wiring"] {
        world.wait_over(&id(site), Kind::SensorDoubtful);
    }
}

/// Units with parts whose time has come.
fn worn() -> Vec<(Fed, &'static str)> {
    use ServiceAction as A;
    let lamp = fed("lamp", 6, |reading, i| {
        let hours = if reading.at < at(1, 10) {
            17_550.0 + 2.0 * i as f64
        } else {
            reading.at.millis_since(at(1, 10)) as f64 / HOUR as f64
        };
        lit(reading, i).with(Channel::LampHours, hours)
    });
    // The lamp burns half of the day, and its node has no counter.
    let counted = fed("counted", 30, |reading, i| {
        let on = (4..16).contains(&(i * 2 % 24));
        reading.with(Channel::Intensity, if on { light(i) } else { 0.0 }).with(Channel::LampOn, f64::from(u8::from(on)))
    });
    let paddle = fed("paddle", 6, |reading, i| {
        lit(reading, i).with(Channel::Flow, if reading.at < at(1, 10) { 7.0 } else { draws(i, 12.0) })
    });
    let peak = fed("peak", 40, |reading, i| {
        lit(reading, i).with(Channel::Flow, draws(i, if reading.at < at(-20, 0) { 20.0 } else { 12.0 }))
    });
    let pressure = fed("pressure", 40, |reading, i| {
        let drop = if reading.at < at(-20, 0) { 20.0 } else { 41.0 };
        let lit = lit(reading, i).with(Channel::Flow, draws(i, 12.0));
        lit.with(Channel::PressureIn, 350.0).with(Channel::PressureOut, 350.0 - drop)
    });
    let filters =
        [("2025-06-15T10:00:00Z", A::SedimentFilterReplaced), ("2025-06-12T10:00:00Z", A::CarbonFilterReplaced)];
    vec![
        (lamp, "lamp.hours_at_start = 17550"),
        (counted, "lamp.hours_at_start = 17500"),
        (fed("sleeve", 6, lit), "sleeve.installed = 2021-06-01"),
        (fed("sensor", 6, lit), "sensor.installed = 2021-06-20"),
        (logged(fed("filters", 6, lit), &filters), ""),
        (logged(fed("meter", 6, lit), &[("2024-06-15T10:00:00Z", A::FlowSensorCalibrated)]), ""),
        (paddle, ""),
        (peak, ""),
        (pressure, ""),
    ]
}

#[test]
fn a_part_at_its_limit_is_told_until_it_is_changed() {
    let mut world = world(worn(), "");
    let wanted = [
        ("lamp", Level::Notice, "lamp due 2026-06-"),
        ("counted", Level::Notice, "lamp due 2026-06-2"),
        ("sleeve", Level::Warning, "sleeve due 2026-06-0"),
        ("sensor", Level::Notice, "sensor due 2026-06-2"),
        ("filters", Level::Notice, "carbon-filter due 2026-06-12: 1 year, or when the flow drops (common practice"),
        ("meter", Level::Notice, "flow-sensor due 2026-06-15: calibration every 2 years"),
        ("paddle", Level::Notice, "its paddle may be stuck"),
        ("peak", Level::Notice, "the peak flow has fallen by 40 %"),
        ("pressure", Level::Notice, "the pressure across them is 2.0 times"),
    ];
    for (site, level, says) in wanted {
        let alert = world.wait_alert(&id(site), Kind::PartLimit, |_| true);
        assert!(alert.level == level && alert.says.contains(says), "{site} {:?}: {}", alert.level, alert.says);
        let default = alert.says.contains("common practice");
        assert_eq!(alert.sure.contains("default of ours: the unit's papers win"), default, "{}", alert.sure);
        assert!(alert.caution.contains("power off") && alert.first.contains("log the change"), "{alert:?}");
    }
    hours_are_counted(&mut world);
    it_escalates_with_a_second_part(&mut world);
    for (site, action) in [
        ("sensor", "sensor-replaced"),
        ("filters", "sediment-filter-replaced"),
        ("meter", "flow-sensor-calibrated"),
        ("peak", "sediment-filter-replaced"),
        ("pressure", "carbon-filter-replaced"),
    ] {
        world.log_action(&id(site), &json!({"action": action}));
        if site != "filters" {
            world.wait_over(&id(site), Kind::PartLimit);
        }
    }
    let filters = world.wait_alert(&id("filters"), Kind::PartLimit, |alert| !alert.says.contains("sediment"));
    assert!(filters.says.starts_with("carbon-filter due 2026-06-12"), "{}", filters.says);
    world.log_action(&id("filters"), &json!({"action": "carbon-filter-replaced"}));
    world.wait_over(&id("filters"), Kind::PartLimit);
    world.go_on(at(1, 11));
    world.log_action(&id("lamp"), &json!({"action": "lamp-replaced", "time": at(1, 10).to_string()}));
    world.log_action(&id("counted"), &json!({"action": "lamp-replaced", "time": at(1, 10).to_string()}));
    world.log_action(&id("paddle"), &json!({"action": "flow-sensor-replaced", "time": at(1, 10).to_string()}));
    world.close_day();
    world.close_day();
    for site in ["lamp", "counted", "paddle"] {
        world.wait_over(&id(site), Kind::PartLimit);
    }
}

/// Twelve hours a day for thirty days and the morning of the last, on top of those at the start.
fn hours_are_counted(world: &mut World) {
    let assessment = world.wait_assessment(&id("counted"), |_| true);
    let lamp = assessment.parts.iter().find(|part| part.part == "lamp").unwrap();
    let hours = lamp.age_hours.unwrap();
    assert!((hours - 17_860.0).abs() <= 12.0, "{hours}");
    let days = (lamp.due.unwrap() - start().date_in(&world.zone)).get_days();
    assert!((11..=13).contains(&days), "140 h at twelve a day: {days}");
}

fn it_escalates_with_a_second_part(world: &mut World) {
    let sleeve = id("sleeve");
    let before = world.wait_alert(&sleeve, Kind::PartLimit, |_| true);
    let order = json!({"do": "acknowledge", "by": "Ana", "until": at(5, 0).to_string()});
    assert_eq!(world.order(&sleeve, "all", &order)["accepted"], true);
    world.wait_alert(&sleeve, Kind::PartLimit, |alert| alert.state == Standing::Acknowledged);
    // Somebody remembers when the filter was changed.
    world.log_action(&sleeve, &json!({"action": "sediment-filter-replaced", "time": "2025-06-01T10:00:00Z"}));
    let after = world.wait_alert(&sleeve, Kind::PartLimit, |alert| alert.says.contains("sediment-filter due"));
    assert_eq!((after.state, after.since), (Standing::Raised, before.since), "worse than what was acknowledged");
    world.log_action(&sleeve, &json!({"action": "sleeve-replaced"}));
    world.log_action(&sleeve, &json!({"action": "sediment-filter-replaced"}));
    world.wait_over(&sleeve, Kind::PartLimit);
}
