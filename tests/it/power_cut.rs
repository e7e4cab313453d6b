//! Power cuts: a file system in a file, copied while readings are appended to a store in it, mounted and read. What was
//! acknowledged before the copy is in it. Needs to be allowed to mount; else it says so and passes.
//! `FADELINE_CUTS=50 cargo test --test it power_cut::` cuts more often.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use fadeline::domain::time::MINUTE;
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::store::{Store, settings::StoreSettings};

use super::daemon::wait_for;
use super::kill::{id, times};

/// In a run of all tests.
const CUTS: usize = 3;
const IMAGE_BYTES: u64 = 192 << 20;
const BATCH: i64 = 40;
const UNITS: i64 = 3;
/// Where the child finds its store.
const DIR: &str = "FADELINE_TEST_CUT_DIR";

fn reading(n: i64) -> (UnitId, Reading) {
    let at = Timestamp::from_millis(1_767_225_600_000 + n * 37 * MINUTE);
    (id(n % UNITS), Reading::new(at).with(Channel::Intensity, n as f64 / 8.0))
}

fn open(path: &Path) -> Store {
    Store::open(&StoreSettings { path: path.to_owned(), cache_bytes: 16 << 20 }).unwrap()
}

fn succeeds(program: &str, args: &[&str]) -> bool {
    let done = Command::new(program).args(args).stdout(Stdio::null()).stderr(Stdio::null()).status();
    done.is_ok_and(|status| status.success())
}

/// A file system in a file, mounted until dropped.
struct Mounted(PathBuf);

impl Mounted {
    fn mount(image: &Path, at: &Path) -> Option<Self> {
        fs::create_dir_all(at).unwrap();
        succeeds("mount", &["-o", "loop", image.to_str().unwrap(), at.to_str().unwrap()]).then(|| Self(at.to_owned()))
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let path = self.0.to_str().unwrap();
        // A process just killed may have a file open for another moment.
        wait_for("umount", || succeeds("umount", &[path]).then_some(()));
    }
}

/// Run by the test in a process of its own; by itself it has nothing to do.
#[test]
fn child_of_the_power_cut_test() {
    let Some(dir) = std::env::var_os(DIR) else { return };
    let store = open(Path::new(&dir));
    let mut next = 0;
    let mut out = std::io::stdout();
    loop {
        let batch: Vec<_> = (next..next + BATCH).map(reading).collect();
        store.append(&batch).unwrap();
        next += BATCH;
        writeln!(out, "\nstored {next}").and_then(|()| out.flush()).unwrap();
    }
}

/// A process that appends, and the last number it has acknowledged.
struct Appender {
    child: Child,
    acknowledged: Arc<AtomicI64>,
}

impl Appender {
    fn start(dir: &Path) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "power_cut::child_of_the_power_cut_test", "--nocapture"])
            .env(DIR, dir)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let acknowledged = Arc::new(AtomicI64::new(0));
        let (lines, seen) = (BufReader::new(child.stdout.take().unwrap()).lines(), Arc::clone(&acknowledged));
        std::thread::spawn(move || {
            let numbers = lines.map_while(Result::ok).filter_map(|line| line.strip_prefix("stored ")?.parse().ok());
            numbers.for_each(|number| seen.store(number, Ordering::Release));
        });
        Self { child, acknowledged }
    }

    fn signal(&self, name: &str) {
        assert!(succeeds("kill", &[name, &self.child.id().to_string()]));
    }
}

impl Drop for Appender {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _status = self.child.wait();
    }
}

#[test]
fn what_was_acknowledged_survives_the_power() {
    let dir = tempfile::tempdir().unwrap();
    let image = dir.path().join("image");
    fs::File::create(&image).unwrap().set_len(IMAGE_BYTES).unwrap();
    if !succeeds("mkfs.ext4", &["-q", "-F", image.to_str().unwrap()]) {
        eprintln!("skipped: there is no mkfs.ext4 here");
        return;
    }
    let Some(_disk) = Mounted::mount(&image, &dir.path().join("disk")) else {
        eprintln!("skipped: this user may not mount a file system here");
        return;
    };
    let appender = Appender::start(&dir.path().join("disk/store"));
    let (cuts, mut readings) = (times("FADELINE_CUTS", CUTS), 0);
    for cut in 0..cuts {
        let more = readings + BATCH * (20 + 17 * (cut as i64 % 5));
        wait_for("appends", || (appender.acknowledged.load(Ordering::Acquire) >= more).then_some(()));
        // Stopped wherever it is, so that the copy is of one moment; what it had not synced is not in the image.
        appender.signal("-STOP");
        let acknowledged = appender.acknowledged.load(Ordering::Acquire);
        let copy = dir.path().join("copy");
        fs::copy(&image, &copy).unwrap();
        appender.signal("-CONT");
        let _after = Mounted::mount(&copy, &dir.path().join("after")).expect("the copy mounts");
        readings = check(&dir.path().join("after/store"), acknowledged);
    }
    eprintln!("{cuts} power cuts, {readings} readings at the last, none lost that was acknowledged");
}

/// Everything up to what was acknowledged, or a few whole appends more, and nothing else.
fn check(path: &Path, acknowledged: i64) -> i64 {
    let store = open(path);
    let stored = store.stats().unwrap().readings as i64;
    assert!(stored >= acknowledged && stored % BATCH == 0, "{stored} stored, {acknowledged} acknowledged");
    for unit in 0..UNITS {
        let expected: Vec<Reading> = (0..stored).filter(|n| n % UNITS == unit).map(|n| reading(n).1).collect();
        assert!(store.readings(&id(unit), Timestamp::MIN, Timestamp::MAX).unwrap() == expected, "{}", id(unit));
    }
    assert!(store.verify(|_| ()).unwrap().is_sound());
    stored
}
