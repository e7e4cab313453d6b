//! The disk of the data is full: the intake pauses unacknowledged, says so, and goes on when there is room. On a small
//! file system in memory; needs to be allowed to mount one, else it says so and passes.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use fadeline::domain::time::MINUTE;
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};

use super::broker::Mosquitto;
use super::daemon::{Daemon, wait_for};
use super::kill::{START, config, id, latest, message, open};
use super::publish::{collect, publish_all};

const UNITS: i64 = 4;
const LEG: i64 = 400;

fn reading(n: i64) -> (UnitId, Reading) {
    let at = START.plus_millis(n / UNITS * 10 * MINUTE);
    (id(n % UNITS), Reading::new(at).with(Channel::Intensity, 20.0 + (n % 97) as f64 / 100.0))
}

fn leg(from: i64) -> Vec<(String, Vec<u8>)> {
    (from..from + LEG).map(|n| message(&reading(n))).collect()
}

/// A file system of 96 MB in memory, mounted until dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn mount(at: PathBuf) -> Option<Self> {
        fs::create_dir_all(&at).unwrap();
        let done = Command::new("mount").args(["-t", "tmpfs", "-o", "size=96m,mode=0700", "small"]).arg(&at).output();
        done.is_ok_and(|done| done.status.success()).then_some(Self(at))
    }

    /// Fills it up but for some MB, with a file beside the data; without a word to the store.
    fn fill(&self, but_megabytes: u64) {
        let megabyte = vec![0x5a; 1 << 20];
        let mut ballast = File::create(self.ballast()).unwrap();
        while free(&self.0) > but_megabytes << 20 {
            let left = (free(&self.0) - (but_megabytes << 20)).min(1 << 20) as usize;
            if ballast.write_all(&megabyte[..left]).is_err() {
                break;
            }
        }
    }

    fn ballast(&self) -> PathBuf {
        // In the database's own directory: beside it the store would refuse a stranger's file.
        self.0.join("db/ballast")
    }

    fn clear(&self) {
        fs::remove_file(self.ballast()).unwrap();
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        wait_for("umount", || {
            Command::new("umount").arg(&self.0).output().is_ok_and(|done| done.status.success()).then_some(())
        });
    }
}

fn free(path: &Path) -> u64 {
    let done = Command::new("stat").args(["-f", "-c", "%a %S"]).arg(path).output().unwrap();
    let text = String::from_utf8(done.stdout).unwrap();
    let (blocks, size) = text.trim().split_once(' ').unwrap();
    blocks.parse::<u64>().unwrap() * size.parse::<u64>().unwrap()
}

/// Waits until the retained alert says what is expected.
fn wait_for_alert(port: u16, raised: bool) {
    collect(port, "watcher", "fadeline/out/daemon/#", |got| {
        let mut alerts = got.iter().filter(|(topic, _)| topic == "fadeline/out/daemon/alert/store");
        match alerts.next_back() {
            Some((_, payload)) => payload.is_empty() != raised,
            // A retained topic that was cleared is not sent to who comes later.
            None => !raised && got.iter().any(|(topic, _)| topic.ends_with("health")),
        }
    });
}

#[test]
fn a_full_disk_pauses_the_intake_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(dir.path().join("store")) else {
        eprintln!("skipped: this user may not mount a file system here");
        return;
    };
    let broker = Mosquitto::start("persistence true");
    let port = broker.address().port();
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, UNITS)).unwrap();
    let newest = |n: i64| (n - UNITS..n).map(|n| Some(reading(n).1.at)).collect::<Vec<_>>();
    let mut daemon = Daemon::start(&file);
    publish_all(port, "gateway", leg(0));
    wait_for("the first readings", || (latest(&daemon) == newest(LEG)).then_some(()));

    // Too little room for readings: they wait at the broker.
    disk.fill(8);
    publish_all(port, "gateway", leg(LEG));
    wait_for_alert(port, true);
    assert_eq!(latest(&daemon), newest(LEG), "what is not stored is not told");
    disk.clear();
    wait_for("the readings that waited", || (latest(&daemon) == newest(2 * LEG)).then_some(()));
    wait_for_alert(port, false);

    // No room at all, and killed: it starts on the reserve, answers, and waits.
    daemon.kill();
    disk.fill(0);
    publish_all(port, "gateway", leg(2 * LEG));
    daemon.restart();
    wait_for_alert(port, true);
    assert!(!dir.path().join("store/reserve").exists(), "the reserve is given up");
    assert_eq!(latest(&daemon), newest(2 * LEG));
    disk.clear();
    wait_for("the rest", || (latest(&daemon) == newest(3 * LEG)).then_some(()));
    assert!(dir.path().join("store/reserve").exists(), "the reserve is put by again");
    assert!(daemon.stop().success(), "SIGTERM ends it with 0:\n{}", daemon.log());
    let store = open(&dir.path().join("store"));
    for unit in 0..UNITS {
        let expected: Vec<Reading> = (0..3 * LEG).filter(|n| n % UNITS == unit).map(|n| reading(n).1).collect();
        assert_eq!(store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap(), expected);
    }
}
