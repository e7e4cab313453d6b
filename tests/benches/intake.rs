//! Readings through a real mosquitto on loopback: into `mosquitto_sub`, which throws them away, and into
//! `fadeline watch`, which stores them durably before it acknowledges them. The same messages, the same publisher,
//! the same broker config, in turn, in one run.

use std::fs::{self, File};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fadeline::clock;
use fadeline::domain::time::{MINUTE, SECOND};
use fadeline::domain::{Timestamp, UnitId};
use fadeline::query::{Answer, Query};
use fadeline::store::Store;
use fadeline::store::settings::StoreSettings;
use fadeline::web::client;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{Client, Connection, Event, MqttOptions};

use super::table::Row;
use super::timing::median;

const UNITS: usize = 100;
/// Messages of one measurement, one reading each.
const MESSAGES: usize = 100_000;
const ROUNDS: usize = 5;
/// Messages the publisher has under way; the broker's config allows any number.
const UNDER_WAY: u16 = 1_000;
/// Longer than anything here takes.
const PATIENCE: Duration = Duration::from_secs(60);
const CLIENT_ID: &str = "fadeline-bench";
const FILTER: &str = "fadeline/in/#";
/// Where it may be.
pub const MOSQUITTO: [&str; 3] = ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/usr/bin/mosquitto"];

/// How the messages meet the consumer.
#[derive(Clone, Copy, PartialEq)]
enum Way {
    /// It listens while they are published.
    Live,
    /// It was away and the broker kept them; its start is part of the time.
    Backlog,
}

/// Readings a second of both consumers, live and from the broker's queue; the reason why not, if it cannot be measured.
pub fn run() -> Result<Vec<Row>, String> {
    let broker = MOSQUITTO
        .into_iter()
        .find(|path| Path::new(path).exists())
        .ok_or("skipped: mosquitto is not installed (Debian: apt-get install mosquitto mosquitto-clients)")?;
    if Command::new("mosquitto_sub").arg("--help").output().is_err() {
        return Err("skipped: mosquitto_sub is not installed (Debian: apt-get install mosquitto-clients)".to_owned());
    }
    let ways = [
        (Way::Live, format!("intake: {MESSAGES} readings of {UNITS} units, as published")),
        (Way::Backlog, "intake: the same from the broker's queue, with start".to_owned()),
    ];
    let row = |(way, name): (Way, String)| {
        let rates = (0..ROUNDS).map(|_| {
            let sub = Broker::start(broker).into_mosquitto_sub(way);
            (Broker::start(broker).into_fadeline(way), sub)
        });
        let (fadeline, sub): (Vec<f64>, Vec<f64>) = rates.unzip();
        let row =
            Row::new(name, median(fadeline), "readings/s").against("mosquitto_sub -q 1, thrown away", median(sub));
        if way == Way::Live { row.goal(">= 0.8") } else { row }
    };
    Ok(ways.into_iter().map(row).collect())
}

/// A mosquitto with the queue settings of `config/mosquitto.conf` and nothing in it.
pub struct Broker {
    folder: tempfile::TempDir,
    port: u16,
    child: Child,
}

impl Broker {
    /// Starts one.
    pub fn start(program: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let shipped = include_str!("../../config/mosquitto.conf").lines();
        let kept = shipped.filter(|line| !line.starts_with("listener ") && !line.starts_with("persistence_location "));
        // `user root`: started by root it would become another user, who may not use our folder. No effect otherwise.
        let own = format!("user root\nlistener {port} 127.0.0.1\npersistence_location {}/\n", folder.path().display());
        let config = folder.path().join("mosquitto.conf");
        fs::write(&config, own + &kept.collect::<Vec<_>>().join("\n")).expect("a config file");
        let log = File::create(folder.path().join("mosquitto.log")).expect("a log file");
        let child = Command::new(program).arg("-c").arg(&config).stderr(log).spawn().expect("mosquitto");
        wait_for("mosquitto", || TcpStream::connect(("127.0.0.1", port)).ok());
        Self { folder, port, child }
    }

    /// Its folder, for everything of a measurement.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Its port on loopback.
    pub fn port(&self) -> u16 {
        self.port
    }

    fn into_mosquitto_sub(self, way: Way) -> f64 {
        let port = self.port.to_string();
        let subscriber = |more: &[&str]| {
            let mut command = Command::new("mosquitto_sub");
            command.args(["-h", "127.0.0.1", "-p", &port, "-V", "mqttv5", "-x", "3600", "-c", "-i", "sub", "-q", "1"]);
            command.args(["-t", FILTER]).args(more).stdout(Stdio::null());
            command
        };
        // Its session is there before the first message: no matter when it connects, it gets all.
        assert!(subscriber(&["-E"]).status().expect("mosquitto_sub").success());
        let count = MESSAGES.to_string();
        let listen = || Guard(subscriber(&["-C", &count]).spawn().expect("mosquitto_sub"));
        let publisher = Publisher::new(self.port);
        let messages = messages(clock::now());
        let (begun, mut listener) = match way {
            Way::Live => {
                let listener = listen();
                let begun = Instant::now();
                publisher.publish(messages);
                (begun, listener)
            }
            Way::Backlog => {
                publisher.publish(messages);
                (Instant::now(), listen())
            }
        };
        assert!(listener.0.wait().expect("mosquitto_sub").success(), "it has received every message");
        MESSAGES as f64 / begun.elapsed().as_secs_f64()
    }

    /// A message counts when its reading is in the store, flushed, and the broker has its acknowledgement. The clock
    /// stops when the daemon shows the last reading of every unit, which it does once all are stored; what the broker
    /// has no acknowledgement of by then is not counted.
    fn into_fadeline(self, way: Way) -> f64 {
        let config = self.folder.path().join("fadeline.toml");
        fs::write(&config, fadeline_config(self.port)).expect("a config file");
        let now = clock::now();
        let mut daemon = Fadeline::start(&config);
        // Its subscription stands once it has heard of a first reading.
        wait_for("the first reading", || {
            let first = vec![(topic(0), payload(0, now.plus_millis(-20 * 60 * MINUTE)))];
            Publisher::new(self.port).publish(first);
            daemon.latest().into_iter().any(|at| at.is_some()).then_some(())
        });
        let publisher = Publisher::new(self.port);
        let messages = messages(now);
        let last = newest(now);
        let begun = if way == Way::Live {
            let begun = Instant::now();
            publisher.publish(messages);
            begun
        } else {
            daemon.stop();
            publisher.publish(messages);
            let begun = Instant::now();
            daemon = Fadeline::start(&config);
            begun
        };
        wait_for("all readings in the store", || daemon.latest().iter().all(|at| *at == Some(last)).then_some(()));
        let seconds = begun.elapsed().as_secs_f64();
        // kill -9: what is in the store and acknowledged now was so when the clock stopped.
        drop(daemon);
        let acknowledged = MESSAGES - self.unacknowledged();
        self.check_stored();
        acknowledged as f64 / seconds
    }

    /// How many messages the broker would send again: a client of the daemon's id gets them before its own answer.
    fn unacknowledged(&self) -> usize {
        let mut options = MqttOptions::new(CLIENT_ID, "127.0.0.1", self.port);
        options.set_clean_start(false);
        let (client, connection) = Client::new(options, 10);
        let mut session = Publisher { client, connection };
        let mut kept = false;
        session.until(|packet| match packet {
            Packet::ConnAck(answer) => {
                kept = answer.session_present;
                true
            }
            _ => false,
        });
        assert!(kept, "the broker keeps the session");
        session.client.publish("bench/end", QoS::AtLeastOnce, false, "").expect("a connection");
        let mut again = 0;
        session.until(|packet| {
            again += usize::from(matches!(packet, Packet::Publish(_)));
            matches!(packet, Packet::PubAck(_))
        });
        again
    }

    /// Every reading is in the store, once; the first one of all is the one more.
    fn check_stored(&self) {
        let settings = StoreSettings { path: self.folder.path().join("store"), cache_bytes: 64 << 20 };
        let store = Store::open(&settings).expect("the store");
        let stored: u64 = (0..UNITS).map(|unit| store.count(&id(unit))).sum();
        assert_eq!(stored, MESSAGES as u64 + 1, "every reading once");
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _status = self.child.wait();
    }
}

/// Kills the process when dropped.
struct Guard(Child);

impl Drop for Guard {
    fn drop(&mut self) {
        let _ended = self.0.kill();
        let _status = self.0.wait();
    }
}

/// The release build of the daemon.
pub struct Fadeline {
    socket: PathBuf,
    child: Guard,
}

impl Fadeline {
    /// Its process id.
    pub fn pid(&self) -> u32 {
        self.child.0.id()
    }

    /// Starts it with a config beside which its store lies.
    pub fn start(config: &Path) -> Self {
        let folder = config.parent().expect("a folder");
        let log = File::options().create(true).append(true).open(folder.join("fadeline.log")).expect("a log file");
        let mut command = Command::new(env!("CARGO_BIN_EXE_fadeline"));
        command.args(["watch", "--config"]).arg(config).stdout(Stdio::null()).stderr(log);
        Self { socket: folder.join("store/fadeline.sock"), child: Guard(command.spawn().expect("fadeline")) }
    }

    /// The time of each unit's newest reading; empty while it does not answer yet.
    pub fn latest(&self) -> Vec<Option<Timestamp>> {
        match client::ask_blocking(&self.socket, &Query::Units) {
            Ok(Answer::Units(rows)) => rows.into_iter().map(|row| row.reading.map(|reading| reading.at)).collect(),
            _ => vec![None],
        }
    }

    fn stop(&mut self) {
        let id = self.child.0.id().to_string();
        assert!(Command::new("kill").arg(&id).status().expect("kill").success());
        assert!(self.child.0.wait().expect("fadeline").success(), "SIGTERM ends it with 0");
    }
}

fn fadeline_config(port: u16) -> String {
    let unit = |n| {
        format!(
            "\n[[unit]]\nsite = \"heron-bight\"\nunit = \"{}\"\nset_point.intensity = 14\nreference.intensity = 24\n",
            id(n).unit()
        )
    };
    format!(
        "zone = \"UTC\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"{CLIENT_ID}\"\n[store]\npath = \"store\"\n"
    ) + &(0..UNITS).map(unit).collect::<String>()
}

fn id(unit: usize) -> UnitId {
    UnitId::new("heron-bight", &format!("unit-{unit}")).expect("a valid id")
}

fn topic(unit: usize) -> String {
    format!("fadeline/in/{}", id(unit))
}

fn payload(round: usize, at: Timestamp) -> Vec<u8> {
    let intensity = 22.0 + (round % 97) as f64 / 100.0;
    let flow = (round % 7) as f64 / 2.0;
    format!(r#"{{"time":"{at}","intensity":{intensity:.2},"water_temperature":8.9,"flow":{flow:.1}}}"#).into_bytes()
}

/// One reading a minute of every unit, all units in turn, up to now.
fn messages(now: Timestamp) -> Vec<(String, Vec<u8>)> {
    let rounds = MESSAGES / UNITS;
    let of_round = |round: usize| {
        let at = newest(now).plus_millis(-((rounds - 1 - round) as i64) * MINUTE);
        (0..UNITS).map(move |unit| (topic(unit), payload(round, at)))
    };
    (0..rounds).flat_map(of_round).collect()
}

/// The time of the last round.
fn newest(now: Timestamp) -> Timestamp {
    now.plus_millis(-SECOND)
}

/// Publishes at QoS 1 and waits for every acknowledgement. (`mosquitto_pub -l` loses messages and ends with 0.)
pub struct Publisher {
    client: Client,
    connection: Connection,
}

impl Publisher {
    /// Connects.
    pub fn new(port: u16) -> Self {
        let mut options = MqttOptions::new("gateway", "127.0.0.1", port);
        options.set_keep_alive(PATIENCE).set_outgoing_inflight_upper_limit(UNDER_WAY);
        let (client, connection) = Client::new(options, usize::from(UNDER_WAY));
        let mut publisher = Self { client, connection };
        publisher.until(|packet| matches!(packet, Packet::ConnAck(_)));
        publisher
    }

    /// What messages are handed to.
    pub fn client(&self) -> Client {
        self.client.clone()
    }

    /// Keeps the connection going beside the caller until every client of it is gone.
    pub fn listen(self) -> std::thread::JoinHandle<()> {
        let Self { client, mut connection } = self;
        drop(client);
        std::thread::spawn(move || while connection.recv().is_ok_and(|event| event.is_ok()) {})
    }

    fn publish(mut self, messages: Vec<(String, Vec<u8>)>) {
        let mut left = messages.len();
        let client = self.client.clone();
        let sender = std::thread::spawn(move || {
            for (topic, payload) in messages {
                client.publish(topic, QoS::AtLeastOnce, false, payload).expect("a connection");
            }
        });
        self.until(|packet| {
            left -= usize::from(matches!(packet, Packet::PubAck(_)));
            left == 0
        });
        sender.join().expect("every message sent");
        self.client.disconnect().expect("a connection");
        while self.connection.recv_timeout(PATIENCE).is_ok_and(|event| event.is_ok()) {}
    }

    fn until(&mut self, mut done: impl FnMut(&Packet) -> bool) {
        loop {
            match self.connection.recv_timeout(PATIENCE).expect("the broker answers").expect("a connection") {
                Event::Incoming(packet) if done(&packet) => return,
                _ => {}
            }
        }
    }
}

/// Polls until `ready` gives something.
pub fn wait_for<T>(what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(value) = ready() {
            return value;
        }
        assert!(begun.elapsed() < PATIENCE, "waited {PATIENCE:?} for {what}");
        std::thread::park_timeout(Duration::from_millis(20));
    }
}

/// Memory of a process by its key in /proc/PID/status, such as `VmHWM:`, MB.
pub fn memory_mb(pid: u32, key: &str) -> f64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("a running process");
    let line = status.lines().find_map(|line| line.strip_prefix(key)).expect("a key that is there");
    line.trim().trim_end_matches(" kB").parse::<f64>().expect("a number") / 1_024.0
}
