//! Contrasts of a course: the difference of the medians after and before a quarter, at one of them and at many.

use std::ops::Range;

use super::level::{Edge, Level};
use super::quarters::PER_DAY;
use super::window::{SortedWindow, median};

/// How far a window may reach for readings beyond its own length, days.
const REACH_DAYS: usize = 10;

/// Which quarters are compared.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Windows {
    /// Quarters left out from the one looked at.
    pub skip: usize,
    /// Quarters with readings in each median.
    take: usize,
    /// How far they are looked for, quarters.
    reach: usize,
}

impl Windows {
    /// Medians of `days`, leaving out `skip` quarters.
    pub fn new(skip: usize, days: usize) -> Self {
        Self { skip, take: days * PER_DAY, reach: (days + REACH_DAYS) * PER_DAY }
    }

    /// The quarters whose contrast takes account of quarter `of`.
    pub fn see(&self, of: usize) -> Range<usize> {
        of.saturating_sub(self.skip + self.reach)..of + self.reach + 1
    }
}

impl Level {
    /// The contrast at quarter `at`.
    pub fn contrast(&self, values: &[Option<f64>], at: usize, windows: Windows) -> Option<Edge> {
        let Windows { skip, take, reach } = windows;
        let gather = |range: &mut dyn Iterator<Item = usize>| {
            let (mut v, mut t) = (Vec::with_capacity(take), 0.0);
            for i in range {
                if let Some(x) = values[i] {
                    v.push(x);
                    t += i as f64;
                    if v.len() == take {
                        break;
                    }
                }
            }
            let n = v.len() as f64;
            median(&mut v).map(|m| (m, t / n / PER_DAY as f64, n))
        };
        let end = values.len();
        if at >= end {
            return None;
        }
        let before = gather(&mut (at.saturating_sub(reach)..at).rev())?;
        let after = gather(&mut ((at + skip).min(end)..(at + skip + reach).min(end)))?;
        let size = after.0 - before.0;
        let variance = self.noise.variance(after.1 - before.1, after.2, before.2);
        Some(Edge { at, size, z: size / variance.sqrt() })
    }

    /// The contrasts at every quarter of `range` that are `least` or more, up or down, with windows that slide.
    pub fn contrasts(
        &self,
        values: &[Option<f64>],
        range: Range<usize>,
        windows: Windows,
        least: f64,
        mut found: impl FnMut(Edge),
    ) {
        let Windows { skip, take, reach } = windows;
        let end = values.len();
        let near = range.start.saturating_sub(reach)..(range.end + skip + reach).min(end);
        let known: Vec<(usize, f64)> = near.filter_map(|i| values[i].map(|v| (i, v))).collect();
        let (mut before, mut after) = (Sliding::new(&known), Sliding::new(&known));
        for at in range.start..range.end.min(end) {
            before.grow_to(at);
            before.shrink_from(at.saturating_sub(reach));
            before.keep_last(take);
            let from = (at + skip).min(end);
            after.shrink_from(from);
            after.grow_by(take, (from + reach).min(end));
            let (Some(b), Some(a)) = (before.sorted.median(), after.sorted.median()) else { continue };
            let size = a - b;
            if size.abs() >= least {
                let variance = self.noise.variance(after.centre() - before.centre(), after.count(), before.count());
                found(Edge { at, size, z: size / variance.sqrt() });
            }
        }
    }
}

/// A stretch of the known quarters, its median at hand.
struct Sliding<'a> {
    known: &'a [(usize, f64)],
    /// The stretch by place in `known`; only ever moves on.
    first: usize,
    end: usize,
    /// Sum of the quarters in it.
    sum: f64,
    sorted: SortedWindow,
}

impl<'a> Sliding<'a> {
    fn new(known: &'a [(usize, f64)]) -> Self {
        Self { known, first: 0, end: 0, sum: 0.0, sorted: SortedWindow::default() }
    }

    fn push(&mut self) {
        let (quarter, value) = self.known[self.end];
        self.sum += quarter as f64;
        self.sorted.insert(value);
        self.end += 1;
    }

    fn pop(&mut self) {
        let (quarter, value) = self.known[self.first];
        self.sum -= quarter as f64;
        self.sorted.remove(value);
        self.first += 1;
    }

    /// Takes in everything before quarter `limit`.
    fn grow_to(&mut self, limit: usize) {
        while self.known.get(self.end).is_some_and(|(quarter, _)| *quarter < limit) {
            self.push();
        }
    }

    /// Takes in what is before quarter `limit` up to `most` values.
    fn grow_by(&mut self, most: usize, limit: usize) {
        while self.sorted.len() < most && self.known.get(self.end).is_some_and(|(quarter, _)| *quarter < limit) {
            self.push();
        }
    }

    /// Leaves out everything before quarter `start`.
    fn shrink_from(&mut self, start: usize) {
        while self.known.get(self.first).is_some_and(|(quarter, _)| *quarter < start) {
            if self.first == self.end {
                self.first += 1;
                self.end += 1;
            } else {
                self.pop();
            }
        }
    }

    fn keep_last(&mut self, most: usize) {
        while self.sorted.len() > most {
            self.pop();
        }
    }

    fn count(&self) -> f64 {
        self.sorted.len() as f64
    }

    /// Mean time of the values in it, days.
    fn centre(&self) -> f64 {
        self.sum / self.count() / PER_DAY as f64
    }
}
