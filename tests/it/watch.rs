//! The main job, once through, with a real broker: readings in, causes and a cleaning date out.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use fadeline::domain::assessment::Assessment;
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId, VerdictCause};
use fadeline::query::{Answer, Query};
use fadeline::scenario::{self, Simulated, export, heron_bight};
use fadeline::store::{Store, settings::StoreSettings};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::{collect, publish_all, publish_counted};

const DAYS: i64 = 200;
const SEED: u64 = 20_260_814;
/// Which of the fleet's stories are told here.
const UNITS: [&str; 4] = ["boathouse", "heron-house", "loon", "wash-house"];

/// The last 200 days of four units of the invented fleet, with a reading every ten minutes.
fn fleet(now: Timestamp) -> Vec<Simulated> {
    heron_bight::fleet(now)
        .into_iter()
        .filter(|resident| UNITS.contains(&resident.spec.id.unit()))
        .map(|resident| {
            let mut plan = resident.plan;
            let from = now.plus_millis(-DAYS * DAY);
            let mut simulated = scenario::simulate(&plan, from, now, 10 * MINUTE);
            simulated.spec.lamp.hours_at_start = simulated.readings.iter().find_map(|r| r.get(Channel::LampHours));
            plan.papers = simulated.spec.clone();
            simulated
        })
        .collect()
}

pub fn payload(reading: &Reading) -> Vec<u8> {
    let mut text = format!("{{\"time\":\"{}\"", reading.at);
    for (channel, value) in reading.channels() {
        write!(text, ",\"{channel}\":{value}").unwrap();
    }
    text.push('}');
    text.into_bytes()
}

fn config(port: u16, fleet: &[Simulated]) -> String {
    let mut config = format!(
        "[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"fadeline-test\"\n\n[store]\npath = \"store\"\n"
    );
    let mut table = toml::Table::new();
    let units = fleet.iter().map(|unit| {
        let mut table = export::unit_toml(&unit.spec).parse::<toml::Table>().unwrap();
        table.remove("zone");
        toml::Value::Table(table)
    });
    table.insert("unit".into(), toml::Value::Array(units.collect()));
    let sites: std::collections::BTreeSet<&str> = fleet.iter().map(|unit| unit.spec.id.site()).collect();
    for site in sites {
        write!(config, "\n[[site]]\nid = \"{site}\"\nzone = \"{}\"\n", heron_bight::ZONE).unwrap();
    }
    write!(config, "\n{table}").unwrap();
    config
}

/// Every reading as a message, in random order with 5 % of them twice.
fn shuffled(fleet: &[Simulated]) -> Vec<(String, Vec<u8>)> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut messages = Vec::new();
    for unit in fleet {
        for reading in &unit.readings {
            let message = (format!("fadeline/in/{}", unit.spec.id), payload(reading));
            if rng.random_bool(0.05) {
                messages.push(message.clone());
            }
            messages.push(message);
        }
    }
    messages.shuffle(&mut rng);
    messages
}

fn service_messages(fleet: &[Simulated]) -> Vec<(String, Vec<u8>)> {
    let of = |unit: &Simulated| {
        let topic = format!("fadeline/service/{}", unit.spec.id);
        unit.log.iter().map(|entry| (topic.clone(), serde_json::to_vec(entry).unwrap())).collect::<Vec<_>>()
    };
    fleet.iter().flat_map(of).collect()
}

/// The retained assessments as a subscriber gets them that comes now, once each rests on all the readings of days that
/// are over.
fn retained(port: u16, fleet: &[Simulated]) -> BTreeMap<UnitId, Assessment> {
    let mut latest: BTreeMap<UnitId, Assessment> = BTreeMap::new();
    let mut seen = 0;
    let complete = |unit: &Simulated, assessment: &Assessment| {
        let day = |at: Timestamp| at.date_in(&unit.spec.zone);
        let over = unit.readings.iter().filter(|reading| day(reading.at) < day(assessment.as_of)).count();
        assessment.readings.total == over as u64
    };
    collect(port, "latecomer", "fadeline/out/+/+/assessment", |got| {
        for (_, payload) in &got[seen..] {
            let assessment: Assessment = serde_json::from_slice(payload).unwrap();
            latest.insert(UnitId::new(&assessment.site, &assessment.unit).unwrap(), assessment);
        }
        seen = got.len();
        fleet.iter().all(|unit| latest.get(&unit.spec.id).is_some_and(|assessment| complete(unit, assessment)))
    });
    latest
}

#[test]
fn readings_in_any_order_through_kills_and_causes_and_dates_out() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("persistence true");
    let port = broker.address().port();
    let now = fadeline::clock::now();
    let fleet = fleet(now);
    assert_eq!(fleet.len(), UNITS.len());
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, &fleet)).unwrap();
    let mut daemon = Daemon::start(&file);
    publish_all(port, "technician", service_messages(&fleet));

    let mut messages = shuffled(&fleet);
    let later = messages.split_off(messages.len() / 2);
    publish_all(port, "gateway", messages);
    // The second half comes in three legs, and in the middle of two of them the daemon is killed.
    let leg = later.len() / 3;
    for (killed, leg) in
        [(true, later[..leg].to_vec()), (true, later[leg..2 * leg].to_vec()), (false, later[2 * leg..].to_vec())]
    {
        let (count, published) = (leg.len(), Arc::new(AtomicUsize::new(0)));
        let counted = Arc::clone(&published);
        let publisher = std::thread::spawn(move || publish_counted(port, "gateway", leg, &counted));
        if killed {
            wait_for("the publisher", || (published.load(Ordering::Relaxed) > count / 3).then_some(()));
            daemon.kill_and_restart();
        }
        publisher.join().unwrap();
    }

    let assessments = retained(port, &fleet);
    causes_and_dates(&fleet, &assessments, now);
    logbooks(&daemon, &fleet);
    assert!(daemon.stop().success(), "SIGTERM ends it with 0:\n{}", daemon.log());
    everything_is_there_once(dir.path(), &fleet);
}

fn causes_and_dates(fleet: &[Simulated], assessments: &BTreeMap<UnitId, Assessment>, now: Timestamp) {
    for unit in fleet {
        let assessment = &assessments[&unit.spec.id];
        let right: &[VerdictCause] = match unit.spec.id.unit() {
            "boathouse" => &[VerdictCause::SleeveFouling],
            "loon" => &[VerdictCause::LampAgeing, VerdictCause::LampOrSensor],
            "wash-house" => &[VerdictCause::SensorDrift, VerdictCause::LampOrSensor],
            _ => &[VerdictCause::None],
        };
        assert!(right.contains(&assessment.verdict.cause), "{}: {:?}", unit.spec.id, assessment.verdict);
        if unit.spec.id.unit() == "boathouse" {
            let today = now.plus_millis(-DAY).date_in(&unit.spec.zone);
            let truth = unit.truth.crossing_from(today).unwrap();
            let clean_by = assessment.forecast.clean_by.unwrap();
            let off = (clean_by - truth).get_days();
            assert!(off.abs() <= 10, "clean by {clean_by}, true crossing {truth}");
        }
    }
}

fn logbooks(daemon: &Daemon, fleet: &[Simulated]) {
    for unit in fleet {
        let Answer::Logbook(entries) = daemon.ask(&Query::Logbook { unit: unit.spec.id.clone() }) else { panic!() };
        assert_eq!(entries.len(), unit.log.len(), "{}", unit.spec.id);
    }
}

fn everything_is_there_once(dir: &std::path::Path, fleet: &[Simulated]) {
    let settings = StoreSettings { path: dir.join("store"), cache_bytes: 64 << 20 };
    let store = wait_for("the store's lock", || Store::open(&settings).ok());
    for unit in fleet {
        let stored = store.readings(&unit.spec.id, Timestamp::MIN, Timestamp::MAX).unwrap();
        assert_eq!(stored.len(), unit.readings.len(), "{}", unit.spec.id);
        assert_eq!(stored, unit.readings, "{}", unit.spec.id);
    }
}
