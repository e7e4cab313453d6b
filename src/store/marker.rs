//! The store's directory and the file in it that says what must be there.
//!
//! ```text
//! DIR/lock      held while a process has the store; its process id
//! DIR/epoch     which database belongs here, and its schema
//! DIR/db/       the database
//! DIR/journal/  what is in no block of it yet
//! DIR/reserve   room put by
//! ```
//! A database that opens empty after a fault looks like a new one. The epoch file lies outside it and carries the same
//! random id: a database without that id is refused instead of being filled anew.

use std::fs::{self, File, TryLockError};
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io::{Read, Seek, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::reserve::Reserve;
use super::{StoreError, journal};

/// The schema this program writes. Raise it with every change of a key, a value or the meaning of either.
///
/// 1: without hours. 2: hours, and what was given up. 3: the journal in files of its own. 4: narrower columns; those of
/// before are read as they are. 5: days long over in bundles; single ones are read as they are.
pub const SCHEMA: u32 = 5;

const FORMAT: &str = "fadeline store";
const LOCK: &str = "lock";
const EPOCH: &str = "epoch";
const EPOCH_NEW: &str = "epoch.new";
const DATABASE: &str = "db";

/// The contents of the epoch file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Epoch {
    /// Always the same.
    pub format: String,
    /// Schema of the database.
    pub schema: u32,
    /// The database's own id, 32 hexadecimal digits.
    pub id: String,
    /// Whether the database was made whole. While not, there is nothing in it to lose.
    pub made: bool,
}

impl Epoch {
    /// For a database about to be made.
    pub fn fresh() -> Self {
        // Each `RandomState` is keyed by the system's randomness.
        let half = || RandomState::new().build_hasher().finish();
        let id = format!("{:016x}{:016x}", half(), half());
        Self { format: FORMAT.to_owned(), schema: SCHEMA, id, made: false }
    }
}

/// A store's directory, ours alone as long as this lives.
#[derive(Debug)]
pub(super) struct Home {
    path: PathBuf,
    lock: File,
}

impl Drop for Home {
    fn drop(&mut self) {
        // Closing alone would leave it to a process that is just being started and still has our files.
        let _ = self.lock.unlock();
    }
}

impl Home {
    /// Makes the directory if it is missing (for its owner only) and takes the lock.
    pub fn enter(path: &Path) -> Result<Self, StoreError> {
        let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(path);
        made.map_err(StoreError::io("make the directory", path))?;
        let lock_path = path.join(LOCK);
        refuse_foreign(path)?;
        let mut lock = File::options()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .mode(0o600)
            .open(&lock_path)
            .map_err(StoreError::io("open", &lock_path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let known = lock.read_to_string(&mut holder).is_ok() && holder.trim().parse::<u32>().is_ok();
                let holder = if known { format!("process {}", holder.trim()) } else { "another process".to_owned() };
                return Err(StoreError::Locked { path: path.to_owned(), holder });
            }
            Err(TryLockError::Error(source)) => return Err(StoreError::io("lock", &lock_path)(source)),
        }
        // Who holds it is a service to people, not a part of the lock: a full disk must not matter here.
        let _ = lock.set_len(0).and_then(|()| lock.rewind()).and_then(|()| writeln!(lock, "{}", std::process::id()));
        Ok(Self { path: path.to_owned(), lock })
    }

    /// The directory.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes all files in it take, without the reserve.
    pub fn bytes(&self) -> Result<u64, StoreError> {
        bytes_under(&self.path).map_err(StoreError::io("measure", &self.path))
    }

    /// Where the database lies.
    pub fn database(&self) -> PathBuf {
        self.path.join(DATABASE)
    }

    /// What must be there; `None` in a new directory.
    pub fn epoch(&self) -> Result<Option<Epoch>, StoreError> {
        let path = self.path.join(EPOCH);
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(StoreError::io("read", path)(error)),
        };
        let foreign = |why: String| StoreError::Foreign { path: self.path.clone(), why };
        let epoch: Epoch = serde_json::from_str(&text).map_err(|error| foreign(format!("{EPOCH}: {error}")))?;
        if epoch.format != FORMAT {
            return Err(foreign(format!("{EPOCH} is of another program")));
        }
        if epoch.schema > SCHEMA {
            return Err(StoreError::NewerSchema { path: self.path.clone(), found: epoch.schema, known: SCHEMA });
        }
        Ok(Some(epoch))
    }

    /// Replaces the epoch file, durably.
    pub fn write_epoch(&self, epoch: &Epoch) -> Result<(), StoreError> {
        let (new, path) = (self.path.join(EPOCH_NEW), self.path.join(EPOCH));
        let text = serde_json::to_vec(epoch).map_err(|error| StoreError::io("write", &path)(error.into()))?;
        let written =
            File::options().create(true).truncate(true).write(true).mode(0o600).open(&new).and_then(|mut file| {
                file.write_all(&text)?;
                file.sync_all()
            });
        written
            .and_then(|()| fs::rename(&new, &path))
            .and_then(|()| File::open(&self.path)?.sync_all())
            .map_err(StoreError::io("write", path))
    }

    /// Removes a database that was never made whole.
    pub fn clear_database(&self) -> Result<(), StoreError> {
        let path = self.database();
        match fs::remove_dir_all(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(StoreError::io("remove", path)(error)),
            _ => Ok(()),
        }
    }
}

/// Without an epoch file there may be nothing but what we make before it.
fn refuse_foreign(path: &Path) -> Result<(), StoreError> {
    if path.join(EPOCH).exists() {
        return Ok(());
    }
    let entries = fs::read_dir(path).map_err(StoreError::io("list", path))?;
    for entry in entries {
        let name = entry.map_err(StoreError::io("list", path))?.file_name();
        if name == DATABASE || journal::is_directory(&name) {
            let why = format!("{}/ is there without its {EPOCH} file", name.to_string_lossy());
            return Err(StoreError::DataGone { path: path.to_owned(), why });
        }
        // A card's own directory; anything else is somebody's.
        if name != LOCK && name != EPOCH_NEW && name != "lost+found" && !Reserve::is(&name) {
            let why = format!("it has `{}`", name.to_string_lossy());
            return Err(StoreError::Foreign { path: path.to_owned(), why });
        }
    }
    Ok(())
}

fn bytes_under(path: &Path) -> std::io::Result<u64> {
    let mut bytes = 0;
    for entry in fs::read_dir(path)? {
        let entry = entry?;
        bytes += match entry.metadata() {
            Ok(meta) if meta.is_dir() => bytes_under(&entry.path())?,
            Ok(_) if Reserve::is(&entry.file_name()) => 0,
            Ok(meta) => meta.len(),
            // The database removes files of its own while we look.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => 0,
            Err(error) => return Err(error),
        };
    }
    Ok(bytes)
}
