//! PURE: one unit's readings in memory, and what is owed or done for each of its days.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::domain::{Reading, UnitId};

use super::super::bytes::{Damage, Reader, put_bytes, put_varint};
use super::super::codec::{Packer, unpack};
use super::super::rows::Rows;
use super::super::runs::Runs;
use super::super::tree::{Commit, Space};
use super::{Trims, day_key, utc_day};

/// One open day of a unit.
#[derive(Debug, Default)]
pub(super) struct Span {
    pub rows: Arc<Rows>,
    /// How many of the rows were in the sealed block this day began with.
    pub sealed_rows: usize,
    /// The oldest journal batch with rows that are in no block; `None`: all are.
    pub first_seq: Option<u64>,
    /// The latest append that added or asked.
    pub touched: u64,
    /// Whether it is in the line of days to look at for sealing.
    pub waiting: bool,
}

/// What is owed or done for one day of a unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Mark {
    /// The latest append that changed the day and is not rolled up; 0: none.
    pub dirty: u64,
    /// The block has everything up to this append.
    pub sealed: u64,
    /// The roll-ups have everything up to this append.
    pub rolled: u64,
    /// Whether the disk has this mark.
    pub kept: bool,
}

impl Mark {
    pub fn encode(self) -> Vec<u8> {
        let mut out = Vec::new();
        [self.dirty, self.sealed, self.rolled].iter().for_each(|value| put_varint(&mut out, *value));
        out
    }

    pub fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        Ok(Self { dirty: reader.varint()?, sealed: reader.varint()?, rolled: reader.varint()?, kept: true })
    }

    /// The same, kept on disk if a replay of a journal that begins at `first_seq` would tell otherwise.
    pub fn settled(mut self, first_seq: u64) -> Self {
        let forgotten = self.dirty > 0 && self.dirty < first_seq;
        self.kept = forgotten || self.sealed >= first_seq || self.rolled >= first_seq;
        self
    }
}

/// One unit's readings.
#[derive(Debug)]
pub(super) struct Unit {
    pub id: UnitId,
    /// Whether the disk has its record.
    pub recorded: bool,
    /// Readings in sealed blocks.
    pub sealed_rows: u64,
    /// The days with a sealed block.
    pub sealed_days: Runs,
    pub latest: Option<Reading>,
    pub spans: BTreeMap<i64, Span>,
    pub marks: BTreeMap<i64, Mark>,
    /// How far its channels were given up.
    pub trims: Trims,
    /// Before this day every entry is in a bundle, but for what came late; `i64::MIN`: not known.
    pub bundled_before: i64,
}

impl Unit {
    pub fn new(id: UnitId) -> Self {
        Self {
            id,
            recorded: false,
            sealed_rows: 0,
            sealed_days: Runs::default(),
            latest: None,
            spans: BTreeMap::new(),
            marks: BTreeMap::new(),
            trims: Trims::default(),
            bundled_before: i64::MIN,
        }
    }

    pub fn encode(&self) -> Vec<u8> {
        self.encode_with(self.sealed_rows, &self.sealed_days, self.latest)
    }

    pub fn encode_with(&self, sealed_rows: u64, sealed_days: &Runs, latest: Option<Reading>) -> Vec<u8> {
        let mut out = Vec::new();
        put_bytes(&mut out, self.id.as_str().as_bytes());
        put_varint(&mut out, sealed_rows);
        sealed_days.encode(&mut out);
        let latest = Packer::of(latest.as_slice());
        put_varint(&mut out, latest.count() as u64);
        out.extend_from_slice(latest.bytes());
        out
    }

    pub fn decode(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = Reader::new(bytes);
        let id = reader.text()?.parse().map_err(|_| Damage("a unit's id"))?;
        let sealed_rows = reader.varint()?;
        let sealed_days = Runs::decode(&mut reader)?;
        let latest = usize::try_from(reader.varint()?).map_err(|_| Damage("a count is too great"))?;
        let latest = unpack(&mut reader, latest)?.pop();
        Ok(Self { recorded: true, sealed_rows, sealed_days, latest, ..Self::new(id) })
    }

    pub fn newest_day(&self) -> Option<i64> {
        self.latest.map(|latest| utc_day(latest.at))
    }

    pub fn see(&mut self, reading: &Reading) {
        match &mut self.latest {
            Some(latest) if latest.at > reading.at => {}
            Some(latest) if latest.at == reading.at => latest.absorb(reading),
            latest => *latest = Some(*reading),
        }
    }

    pub fn count(&self) -> u64 {
        let open = |span: &Span| (span.rows.count() - span.sealed_rows) as u64;
        self.sealed_rows + self.spans.values().map(open).sum::<u64>()
    }
}

pub(super) fn put_mark(commit: &mut Commit, number: u32, day: i64, before: Mark, after: Mark) {
    if after.kept {
        commit.put(Space::Marks, day_key(number, day), after.encode());
    } else if before.kept {
        commit.remove(Space::Marks, day_key(number, day));
    }
}
