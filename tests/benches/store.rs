//! The store: bytes a reading takes, durable appends a second, opening, scanning.
//!
//! The series is what a small unit sends: one reading a minute with 200 ms of jitter; intensity to 0.01 mW/cm2 with
//! autocorrelated noise, water temperature to 0.1 C, flow in bursts. Sizes repeat; rates depend on the disk, so a plain
//! file that is written and synced as often stands beside them.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::store::Store;
use fadeline::store::settings::StoreSettings;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::table::Row;

/// Bytes of a reading as a time and three `f64`, unpacked.
const PLAIN_READING: usize = 32;
/// 2026-01-01T00:00:00Z.
const START: i64 = 1_767_225_600_000;

fn figure(name: &str, value: f64, unit: &'static str) -> Row {
    Row::new(format!("store: {name}"), value, unit)
}

/// One unit as it sends.
pub struct Sender {
    id: UnitId,
    rng: ChaCha8Rng,
    noise: f64,
    minute: i64,
    every: i64,
    flowing: u32,
}

impl Sender {
    /// Units that send every so many minutes.
    pub fn fleet(units: u64, every: i64) -> Vec<Self> {
        let sender = |n| Self {
            id: UnitId::new("heron-bight", &format!("unit-{n}")).expect("a valid id"),
            rng: ChaCha8Rng::seed_from_u64(n),
            noise: 0.0,
            minute: 0,
            every,
            flowing: 0,
        };
        (0..units).map(sender).collect()
    }

    /// Its next reading.
    pub fn next(&mut self) -> (UnitId, Reading) {
        let shock: f64 = StandardNormal.sample(&mut self.rng);
        self.noise = 0.9 * self.noise + 0.05 * shock;
        let at = START + self.minute * MINUTE + self.rng.random_range(-200..=200);
        let day = (self.minute * MINUTE) as f64 / DAY as f64;
        self.flowing = match self.flowing {
            0 if self.rng.random_bool(0.02) => self.rng.random_range(1..12),
            minutes => minutes.saturating_sub(1),
        };
        let flow = if self.flowing > 0 { self.rng.random_range(60..75_i32) } else { 0 };
        self.minute += self.every;
        let reading = Reading::new(Timestamp::from_millis(at))
            .with(Channel::Intensity, ((22.0 - 0.02 * day + self.noise) * 100.0).round() / 100.0)
            .with(Channel::WaterTemperature, ((9.0 + (day * 6.3).sin()) * 10.0).round() / 10.0)
            .with(Channel::Flow, f64::from(flow) / 10.0);
        (self.id.clone(), reading)
    }
}

/// The store in a directory.
pub fn open(path: &Path) -> Store {
    Store::open(&StoreSettings { path: path.to_owned(), cache_bytes: 64 << 20 }).expect("a store")
}

/// Rounds of all units, `minutes` of them, cut into appends of `per_append` readings.
pub fn feed(store: &Store, fleet: &mut [Sender], minutes: usize, per_append: usize) -> (usize, Duration) {
    let mut spent = Duration::ZERO;
    let mut batch = Vec::with_capacity(per_append);
    let mut sent = 0;
    for _ in 0..minutes {
        for sender in fleet.iter_mut() {
            batch.push(sender.next());
            if batch.len() == per_append {
                let before = Instant::now();
                sent += store.append(&batch).expect("room on the disk").stored;
                spent += before.elapsed();
                batch.clear();
            }
        }
    }
    (sent, spent)
}

/// Durable appends at `per_append` readings each: how fast, and what they write.
pub fn appends(per_append: usize, appends: usize) -> Vec<Row> {
    let dir = tempfile::tempdir().expect("a directory");
    let store = open(dir.path());
    let mut fleet = Sender::fleet(50, 1);
    let minutes = per_append * appends / fleet.len();
    let before = written_bytes();
    let (sent, spent) = feed(&store, &mut fleet, minutes, per_append);
    let written = (written_bytes() - before) as f64;
    let plain = plain_appends(&dir.path().join("plain"), per_append * PLAIN_READING, appends);
    let name = format!("durable appends of {per_append}");
    vec![
        figure(&name, appends as f64 / spent.as_secs_f64(), "appends/s")
            .against("plain file, fdatasync each", appends as f64 / plain.as_secs_f64()),
        figure(&name, sent as f64 / spent.as_secs_f64(), "readings/s"),
        figure(&format!("written by appends of {per_append}"), written / sent as f64, "B/reading")
            .against("time and three f64", PLAIN_READING as f64),
    ]
}

/// Bytes this process has had written, in whole pages, as Linux counts them (`/proc/self/io`).
fn written_bytes() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").expect("Linux");
    let of = |line: &str| line.strip_prefix("write_bytes: ").map(|bytes| bytes.parse().expect("a number"));
    io.lines().find_map(of).expect("what was written")
}

/// What the disk can do: as many bytes appended to a file and synced, as often.
fn plain_appends(path: &Path, bytes: usize, appends: usize) -> Duration {
    let mut file = File::create(path).expect("a file");
    let block = vec![0x5a; bytes];
    let begun = Instant::now();
    for _ in 0..appends {
        file.write_all(&block).expect("room on the disk");
        file.sync_data().expect("a disk");
    }
    begun.elapsed()
}

/// Bytes on disk for `units` over `days` with a reading `every` so many minutes, then opening and scanning them.
pub fn sizes(units: u64, days: usize, every: i64) -> Vec<Row> {
    let dir = tempfile::tempdir().expect("a directory");
    let store = open(dir.path());
    let mut fleet = Sender::fleet(units, every);
    let (sent, spent) = feed(&store, &mut fleet, days * 1_440 / every as usize, 1_000);
    let with_journal = store.stats().expect("stats");
    store.settle().expect("room on the disk");
    let settled = store.stats().expect("stats");
    let blocks = store.verify(|_| ()).expect("readable");
    store.close();
    let before = Instant::now();
    let store = open(dir.path());
    let opened = before.elapsed();
    let ms = |duration: Duration| duration.as_secs_f64() * 1e3;
    let scan = || {
        let before = Instant::now();
        let rows = store.readings(&fleet[0].id, Timestamp::MIN, Timestamp::MAX).expect("readable");
        assert_eq!(rows.len(), days * 1_440 / every as usize);
        ms(before.elapsed())
    };
    let (first, warm) = (scan(), scan());
    let per_reading = |bytes: u64| bytes as f64 / sent as f64;
    vec![
        figure("blocks alone", per_reading(blocks.bytes), "B/reading")
            .against("time and three f64", PLAIN_READING as f64),
        figure("on disk with the journal", per_reading(with_journal.bytes_on_disk), "B/reading"),
        figure("on disk, settled", per_reading(settled.bytes_on_disk), "B/reading")
            .against("time and three f64", PLAIN_READING as f64),
        figure("written in all", per_reading(settled.bytes_written), "B/reading"),
        figure("durable appends of 1000, with sealing", sent as f64 / spent.as_secs_f64(), "readings/s"),
        figure("memory of the open days", with_journal.open_bytes as f64 / units as f64, "B/unit"),
        figure(&format!("opening {units} units x {days} days"), ms(opened), "ms"),
        figure(&format!("first scan of one unit, {days} days"), first, "ms"),
        figure(&format!("warm scan of one unit, {days} days"), warm, "ms"),
    ]
}

/// Opening a store with a year of `units`, a reading every ten minutes, with a day of it in the journal.
pub fn opening(units: u64) -> Vec<Row> {
    let dir = tempfile::tempdir().expect("a directory");
    let store = open(dir.path());
    let mut fleet = Sender::fleet(units, 10);
    for sender in &mut fleet {
        let year: Vec<_> = (0..364 * 144).map(|_| sender.next()).collect();
        store.load(&year).expect("room on the disk");
        let owed = store.dirty_of(&sender.id);
        store.roll_up(&sender.id, &[], &owed.days, owed.token).expect("room on the disk");
    }
    feed(&store, &mut fleet, 144, 1_000);
    let bytes = store.stats().expect("stats").bytes_on_disk;
    store.close();
    let mut seconds: Vec<f64> = (0..3)
        .map(|_| {
            let before = Instant::now();
            let store = open(dir.path());
            let opened = before.elapsed().as_secs_f64();
            assert_eq!(store.stats().expect("stats").readings, units * 365 * 144);
            opened
        })
        .collect();
    seconds.sort_by(f64::total_cmp);
    vec![
        figure(&format!("opening a year of {units} units, hours included"), seconds[1], "s").goal("< 2"),
        figure("its size on disk", bytes as f64 / f64::from(1 << 20), "MiB"),
    ]
}

/// Everything, in some minutes.
pub fn run() -> Vec<Row> {
    [appends(100, 1_000), appends(1_000, 200), sizes(50, 30, 1), opening(1_000)].concat()
}
