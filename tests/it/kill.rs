//! kill -9 again and again under load from a real broker, on one directory: what was published and acknowledged is
//! stored, exactly once. `FADELINE_KILLS=200 cargo test --test it kill::` does it 200 times.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock};

use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::query::{Answer, Query};
use fadeline::store::{Store, settings::StoreSettings};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::publish::publish_stubbornly;

/// In a run of all tests.
const KILLS: usize = 12;
const UNITS: i64 = 20;
/// Messages between two kills.
const LEG: usize = 2_000;
/// The broker is stopped and started in every so many legs.
const BROKER_EVERY: usize = 5;

/// How often, where something is to be done more often than in a run of all tests.
pub fn times(variable: &str, usually: usize) -> usize {
    std::env::var(variable).ok().map_or(usually, |text| text.parse().unwrap_or_else(|_| panic!("{variable}={text}")))
}

pub fn id(unit: i64) -> UnitId {
    UnitId::new("heron-bight", &format!("unit-{unit}")).unwrap()
}

/// A midnight (UTC) of a year and a bit ago: long enough for every reading here, short enough that none is given up.
pub static START: LazyLock<Timestamp> = LazyLock::new(|| {
    let today = fadeline::clock::now().as_millis() / DAY;
    Timestamp::from_millis((today - 380) * DAY)
});

/// The `n`th reading of all; a unit's come every 17 minutes, so that days end all the time.
fn reading(n: i64) -> (UnitId, Reading) {
    let at = START.plus_millis(n / UNITS * 17 * MINUTE);
    (id(n % UNITS), Reading::new(at).with(Channel::Intensity, 20.0 + (n % 611) as f64 / 100.0))
}

pub fn message((unit, reading): &(UnitId, Reading)) -> (String, Vec<u8>) {
    let mut payload = format!("{{\"time\":\"{}\"", reading.at);
    reading.channels().for_each(|(channel, value)| write!(payload, ",\"{channel}\":{value}").unwrap());
    payload.push('}');
    (format!("fadeline/in/{unit}"), payload.into_bytes())
}

/// A config of so many units, whose store is beside it.
pub fn config(port: u16, units: i64) -> String {
    let unit = |n| {
        let id = id(n);
        format!(
            "[[unit]]\nsite = \"{}\"\nunit = \"{}\"\nset_point.intensity = 14\nreference.intensity = 24\n",
            id.site(),
            id.unit()
        )
    };
    format!("[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"fadeline-test\"\n[store]\npath = \"store\"\n")
        + &(0..units).map(unit).collect::<String>()
}

/// When each unit's latest reading was measured, as the daemon has it.
pub fn latest(daemon: &Daemon) -> Vec<Option<Timestamp>> {
    match daemon.ask(&Query::Units) {
        Answer::Units(rows) => rows.into_iter().map(|row| row.reading.map(|reading| reading.at)).collect(),
        other => panic!("{other:?}"),
    }
}

pub fn open(path: &Path) -> Store {
    let settings = StoreSettings { path: path.to_owned(), cache_bytes: 64 << 20 };
    wait_for("the store's lock", || Store::open(&settings).ok())
}

#[test]
fn nothing_acknowledged_is_lost_and_nothing_is_twice() {
    let kills = times("FADELINE_KILLS", KILLS);
    let dir = tempfile::tempdir().unwrap();
    let mut broker = Mosquitto::start("persistence true");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, UNITS)).unwrap();
    let mut daemon = Daemon::start(&file);
    let mut rng = ChaCha8Rng::seed_from_u64(20_261_127);
    let mut next = 0;
    for kill in 0..kills {
        let leg: Vec<_> = (next..next + LEG as i64).map(|n| message(&reading(n))).collect();
        next += LEG as i64;
        let published = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&published);
        let publisher = std::thread::spawn(move || publish_stubbornly(port, "gateway", &leg, &counted));
        let until = rng.random_range(1..LEG * 3 / 4);
        wait_for("the publisher", || (published.load(Ordering::Relaxed) >= until).then_some(()));
        daemon.kill();
        if kill % BROKER_EVERY == BROKER_EVERY - 1 {
            broker.stop();
            broker.run();
        }
        // Every other time the next kill may come while it still starts.
        if kill % 2 == 0 {
            daemon.restart();
        } else {
            daemon.start_again();
        }
        publisher.join().unwrap();
    }
    daemon.kill();
    daemon.restart();
    let newest: Vec<_> = (next - UNITS..next).map(|n| Some(reading(n).1.at)).collect();
    wait_for("the last readings", || (latest(&daemon) == newest).then_some(()));
    assert!(daemon.stop().success(), "SIGTERM ends it with 0:\n{}", daemon.log());
    let store = open(&dir.path().join("store"));
    for unit in 0..UNITS {
        let expected: Vec<Reading> = (0..next).filter(|n| n % UNITS == unit).map(|n| reading(n).1).collect();
        let stored = store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap();
        assert_eq!((stored.len(), store.count(&id(unit))), (expected.len(), expected.len() as u64), "{}", id(unit));
        assert!(stored == expected, "{}: another reading is stored than was sent", id(unit));
    }
    assert!(store.verify(|_| ()).unwrap().is_sound());
    eprintln!("{kills} kills, {next} readings published and acknowledged, {next} stored, each once");
}
