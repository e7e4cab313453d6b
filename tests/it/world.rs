//! A daemon, a broker and a clock that a test turns: readings come at the time the test says, and days pass at once.

use std::collections::BTreeMap;
use std::fs;
use std::process::Command;
use std::sync::mpsc::{Receiver, channel};
use std::time::Instant;

use fadeline::alert::{Alert, Kind};
use fadeline::domain::time::{HOUR, MINUTE};
use fadeline::domain::{Assessment, Channel, Reading, ServiceEntry, Timestamp, UnitId};
use fadeline::query::{Answer, Query};
use fadeline::store::{Store, settings::StoreSettings};
use jiff::tz::TimeZone;
use serde_json::{Value as Json, json};

use super::broker::Mosquitto;
use super::clock::TurnedClock;
use super::daemon::{Daemon, PATIENCE, wait_for};
use super::notify::{Got, http_server};
use super::publish::{collect, listen, publish_all, request};
use super::watch::payload;

/// Units that send every two hours are silent after twelve: steps of this length leave none of them silent.
const STEP: i64 = 8 * HOUR;
/// Days are closed by then, those of units that are spread out too.
const DAY_IS_CLOSED: i64 = 41 * MINUTE;

/// A unit's life: what is before the start is in the store then, what is after it comes when its time has come.
pub struct Fed {
    pub id: UnitId,
    pub readings: Vec<Reading>,
    pub log: Vec<ServiceEntry>,
    /// How its node sends a reading: topic and payload.
    pub sends: fn(&UnitId, &Reading) -> (String, Vec<u8>),
    next: usize,
}

impl Fed {
    pub fn new(id: UnitId, readings: Vec<Reading>, log: Vec<ServiceEntry>) -> Self {
        let sends = |unit: &UnitId, reading: &Reading| (format!("fadeline/in/{unit}"), payload(reading));
        Self { id, readings, log, sends, next: 0 }
    }
}

pub struct World {
    pub zone: TimeZone,
    pub broker: Mosquitto,
    pub daemon: Daemon,
    clock: TurnedClock,
    units: Vec<Fed>,
    /// What was heard on the daemon's topics.
    heard: Receiver<(String, Vec<u8>)>,
    said: BTreeMap<String, Vec<u8>>,
    hook: Receiver<Got>,
    dir: tempfile::TempDir,
}

impl World {
    /// A world in which it is `now`. `config`: units and whatever else, without broker, store and channels.
    pub fn start(now: Timestamp, zone: &str, config: &str, units: Vec<Fed>) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let broker = Mosquitto::start("persistence true");
        let port = broker.address().port();
        let (hook_port, hook) = http_server(&[200]);
        let head = format!(
            "zone = \"{zone}\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"world\"\n[web]\nlisten = \"off\"\n\
             [store]\npath = \"store\"\n[[notify.webhook]]\nurl = \"http://127.0.0.1:{hook_port}/\"\n{config}"
        );
        fs::write(dir.path().join("fadeline.toml"), head).unwrap();
        let mut units = units;
        live_until(&dir.path().join("store"), &mut units, now);
        let clock = TurnedClock::new(dir.path(), now);
        let (sender, heard) = channel();
        listen(port, "ear", "fadeline/out/#", sender);
        let daemon = Daemon::start_with(&dir.path().join("fadeline.toml"), |command| clock.give(command));
        let zone = TimeZone::get(zone).unwrap();
        Self { zone, broker, daemon, clock, units, heard, said: BTreeMap::new(), hook, dir }
    }

    pub fn port(&self) -> u16 {
        self.broker.address().port()
    }

    pub fn now(&self) -> Timestamp {
        self.clock.now()
    }

    /// Turns the clock and nothing else.
    pub fn turn(&mut self, now: Timestamp) {
        self.clock.turn(now);
    }

    /// Waits until the daemon has seen what the clock shows; its health is said each minute, after everything else.
    pub fn tick(&mut self) {
        let now = self.now();
        self.wait("daemon/health", |payload| {
            let health: Json = serde_json::from_slice(payload?).ok()?;
            (health["at"].as_str()?.parse::<Timestamp>().ok()? >= now.plus_millis(-MINUTE / 2)).then_some(())
        });
    }

    /// Lets time pass until `until`, with the readings that come meanwhile; returns when they are stored.
    pub fn go_on(&mut self, until: Timestamp) {
        while self.now() < until {
            let now = self.now().plus_millis(STEP).min(until);
            self.clock.turn(now);
            let mut messages = Vec::new();
            for unit in &mut self.units {
                let due = unit.readings[unit.next..].iter().take_while(|reading| reading.at <= now);
                let before = messages.len();
                messages.extend(due.map(|reading| (unit.sends)(&unit.id, reading)));
                unit.next += messages.len() - before;
            }
            publish_all(self.port(), "gateway", messages);
            wait_for("the readings in the store", || self.is_stored().then_some(()));
        }
    }

    fn is_stored(&self) -> bool {
        let Answer::Units(rows) = self.daemon.ask(&Query::Units) else { panic!() };
        self.units.iter().all(|unit| {
            let lit = |reading: &&Reading| reading.get(Channel::Intensity).is_some();
            let sent = unit.readings[..unit.next].iter().rfind(lit).map(|reading| reading.at);
            let row = rows.iter().find(|row| row.site == unit.id.site() && row.unit == unit.id.unit()).unwrap();
            row.reading.as_ref().map(|reading| reading.at) >= sent
        })
    }

    /// Lets the day end and waits until every unit is assessed for it.
    pub fn close_day(&mut self) {
        let (_, midnight) = Timestamp::day_bounds(self.now().date_in(&self.zone), &self.zone);
        self.go_on(midnight.plus_millis(-MINUTE));
        self.go_on(midnight.plus_millis(DAY_IS_CLOSED));
        self.wait_assessed(midnight);
    }

    /// Waits until every unit has an assessment from `since` or later.
    pub fn wait_assessed(&mut self, since: Timestamp) {
        let ids: Vec<UnitId> = self.units.iter().map(|unit| unit.id.clone()).collect();
        for id in ids {
            self.wait_assessment(&id, |assessment| assessment.as_of >= since);
        }
    }

    pub fn wait_assessment(&mut self, unit: &UnitId, wanted: impl Fn(&Assessment) -> bool) -> Assessment {
        self.wait(&format!("{unit}/assessment"), |payload| {
            serde_json::from_slice(payload?).ok().filter(|assessment| wanted(assessment))
        })
    }

    /// Waits for something on a topic under `fadeline/out/`; `None`: there is nothing.
    pub fn wait<T>(&mut self, topic: &str, wanted: impl Fn(Option<&[u8]>) -> Option<T>) -> T {
        let topic = format!("fadeline/out/{topic}");
        let deadline = Instant::now() + PATIENCE;
        loop {
            self.listen();
            if let Some(found) = wanted(self.said.get(&topic).map(Vec::as_slice)) {
                return found;
            }
            let left = deadline.saturating_duration_since(Instant::now());
            let Ok((topic, payload)) = self.heard.recv_timeout(left) else {
                let said = self.said.get(&topic).map(|payload| String::from_utf8_lossy(payload).into_owned());
                panic!("{topic} is {said:?} at {}:\n{}", self.now(), self.daemon.log());
            };
            self.take(topic, payload);
        }
    }

    fn listen(&mut self) {
        while let Ok((topic, payload)) = self.heard.try_recv() {
            self.take(topic, payload);
        }
    }

    fn take(&mut self, topic: String, payload: Vec<u8>) {
        if payload.is_empty() {
            self.said.remove(&topic)
        } else {
            self.said.insert(topic, payload)
        };
    }

    /// The alert as it was last said.
    pub fn alert(&mut self, unit: &UnitId, kind: Kind) -> Option<Alert> {
        self.listen();
        let payload = self.said.get(&format!("fadeline/out/{unit}/alert/{kind}"))?;
        Some(serde_json::from_slice(payload).unwrap())
    }

    /// Every alert as it was last said, `UNIT KIND`.
    pub fn alerts(&mut self) -> Vec<String> {
        self.listen();
        let topics = self.said.keys().filter(|topic| topic.contains("/alert/"));
        topics.map(|topic| topic.trim_start_matches("fadeline/out/").replace("/alert/", " ")).collect()
    }

    pub fn wait_alert(&mut self, unit: &UnitId, kind: Kind, wanted: impl Fn(&Alert) -> bool) -> Alert {
        self.wait(&format!("{unit}/alert/{kind}"), |payload| {
            serde_json::from_slice(payload?).ok().filter(|alert| wanted(alert))
        })
    }

    /// Waits until the topic is empty, and sees that it is so for one who comes now.
    pub fn wait_over(&mut self, unit: &UnitId, kind: Kind) {
        self.wait(&format!("{unit}/alert/{kind}"), |payload| payload.is_none().then_some(()));
        let retained = self.retained();
        assert!(!retained.contains_key(&format!("fadeline/out/{unit}/alert/{kind}")), "{:?}", retained.keys());
    }

    /// Everything that is retained on the daemon's topics, as one gets it who comes now.
    pub fn retained(&self) -> BTreeMap<String, Vec<u8>> {
        let marker = "fadeline/out/marker";
        let mut asked = false;
        let got = collect(self.port(), "latecomer", "fadeline/out/#", |got| {
            if !asked && !got.is_empty() {
                asked = true;
                publish_all(self.port(), "marker", vec![(marker.to_owned(), b"end".to_vec())]);
            }
            got.iter().any(|(topic, _)| topic == marker)
        });
        got.into_iter().filter(|(topic, _)| topic != marker).collect()
    }

    /// Gives an order about alerts and returns the answer.
    pub fn order(&self, unit: &UnitId, kind: &str, order: &Json) -> Json {
        let answer = format!("fadeline/out/{unit}/alert-answer");
        let topic = format!("fadeline/alert/{unit}/{kind}");
        serde_json::from_slice(&request(self.port(), &topic, order.to_string().as_bytes(), &answer)).unwrap()
    }

    /// Sends a service action that must be taken.
    pub fn log_action(&self, unit: &UnitId, action: &Json) {
        let answer = format!("fadeline/out/{unit}/service");
        let topic = format!("fadeline/service/{unit}");
        let got = request(self.port(), &topic, action.to_string().as_bytes(), &answer);
        let answer: Json = serde_json::from_slice(&got).unwrap();
        assert_eq!(answer["accepted"], json!(true), "{answer}");
    }

    /// Runs a command of ours in this world.
    pub fn command(&self, args: &[&str]) -> String {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fadeline"));
        self.clock.give(&mut command);
        let output = command.args(args).arg("--config").arg(self.dir.path().join("fadeline.toml")).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{args:?}: {text}");
        text
    }

    /// Waits for the next notice of the webhook; its items as `SITE/UNIT: WHAT KIND`.
    pub fn next_told(&self) -> Vec<String> {
        let (_, body) = self.hook.recv_timeout(PATIENCE).expect("a notice");
        let notice: Json = serde_json::from_slice(&body).unwrap();
        let text = |json: &Json, name: &str| json[name].as_str().unwrap_or("*").to_owned();
        let line = |item: &Json| {
            let (site, unit) = (text(&notice, "site"), text(item, "unit"));
            format!("{site}/{unit}: {} {}", text(item, "what"), text(item, "kind"))
        };
        notice["items"].as_array().unwrap().iter().map(line).collect()
    }

    /// kill -9 and a new start; returns when everything has been said again.
    pub fn restart(&mut self) {
        self.daemon.kill();
        self.listen();
        let started = self.now();
        self.daemon.restart();
        // The health comes last of all.
        self.wait("daemon/health", |payload| {
            let health: Json = serde_json::from_slice(payload?).ok()?;
            let at: Timestamp = health["started"].as_str()?.parse().ok()?;
            (at >= started).then_some(())
        });
    }
}

fn live_until(store: &std::path::Path, units: &mut [Fed], now: Timestamp) {
    let store = Store::open(&StoreSettings { path: store.to_owned(), cache_bytes: 64 << 20 }).unwrap();
    for unit in units {
        unit.next = unit.readings.partition_point(|reading| reading.at <= now);
        let rows: Vec<(UnitId, Reading)> =
            unit.readings[..unit.next].iter().map(|reading| (unit.id.clone(), *reading)).collect();
        store.append(&rows).unwrap();
        let log: Vec<ServiceEntry> = unit.log.iter().filter(|entry| entry.at <= now).cloned().collect();
        store.log_all(&unit.id, &log).unwrap();
    }
}
