//! PURE: one unit's readings of one UTC day while the day is open: packed, in order, without repeats.

use crate::domain::{Reading, Timestamp};

use super::bytes::{Damage, Reader};
use super::codec::{Packer, unpack};

/// The most readings kept of a unit in a day: twelve a second. More is a mistake of the sender, and is counted.
pub const DAY_ROWS_MAX: usize = 1 << 20;

/// Readings in ascending order of time, one for each instant.
#[derive(Clone, Debug, Default)]
pub struct Rows {
    packed: Packer,
    last: Option<Reading>,
}

/// What adding some readings to [`Rows`] would do.
#[derive(Clone, Debug, Default)]
pub struct Addition {
    /// The readings that change anything, as they came.
    pub fresh: Vec<Reading>,
    /// How many of them are at instants not there before.
    pub new: usize,
    /// How many did not fit (see [`DAY_ROWS_MAX`]).
    pub over: usize,
    /// All rows afterwards, if the fresh ones do not simply go to the end.
    rewritten: Option<Vec<Reading>>,
}

impl Rows {
    /// From readings in ascending order without repeats.
    pub fn of(rows: &[Reading]) -> Self {
        Self { packed: Packer::of(rows), last: rows.last().copied() }
    }

    /// How many readings there are.
    pub fn count(&self) -> usize {
        self.packed.count()
    }

    /// Memory used, bytes, about.
    pub fn bytes(&self) -> usize {
        self.packed.bytes().len() + size_of::<Self>()
    }

    /// All readings, ascending.
    pub fn to_vec(&self) -> Result<Vec<Reading>, Damage> {
        unpack(&mut Reader::new(self.packed.bytes()), self.packed.count())
    }

    /// What adding `incoming` (ascending, without repeats) would do; nothing is changed yet.
    pub fn plan(&self, incoming: &[Reading]) -> Result<Addition, Damage> {
        let room = DAY_ROWS_MAX - self.count();
        let after_all = |first: &Reading| self.last.is_none_or(|last| last.at < first.at);
        if incoming.first().is_none_or(after_all) {
            let fresh = incoming[..incoming.len().min(room)].to_vec();
            return Ok(Addition { new: fresh.len(), over: incoming.len() - fresh.len(), fresh, rewritten: None });
        }
        let mut addition = Addition::default();
        let mut rows = self.to_vec()?;
        let mut inserted = Vec::new();
        for reading in incoming {
            match find(&rows, reading.at) {
                Ok(place) => {
                    let mut merged = rows[place];
                    merged.absorb(reading);
                    if merged != rows[place] {
                        rows[place] = merged;
                        addition.fresh.push(*reading);
                    }
                }
                Err(_) if addition.new == room => addition.over += 1,
                Err(_) => {
                    inserted.push(*reading);
                    addition.fresh.push(*reading);
                    addition.new += 1;
                }
            }
        }
        rows.extend(inserted);
        // Two ascending runs: one merge.
        rows.sort_by_key(|row| row.at);
        addition.rewritten = (!addition.fresh.is_empty()).then_some(rows);
        Ok(addition)
    }

    /// All readings as they would be after it.
    pub fn after(&self, addition: &Addition) -> Result<Vec<Reading>, Damage> {
        if let Some(rows) = &addition.rewritten {
            return Ok(rows.clone());
        }
        let mut rows = self.to_vec()?;
        rows.extend_from_slice(&addition.fresh);
        Ok(rows)
    }

    /// Does what was planned; there must have been no change since.
    pub fn apply(&mut self, addition: &Addition) {
        if let Some(rows) = &addition.rewritten {
            *self = Self::of(rows);
        } else {
            addition.fresh.iter().for_each(|row| self.packed.push(row));
            self.last = addition.fresh.last().copied().or(self.last);
        }
    }
}

fn find(rows: &[Reading], at: Timestamp) -> Result<usize, usize> {
    rows.binary_search_by_key(&at, |row| row.at)
}

/// `readings` in ascending order, later ones of the same instant absorbed into the first.
pub fn in_order(mut readings: Vec<Reading>) -> Vec<Reading> {
    readings.sort_by_key(|reading| reading.at);
    readings.dedup_by(|later, earlier| {
        let same = later.at == earlier.at;
        if same {
            earlier.absorb(later);
        }
        same
    });
    readings
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::Channel;

    fn readings() -> impl Strategy<Value = Vec<Reading>> {
        let one = (0_i64..40, 0_usize..3, 0_i32..50).prop_map(|(at, channel, value)| {
            Reading::new(Timestamp::from_millis(at * 60_000)).with(Channel::ALL[channel], f64::from(value) / 10.0)
        });
        prop::collection::vec(one, 0..30)
    }

    proptest! {
        /// However a day's readings are cut into batches, it ends the same.
        #[test]
        fn batches_do_not_matter(parts in prop::collection::vec(readings(), 0..6)) {
            let mut rows = Rows::default();
            for part in &parts {
                let addition = rows.plan(&in_order(part.clone())).unwrap();
                let before = rows.count();
                rows.apply(&addition);
                prop_assert_eq!(rows.count(), before + addition.new);
            }
            let whole = in_order(parts.concat());
            prop_assert_eq!(rows.to_vec().unwrap(), whole.clone());
            // What it holds changes nothing when it comes again.
            let again = rows.plan(&whole).unwrap();
            prop_assert!(again.fresh.is_empty() && again.new == 0 && again.over == 0);
        }

        /// Readings that share no channel at any instant may come in any order.
        #[test]
        fn order_does_not_matter_without_conflicts(all in readings(), seed: u64) {
            let mut distinct = Vec::new();
            for reading in all {
                let clash = |other: &Reading| {
                    other.at == reading.at && reading.channels().any(|(channel, _)| other.get(channel).is_some())
                };
                if !distinct.iter().any(clash) {
                    distinct.push(reading);
                }
            }
            let mut shuffled = distinct.clone();
            shuffled.sort_by_key(|row| (row.at.as_millis() as u64 + 1).wrapping_mul(seed | 1).rotate_left(17));
            prop_assert_eq!(in_order(shuffled), in_order(distinct));
        }
    }
}
