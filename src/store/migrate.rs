//! From an earlier schema to this one: on the database itself, with a copy of it beside until it has worked (none where
//! nothing in it changes).
//!
//! ```text
//! DIR/before-schema-5.part/   a copy being made; worth nothing
//! DIR/before-schema-5/        the database as it was
//! ```
//! A migration that was cut short goes on where it was: each unit is one commit, with how far it got.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use super::marker::{Epoch, Home, SCHEMA};
use super::series::{day_key, parse_day_key};
use super::settings::StoreSettings;
use super::tree::{Commit, Disk, Space};
use super::{StoreError, codec, hours, open_disk};
use crate::domain::hour;

/// A database of this schema or a later one stays as it is, and needs no copy: what is new is only written.
const UNTOUCHED_FROM: u32 = 3;
/// How many units have their hours.
const PROGRESS_KEY: &[u8] = b"migrated-units";

/// Brings the database of `home` from `epoch.schema` to [`SCHEMA`] and opens it.
pub(super) fn migrate(home: &Home, epoch: &Epoch, settings: &StoreSettings) -> Result<Disk, StoreError> {
    if epoch.schema < UNTOUCHED_FROM {
        let copy = home.path().join(format!("before-schema-{SCHEMA}"));
        tracing::info!(from = epoch.schema, to = SCHEMA, copy = %copy.display(), "the store is brought to a newer schema");
        keep_copy(&home.database(), &copy)?;
    }
    let mut disk = open_disk(home, epoch, settings)?;
    if epoch.schema < 2 {
        while !make_hours(&mut disk, usize::MAX)? {}
    }
    if epoch.schema < 3 {
        disk.adopt_journal()?;
    }
    home.write_epoch(&Epoch { schema: SCHEMA, ..epoch.clone() })?;
    disk.forget_old_journal()?;
    forget_copies(home)?;
    tracing::info!("the store has schema {SCHEMA} now");
    Ok(disk)
}

/// Removes what a migration that worked has left.
pub(super) fn forget_copies(home: &Home) -> Result<(), StoreError> {
    let names = (1..=SCHEMA).flat_map(|schema| ["", ".part"].map(|end| format!("before-schema-{schema}{end}")));
    for path in names.map(|name| home.path().join(name)) {
        if path.exists() {
            fs::remove_dir_all(&path).map_err(StoreError::io("remove", &path))?;
        }
    }
    Ok(())
}

/// Makes the copy, unless it is there: what is there under its final name is whole.
fn keep_copy(database: &Path, copy: &Path) -> Result<(), StoreError> {
    if copy.is_dir() {
        return Ok(());
    }
    let part = copy.with_extension("part");
    let made = || -> io::Result<()> {
        if part.exists() {
            fs::remove_dir_all(&part)?;
        }
        copy_synced(database, &part)?;
        fs::rename(&part, copy)?;
        copy.parent().map_or(Ok(()), |home| File::open(home)?.sync_all())
    };
    made().map_err(StoreError::io("copy the database, before its schema is changed, to", copy))
}

pub(super) fn copy_synced(from: &Path, to: &Path) -> io::Result<()> {
    fs::create_dir(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy_synced(&entry.path(), &target)?;
        } else {
            fs::copy(entry.path(), &target)?;
            File::open(&target)?.sync_all()?;
        }
    }
    File::open(to)?.sync_all()
}

/// Schema 1 had no hours: makes them of every block, for at most so many units; `true` when all have them. Days that
/// only the journal has get theirs when they are rolled up.
pub(super) fn make_hours(disk: &mut Disk, units_at_most: usize) -> Result<bool, StoreError> {
    let units = disk.all(Space::Units)?;
    let done = disk.get(Space::Meta, PROGRESS_KEY)?.and_then(|bytes| Some(u32::from_be_bytes(bytes.try_into().ok()?)));
    let numbers = units.iter().filter_map(|(key, _)| Some(u32::from_be_bytes(key.as_slice().try_into().ok()?)));
    let left: Vec<u32> = numbers.filter(|number| *number >= done.unwrap_or(0)).collect();
    for number in left.iter().take(units_at_most) {
        let blocks = disk.scan(Space::Blocks, &day_key(*number, i64::MIN), Some(&day_key(*number, i64::MAX)))?;
        let mut commit = Commit::default();
        for (key, block) in blocks {
            // A damaged block is found, and set aside, when it is read.
            let Ok(rows) = codec::decode_block(&block) else { continue };
            if let Some((unit, day)) = parse_day_key(&key) {
                commit.put(Space::Hours, day_key(unit, day), hours::encode(&hour::hours(&rows)));
            }
        }
        commit.put(Space::Meta, PROGRESS_KEY, (number + 1).to_be_bytes().to_vec());
        disk.commit(commit)?;
    }
    let whole = left.len() <= units_at_most;
    if whole {
        let mut commit = Commit::default();
        commit.remove(Space::Meta, PROGRESS_KEY);
        disk.commit(commit)?;
    }
    Ok(whole)
}
