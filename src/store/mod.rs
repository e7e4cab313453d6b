//! The store: every reading that was acknowledged, and what was made of it. The only module that knows sled.
//!
//! [`Store`] is the whole surface. Its methods block; each that changes something is durable when it returns. It is
//! `Send + Sync`: one owner writes, others read beside it.
//!
//! Inside: `tree` is the disk, `journal` the files beside its database, `series` the readings, `rows` and `runs` the days that
//! are open and those that are not, `codec` and `bytes` the stored forms, `records` roll-ups, logbook and assessments,
//! `outbox` the messages, `marker` the directory. Locks are taken in one order: disk, then series, then the queues.

mod bundles;
mod bytes;
mod codec;
mod error;
mod hours;
mod journal;
mod keepsakes;
mod marker;
mod mend;
mod migrate;
mod outbox;
mod records;
mod reserve;
mod rows;
mod runs;
mod series;
pub mod settings;
mod snapshot;
#[cfg(test)]
mod tests;
mod tree;
mod trim;
mod verify;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::time::{Duration, Instant};

use jiff::civil::Date;

use crate::domain::{
    Assessment, Channel, Columns, DaySummary, HourSummary, Reading, ServiceEntry, Timestamp, UnitId, hour,
};

use self::bytes::Damage;
use self::journal::Journal;
use self::marker::{Epoch, Home};
use self::outbox::{Outbox, Quarantine};
use self::reserve::Reserve;
use self::rows::Rows;
use self::series::Series;
use self::settings::StoreSettings;
use self::tree::{Commit, Disk, Space};

pub use self::error::StoreError;
pub use self::marker::SCHEMA;
pub use self::outbox::{
    OUTBOX_BYTES_MAX, OUTBOX_ITEMS_MAX, OutboxItem, QUARANTINE_BYTES_MAX, QUARANTINE_ITEMS_MAX, QUARANTINE_PAYLOAD_MAX,
    Quarantined,
};
pub use self::rows::DAY_ROWS_MAX;
pub use self::series::{Appended, Dirty, DirtyDays, DirtyToken, utc_day};
pub use self::snapshot::{Days, Snapshot};
pub use self::trim::Trimmed;
pub use self::verify::{Gap, SILENT_AT_LEAST, UnitVerified, Verified};

const EPOCH_KEY: &[u8] = b"epoch";
const LOCK_RETRY_EVERY: Duration = Duration::from_millis(50);
/// Room for at most so many readings is made beforehand.
const RESERVED_ROWS_MOST: usize = 1 << 20;

/// The data of one fleet, open in this process only.
#[derive(Debug)]
pub struct Store {
    disk: Mutex<Disk>,
    series: RwLock<Series>,
    outbox: Mutex<Outbox>,
    quarantine: Mutex<Quarantine>,
    // Last: the directory is given up after the database is closed.
    home: Home,
}

/// One day of a unit, as it is kept.
enum Kept<'a> {
    Open(Arc<Rows>),
    Sealed(&'a [u8]),
}

impl Kept<'_> {
    fn onto(self, rows: &mut Vec<Reading>) -> Result<(), Damage> {
        match self {
            Self::Open(open) => rows.extend(open.to_vec()?),
            Self::Sealed(block) => codec::decode_block_onto(block, rows)?,
        }
        Ok(())
    }
}

/// Facts about a store.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StoreStats {
    /// Bytes its files take.
    pub bytes_on_disk: u64,
    /// Bytes written to disk since it was opened.
    pub bytes_written: u64,
    /// Readings of all units.
    pub readings: u64,
    /// Units with readings.
    pub units: usize,
    /// Appends that only the journal has.
    pub journal_appends: u64,
    /// Memory of the open days, bytes, about.
    pub open_bytes: usize,
    /// Messages that wait to be published.
    pub outbox: usize,
    /// Messages that never parsed.
    pub quarantined: usize,
    /// Stored values that could not be decoded and were set aside.
    pub damaged: usize,
}

impl Store {
    /// Opens the store in `settings.path`, or makes it: the directory then is its owner's only (mode 0700).
    ///
    /// # Errors
    /// In use by another process, a newer schema, a directory that is somebody else's, data that was expected and is
    /// not there, damage, or what the operating system said.
    pub fn open(settings: &StoreSettings) -> Result<Self, StoreError> {
        let home = Home::enter(&settings.path)?;
        let spoilt = mend::is_owed(&home.database());
        if spoilt {
            mend::mend(&home.database())?;
        }
        let mut disk = open_database(&home, settings)?;
        let mut series = Series::recover(&mut disk)?;
        if spoilt {
            series.lose_missing_blocks(&mut disk)?;
            mend::end(&home.database())?;
        }
        let series = RwLock::new(series);
        let outbox = Mutex::new(Outbox::recover(&mut disk)?);
        let quarantine = Mutex::new(Quarantine::recover(&mut disk)?);
        Ok(Self { disk: Mutex::new(disk), series, outbox, quarantine, home })
    }

    /// The same, but while another process has the store, tries again for so long: a command that reads it, or a daemon
    /// that is just ending, is done in a moment.
    pub fn open_within(settings: &StoreSettings, patience: Duration) -> Result<Self, StoreError> {
        let begun = Instant::now();
        let mut said = false;
        loop {
            match Self::open(settings) {
                Err(StoreError::Locked { path, holder }) if begun.elapsed() < patience => {
                    if !said {
                        tracing::warn!(path = %path.display(), holder, "the store is in use; waiting for it");
                        said = true;
                    }
                    std::thread::sleep(LOCK_RETRY_EVERY);
                }
                opened => return opened,
            }
        }
    }

    // A panic elsewhere while a lock was held: the disk, then, has stopped itself or holds a whole commit, and what is
    // in memory changes only after one.
    fn disk(&self) -> MutexGuard<'_, Disk> {
        self.disk.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn series(&self) -> RwLockReadGuard<'_, Series> {
        self.series.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn series_mut(&self) -> RwLockWriteGuard<'_, Series> {
        self.series.write().unwrap_or_else(PoisonError::into_inner)
    }

    /// Stores readings, 1 to some 10,000 at once; durable when it returns. Late ones and repeats are welcome: a repeat
    /// of a unit's instant is merged channel by channel, the last one wins.
    pub fn append(&self, batch: &[(UnitId, Reading)]) -> Result<Appended, StoreError> {
        let mut disk = self.disk();
        let mut plan = self.series_mut().plan(&mut disk, batch)?;
        // Without the lock of the series: others read on while the disk works.
        disk.commit(std::mem::take(&mut plan.commit))?;
        Ok(self.series_mut().apply(plan))
    }

    /// Stores readings straight into their days' blocks, past the journal: for an import or a restore, with some 10,000
    /// to 1,000,000 readings at once, whole days together. Durable when it returns; the same merging as
    /// [`Store::append`], and the days are dirty likewise.
    pub fn load(&self, batch: &[(UnitId, Reading)]) -> Result<Appended, StoreError> {
        let mut disk = self.disk();
        let mut load = self.series_mut().plan_load(&mut disk, batch)?;
        disk.commit(std::mem::take(&mut load.commit))?;
        Ok(self.series_mut().apply_load(load))
    }

    /// The readings of a unit with `from <= at < to`, ascending, one for each instant. Of a damaged block, which is
    /// logged and set aside, nothing; the rest is served.
    pub fn readings(&self, id: &UnitId, from: Timestamp, to: Timestamp) -> Result<Vec<Reading>, StoreError> {
        let mut all: Vec<Reading> = Vec::new();
        let mut place = 0;
        self.each_kept(id, (from, to), |day, count| {
            if place == 1 {
                // Days are much alike.
                all.reserve_exact((all.len() * (count - 1)).min(RESERVED_ROWS_MOST));
            }
            place += 1;
            day.onto(&mut all)
        })?;
        all.truncate(all.partition_point(|row| row.at < to));
        all.drain(..all.partition_point(|row| row.at < from));
        Ok(all)
    }

    /// The same by columns, with these channels alone.
    pub fn columns(
        &self,
        id: &UnitId,
        (from, to): (Timestamp, Timestamp),
        channels: &[Channel],
    ) -> Result<Columns, StoreError> {
        let wanted = |channel: Channel| channels.contains(&channel);
        let mut columns = Columns::default();
        let mut place = 0;
        self.each_kept(id, (from, to), |day, count| {
            if place == 1 {
                columns.reserve((columns.len() * (count - 1)).min(RESERVED_ROWS_MOST));
            }
            place += 1;
            match day {
                Kept::Open(open) => columns.extend_rows(&open.to_vec()?, wanted),
                Kept::Sealed(block) => codec::decode_columns_onto(block, &mut columns, wanted)?,
            }
            Ok(())
        })?;
        columns.cut(from, to);
        Ok(columns)
    }

    /// Hands over the days of a unit that a range touches, ascending, and how many there are. The disk is asked for all of a
    /// bundle at once. A damaged block is set aside; one that was there a moment ago is passed over.
    fn each_kept(
        &self,
        id: &UnitId,
        (from, to): (Timestamp, Timestamp),
        mut hand_over: impl FnMut(Kept, usize) -> Result<(), Damage>,
    ) -> Result<(), StoreError> {
        let (unit, days) = self.days_between(id, from, to);
        let count = days.len();
        let mut blocks = Vec::new().into_iter().peekable();
        let mut blocks_to = i64::MIN;
        for (day, open) in days {
            if let Some(open) = open {
                hand_over(Kept::Open(open), count).map_err(|damage| self.disk().damaged("an open day", damage))?;
                continue;
            }
            if day >= blocks_to {
                blocks_to = bundles::after(day);
                let (first, end) = (series::day_key(unit, day), series::day_key(unit, blocks_to.min(utc_day(to) + 1)));
                blocks = self.disk().scan(Space::Blocks, &first, Some(&end))?.into_iter().peekable();
            }
            let key = series::day_key(unit, day);
            while blocks.next_if(|(earlier, _)| earlier[..] < key[..]).is_some() {}
            let Some((_, block)) = blocks.next_if(|(other, _)| other[..] == key[..]) else { continue };
            if let Err(damage) = hand_over(Kept::Sealed(&block), count) {
                self.lose_block((unit, day), block, damage)?;
            }
        }
        Ok(())
    }

    /// A unit's number and the days of it that a range touches.
    fn days_between(&self, id: &UnitId, from: Timestamp, to: Timestamp) -> (u32, BTreeMap<i64, Option<Arc<Rows>>>) {
        let series = self.series();
        let Some(unit) = series.known(id).filter(|_| from < to) else { return Default::default() };
        (unit, series.days_between(unit, utc_day(from), utc_day(to.plus_millis(-1))))
    }

    /// Sets the sealed block of a day aside if it is damaged.
    fn look_at_block(&self, (unit, day): (u32, i64)) -> Result<(), StoreError> {
        let Some(block) = self.disk().get(Space::Blocks, &series::day_key(unit, day))? else { return Ok(()) };
        let Err(damage) = codec::decode_block(&block) else { return Ok(()) };
        self.lose_block((unit, day), block, damage)
    }

    fn lose_block(&self, (unit, day): (u32, i64), block: Vec<u8>, damage: Damage) -> Result<(), StoreError> {
        self.series_mut_with_disk(|series, disk| series.lose_block(disk, unit, day, block, damage))
    }

    fn series_mut_with_disk<T>(
        &self,
        act: impl FnOnce(&mut Series, &mut Disk) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let mut disk = self.disk();
        act(&mut self.series_mut(), &mut disk)
    }

    /// The latest reading of a unit.
    pub fn latest(&self, id: &UnitId) -> Option<Reading> {
        self.series().latest(id)
    }

    /// The units that have readings, by id.
    pub fn units(&self) -> Vec<UnitId> {
        self.series().ids()
    }

    /// The units of which anything is kept, readings or not, by id.
    pub fn all_units(&self) -> Vec<UnitId> {
        self.series().recorded_ids()
    }

    /// How many readings a unit has.
    pub fn count(&self, id: &UnitId) -> u64 {
        self.series().count(id)
    }

    /// Seals every open day into its block, over or not, and shortens the journal: before a backup, or to hand memory
    /// back. Nothing is gained in safety.
    pub fn settle(&self) -> Result<(), StoreError> {
        self.series_mut_with_disk(|series, disk| {
            let (commit, seals) = series.plan_seal_all(disk)?;
            disk.commit(commit)?;
            series.apply_seals(seals);
            Ok(())
        })
    }

    /// The unit-days that changed since they were rolled up. Survives a crash: an append makes them durable with its
    /// readings.
    pub fn dirty(&self) -> Dirty {
        self.series().dirty()
    }

    /// The same for one unit.
    pub fn dirty_of(&self, id: &UnitId) -> DirtyDays {
        self.series().dirty_of(id)
    }

    /// Declares days of a unit rolled up as of `token`; those that changed later stay dirty. Durable. How many were
    /// cleared.
    pub fn clear_dirty(&self, id: &UnitId, days: &[i64], token: DirtyToken) -> Result<usize, StoreError> {
        self.roll_up(id, &[], days, token)
    }

    /// Puts day roll-ups, each in the place of an earlier one of its date.
    pub fn put_days(&self, id: &UnitId, days: &[DaySummary]) -> Result<(), StoreError> {
        self.put(id, |commit, unit| records::put_days(commit, unit, days))
    }

    /// [`Store::put_days`] and [`Store::clear_dirty`] in one, at the price of one. The hours of the days that are cleared
    /// are made too.
    pub fn roll_up(
        &self,
        id: &UnitId,
        days: &[DaySummary],
        cleared: &[i64],
        token: DirtyToken,
    ) -> Result<usize, StoreError> {
        let mut disk = self.disk();
        let mut commit = Commit::default();
        if !days.is_empty() {
            let unit = self.series_mut().number_in(id, &mut commit);
            records::put_days(&mut commit, unit, days)?;
        }
        let cleared = self.series().plan_clear(id, cleared, token, &mut commit);
        for (unit, day) in cleared.days() {
            let rows = self.series_mut().day_rows(&mut disk, unit, day)?;
            records::put_hours(&mut disk, &mut commit, unit, day, hour::hours(&rows))?;
        }
        disk.commit(commit)?;
        let mut series = self.series_mut();
        if !days.is_empty() {
            series.recorded();
        }
        let cleared = series.apply_clear(cleared);
        drop(series);
        self.bundle_what_is_due(&mut disk, id).map(|()| cleared)
    }

    /// Bundles the days of a unit that are long over, if there are more of them than the last time.
    fn bundle_what_is_due(&self, disk: &mut Disk, id: &UnitId) -> Result<(), StoreError> {
        let due = self.series().known(id).and_then(|number| self.series().due_to_bundle(number));
        due.map_or(Ok(()), |due| self.bundle(disk, due))
    }

    fn bundle(&self, disk: &mut Disk, (unit, before): (u32, i64)) -> Result<(), StoreError> {
        match disk.bundle(unit, before) {
            Ok(()) => self.series_mut().bundled(unit, before),
            // With the next day that is rolled up, then.
            Err(StoreError::Full { .. }) => {}
            Err(error) => return Err(error),
        }
        Ok(())
    }

    /// The day roll-ups of a unit from one date to another, both included, ascending.
    pub fn days(&self, id: &UnitId, from: Option<Date>, to: Option<Date>) -> Result<Vec<DaySummary>, StoreError> {
        self.get(id, |disk, unit| records::days(disk, unit, from, to))
    }

    /// The hour roll-ups of a unit with `from <= at < to`, ascending; of days that were rolled up.
    pub fn hours(&self, id: &UnitId, from: Timestamp, to: Timestamp) -> Result<Vec<HourSummary>, StoreError> {
        self.get(id, |disk, unit| records::hours(disk, unit, from, to))
    }

    /// Puts hour roll-ups; one that rests on fewer readings than the kept one does not replace it.
    pub fn put_hours(&self, id: &UnitId, hours: &[HourSummary]) -> Result<(), StoreError> {
        let mut disk = self.disk();
        let mut commit = Commit::default();
        let unit = self.series_mut().number_in(id, &mut commit);
        for part in hours.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)) {
            records::put_hours(&mut disk, &mut commit, unit, utc_day(part[0].at), part.to_vec())?;
        }
        disk.commit(commit)?;
        self.series_mut().recorded();
        Ok(())
    }

    /// Writes a service entry into a unit's logbook; `false`: the same entry (time, action, value, name and note) is
    /// there already.
    pub fn log(&self, id: &UnitId, entry: &ServiceEntry) -> Result<bool, StoreError> {
        self.log_all(id, std::slice::from_ref(entry)).map(|new| new > 0)
    }

    /// Writes many entries at the price of one; how many are new.
    pub fn log_all(&self, id: &UnitId, entries: &[ServiceEntry]) -> Result<usize, StoreError> {
        let mut disk = self.disk();
        let mut commit = Commit::default();
        let unit = self.series_mut().number_in(id, &mut commit);
        let new = records::put_entries(&mut disk, &mut commit, unit, entries)?;
        disk.commit(commit)?;
        self.series_mut().recorded();
        Ok(new)
    }

    /// The logbook of a unit, by time, then by when an entry was recorded.
    pub fn logbook(&self, id: &UnitId) -> Result<Vec<ServiceEntry>, StoreError> {
        self.get(id, records::logbook)
    }

    /// Puts an assessment in the place of the unit's last one.
    pub fn put_assessment(&self, id: &UnitId, assessment: &Assessment) -> Result<(), StoreError> {
        self.put(id, |commit, unit| records::put_assessment(commit, unit, assessment))
    }

    /// The latest assessment of a unit.
    pub fn assessment(&self, id: &UnitId) -> Result<Option<Assessment>, StoreError> {
        self.get(id, |disk, unit| records::assessment(disk, unit).map(|found| found.into_iter().collect()))
            .map(|found: Vec<Assessment>| found.into_iter().next())
    }

    /// The latest assessments, by unit.
    pub fn assessments(&self) -> Result<Vec<(UnitId, Assessment)>, StoreError> {
        let numbered = records::assessments(&mut self.disk())?;
        let series = self.series();
        let named = numbered.into_iter().filter_map(|(unit, assessment)| Some((series.id(unit)?.clone(), assessment)));
        let mut named: Vec<_> = named.collect();
        named.sort_by(|(a, _), (b, _)| a.cmp(b));
        Ok(named)
    }

    fn put(
        &self,
        id: &UnitId,
        fill: impl FnOnce(&mut Commit, u32) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let mut disk = self.disk();
        let mut commit = Commit::default();
        let unit = self.series_mut().number_in(id, &mut commit);
        fill(&mut commit, unit)?;
        disk.commit(commit)?;
        self.series_mut().recorded();
        Ok(())
    }

    fn get<T>(
        &self,
        id: &UnitId,
        read: impl FnOnce(&mut Disk, u32) -> Result<Vec<T>, StoreError>,
    ) -> Result<Vec<T>, StoreError> {
        let mut disk = self.disk();
        let unit = self.series().known(id);
        unit.map_or_else(|| Ok(Vec::new()), |unit| read(&mut disk, unit))
    }

    /// Keeps a message until it is published, and gives its key. A retained message replaces an older one to its topic;
    /// beyond [`OUTBOX_ITEMS_MAX`] or [`OUTBOX_BYTES_MAX`] the oldest go, which is logged.
    pub fn outbox_put(&self, item: &OutboxItem) -> Result<u64, StoreError> {
        let keys = self.outbox_put_all(std::slice::from_ref(item))?;
        Ok(keys.into_iter().next().unwrap_or_default())
    }

    /// Keeps many messages at the price of one; their keys in order.
    pub fn outbox_put_all(&self, items: &[OutboxItem]) -> Result<Vec<u64>, StoreError> {
        let (keys, dropped) = lock(&self.outbox, self.disk(), |outbox, disk| outbox.put(disk, items))?;
        if dropped > 0 {
            tracing::warn!(dropped, "too many messages wait to be published; the oldest were dropped");
        }
        Ok(keys)
    }

    /// Forgets messages that were published; keys that are gone already are passed over.
    pub fn outbox_remove(&self, keys: &[u64]) -> Result<(), StoreError> {
        lock(&self.outbox, self.disk(), |outbox, disk| outbox.remove(disk, keys))
    }

    /// The messages that wait to be published, oldest first.
    pub fn outbox(&self) -> Result<Vec<(u64, OutboxItem)>, StoreError> {
        lock(&self.outbox, self.disk(), Outbox::all)
    }

    /// Keeps a message that never parses, for a closer look. Beyond [`QUARANTINE_ITEMS_MAX`] or
    /// [`QUARANTINE_BYTES_MAX`] the oldest go; of a payload [`QUARANTINE_PAYLOAD_MAX`] bytes are kept.
    pub fn quarantine(&self, topic: &str, payload: &[u8], reason: &str, at: Timestamp) -> Result<(), StoreError> {
        let message = Quarantined {
            at,
            topic: topic.to_owned(),
            payload: payload[..payload.len().min(QUARANTINE_PAYLOAD_MAX)].to_vec(),
            payload_len: payload.len(),
            reason: reason.to_owned(),
        };
        self.quarantine_all(&[message])
    }

    /// Keeps messages as they were kept elsewhere, at the price of one.
    pub fn quarantine_all(&self, messages: &[Quarantined]) -> Result<(), StoreError> {
        lock(&self.quarantine, self.disk(), |quarantine, disk| quarantine.put(disk, messages))
    }

    /// The messages that never parsed, oldest first.
    pub fn quarantined(&self) -> Result<Vec<Quarantined>, StoreError> {
        Quarantine::all(&mut self.disk())
    }

    /// Keeps a small value of the daemon under a name, such as the state of its alerts; an empty one is forgotten.
    pub fn keep(&self, name: &str, value: &[u8]) -> Result<(), StoreError> {
        let mut commit = Commit::default();
        if value.is_empty() {
            commit.remove(Space::Keepsakes, name);
        } else {
            commit.put(Space::Keepsakes, name, value.to_vec());
        }
        self.disk().commit(commit)
    }

    /// What was kept under a name.
    pub fn kept(&self, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.disk().get(Space::Keepsakes, name.as_bytes())
    }

    /// Everything that was kept under a name.
    pub fn keepsakes(&self) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        let entries = self.disk().all(Space::Keepsakes)?;
        Ok(entries.into_iter().map(|(name, value)| (String::from_utf8_lossy(&name).into_owned(), value)).collect())
    }

    /// The id of this database, 32 hexadecimal digits: another one has another.
    pub fn epoch(&self) -> Result<String, StoreError> {
        let id = self.disk().get(Space::Meta, EPOCH_KEY)?.unwrap_or_default();
        Ok(String::from_utf8_lossy(&id).into_owned())
    }

    /// Facts about the store.
    pub fn stats(&self) -> Result<StoreStats, StoreError> {
        let (bytes_written, damaged) = {
            let mut disk = self.disk();
            (disk.bytes_written()?, disk.all(Space::Damaged)?.len() + mend::given_up(&self.home.database()))
        };
        let series = self.series();
        Ok(StoreStats {
            bytes_on_disk: self.home.bytes()?,
            bytes_written,
            readings: series.total(),
            units: series.ids().len(),
            journal_appends: series.journal_len(),
            open_bytes: series.open_bytes(),
            outbox: self.outbox.lock().unwrap_or_else(PoisonError::into_inner).len(),
            quarantined: self.quarantine.lock().unwrap_or_else(PoisonError::into_inner).len(),
            damaged,
        })
    }

    /// The directory it lies in.
    pub fn path(&self) -> PathBuf {
        self.home.path().to_owned()
    }

    /// Closes the database and gives the directory up. Dropping does the same.
    pub fn close(self) {}
}

fn lock<Q, T>(
    queue: &Mutex<Q>,
    mut disk: MutexGuard<'_, Disk>,
    act: impl FnOnce(&mut Q, &mut Disk) -> Result<T, StoreError>,
) -> Result<T, StoreError> {
    act(&mut queue.lock().unwrap_or_else(PoisonError::into_inner), &mut disk)
}

/// Opens the database that belongs into `home`, or makes it in a new one.
fn open_database(home: &Home, settings: &StoreSettings) -> Result<Disk, StoreError> {
    if let Some(epoch) = home.epoch()?.filter(|epoch| epoch.made) {
        if epoch.schema < SCHEMA {
            return migrate::migrate(home, &epoch, settings);
        }
        let mut disk = open_disk(home, &epoch, settings)?;
        disk.forget_old_journal()?;
        migrate::forget_copies(home)?;
        return Ok(disk);
    }
    // New, or the making of it was cut short: nothing can have been stored yet.
    home.clear_database()?;
    let epoch = Epoch::fresh();
    home.write_epoch(&epoch)?;
    let journal = Journal::make(home.path(), &epoch.id)?;
    let mut disk = Disk::open(&home.database(), settings.cache_bytes, journal, Reserve::find(home.path()))?;
    let mut commit = Commit::default();
    commit.put(Space::Meta, EPOCH_KEY, epoch.id.clone().into_bytes());
    disk.commit(commit)?;
    home.write_epoch(&Epoch { made: true, ..epoch })?;
    Ok(disk)
}

/// Opens the database that must be there.
fn open_disk(home: &Home, epoch: &Epoch, settings: &StoreSettings) -> Result<Disk, StoreError> {
    let path = home.database();
    let gone = |why: String| StoreError::DataGone { path: settings.path.clone(), why };
    if !path.is_dir() {
        return Err(gone("its database is missing".to_owned()));
    }
    // Up to schema 2 the journal is in the database; files of it are a migration that was cut short.
    let open_journal = if epoch.schema < 3 { Journal::make } else { Journal::open };
    let journal = open_journal(home.path(), &epoch.id)?;
    let mut disk = Disk::open(&path, settings.cache_bytes, journal, Reserve::find(home.path()))?;
    match disk.get(Space::Meta, EPOCH_KEY)? {
        Some(id) if id == epoch.id.as_bytes() => Ok(disk),
        Some(_) => Err(gone("its database is another one".to_owned())),
        None => Err(gone("its database is empty".to_owned())),
    }
}
