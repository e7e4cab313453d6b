//! What can go wrong at the store's edge.

use std::io;
use std::path::PathBuf;

use crate::domain::UnitId;

/// Why the store could not be opened, read or written. Every text names the place and the remedy.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process has it open.
    #[error("the store at {} is in use by {holder}; only one can have it: stop that one first, or give this one a store of its own", path.display())]
    Locked {
        /// The store's directory.
        path: PathBuf,
        /// `process 1234`, or `another process` where it is not known which.
        holder: String,
    },
    /// It was written by a later version of this program.
    #[error(
        "the store at {} has schema {found}, this program knows up to {known}; run the newer program, \
         or restore a backup made by this one",
        path.display()
    )]
    NewerSchema {
        /// The store's directory.
        path: PathBuf,
        /// Its schema.
        found: u32,
        /// The latest schema this program knows.
        known: u32,
    },
    /// The directory has files that are not a store.
    #[error("{} is not empty and not a store of this program ({why}); name another directory", path.display())]
    Foreign {
        /// The directory.
        path: PathBuf,
        /// What was found or missed.
        why: String,
    },
    /// The directory says that it held data, but the database in it is gone, empty or another one.
    #[error(
        "the data of the store at {} is gone or not its own ({why}); nothing was changed. Put the directory back from \
         a backup (`fadeline restore`), or move it away to begin with an empty store",
        path.display()
    )]
    DataGone {
        /// The store's directory.
        path: PathBuf,
        /// What was found or missed.
        why: String,
    },
    /// The database itself cannot be read.
    #[error("the store at {} is damaged ({why}); put it back from a backup (`fadeline restore`)", path.display())]
    Damaged {
        /// The store's directory.
        path: PathBuf,
        /// What does not fit.
        why: String,
    },
    /// A part of the database has changed on the disk by itself.
    #[error(
        "the store at {} is damaged ({why}); the next start gives up what cannot be read, keeps its bytes in \
         `damaged/` and serves the rest. Keep a copy of the directory, then start again; what is lost comes back from a \
         backup (`fadeline restore` into another directory, then `fadeline export` and `fadeline import`)",
        path.display()
    )]
    Rotten {
        /// The store's directory.
        path: PathBuf,
        /// What does not fit.
        why: String,
    },
    /// Too little room on the disk to write safely. Nothing was written; the same call may succeed later.
    #[error("{} has {free} bytes free and a write needs {needed}; free some space", path.display())]
    Full {
        /// The store's directory.
        path: PathBuf,
        /// Bytes free.
        free: u64,
        /// Bytes that must be free before anything is written.
        needed: u64,
    },
    /// An earlier disk error left the store unusable in this process; what was acknowledged is safe on disk.
    #[error("the store at {} stopped after a disk error ({cause}); remove the cause and start again", path.display())]
    Stopped {
        /// The store's directory.
        path: PathBuf,
        /// The first error.
        cause: String,
    },
    /// A unit of which the store has nothing was named where data is needed.
    #[error("the store has no unit `{0}`")]
    NoUnit(UnitId),
    /// A value has no stored form.
    #[error("{what} cannot be stored: {why}")]
    NotStorable {
        /// Which value.
        what: &'static str,
        /// What is wrong with it.
        why: String,
    },
    /// A value is too large to be kept.
    #[error("{what} has {bytes} bytes; at most {limit}")]
    TooLarge {
        /// Which value.
        what: &'static str,
        /// Its size.
        bytes: usize,
        /// The limit.
        limit: usize,
    },
    /// The operating system refused.
    #[error("cannot {doing} {}: {source}", path.display())]
    Io {
        /// What was being done, such as `open`.
        doing: &'static str,
        /// To what.
        path: PathBuf,
        /// What it said.
        source: io::Error,
    },
}

impl StoreError {
    /// For `map_err`: an error of the operating system while doing something to `path`.
    pub(super) fn io(doing: &'static str, path: impl Into<PathBuf>) -> impl FnOnce(io::Error) -> Self {
        let path = path.into();
        move |source| Self::Io { doing, path, source }
    }

    /// Whether the same call may succeed later without anything but time (or space) changing.
    pub fn is_passing(&self) -> bool {
        matches!(self, Self::Full { .. })
    }
}
