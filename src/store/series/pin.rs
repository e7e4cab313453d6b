//! What a snapshot holds on to: the days as they were, whatever happens to their blocks meanwhile.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use super::super::StoreError;
use super::super::rows::Rows;
use super::super::runs::Runs;
use super::super::tree::{Disk, Space};
use super::{Series, day_key};
use crate::domain::{Reading, UnitId};

/// The blocks that were replaced or removed since a snapshot was taken, as they were, and the days that changed since.
#[derive(Debug, Default)]
pub struct Pin {
    blocks: Mutex<BTreeMap<(u32, i64), Vec<u8>>>,
    touched: Mutex<BTreeSet<(u32, i64)>>,
}

impl Pin {
    /// The block a day had when the snapshot was taken, if it has another one now or none. To be asked after the disk:
    /// the old block is here before the disk has the new one.
    pub fn block(&self, unit: u32, day: i64) -> Option<Vec<u8>> {
        self.blocks.lock().unwrap_or_else(PoisonError::into_inner).get(&(unit, day)).cloned()
    }

    /// The days of a unit that changed since.
    pub fn touched(&self, unit: u32) -> Vec<i64> {
        let touched = self.touched.lock().unwrap_or_else(PoisonError::into_inner);
        touched.range((unit, i64::MIN)..=(unit, i64::MAX)).map(|(_, day)| *day).collect()
    }

    fn keep(&self, unit: u32, day: i64, block: &[u8]) {
        let mut blocks = self.blocks.lock().unwrap_or_else(PoisonError::into_inner);
        blocks.entry((unit, day)).or_insert_with(|| block.to_vec());
    }
}

/// One unit as it was when a snapshot was taken.
#[derive(Debug)]
pub struct Pinned {
    /// Its id.
    pub id: UnitId,
    /// Its number.
    pub number: u32,
    /// Its readings.
    pub count: u64,
    /// The latest of them.
    pub latest: Option<Reading>,
    /// The days with a block.
    pub sealed: Runs,
    /// The open days.
    pub open: BTreeMap<i64, Arc<Rows>>,
    /// The days that are not rolled up.
    pub dirty: Vec<i64>,
}

impl Series {
    /// Every unit as it is now, by id; the pin keeps it so for as long as it lives.
    pub fn pin(&mut self) -> (Vec<Pinned>, Arc<Pin>) {
        let pin = Arc::new(Pin::default());
        self.pins.retain(|pin| pin.strong_count() > 0);
        self.pins.push(Arc::downgrade(&pin));
        let pinned = |number: u32| {
            let unit = &self.units[number as usize];
            let open = unit.spans.iter().filter(|(_, span)| span.rows.count() > 0);
            Pinned {
                id: unit.id.clone(),
                number,
                count: unit.count(),
                latest: unit.latest,
                sealed: unit.sealed_days.clone(),
                open: open.map(|(day, span)| (*day, Arc::clone(&span.rows))).collect(),
                dirty: unit.marks.iter().filter(|(_, mark)| mark.dirty > 0).map(|(day, _)| *day).collect(),
            }
        };
        let recorded = self.numbers.values().filter(|number| self.units[**number as usize].recorded);
        (recorded.map(|number| pinned(*number)).collect(), pin)
    }

    fn pins(&self) -> impl Iterator<Item = Arc<Pin>> + '_ {
        self.pins.iter().filter_map(std::sync::Weak::upgrade)
    }

    /// Before the blocks of these days are replaced or removed: they are kept for whoever reads a snapshot.
    pub fn keep_for_pins(&self, disk: &mut Disk, days: impl Iterator<Item = (u32, i64)>) -> Result<(), StoreError> {
        let pins: Vec<Arc<Pin>> = self.pins().collect();
        if pins.is_empty() {
            return Ok(());
        }
        for (unit, day) in days.filter(|(unit, day)| self.units[*unit as usize].sealed_days.contains(*day)) {
            if let Some(block) = disk.get(Space::Blocks, &day_key(unit, day))? {
                pins.iter().for_each(|pin| pin.keep(unit, day, &block));
            }
        }
        Ok(())
    }

    /// These days have changed.
    pub(super) fn touch_pins(&self, days: impl Iterator<Item = (u32, i64)> + Clone) {
        for pin in self.pins() {
            pin.touched.lock().unwrap_or_else(PoisonError::into_inner).extend(days.clone());
        }
    }
}
