//! A time of day that a test turns for a program it starts, so that days pass at once in the real binary.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use fadeline::domain::Timestamp;
use tempfile::TempDir;

/// The time of day of some programs.
pub struct TurnedClock {
    path: PathBuf,
    file: File,
    turned: i64,
}

/// Compiled once for all tests: Cargo needs a C compiler to link, so there is one.
fn library() -> &'static Path {
    static BUILT: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let (_, library) = BUILT.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let library = dir.path().join("turned.so");
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/it/clock/turned.c");
        let built = Command::new("cc").args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(source).status();
        assert!(built.unwrap().success(), "{source} must compile");
        (dir, library)
    });
    library
}

impl TurnedClock {
    /// A clock kept in `dir` that shows `now`.
    pub fn new(dir: &Path, now: Timestamp) -> Self {
        let path = dir.join("clock");
        let file = File::create_new(&path).unwrap();
        let mut clock = Self { path, file, turned: 0 };
        clock.turn(now);
        clock
    }

    /// Turns it to `now`.
    pub fn turn(&mut self, now: Timestamp) {
        self.turned = now.millis_since(fadeline::clock::now());
        self.file.write_all_at(&self.turned.to_ne_bytes(), 0).unwrap();
    }

    /// What it shows.
    pub fn now(&self) -> Timestamp {
        fadeline::clock::now().plus_millis(self.turned)
    }

    /// Lets a program have this time of day.
    pub fn give(&self, command: &mut Command) {
        command.env("LD_PRELOAD", library()).env("TURNED_CLOCK", &self.path);
    }
}
