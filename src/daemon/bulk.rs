//! Much data at once: archives out of the store and into it, and the check of everything. Blocking.
//!
//! The same functions serve the local interface and the commands that open the store themselves.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::sync::Arc;

use tokio::sync::mpsc;

use crate::archive::{
    ArchiveError, CheckProgress, CheckReport, Gap, GivenUp, Head, Holds, Junk, Keepsake, Letter, ROWS_MAX, Reader,
    Section, Selection, Taken, UnitCheck, UnitHead, WriteError, Writer,
};
use crate::clock;
use crate::domain::time::DAY;
use crate::domain::{Channel, Reading, ServiceEntry, Timestamp, UnitId};
use crate::query::{Refusal, RefusalKind};
use crate::store::{OutboxItem, Quarantined, Snapshot, Store, StoreError, utc_day};
use crate::web::bulk::Warehouse;

/// A section has at least so many readings, if its unit has: what is alike packs better together.
const ROWS_LEAST: usize = 16_384;
/// Messages of a section that could not be read.
const JUNK_MAX: usize = 64;
/// Hour roll-ups of a section.
const HOURS_MAX: usize = 8_760;
/// From so many new readings on they go straight into blocks instead of through the journal.
const LOAD_LEAST: usize = 2_000;

/// What an import has changed, for whoever judges the units.
#[derive(Debug, Default)]
pub struct Changed {
    /// New readings by unit, ascending.
    pub readings: BTreeMap<UnitId, Vec<Reading>>,
    /// Units with new service entries.
    pub serviced: Vec<UnitId>,
}

/// A store, open for much at once.
#[derive(Debug)]
pub struct Stock {
    store: Arc<Store>,
    units: BTreeSet<UnitId>,
    changed: Option<mpsc::UnboundedSender<Changed>>,
}

impl Stock {
    /// `units`: those of the config, which alone may be imported; `changed` hears of what came in.
    pub fn new(
        store: Arc<Store>,
        units: impl IntoIterator<Item = UnitId>,
        changed: Option<mpsc::UnboundedSender<Changed>>,
    ) -> Self {
        Self { store, units: units.into_iter().collect(), changed }
    }

    /// Stores what sections hold: readings and service entries.
    pub fn take(&self, sections: Vec<Section>) -> Result<Taken, Refusal> {
        let store_failed = |error: StoreError| Refusal { kind: RefusalKind::Store, says: error.to_string() };
        let mut taken = Taken::default();
        let mut changed = Changed::default();
        let mut fresh = Vec::new();
        for section in sections {
            match section {
                Section::Rows { unit, rows } => {
                    self.known(&unit)?;
                    let news = news(&self.store, &unit, rows, &mut taken).map_err(store_failed)?;
                    fresh.extend(news.iter().map(|reading| (unit.clone(), *reading)));
                    changed.readings.entry(unit).or_default().extend(news);
                }
                Section::Logbook { unit, entries } => {
                    self.known(&unit)?;
                    let now = clock::now();
                    let entries: Vec<ServiceEntry> =
                        entries.into_iter().map(|entry| ServiceEntry { recorded: Some(now), ..entry }).collect();
                    let new = self.store.log_all(&unit, &entries).map_err(store_failed)?;
                    taken.stored += new as u64;
                    taken.already += (entries.len() - new) as u64;
                    if new > 0 {
                        changed.serviced.push(unit);
                    }
                }
                _ => {}
            }
        }
        let appended = match fresh.len() {
            0 => None,
            LOAD_LEAST.. => Some(self.store.load(&fresh).map_err(store_failed)?),
            _ => Some(self.store.append(&fresh).map_err(store_failed)?),
        };
        if let Some(appended) = appended {
            taken.over += appended.over as u64;
            taken.stored -= (appended.over as u64).min(taken.stored);
        }
        if let Some(hears) =
            self.changed.as_ref().filter(|_| !changed.readings.is_empty() || !changed.serviced.is_empty())
        {
            // Only at the very end nobody listens any more; the next start sees what is owed.
            let _late = hears.send(changed);
        }
        Ok(taken)
    }

    fn known(&self, unit: &UnitId) -> Result<(), Refusal> {
        if self.units.contains(unit) {
            return Ok(());
        }
        let says = format!("there is no unit `{unit}` in the config; add it as [[unit]] and import again");
        Err(Refusal { kind: RefusalKind::NoSuchUnit, says })
    }
}

/// Those of `rows` that the store does not have as they are; the rest is counted.
fn news(store: &Store, unit: &UnitId, rows: Vec<Reading>, taken: &mut Taken) -> Result<Vec<Reading>, StoreError> {
    let mut news = Vec::new();
    for day in rows.chunk_by(|a, b| utc_day(a.at) == utc_day(b.at)) {
        let start = Timestamp::from_millis(utc_day(day[0].at).saturating_mul(DAY));
        let there = store.readings(unit, start, start.plus_millis(DAY))?;
        for row in day {
            match there.binary_search_by_key(&row.at, |old| old.at) {
                Err(_) => taken.stored += 1,
                Ok(place) => {
                    let mut merged = there[place];
                    merged.absorb(row);
                    if merged == there[place] {
                        taken.already += 1;
                        continue;
                    }
                    taken.changed += 1;
                }
            }
            news.push(*row);
        }
    }
    Ok(news)
}

/// Hands the sections of a selection to `each`, in order, without the end. Of the readings it is a snapshot: all that
/// was stored when it was called, and nothing later.
pub fn walk<E: From<StoreError>>(
    store: &Store,
    wanted: &Selection,
    mut each: impl FnMut(Section) -> Result<(), E>,
) -> Result<(), E> {
    let snapshot = store.snapshot();
    let units: Vec<UnitId> = snapshot.units().filter(|unit| wanted.everything || wanted.takes(unit)).cloned().collect();
    each(Section::Head(Head {
        made: clock::now(),
        by: env!("CARGO_PKG_VERSION").to_owned(),
        holds: if wanted.everything { Holds::Backup } else { Holds::Selection },
        epoch: Some(store.epoch()?),
        units: units.len() as u64,
        readings: if wanted.logbook { 0 } else { units.iter().map(|unit| snapshot.count(unit)).sum() },
    }))?;
    for unit in &units {
        each(Section::Unit(UnitHead { unit: unit.clone(), readings: snapshot.count(unit) }))?;
        if wanted.everything || wanted.logbook {
            logbook(store, unit, wanted, &mut each)?;
        }
        if wanted.everything {
            records(store, unit, &mut each)?;
        }
        if wanted.everything || !wanted.logbook {
            rows(&snapshot, unit, wanted, &mut each)?;
        }
        // After the roll-ups were read.
        let owed = snapshot.unsettled_days(unit);
        if wanted.everything && !owed.is_empty() {
            each(Section::Owed { unit: unit.clone(), days: owed })?;
        }
        let channels = store.given_up(unit);
        if wanted.everything && !channels.is_empty() {
            let gone = |(channel, [raw, hours, days]): (Channel, [Option<i64>; 3])| GivenUp {
                channel: channel.name().to_owned(),
                raw,
                hours,
                days,
            };
            each(Section::GivenUp { unit: unit.clone(), channels: channels.into_iter().map(gone).collect() })?;
        }
    }
    let mut lost: BTreeMap<UnitId, Vec<i64>> = BTreeMap::new();
    snapshot.damaged().into_iter().for_each(|(unit, day)| lost.entry(unit).or_default().push(day));
    lost.into_iter().try_for_each(|(unit, days)| each(Section::Lost { unit, days }))?;
    if wanted.everything { beside(store, &mut each) } else { Ok(()) }
}

fn logbook<E: From<StoreError>>(
    store: &Store,
    unit: &UnitId,
    wanted: &Selection,
    each: &mut impl FnMut(Section) -> Result<(), E>,
) -> Result<(), E> {
    let mut entries = store.logbook(unit)?;
    entries.retain(|entry| wanted.everything || wanted.spans(entry.at));
    if entries.is_empty() { Ok(()) } else { each(Section::Logbook { unit: unit.clone(), entries }) }
}

fn records<E: From<StoreError>>(
    store: &Store,
    unit: &UnitId,
    each: &mut impl FnMut(Section) -> Result<(), E>,
) -> Result<(), E> {
    let days = store.days(unit, None, None)?;
    if !days.is_empty() {
        each(Section::Days { unit: unit.clone(), days })?;
    }
    for hours in store.hours(unit, Timestamp::MIN, Timestamp::MAX)?.chunks(HOURS_MAX) {
        each(Section::Hours { unit: unit.clone(), hours: hours.to_vec() })?;
    }
    match store.assessment(unit)? {
        Some(assessment) => each(Section::Assessment { unit: unit.clone(), assessment: Box::new(assessment) }),
        None => Ok(()),
    }
}

fn rows<E: From<StoreError>>(
    snapshot: &Snapshot<'_>,
    unit: &UnitId,
    wanted: &Selection,
    each: &mut impl FnMut(Section) -> Result<(), E>,
) -> Result<(), E> {
    let (from, to) = if wanted.everything { (Timestamp::MIN, Timestamp::MAX) } else { wanted.span() };
    let mut waiting: Vec<Reading> = Vec::new();
    for day in snapshot.days(unit, from, to) {
        waiting.extend(day?);
        if waiting.len() >= ROWS_LEAST {
            put_rows(unit, &mut waiting, each)?;
        }
    }
    put_rows(unit, &mut waiting, each)
}

fn put_rows<E>(
    unit: &UnitId,
    waiting: &mut Vec<Reading>,
    each: &mut impl FnMut(Section) -> Result<(), E>,
) -> Result<(), E> {
    waiting.chunks(ROWS_MAX).try_for_each(|rows| each(Section::Rows { unit: unit.clone(), rows: rows.to_vec() }))?;
    waiting.clear();
    Ok(())
}

fn beside<E: From<StoreError>>(store: &Store, each: &mut impl FnMut(Section) -> Result<(), E>) -> Result<(), E> {
    let letter = |(_, item): (u64, OutboxItem)| Letter {
        topic: item.topic,
        payload: item.payload,
        retain: item.retain,
        expiry_secs: item.expiry_secs,
        correlation: item.correlation,
    };
    let mail: Vec<Letter> = store.outbox()?.into_iter().map(letter).collect();
    if !mail.is_empty() {
        each(Section::Mail(mail))?;
    }
    let junk = |message: Quarantined| {
        let Quarantined { at, topic, payload, payload_len, reason } = message;
        Junk { at, topic, payload, payload_len, reason }
    };
    let junk: Vec<Junk> = store.quarantined()?.into_iter().map(junk).collect();
    // A few at a time: a section has bounds.
    junk.chunks(JUNK_MAX).try_for_each(|part| each(Section::Junk(part.to_vec())))?;
    let kept = store.keepsakes()?.into_iter().map(|(name, value)| Keepsake { name, value }).collect::<Vec<_>>();
    if kept.is_empty() { Ok(()) } else { each(Section::Keepsakes(kept)) }
}

/// Why an archive could not be written.
#[derive(Debug, thiserror::Error)]
enum HandOutError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Write(#[from] WriteError),
}

impl Warehouse for Stock {
    fn hand_out(&self, wanted: &Selection, out: &mut dyn Write) -> io::Result<()> {
        let mut writer = Writer::new(out)?;
        let walked = walk(&self.store, wanted, |section| Ok::<_, HandOutError>(writer.put(&section)?));
        let failed = |error: WriteError| match error {
            WriteError::Io(error) => error,
            other => io::Error::other(other),
        };
        match walked {
            Ok(()) => {}
            Err(HandOutError::Write(WriteError::Io(error))) => return Err(error),
            Err(other) => writer.put(&Section::Fail(other.to_string())).map_err(failed)?,
        }
        writer.finish().map_err(failed).map(|_| ())
    }

    fn take_in(&self, archive: &[u8]) -> Result<Taken, Refusal> {
        let refused = |error: ArchiveError| Refusal { kind: RefusalKind::BadEntry, says: error.to_string() };
        let mut reader = Reader::new(archive).map_err(refused)?;
        let mut sections = Vec::new();
        while let Some(section) = reader.next().map_err(refused)? {
            sections.push(section);
        }
        self.take(sections)
    }

    fn check(&self, progress: &mut dyn FnMut(CheckProgress)) -> Result<CheckReport, String> {
        check(&self.store, progress).map_err(|error| error.to_string())
    }
}

/// Reads everything that a store has and checks it; changes nothing.
pub fn check(store: &Store, progress: &mut dyn FnMut(CheckProgress)) -> Result<CheckReport, StoreError> {
    let found = store.verify(|so_far| {
        progress(CheckProgress { done: so_far.days as u64, of: so_far.days_in_all as u64 });
    })?;
    let date = |day: i64| Timestamp::from_millis(day.saturating_mul(DAY)).to_string();
    let mut damaged: Vec<String> = found
        .damaged
        .iter()
        .map(|(unit, day)| format!("{unit}: the readings of {} (UTC)", &date(*day)[..10.min(date(*day).len())]))
        .collect();
    if found.damaged_records > 0 {
        damaged.push(format!("{} roll-ups, service entries, assessments or journal batches", found.damaged_records));
    }
    let set_aside = store.stats()?.damaged;
    if set_aside > 0 {
        damaged.push(format!("{set_aside} set aside as damaged earlier"));
    }
    let unit = |about: &crate::store::UnitVerified| UnitCheck {
        unit: about.unit.clone(),
        readings: about.readings,
        expected: about.expected,
        first: about.first,
        last: about.last,
        gap_count: about.gap_count as u64,
        gaps: about.gaps.iter().map(|gap| Gap { from: gap.from, to: gap.to }).collect(),
    };
    let units: Vec<UnitCheck> = found.units.iter().map(unit).collect();
    for about in units.iter().filter(|about| about.readings != about.expected) {
        damaged.push(format!("{}: {} readings where {} should be", about.unit, about.readings, about.expected));
    }
    Ok(CheckReport {
        of: store.path().display().to_string(),
        readings: found.readings,
        blocks: found.blocks as u64,
        bytes: found.bytes,
        records: found.records,
        damaged,
        units,
    })
}

/// Fills an empty store from a backup; `each` hears of every section, and may stop it.
///
/// # Errors
/// Of the archive, of the store, or what `each` said. What the store then holds is not to be used.
pub fn restore<R: io::Read, E: From<StoreError> + From<ArchiveError>>(
    store: &Store,
    reader: &mut Reader<R>,
    mut each: impl FnMut(&Reader<R>, &Section) -> Result<(), E>,
) -> Result<(), E> {
    let mut owed: BTreeMap<UnitId, BTreeSet<i64>> = BTreeMap::new();
    let mut batch: Vec<(UnitId, Reading)> = Vec::new();
    while let Some(section) = reader.next()? {
        each(reader, &section)?;
        match section {
            Section::Rows { unit, rows } => {
                // Whole days together: what is left of the last one waits for the rest of it.
                batch.extend(rows.into_iter().map(|row| (unit.clone(), row)));
                let last = batch.last().map(|(unit, row)| (unit.clone(), utc_day(row.at)));
                let whole = batch.partition_point(|(unit, row)| Some((unit.clone(), utc_day(row.at))) < last);
                store.load(&batch[..whole])?;
                batch.drain(..whole);
            }
            Section::Days { unit, days } => store.put_days(&unit, &days)?,
            Section::Hours { unit, hours } => store.put_hours(&unit, &hours)?,
            Section::Logbook { unit, entries } => {
                store.log_all(&unit, &entries)?;
            }
            Section::Assessment { unit, assessment } => store.put_assessment(&unit, &assessment)?,
            Section::Owed { unit, days } | Section::Lost { unit, days } => owed.entry(unit).or_default().extend(days),
            Section::Mail(letters) => {
                store.outbox_put_all(&letters.into_iter().map(item).collect::<Vec<_>>())?;
            }
            Section::GivenUp { unit, channels } => {
                let known =
                    |gone: &GivenUp| Some((gone.channel.parse::<Channel>().ok()?, [gone.raw, gone.hours, gone.days]));
                let channels: Vec<_> = channels.iter().filter_map(known).collect();
                store.put_given_up(&unit, &channels)?;
            }
            Section::Junk(junk) => store.quarantine_all(&junk.into_iter().map(quarantined).collect::<Vec<_>>())?,
            Section::Keepsakes(kept) => kept.iter().try_for_each(|k| store.keep(&k.name, &k.value))?,
            _ => {}
        }
    }
    store.load(&batch)?;
    settle_roll_ups(store, &owed)?;
    Ok(())
}

/// What was loaded is owed a roll-up; but where the backup has it, it is not.
fn settle_roll_ups(store: &Store, owed: &BTreeMap<UnitId, BTreeSet<i64>>) -> Result<(), StoreError> {
    for unit in store.all_units() {
        let dirty = store.dirty_of(&unit);
        let settled: Vec<i64> =
            dirty.days.into_iter().filter(|day| !owed.get(&unit).is_some_and(|owed| owed.contains(day))).collect();
        store.clear_dirty(&unit, &settled, dirty.token)?;
    }
    store.settle()
}

fn quarantined(junk: Junk) -> Quarantined {
    let Junk { at, topic, payload, payload_len, reason } = junk;
    Quarantined { at, topic, payload, payload_len, reason }
}

fn item(letter: Letter) -> OutboxItem {
    OutboxItem {
        topic: letter.topic,
        payload: letter.payload,
        retain: letter.retain,
        expiry_secs: letter.expiry_secs,
        correlation: letter.correlation,
        ..OutboxItem::default()
    }
}

/// Sections with all of `rows`, which are ordered by unit, then by time.
pub fn sections(rows: &[(UnitId, Reading)]) -> Vec<Section> {
    rows.chunk_by(|(a, _), (b, _)| a == b)
        .flat_map(|of| of.chunks(ROWS_MAX))
        .map(|of| Section::Rows { unit: of[0].0.clone(), rows: of.iter().map(|(_, row)| *row).collect() })
        .collect()
}

/// The archive with these sections, as it travels to the daemon.
pub fn packed(sections: &[Section]) -> Result<Vec<u8>, WriteError> {
    let mut writer = Writer::new(Vec::new())?;
    let readings = sections.iter().map(|s| if let Section::Rows { rows, .. } = s { rows.len() as u64 } else { 0 });
    writer.put(&Section::Head(Head {
        made: clock::now(),
        by: env!("CARGO_PKG_VERSION").to_owned(),
        holds: Holds::Selection,
        epoch: None,
        units: 0,
        readings: readings.sum(),
    }))?;
    sections.iter().try_for_each(|section| writer.put(section))?;
    Ok(writer.finish()?.0)
}
