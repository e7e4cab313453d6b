//! A great fleet at its real rate: 10,000 units, one reading a minute each, for some minutes, with as many assessments
//! as such a fleet needs (each unit once a day, spread evenly): what the daemon takes of a core and of memory.
//! `FADELINE_FLEET_MINUTES=10 FADELINE_FLEET_UNITS=2000 cargo bench -- fleet` measures longer, and a smaller fleet.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use fadeline::analysis::Constants;
use fadeline::clock;
use fadeline::daemon::assess::{Job, assess};
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Assessment, Channel, DaySummary, Reading, Timestamp, UnitId, UnitSpec};
use fadeline::store::Store;
use rumqttc::v5::mqttbytes::QoS;

use super::intake::{Broker, Fadeline, MOSQUITTO, Publisher};
use super::store::open;
use super::table::Row;

const UNITS: u64 = 10_000;
const MINUTES: u64 = 3;
/// Of history that every assessment rests on.
const DAYS: i64 = 90;
/// How often the publisher hands over what is due.
const BEAT: Duration = Duration::from_millis(100);
/// Kernel ticks a second of /proc/PID/stat (USER_HZ, 100 on Linux for all but old alphas; from memory).
const TICKS: f64 = 100.0;

/// CPU and memory of the daemon; the reason why not, if it cannot be measured.
pub fn run() -> Result<Vec<Row>, String> {
    let program =
        MOSQUITTO.into_iter().find(|path| Path::new(path).exists()).ok_or("skipped: mosquitto is not installed")?;
    let given = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let minutes = given("FADELINE_FLEET_MINUTES").unwrap_or(MINUTES);
    let units = given("FADELINE_FLEET_UNITS").unwrap_or(UNITS) as usize;
    let broker = Broker::start(program);
    let config = broker.folder().join("fadeline.toml");
    fs::write(&config, config_text(broker.port(), units)).expect("a config file");
    history(&open(&broker.folder().join("store")), units);
    let begun = Instant::now();
    let daemon = Fadeline::start(&config);
    super::intake::wait_for("the daemon", || (daemon.latest().len() == units).then_some(()));
    let started = begun.elapsed().as_secs_f64();
    let megabytes = |key| super::intake::memory_mb(daemon.pid(), key);
    let first = megabytes("VmRSS:");
    let (before, since) = (cpu_seconds(daemon.pid()), Instant::now());
    let sent = publish(broker.port(), Duration::from_secs(60 * minutes), units);
    let (cpu, seconds) = (cpu_seconds(daemon.pid()) - before, since.elapsed().as_secs_f64());
    let name = format!(
        "fleet: {units} units, {:.0} readings/s, {:.2} assessments/s",
        sent as f64 / seconds,
        assessments_a_second(units)
    );
    Ok(vec![
        Row::new(name, cpu / seconds, "cores").goal("< 0.5"),
        Row::new("fleet: resident, at its most", megabytes("VmHWM:"), "MB").goal("< 500"),
        Row::new("fleet: resident at the first answer", first, "MB"),
        Row::new("fleet: resident at the end", megabytes("VmRSS:"), "MB"),
        Row::new("fleet: from the start to the first answer", started, "s"),
    ])
}

fn assessments_a_second(units: usize) -> f64 {
    units as f64 / 86_400.0
}

pub fn id(unit: usize) -> UnitId {
    UnitId::new(&format!("site-{}", unit / 10), &format!("unit-{unit}")).expect("a valid id")
}

fn config_text(port: u16, units: usize) -> String {
    let unit = |n| {
        let id = id(n);
        format!(
            "[[unit]]\nsite = \"{}\"\nunit = \"{}\"\nwater = \"lake\"\nset_point.intensity = 14\nreference.intensity = 24\n",
            id.site(),
            id.unit()
        )
    };
    format!(
        "zone = \"UTC\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"fadeline-bench\"\n[store]\npath = \"store\"\n[log]\nfilter = \"warn\"\n"
    ) + &(0..units).map(unit).collect::<String>()
}

pub fn reading(at: Timestamp, day: f64) -> Reading {
    let wave = (at.as_millis() / MINUTE % 97) as f64 / 100.0;
    Reading::new(at)
        .with(Channel::Intensity, ((22.0 - day * 0.03 + wave) * 100.0).round() / 100.0)
        .with(Channel::WaterTemperature, 8.9)
        .with(Channel::Flow, (at.as_millis() / MINUTE % 7) as f64 / 2.0)
}

/// The same history and assessment for every unit: made once by the daemon's own rules, then put for all. The readings
/// themselves are there for the two days a roll-up looks at.
fn history(store: &Store, units: usize) {
    let now = clock::now();
    let start = now.plus_millis(-DAYS * DAY);
    let rows: Vec<(UnitId, Reading)> = (0..DAYS * 144)
        .map(|n| start.plus_millis(n * 10 * MINUTE))
        .map(|at| (id(0), reading(at, at.days_since(start))))
        .collect();
    store.load(&rows).expect("room on the disk");
    let job = Job { spec: Arc::new(UnitSpec::new(id(0), 14.0)), latest: None, cadence_millis: None, neighbours: None };
    let made = assess(store, &job, &Constants::default(), now).expect("an assessment");
    let days = store.days(&id(0), None, None).expect("days");
    for unit in 1..units {
        put(store, unit, &rows[rows.len() - 288..], &days, &made.0);
    }
}

pub fn put(store: &Store, unit: usize, rows: &[(UnitId, Reading)], days: &[DaySummary], made: &Assessment) {
    let id = id(unit);
    let rows: Vec<(UnitId, Reading)> = rows.iter().map(|(_, reading)| (id.clone(), *reading)).collect();
    store.load(&rows).expect("room on the disk");
    let owed = store.dirty_of(&id);
    store.roll_up(&id, days, &owed.days, owed.token).expect("room on the disk");
    let made = Assessment { site: id.site().to_owned(), unit: id.unit().to_owned(), ..made.clone() };
    store.put_assessment(&id, &made).expect("room on the disk");
}

/// Every unit once a minute, evenly; now and then one of yesterday, which has its unit assessed. How many.
fn publish(port: u16, long: Duration, units: usize) -> usize {
    let publisher = Publisher::new(port);
    let client = publisher.client();
    let listening = publisher.listen();
    let (begun, mut sent, mut late) = (Instant::now(), 0, 0);
    let start = clock::now().plus_millis(-DAYS * DAY);
    while begun.elapsed() < long {
        let due = (begun.elapsed().as_secs_f64() * units as f64 / 60.0) as usize;
        let now = clock::now();
        while sent < due {
            send(&client, sent % units, reading(now, now.days_since(start)));
            sent += 1;
        }
        while (late as f64) < begun.elapsed().as_secs_f64() * assessments_a_second(units) {
            let yesterday = now.plus_millis(-DAY);
            send(&client, late * 7_919 % units, reading(yesterday, yesterday.days_since(start)));
            late += 1;
        }
        std::thread::park_timeout(BEAT);
    }
    drop(client);
    drop(listening);
    sent
}

fn send(client: &rumqttc::v5::Client, unit: usize, reading: Reading) {
    let mut payload = format!("{{\"time\":\"{}\"", reading.at);
    reading.channels().for_each(|(channel, value)| payload.push_str(&format!(",\"{channel}\":{value}")));
    payload.push('}');
    client.publish(format!("fadeline/in/{}", id(unit)), QoS::AtLeastOnce, false, payload).expect("a connection");
}

/// User and system time a process has taken.
fn cpu_seconds(pid: u32) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).expect("a running process");
    // The name in parentheses may have spaces; of the rest, fields 14 and 15 (proc(5)) are the 12th and 13th.
    let after = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    after.split_whitespace().skip(11).take(2).filter_map(|ticks| ticks.parse::<f64>().ok()).sum::<f64>() / TICKS
}
