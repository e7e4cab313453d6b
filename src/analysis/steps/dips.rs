//! Where the course dips, kept up to date while steps are taken out of it.

use super::StepConstants;
use crate::analysis::closing::closing;
use crate::analysis::level::Level;
use crate::analysis::quarters::PER_DAY;
use crate::analysis::window::median;

/// Standard deviations under the closing at which a quarter belongs to a dip.
const DIP_SDS: f64 = 2.5;
/// Share of a dip's depth by which the course rises where somebody ended it.
const SHARP_SHARE: f64 = 0.5;

/// The dips of a level.
pub(super) struct Dips {
    /// Width of the closing, quarters.
    width: usize,
    /// How far each quarter lies under the closing.
    under: Vec<Option<f64>>,
}

impl Dips {
    pub fn new(level: &Level, c: &StepConstants) -> Self {
        let mut dips = Self { width: c.dip_days * PER_DAY, under: vec![None; level.values.len()] };
        dips.look(level, 0, level.values.len());
        dips
    }

    /// Takes account of a step that was taken out of the level at quarter `at`.
    pub fn renew(&mut self, level: &Level, at: usize) {
        self.look(level, at.saturating_sub(self.width), (at + self.width + 1).min(self.under.len()));
    }

    fn look(&mut self, level: &Level, from: usize, to: usize) {
        let around = from.saturating_sub(self.width)..(to + self.width).min(level.values.len());
        let closed = closing(&level.values[around.clone()], self.width);
        for t in from..to {
            self.under[t] = closed[t - around.start].zip(level.values[t]).map(|(closed, v)| closed - v);
        }
    }

    /// Quarters that belong to no dip. A dip ends by itself; one that ends in a sharp rise was ended by somebody.
    pub fn outside(&self, level: &Level) -> Vec<Option<f64>> {
        let usual = median(&mut self.under.iter().flatten().copied().collect::<Vec<_>>()).unwrap_or(0.0);
        let limit = DIP_SDS * level.noise.sd();
        let values = &level.values;
        let depth = |t: usize| self.under[t].map_or(0.0, |u| u - usual);
        let mut kept = values.clone();
        let mut t = 0;
        while t < values.len() {
            let first = t;
            while t < values.len() && (values[t].is_none() || depth(t) > limit) {
                t += 1;
            }
            let deepest = (first..t).map(depth).fold(0.0, f64::max);
            if deepest > limit && !ends_sharply(values, first, t, deepest) {
                kept[first..t].fill(None);
            }
            t += 1;
        }
        kept
    }
}

/// Whether the course rises by most of `depth` right after the dip `first..end`.
fn ends_sharply(values: &[Option<f64>], first: usize, end: usize, depth: f64) -> bool {
    let before = values[first..end].iter().rev().flatten().take(2).copied().reduce(f64::max);
    let after = values[end..].iter().flatten().take(2).copied().reduce(f64::min);
    before.zip(after).is_some_and(|(before, after)| after - before >= SHARP_SHARE * depth)
}
