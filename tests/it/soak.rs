//! A long time of a fleet through a broker as fast as it goes, in the time of the readings: memory stays flat and every
//! reading is there. The whole of it, a year of 200 units (or three of 60):
//! `FADELINE_SOAK_UNITS=200 FADELINE_SOAK_DAYS=365 cargo test --release --test it soak::`.

use std::fs;
use std::sync::atomic::AtomicUsize;

use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::kill::{config, id, latest, message, open, times};
use super::publish::publish_counted;

/// Readings of a unit in a day, one every ten minutes.
const OF_DAY: i64 = 144;

fn reading(start: Timestamp, unit: i64, day: i64, n: i64) -> (UnitId, Reading) {
    let place = day * OF_DAY + n;
    let reading = Reading::new(start.plus_millis(day * DAY + n * 10 * MINUTE))
        .with(Channel::Intensity, 22.0 - (day % 365) as f64 / 100.0 + ((place * 7 + unit) % 23) as f64 / 100.0)
        .with(Channel::WaterTemperature, 9.0 + ((place + unit) % 31) as f64 / 10.0)
        .with(Channel::Flow, (place % 13 / 10 * 6) as f64);
    (id(unit), reading)
}

/// Kilobytes of memory a process holds; its own program, read from the file as it is needed, is not counted.
fn resident_kb(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

#[test]
fn memory_stays_flat_and_every_reading_is_there() {
    let units = times("FADELINE_SOAK_UNITS", 10) as i64;
    let days = times("FADELINE_SOAK_DAYS", 40) as i64;
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("persistence false");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    // With a small cache, what grows beside it shows: the cache fills for months.
    let cache = times("FADELINE_SOAK_CACHE_MB", 64);
    let store = format!("path = \"store\"\ncache_mb = {cache}\nkeep_raw = \"for ever\"\n");
    let text = config(port, units).replace("path = \"store\"\n", &store);
    fs::write(&file, text).unwrap();
    // The last of it is of yesterday: what is from the future is refused.
    let today = fadeline::clock::now().as_millis() / DAY;
    let start = Timestamp::from_millis((today - days) * DAY);
    let mut daemon = Daemon::start(&file);
    let begun = std::time::Instant::now();
    let mut resident = Vec::new();
    for day in 0..days {
        let round = (0..OF_DAY).flat_map(|n| (0..units).map(move |unit| message(&reading(start, unit, day, n))));
        publish_counted(port, "gateway", round.collect(), &AtomicUsize::new(0));
        // At most a day ahead of what is stored, so that the broker's queue is no part of this.
        let newest = Some(start.plus_millis((day + 1) * DAY - 10 * MINUTE));
        wait_for("the day to be stored", || latest(&daemon).iter().all(|at| *at == newest).then_some(()));
        resident.push(resident_kb(daemon.pid()));
        if std::env::var_os("FADELINE_SOAK_DAYS").is_some() && day % 10 == 9 {
            eprintln!("day {}: resident {} kB", day + 1, resident[resident.len() - 1]);
        }
    }
    let most = |part: &[u64]| part.iter().max().copied().unwrap_or_default();
    let (middle, end) =
        (most(&resident[resident.len() / 4..resident.len() / 2]), most(&resident[resident.len() * 3 / 4..]));
    let (count, seconds) = (units * days * OF_DAY, begun.elapsed().as_secs_f64());
    eprintln!(
        "{units} units, {days} days, {count} readings in {seconds:.0} s ({:.0} a second); resident {middle} kB in the \
         second quarter, {end} kB in the last",
        count as f64 / seconds
    );
    assert!(daemon.stop().success(), "SIGTERM ends it with 0:\n{}", daemon.log());
    let store = open(&dir.path().join("store"));
    let found = store.verify(|_| ()).unwrap();
    assert!(found.is_sound());
    assert_eq!(found.readings, count as u64);
    assert!(found.units.iter().all(|unit| unit.readings == (days * OF_DAY) as u64 && unit.gap_count == 0));
    // A leak of a few bytes a reading would show as a multiple; a quarter is caches and the allocator's.
    assert!(end < middle + middle / 4 + 16_384, "resident {middle} kB, then {end} kB");
}
