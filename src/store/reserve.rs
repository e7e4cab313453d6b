//! Room put by on the disk: given up when the disk is full, so that the little that must still be written can be, and
//! put by again when there is room.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use rustix::fs::FallocateFlags;

/// How much is put by, bytes.
pub(super) const RESERVE_BYTES: u64 = 32 << 20;
const NAME: &str = "reserve";
/// A page at a time: larger pieces make larger folios, of which a few bytes changed count as all of them written.
const ZEROS_BYTES: u64 = 4_096;

/// The file that holds the room.
#[derive(Debug)]
pub(super) struct Reserve {
    path: PathBuf,
    whole: bool,
}

impl Reserve {
    /// The reserve of a store's directory, if it is there.
    pub fn find(home: &Path) -> Self {
        let path = home.join(NAME);
        let whole = fs::metadata(&path).is_ok_and(|about| about.len() == RESERVE_BYTES);
        Self { path, whole }
    }

    /// Whether the room is put by.
    pub fn is_whole(&self) -> bool {
        self.whole
    }

    /// Whether this is the name of its file.
    pub fn is(name: &std::ffi::OsStr) -> bool {
        name == NAME
    }

    /// Gives the room back to the disk.
    pub fn give_up(&mut self) {
        if self.whole {
            match fs::remove_file(&self.path) {
                Ok(()) => tracing::warn!(bytes = RESERVE_BYTES, "the disk is full: the store's reserve was given up"),
                Err(error) => tracing::error!("the disk is full and the reserve cannot be given up: {error}"),
            }
        }
        self.whole = false;
    }

    /// Puts the room by. A disk that will not is no fault: it is tried again at the next occasion.
    pub fn refill(&mut self) {
        match fill(&self.path) {
            Ok(()) => self.whole = true,
            Err(error) => {
                tracing::debug!("no room can be put by at {}: {error}", self.path.display());
                let _gone = fs::remove_file(&self.path);
            }
        }
    }
}

fn fill(path: &Path) -> io::Result<()> {
    let file = File::create(path)?;
    // Not every file system can; each can be written to.
    if rustix::fs::fallocate(&file, FallocateFlags::empty(), 0, RESERVE_BYTES).is_err() {
        write_zeros(&file, RESERVE_BYTES)?;
    }
    file.sync_all()
}

/// Writes so many zeros to the front of a file.
pub(super) fn write_zeros(file: &File, bytes: u64) -> io::Result<()> {
    let zeros = [0; ZEROS_BYTES as usize];
    for begin in (0..bytes).step_by(ZEROS_BYTES as usize) {
        file.write_all_at(&zeros[..(bytes - begin).min(ZEROS_BYTES) as usize], begin)?;
    }
    Ok(())
}
