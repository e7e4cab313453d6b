//! The disk: the database, and the journal beside it. The one file that calls sled (1.0.0-alpha.124, pinned).
//!
//! What its source shows, and what follows from it here:
//! - A flush writes every leaf changed since the last one, syncs, then appends **one** checksummed frame to its
//!   metadata log. So everything between two flushes appears together or not at all, across trees: a [`Commit`] is
//!   atomic as long as nobody flushes in the middle of it.
//! - Dropping a `Tree`, a `Db` or an iterator (which holds a clone of the tree) flushes when there is no flusher
//!   thread. So reading flushes too, and must not happen inside a commit: [`Disk`] is behind one lock.
//! - `Tree` is not `Sync` (its cache sits in a `RefCell`): another reason for that lock.
//! - After a flush that failed, the next one waits for ever for the one before. So after the first error nothing of
//!   sled is called again, and its handles are leaked rather than dropped: see `Disk::stop`. As that needs a new
//!   process, a commit first asks whether there is room ([`FREE_BYTES_LEAST`]).
//! - After one leaf with a wrong checksum was read, it answers everything with that error. So that is noted, and the next
//!   opening gives the spoilt leaves up first (`mend.rs`, which knows its files). Damage above it, in a value, is set
//!   aside at once.
//! - Its recovery merges snapshot and logs of its metadata into a new snapshot, removes both, and only then begins a new
//!   log. Killed in between, it leaves a snapshot and no log; the next recovery then writes a snapshot of the **same**
//!   number and removes it as the old one. That process works, and the next finds only what was changed since: trees
//!   without their first leaf, or an empty database. So before opening, `ensure_log` makes sure that there is a log.
//! - `apply_batch` leaves emptied leaves behind for ever; single removals give them back.
//! - Each leaf written lies in the file of its size class, and each such file is synced: few changed leaves, few syncs.
//! - A leaf that this process has written is never paged out: that is decided while it is dirty, and the epoch it was last
//!   flushed in is not taken back (`max_unflushed_epoch`). So the database is closed and opened again once a part of
//!   the cache was written: see `Disk::renew`.

use std::io;
use std::mem::ManuallyDrop;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::StoreError;
use super::bytes::Damage;
use super::codec::{decode_old_batch, encode_batch};
use super::journal::{Contents, Journal, Record};
use super::mend;
use super::reserve::{RESERVE_BYTES, Reserve};

/// Entries in a leaf. A changed entry rewrites its leaf: at 100 readings an append, 32 wrote 106 bytes a reading, 16
/// wrote 60, 8 wrote 36 (all with sealing: 120, 69, 39), and the smaller leaves also fit their slots better on disk.
const LEAF_FANOUT: usize = 8;
/// Files emptier than this are compacted by moving what lies at their end. At 0.9, the default, that alone was an
/// eighth of all writing, for no less space.
const FILL_RATIO: f32 = 0.7;
/// The database is closed and opened again once one part in so many of its cache was put. With the whole cache, 200
/// units at 64 MB grew for 210 days, to 116 MB.
const HELD_PART: u64 = 4;
/// How long to wait for the database's own lock. We hold the directory's, so whoever has it still is a process we are
/// just starting, between its birth and its first instruction.
const LOCK_WAIT: Duration = Duration::from_secs(10);
/// Readings are refused while less than this is free (and twice their own size on top): a flush that fails half way
/// stops the store for this process, a refused one does not.
pub(super) const FREE_BYTES_LEAST: u64 = 16 << 20;
/// Where the journal begins and how far its numbers went.
const BOUNDS_KEY: &[u8] = b"journal";
/// What a bit that has flipped under the database is called.
const ROTTEN: &str = "a checksum in its files is wrong";
/// Everything else while less than this is free.
const FREE_BYTES_FLOOR: u64 = 4 << 20;

macro_rules! spaces {
    ($($(#[$doc:meta])* $space:ident = $name:literal),+ $(,)?) => {
        /// A key space of its own; the names are part of the schema.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(super) enum Space { $($(#[$doc])* $space),+ }

        impl Space {
            const NAMES: &'static [&'static str] = &[$($name),+];

            /// Its name on disk.
            pub fn name(self) -> &'static str {
                Self::NAMES[self as usize]
            }
        }
    };
}

spaces! {
    /// What the store says about itself.
    Meta = "meta",
    /// Unit number -> unit record.
    Units = "units",
    /// Up to schema 2: number of an append -> its packed readings. Now in files, see `journal.rs`.
    Journal = "journal",
    /// Unit number and first instant -> sealed block.
    Blocks = "blocks",
    /// Unit number and UTC day -> what is owed or done for that day.
    Marks = "marks",
    /// Unit number and date -> day roll-up.
    Days = "days",
    /// Unit number, time and place -> service entry.
    Logbook = "logbook",
    /// Unit number -> latest assessment.
    Assessments = "assessments",
    /// Key -> message to publish.
    Outbox = "outbox",
    /// Key -> message that never parses.
    Quarantine = "quarantine",
    /// Name -> small value of the daemon.
    Keepsakes = "keepsakes",
    /// Space and key -> a value that could not be decoded.
    Damaged = "damaged",
    /// Unit number and UTC day -> the hours of the day.
    Hours = "hours",
    /// Unit number -> how far its channels were given up.
    Trims = "trims",
    /// Unit number and first UTC day -> sealed blocks of some days: see `bundles.rs`.
    BlockBundles = "block-bundles",
    /// Unit number and first UTC day -> the hours of some days.
    HourBundles = "hour-bundles",
    /// Unit number and first date -> some day roll-ups.
    DayBundles = "day-bundles",
}

/// Changes that become durable together, in the order they were made.
#[derive(Debug, Default)]
pub(super) struct Commit {
    changes: Vec<(Space, Vec<u8>, Option<Vec<u8>>)>,
    /// For the journal, after the changes are durable: the number of an append, and its batch.
    record: Option<Record>,
    /// Where the journal begins afterwards, if that changes.
    journal_from: Option<u64>,
    /// Whether it brings readings: those wait when the disk is nearly full, the rest goes on from the reserve.
    pub bulky: bool,
}

impl Commit {
    /// Sets a key.
    pub fn put(&mut self, space: Space, key: impl Into<Vec<u8>>, value: Vec<u8>) {
        self.changes.push((space, key.into(), Some(value)));
    }

    /// Removes a key; one that is not there is no error.
    pub fn remove(&mut self, space: Space, key: impl Into<Vec<u8>>) {
        self.changes.push((space, key.into(), None));
    }

    /// Writes an append into the journal. The changes become durable before it, so they must be right without it, too.
    pub fn journal(&mut self, number: u64, batch: Vec<u8>) {
        self.record = Some((number, batch));
    }

    /// Lets the journal begin with the append `from`; the appends before `next` are numbered.
    pub fn bound_journal(&mut self, from: u64, next: u64) {
        self.put(Space::Meta, BOUNDS_KEY, [from.to_be_bytes(), next.to_be_bytes()].concat());
        self.journal_from = Some(from);
    }

    /// Moves a value that cannot be decoded out of the way.
    pub fn set_aside(&mut self, space: Space, key: &[u8], value: Vec<u8>) {
        let mut aside = vec![space as u8];
        aside.extend_from_slice(key);
        self.put(Space::Damaged, aside, value);
        self.remove(space, key);
    }

    /// Space, key and new value of each change; `None` removes.
    pub fn changes_mut(&mut self) -> impl Iterator<Item = (Space, &[u8], &mut Option<Vec<u8>>)> {
        self.changes.iter_mut().map(|(space, key, value)| (*space, key.as_slice(), value))
    }

    /// Whether there is nothing to do.
    pub fn is_empty(&self) -> bool {
        self.changes.is_empty() && self.record.is_none()
    }

    /// Bytes of what changes in the database.
    fn held_bytes(&self) -> u64 {
        self.changes.iter().map(|(_, key, value)| (key.len() + value.as_ref().map_or(0, Vec::len)) as u64).sum()
    }

    fn bytes(&self) -> u64 {
        self.held_bytes() + self.record.as_ref().map_or(0, |(_, batch)| batch.len() as u64)
    }
}

/// One key with its value.
pub(super) type Entry = (Vec<u8>, Vec<u8>);

type Tree = sled::Tree<LEAF_FANOUT>;

struct Handles {
    // Trees before the database: each flushes when dropped, the last closes it.
    trees: Vec<Tree>,
    db: sled::Db<LEAF_FANOUT>,
}

enum State {
    Open(Box<Handles>),
    /// With the first error.
    Stopped(String),
}

/// The database of one store, open in this process.
pub(super) struct Disk {
    path: PathBuf,
    cache_bytes: usize,
    state: State,
    journal: Journal,
    /// Bytes put since it was opened that stay in memory until it is closed.
    held_bytes: u64,
    /// Bytes written to disk before it was last opened.
    written_before: u64,
    /// How often it was opened again by this process.
    renewals: u32,
    free_bytes_least: u64,
    reserve: Reserve,
}

impl std::fmt::Debug for Disk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Disk").field("path", &self.path).finish_non_exhaustive()
    }
}

impl Disk {
    /// Opens or makes the database in `path`, with its journal. The caller has made sure that no other process has it.
    pub fn open(path: &Path, cache_bytes: usize, journal: Journal, mut reserve: Reserve) -> Result<Self, StoreError> {
        if free_bytes(path.parent().unwrap_or(path))? < FREE_BYTES_FLOOR {
            reserve.give_up();
        }
        let state = State::Open(Box::new(open_handles(path, cache_bytes)?));
        let mut disk = Self {
            path: path.to_owned(),
            cache_bytes,
            state,
            journal,
            held_bytes: 0,
            written_before: 0,
            renewals: 0,
            free_bytes_least: FREE_BYTES_LEAST,
            reserve,
        };
        disk.flush()?;
        disk.refill_reserve()?;
        Ok(disk)
    }

    fn open_handles(&self) -> Result<&Handles, StoreError> {
        match &self.state {
            State::Open(handles) => Ok(handles),
            State::Stopped(cause) => Err(StoreError::Stopped { path: self.path.clone(), cause: cause.clone() }),
        }
    }

    fn tree(&self, space: Space) -> Result<&Tree, StoreError> {
        Ok(&self.open_handles()?.trees[space as usize])
    }

    /// From now on every call answers with this error, and nothing of sled is called again, not even to close it.
    fn stop(&mut self, error: &io::Error) -> StoreError {
        let rotten = error.kind() == io::ErrorKind::InvalidData;
        let cause = if rotten { ROTTEN.to_owned() } else { error.to_string() };
        std::mem::forget(std::mem::replace(&mut self.state, State::Stopped(cause.clone())));
        let path = self.path.clone();
        if rotten {
            mend::owe(&path);
            return StoreError::Rotten { path, why: cause };
        }
        StoreError::Stopped { path, cause }
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The value of the entry `key` itself: what bundles have of it is for `bundles.rs`, which has the readings for
    /// everybody else.
    pub fn read(&mut self, space: Space, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let found = self.tree(space)?.get(key);
        found.map(|value| value.map(|value| value.to_vec())).map_err(|error| self.stop(&error))
    }

    /// The first `most` entries themselves with `from <= key`, and `key < to` if there is a `to`, ascending.
    pub fn range(
        &mut self,
        space: Space,
        from: &[u8],
        to: Option<&[u8]>,
        most: usize,
    ) -> Result<Vec<Entry>, StoreError> {
        let tree = self.tree(space)?;
        if to.is_some_and(|to| to <= from) {
            return Ok(Vec::new());
        }
        // A range with an end is not ended there: when its last entry is taken, sled reads every further leaf of the tree
        // for more. So it gets none, and the first entry behind the end stops it.
        let within =
            |entry: &io::Result<Entry>| entry.as_ref().map_or(true, |(key, _)| to.is_none_or(|to| key.as_slice() < to));
        // Not to be dropped after an error: see the notes at the top.
        let mut entries = ManuallyDrop::new(tree.range::<&[u8], _>(from..));
        match entries.by_ref().map(own).take_while(within).take(most).collect() {
            Ok(found) => {
                drop(ManuallyDrop::into_inner(entries));
                Ok(found)
            }
            Err(error) => Err(self.stop(&error)),
        }
    }

    /// Makes all of `commit` durable, as it stands: see [`Disk::commit`] in `bundles.rs`.
    pub fn write(&mut self, commit: Commit) -> Result<(), StoreError> {
        self.open_handles()?;
        if commit.is_empty() {
            return Ok(());
        }
        self.check_room(commit.bytes(), commit.bulky)?;
        if let Some((number, batch)) = &commit.record {
            self.make_room(*number, batch.len())?;
        }
        let held = commit.held_bytes();
        if !commit.changes.is_empty() {
            let handles = self.open_handles()?;
            let written = commit.changes.into_iter().try_for_each(|(space, key, value)| {
                let tree = &handles.trees[space as usize];
                value.map_or_else(|| tree.remove(&key), |value| tree.insert(&key, value)).map(|_| ())
            });
            written.map_err(|error| self.stop(&error))?;
            self.flush()?;
        }
        if let Some((number, batch)) = commit.record {
            self.journal.append(number, &batch).map_err(|error| self.stop(&error))?;
        }
        if let Some(from) = commit.journal_from {
            self.journal.drop_before(from);
        }
        self.held_bytes += held;
        if self.held_bytes >= self.cache_bytes as u64 / HELD_PART {
            self.renew();
        }
        Ok(())
    }

    fn make_room(&mut self, number: u64, bytes: usize) -> Result<(), StoreError> {
        self.journal.make_room(number, bytes).or_else(|error| match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                let (free, needed) = (free_bytes(&self.path)?, self.free_bytes_least + 2 * bytes as u64);
                Err(StoreError::Full { path: self.path.clone(), free, needed })
            }
            _ => Err(self.stop(&error)),
        })
    }

    /// Where the journal begins, and the number after the last that is known to be given.
    pub fn journal_bounds(&mut self) -> Result<(u64, u64), StoreError> {
        let Some(bounds) = self.get(Space::Meta, BOUNDS_KEY)? else { return Ok((1, 1)) };
        let number = |bytes: &[u8]| bytes.try_into().map(u64::from_be_bytes);
        bounds
            .split_at_checked(8)
            .and_then(|(from, next)| Some((number(from).ok()?, number(next).ok()?)))
            .ok_or_else(|| self.damaged("where the journal begins", Damage("it is no pair of numbers")))
    }

    /// The segments of the journal, oldest first, for [`Disk::read_journal`].
    pub fn journal_segments(&self) -> Vec<PathBuf> {
        self.journal.segments()
    }

    /// The appends of a segment.
    pub fn read_journal(&self, segment: &Path) -> Result<Contents, StoreError> {
        self.journal.read(segment).map_err(StoreError::io("read", segment))
    }

    /// Copies the journal that a database up to schema 2 has in itself into its files, durably.
    pub fn adopt_journal(&mut self) -> Result<(), StoreError> {
        let batches = self.all(Space::Journal)?;
        let number_of = |key: &[u8]| key.try_into().map_or(0, u64::from_be_bytes);
        for (key, old) in &batches {
            let batch = match decode_old_batch(old) {
                Ok(units) => encode_batch(&units),
                Err(damage) => {
                    self.set_aside(Space::Journal, key, old.clone(), damage)?;
                    continue;
                }
            };
            self.make_room(number_of(key), batch.len())?;
            self.journal.write(number_of(key), &batch).map_err(|error| self.stop(&error))?;
        }
        self.journal.sync().map_err(|error| self.stop(&error))?;
        let (first, last) = (batches.first(), batches.last());
        let mut commit = Commit::default();
        if let (Some((first, _)), Some((last, _))) = (first, last) {
            commit.bound_journal(number_of(first), number_of(last) + 1);
        }
        self.commit(commit)
    }

    /// Removes what [`Disk::adopt_journal`] has copied, once the copy counts.
    pub fn forget_old_journal(&mut self) -> Result<(), StoreError> {
        let mut commit = Commit::default();
        self.all(Space::Journal)?.into_iter().for_each(|(key, _)| commit.remove(Space::Journal, key));
        self.commit(commit)
    }

    /// Closes the database and opens it again, which gives back the memory of everything written since it was opened.
    /// The next call says so if it could not be opened: what was committed is durable all the same.
    fn renew(&mut self) {
        // The opening writes a snapshot of all metadata beside the old one: not on a disk that is nearly full.
        let has_room = free_bytes(&self.path).is_ok_and(|free| free >= self.free_bytes_least);
        if !has_room || !self.reserve.is_whole() {
            return;
        }
        let Ok(written) = self.database_written() else { return };
        let begun = Instant::now();
        // Closed here, before it is opened: there is one lock.
        drop(std::mem::replace(&mut self.state, State::Stopped("it is being opened anew".to_owned())));
        match open_handles(&self.path, self.cache_bytes) {
            Ok(handles) => {
                self.state = State::Open(Box::new(handles));
                (self.held_bytes, self.written_before) = (0, written);
                self.renewals += 1;
                let took = begun.elapsed();
                tracing::debug!(?took, times = self.renewals, "the database was closed and opened again");
            }
            Err(error) => self.state = State::Stopped(error.to_string()),
        }
    }

    fn check_room(&mut self, bytes: u64, bulky: bool) -> Result<(), StoreError> {
        let floor = FREE_BYTES_FLOOR + 2 * bytes;
        let mut free = free_bytes(&self.path)?;
        if free < floor {
            self.reserve.give_up();
            free = free_bytes(&self.path)?;
        } else if !self.reserve.is_whole() {
            self.refill_reserve()?;
            free = free_bytes(&self.path)?;
        }
        // Readings wait until the reserve is whole again.
        let needed = match (bulky, self.reserve.is_whole()) {
            (false, _) => floor,
            (true, true) => self.free_bytes_least + 2 * bytes,
            (true, false) => self.free_bytes_least + 2 * bytes + RESERVE_BYTES,
        };
        if free < needed {
            return Err(StoreError::Full { path: self.path.clone(), free, needed });
        }
        Ok(())
    }

    /// Puts the reserve by again once there is room for it and for readings.
    fn refill_reserve(&mut self) -> Result<(), StoreError> {
        if !self.reserve.is_whole() && free_bytes(&self.path)? >= self.free_bytes_least.saturating_add(RESERVE_BYTES) {
            self.reserve.refill();
        }
        Ok(())
    }

    /// Makes everything durable.
    fn flush(&mut self) -> Result<(), StoreError> {
        let flushed = self.open_handles()?.db.flush();
        flushed.map(|_| ()).map_err(|error| self.stop(&error))
    }

    /// Bytes written to disk since it was opened, metadata included.
    pub fn bytes_written(&self) -> Result<u64, StoreError> {
        Ok(self.database_written()? + self.journal.bytes_written())
    }

    fn database_written(&self) -> Result<u64, StoreError> {
        let written = self.open_handles()?.db.stats().cache.heap.write_batch_sum;
        Ok(self.written_before + written.heap_bytes_written + written.metadata_bytes_written)
    }

    /// Takes a value that cannot be decoded out of the way, where it can be looked at, and says so.
    pub fn set_aside(&mut self, space: Space, key: &[u8], value: Vec<u8>, damage: Damage) -> Result<(), StoreError> {
        tracing::error!(?space, ?key, %damage, "a stored value is damaged; it was set aside");
        let mut commit = Commit::default();
        commit.set_aside(space, key, value);
        self.commit(commit)
    }

    /// That something in the database is not what was written.
    pub fn damaged(&self, what: &str, damage: Damage) -> StoreError {
        StoreError::Damaged { path: self.path.clone(), why: format!("{what}: {damage}") }
    }

    /// For tests: how often it was closed and opened again.
    #[cfg(test)]
    pub fn renewals(&self) -> u32 {
        self.renewals
    }

    /// For tests: refuse commits while less than this is free.
    #[cfg(test)]
    pub fn demand_free_bytes(&mut self, least: u64) {
        self.free_bytes_least = least;
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // In the middle of a panic the database may be half way through a flush; closing it could wait for ever.
        if std::thread::panicking() {
            self.stop(&io::Error::other("a panic"));
        }
    }
}

/// Opens the database and its trees.
fn open_handles(path: &Path, cache_bytes: usize) -> Result<Handles, StoreError> {
    ensure_log(&path.join("metadata")).map_err(StoreError::io("prepare", path))?;
    let mut config = sled::Config::new().path(path).cache_capacity_bytes(cache_bytes).flush_every_ms(None);
    config.target_heap_file_fill_ratio = FILL_RATIO;
    let damaged = |why: String| StoreError::Damaged { path: path.to_owned(), why };
    // Some damage makes its recovery panic instead of returning an error.
    let open = || {
        catch_unwind(AssertUnwindSafe(|| {
            let db = config.open::<LEAF_FANOUT>()?;
            let trees = Space::NAMES.iter().map(|name| db.open_tree(name)).collect::<Result<_, _>>()?;
            Ok::<_, io::Error>(Handles { trees, db })
        }))
    };
    let begun = Instant::now();
    let mut opened = open();
    while matches!(&opened, Ok(Err(error)) if error.kind() == io::ErrorKind::WouldBlock) && begun.elapsed() < LOCK_WAIT
    {
        std::thread::sleep(Duration::from_millis(5));
        opened = open();
    }
    match opened {
        Ok(Ok(handles)) => Ok(handles),
        Ok(Err(source)) if source.kind() == io::ErrorKind::WouldBlock => {
            Err(StoreError::Locked { path: path.to_owned(), holder: "another process".to_owned() })
        }
        Ok(Err(source)) if source.kind() == io::ErrorKind::InvalidData => {
            mend::owe(path);
            Err(damaged(source.to_string()))
        }
        Ok(Err(source)) if source.kind() == io::ErrorKind::StorageFull => {
            let (free, needed) = (free_bytes(path)?, FREE_BYTES_FLOOR);
            Err(StoreError::Full { path: path.to_owned(), free, needed })
        }
        Ok(Err(source)) => Err(StoreError::io("open", path)(source)),
        Err(_) => Err(damaged("its recovery gave up".to_owned())),
    }
}

/// Begins an empty metadata log if there is a snapshot and no log after it: see the notes at the top.
fn ensure_log(metadata: &Path) -> io::Result<()> {
    let entries = match std::fs::read_dir(metadata) {
        Ok(entries) => entries,
        // A new database, or one that is not there at all.
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error),
    };
    let (mut snapshot, mut log) = (None, None);
    for entry in entries {
        let name = entry?.file_name();
        let number = |prefix: &str| u64::from_str_radix(name.to_str()?.strip_prefix(prefix)?, 16).ok();
        snapshot = snapshot.max(number("snapshot_"));
        log = log.max(number("log_"));
    }
    if let Some(snapshot) = snapshot
        && log.is_none_or(|log| log <= snapshot)
    {
        tracing::warn!("an opening of the store was cut short; it goes on");
        std::fs::File::create(metadata.join(format!("log_{:016x}", snapshot + 1)))?.sync_all()?;
        std::fs::File::open(metadata)?.sync_all()?;
    }
    Ok(())
}

fn own(entry: io::Result<(sled::InlineArray, sled::InlineArray)>) -> io::Result<Entry> {
    entry.map(|(key, value)| (key.to_vec(), value.to_vec()))
}

/// Bytes a normal user may still write where `path` lies.
fn free_bytes(path: &Path) -> Result<u64, StoreError> {
    let stat =
        rustix::fs::statvfs(path).map_err(|error| StoreError::io("ask for free space at", path)(error.into()))?;
    Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
}
