//! Reading all of it: every block decoded, counted and compared with what the store says it has.

use super::series::{Pinned, utc_day};
use super::snapshot::days_of;
use super::tree::Disk;
use super::{Snapshot, Store, StoreError, codec, records};
use crate::domain::time::{DAY, HOUR};
use crate::domain::{Reading, Timestamp, UnitId};

/// A silence shorter than this is no gap, milliseconds.
pub const SILENT_AT_LEAST: i64 = HOUR;
/// And it is one from this many usual intervals on.
const SILENT_INTERVALS: i64 = 6;
/// At most this many gaps of a unit are listed, the longest.
const GAPS_MAX: usize = 20;

/// What [`Store::verify`] found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verified {
    /// Unit-days there are.
    pub days_in_all: usize,
    /// Unit-days read.
    pub days: usize,
    /// Sealed blocks among them.
    pub blocks: usize,
    /// Bytes of the blocks.
    pub bytes: u64,
    /// Readings in all.
    pub readings: u64,
    /// Blocks that are missing, do not decode, or hold readings of another day or out of order: unit and UTC day.
    pub damaged: Vec<(UnitId, i64)>,
    /// Unit by unit, by id.
    pub units: Vec<UnitVerified>,
    /// Roll-ups, service entries and assessments that decode.
    pub records: u64,
    /// Those that do not, and batches of the journal that do not; values set aside earlier are not counted.
    pub damaged_records: u64,
}

impl Verified {
    /// Whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.damaged.is_empty() && self.damaged_records == 0 && self.units.iter().all(|u| u.readings == u.expected)
    }
}

/// One unit of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitVerified {
    /// Which.
    pub unit: UnitId,
    /// Days (UTC) with readings.
    pub days: usize,
    /// Readings found.
    pub readings: u64,
    /// Readings it should have.
    pub expected: u64,
    /// When the first was measured.
    pub first: Option<Timestamp>,
    /// When the last was.
    pub last: Option<Timestamp>,
    /// How many gaps there are: silences of at least [`SILENT_AT_LEAST`] and six usual intervals.
    pub gap_count: usize,
    /// The longest of them, in order of time.
    pub gaps: Vec<Gap>,
}

/// A time without readings between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The reading before it.
    pub from: Timestamp,
    /// The reading after it.
    pub to: Timestamp,
}

impl Gap {
    fn millis(self) -> i64 {
        self.to.millis_since(self.from)
    }
}

impl Store {
    /// Reads every unit-day, the journal, roll-ups, logbooks and assessments and checks that they are what was written;
    /// changes nothing. `progress` is called after each unit-day. Appends go on in between and do not show.
    pub fn verify(&self, mut progress: impl FnMut(&Verified)) -> Result<Verified, StoreError> {
        let snapshot = self.snapshot();
        let mut found = Verified { days_in_all: snapshot.day_count(), ..Verified::default() };
        for unit in snapshot.pinned() {
            let verified = self.verify_unit(&snapshot, unit, &mut found, &mut progress)?;
            found.units.push(verified);
            (found.records, found.damaged_records) =
                add((found.records, found.damaged_records), records::count(&mut self.disk(), unit.number)?);
        }
        found.damaged_records += damaged_batches(&mut self.disk())?;
        Ok(found)
    }

    fn verify_unit(
        &self,
        snapshot: &Snapshot<'_>,
        unit: &Pinned,
        found: &mut Verified,
        progress: &mut impl FnMut(&Verified),
    ) -> Result<UnitVerified, StoreError> {
        let mut about = UnitVerified {
            unit: unit.id.clone(),
            days: 0,
            readings: 0,
            expected: unit.count,
            first: None,
            last: None,
            gap_count: 0,
            gaps: Vec::new(),
        };
        for day in days_of(unit, i64::MIN, i64::MAX) {
            // An open day's rows are in memory; a day may have both, and then the block is not the whole of it.
            let mut rows = Vec::new();
            if unit.sealed.contains(day) {
                let block = snapshot.block(unit, day).map_err(|error| at_day(error, &unit.id, day))?;
                let block = block.unwrap_or_default();
                rows = codec::decode_block(&block).unwrap_or_default();
                found.blocks += 1;
                found.bytes += block.len() as u64;
                if !sound(&rows, day) {
                    found.damaged.push((unit.id.clone(), day));
                    rows.clear();
                }
            }
            if let Some(open) = unit.open.get(&day) {
                rows = open.to_vec().map_err(|damage| self.disk().damaged("an open day", damage))?;
            }
            about.add(&rows);
            found.days += 1;
            found.readings += rows.len() as u64;
            progress(found);
        }
        about.gaps.sort_by_key(|gap| gap.from);
        Ok(about)
    }
}

/// An error that says at which unit-day it came up.
fn at_day(error: StoreError, unit: &UnitId, day: i64) -> StoreError {
    let place = || {
        let date = Timestamp::from_millis(day.saturating_mul(DAY)).to_string();
        format!("at the readings of {unit} of {} (UTC)", date.split('T').next().unwrap_or(&date))
    };
    match error {
        StoreError::Damaged { path, why } => StoreError::Damaged { path, why: format!("{why}, {}", place()) },
        StoreError::Rotten { path, why } => StoreError::Rotten { path, why: format!("{why}, {}", place()) },
        other => other,
    }
}

fn sound(rows: &[Reading], day: i64) -> bool {
    !rows.is_empty() && rows.is_sorted_by(|a, b| a.at < b.at) && rows.iter().all(|row| utc_day(row.at) == day)
}

impl UnitVerified {
    /// The next day's rows.
    fn add(&mut self, rows: &[Reading]) {
        let Some((first, last)) = rows.first().zip(rows.last()) else { return };
        self.days += 1;
        self.readings += rows.len() as u64;
        let silence = usual_interval(rows).map_or(SILENT_AT_LEAST, |usual| usual * SILENT_INTERVALS);
        let silence = silence.max(SILENT_AT_LEAST);
        let before = self.last.map(|before| Gap { from: before, to: first.at });
        let within = rows.windows(2).map(|pair| Gap { from: pair[0].at, to: pair[1].at });
        for gap in before.into_iter().chain(within).filter(|gap| gap.millis() >= silence) {
            self.gap_count += 1;
            self.gaps.push(gap);
        }
        if self.gaps.len() > GAPS_MAX {
            self.gaps.sort_by_key(|gap| std::cmp::Reverse(gap.millis()));
            self.gaps.truncate(GAPS_MAX);
        }
        self.first.get_or_insert(first.at);
        self.last = Some(last.at);
    }
}

/// The middle of a day's intervals, milliseconds.
fn usual_interval(rows: &[Reading]) -> Option<i64> {
    let mut steps: Vec<i64> = rows.windows(2).map(|pair| pair[1].at.millis_since(pair[0].at)).collect();
    let middle = steps.len() / 2;
    (!steps.is_empty()).then(|| *steps.select_nth_unstable(middle).1)
}

fn add(one: (u64, u64), other: (u64, u64)) -> (u64, u64) {
    (one.0 + other.0, one.1 + other.1)
}

fn damaged_batches(disk: &mut Disk) -> Result<u64, StoreError> {
    let mut damaged = 0;
    for segment in disk.journal_segments() {
        let found = disk.read_journal(&segment)?;
        let undecoded = found.records.iter().filter(|(_, batch)| codec::decode_batch(batch).is_err());
        damaged += found.damaged + undecoded.count() as u64;
    }
    Ok(damaged)
}
