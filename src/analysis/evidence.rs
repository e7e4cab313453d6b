//! The evidence of one structure after the other.
//!
//! With B = I + S G S = L L' and the prior N(m, S^2), what [`super::structures`] gives as |y - X m|^2 - u' B^-1 u is
//!   y'y + |S^-1 m|^2 - |w|^2,   w = L^-1 (S b + S^-1 m),
//! in which row i of L and w knows the priors of the terms up to i only. So where the next structure differs from the
//! last in its later terms, the rows of the earlier ones stand. One study weighs some ten thousand structures; the
//! terms are in the order of the loops that make them ([`super::design::Design::terms`]).

use super::cholesky::dot;
use super::constants::Belief;
use super::normal::{ln_normal_cdf, normal_cdf};

/// Main terms at most: those of a design that differ between structures. So the solves of one study need no memory of
/// their own.
const MAIN_MOST: usize = 10;

/// From here on the distribution function is over 1e-19: ten such factors do not vanish in a product.
const LEAST_FACTOR: f64 = -9.0;

/// Moments of the main terms with the nuisance terms integrated out.
#[derive(Clone, Debug)]
pub struct Reduced {
    size: usize,
    gram: [[f64; MAIN_MOST]; MAIN_MOST],
    xty: [f64; MAIN_MOST],
    misfit: f64,
}

impl Reduced {
    /// From X'X and X'y of `size` terms, each by its place, and what is left of y'y; `None` for more terms than there can
    /// be.
    pub fn new(
        size: usize,
        gram: impl Fn(usize, usize) -> f64,
        xty: impl Fn(usize) -> f64,
        misfit: f64,
    ) -> Option<Self> {
        let mut reduced = Self { size, gram: [[0.0; MAIN_MOST]; MAIN_MOST], xty: [0.0; MAIN_MOST], misfit };
        for i in 0..size {
            *reduced.xty.get_mut(i)? = xty(i);
            for j in 0..=i {
                let entry = gram(i, j);
                (reduced.gram[i][j], reduced.gram[j][i]) = (entry, entry);
            }
        }
        Some(reduced)
    }

    /// The same with what is fixed (a standard deviation of 0) at another value than 0 taken out of y; `None` where
    /// nothing is.
    fn less_fixed(&self, mean: &[f64], sd: &[f64]) -> Option<Self> {
        let fixed = |i: &usize| sd[*i] == 0.0 && mean[*i] != 0.0;
        (0..self.size).any(|i| fixed(&i)).then(|| {
            let mut moved = self.clone();
            for i in (0..self.size).filter(fixed) {
                moved.misfit += mean[i] * (self.gram[i][i] * mean[i] - 2.0 * moved.xty[i]);
                moved.xty.iter_mut().zip(&self.gram[i]).for_each(|(xty, gram)| *xty -= gram * mean[i]);
            }
            moved
        })
    }
}

/// Weighs structures on the same moments.
#[derive(Clone, Debug)]
pub struct Evidence<'a> {
    moments: &'a Reduced,
    /// Which terms cannot be negative.
    bounded: &'a [bool],
    /// The priors of the last structure.
    mean: [f64; MAIN_MOST],
    sd: [f64; MAIN_MOST],
    /// ln of the probability beforehand that a term is not negative; 0 where it may be.
    ln_positive: [f64; MAIN_MOST],
    /// How many terms from the first have rows that stand.
    standing: usize,
    /// How many rows there are for the terms up to each: one for each that is not fixed.
    rows_upto: [usize; MAIN_MOST],
    rows: [Row; MAIN_MOST],
}

/// One row of the elimination.
#[derive(Clone, Copy, Debug)]
struct Row {
    /// Whose.
    term: usize,
    /// Of L, without its diagonal.
    factor: [f64; MAIN_MOST],
    /// One over the diagonal.
    inverse: f64,
    /// Of w.
    white: f64,
    /// Of this row and those before it: |w|^2 - |S^-1 m|^2.
    explained: f64,
    /// The product of their squared diagonals, none of which comes near 1e30.
    det: f64,
    /// By how much the bounds of these terms can raise the evidence, ln: where the data leave no doubt of them.
    slack: f64,
}

impl Row {
    const NONE: Self =
        Self { term: 0, factor: [0.0; MAIN_MOST], inverse: 1.0, white: 0.0, explained: 0.0, det: 1.0, slack: 0.0 };
}

impl<'a> Evidence<'a> {
    /// For structures of terms of which `bounded` cannot be negative.
    pub fn new(moments: &'a Reduced, bounded: &'a [bool]) -> Self {
        Self {
            moments,
            bounded,
            mean: [f64::NAN; MAIN_MOST],
            sd: [f64::NAN; MAIN_MOST],
            ln_positive: [0.0; MAIN_MOST],
            standing: 0,
            rows_upto: [0; MAIN_MOST],
            rows: [Row::NONE; MAIN_MOST],
        }
    }

    /// The log evidence (less a constant of the data) under independent normal priors; `None` where it is no number, or
    /// under `floor` for sure.
    pub fn ln(&mut self, beliefs: impl IntoIterator<Item = Belief>, floor: f64) -> Option<f64> {
        self.take(beliefs);
        let size = self.moments.size;
        if let Some(moved) = self.moments.less_fixed(&self.mean[..size], &self.sd[..size]) {
            let mut centred = Evidence::new(&moved, self.bounded);
            let priors = self.mean.iter().zip(&self.sd).take(size);
            centred.take(priors.map(|(mean, sd)| Belief::new(if *sd > 0.0 { *mean } else { 0.0 }, *sd)));
            return centred.solve(floor);
        }
        self.solve(floor)
    }

    /// [`Self::ln`] of the priors taken.
    fn solve(&mut self, floor: f64) -> Option<f64> {
        let count = self.eliminate()?;
        let Row { explained, det, slack, .. } = self.rows[..count].last().copied().unwrap_or(Row::NONE);
        let ln = -0.5 * (self.moments.misfit - explained) - 0.5 * det.ln();
        (ln + slack >= floor).then(|| ln + slack + self.ln_positive_after(count))
    }

    /// Takes the priors of the next structure.
    fn take(&mut self, beliefs: impl IntoIterator<Item = Belief>) {
        for (place, Belief { mean, sd }) in beliefs.into_iter().enumerate().take(self.moments.size) {
            if (self.mean[place], self.sd[place]) != (mean, sd) {
                (self.mean[place], self.sd[place]) = (mean, sd);
                self.ln_positive[place] = if self.bounded[place] && sd > 0.0 { ln_normal_cdf(mean / sd) } else { 0.0 };
                self.standing = self.standing.min(place);
            }
        }
    }

    /// Makes the rows that do not stand; how many there are in all.
    fn eliminate(&mut self) -> Option<usize> {
        let Self { moments, mean, sd, .. } = *self;
        let mut count = if self.standing > 0 { self.rows_upto[self.standing - 1] } else { 0 };
        for place in self.standing..moments.size {
            if sd[place] > 0.0 {
                let (done, now) = self.rows.split_at_mut(count);
                let now = &mut now[0];
                now.term = place;
                for (j, other) in done.iter().enumerate() {
                    let entry = sd[place] * moments.gram[place][other.term] * sd[other.term];
                    now.factor[j] = (entry - dot(&now.factor[..j], &other.factor[..j])) * other.inverse;
                }
                let factor = &now.factor[..count];
                let pivot = sd[place] * moments.gram[place][place] * sd[place] + 1.0 - dot(factor, factor);
                if !(pivot > 0.0 && pivot.is_finite()) {
                    self.standing = place;
                    return None;
                }
                now.inverse = pivot.sqrt().recip();
                let before = done.last().copied().unwrap_or(Row::NONE);
                let white = |sum: f64, (f, other): (&f64, &Row)| sum + f * other.white;
                let known = factor.iter().zip(done.iter()).fold(0.0, white);
                let away = mean[place] / sd[place];
                now.white = (sd[place] * moments.xty[place] + away - known) * now.inverse;
                now.explained = before.explained + now.white * now.white - away * away;
                now.det = before.det * pivot;
                now.slack = before.slack - self.ln_positive[place];
                count += 1;
            }
            self.rows_upto[place] = count;
        }
        self.standing = moments.size;
        Some(count)
    }

    /// ln of the probability that the bounded terms of the first `count` rows are not negative, as if they were
    /// independent.
    fn ln_positive_after(&self, count: usize) -> f64 {
        let rows = &self.rows[..count];
        // Their product: one logarithm for all.
        let (mut ln, mut positive) = (0.0, 1.0);
        for k in (0..count).filter(|k| self.bounded[rows[*k].term]) {
            // Column k of L^-1: its square is the variance after, its product with w the mean after, both over S.
            let mut unit = [0.0; MAIN_MOST];
            let (mut variance, mut mean) = (0.0, 0.0);
            for (i, row) in rows.iter().enumerate().skip(k) {
                let right = if i == k { 1.0 } else { 0.0 };
                unit[i] = (right - dot(&row.factor[k..i], &unit[k..i])) * row.inverse;
                variance += unit[i] * unit[i];
                mean += unit[i] * row.white;
            }
            let after = mean / variance.sqrt();
            if after < LEAST_FACTOR {
                ln += ln_normal_cdf(after);
            } else {
                positive *= normal_cdf(after);
            }
        }
        ln + positive.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::constants::ModelConstants;

    fn moments() -> Reduced {
        // Of three made-up columns; whatever is positive definite does.
        let gram = [[40.0, 12.0, -3.0], [12.0, 25.0, 6.0], [-3.0, 6.0, 9.0]];
        Reduced::new(3, |i, j| gram[i][j], |i| [7.0, -2.0, 1.5][i], 11.0).unwrap()
    }

    /// Every structure after any other has the evidence it has by itself, to the last digit.
    #[test]
    fn the_order_does_not_matter() {
        let moments = moments();
        let model = ModelConstants::default();
        let lamps = model.lamp.iter().map(|lamp| lamp.belief);
        let all: Vec<[Belief; 3]> = lamps
            .flat_map(|lamp| model.window.iter().map(move |window| (lamp, window.belief)))
            .flat_map(|(lamp, window)| model.drift.iter().map(move |drift| [lamp, window, drift.belief]))
            .collect();
        let bounded = [true, true, false];
        let mut one_after_the_other = Evidence::new(&moments, &bounded);
        for structure in all.iter().chain(all.iter().rev().step_by(5)) {
            let alone = Evidence::new(&moments, &bounded).ln(*structure, f64::NEG_INFINITY);
            assert!(alone.is_some());
            assert_eq!(one_after_the_other.ln(*structure, f64::NEG_INFINITY), alone);
        }
    }

    /// One term with G = 25, b = 10 and the prior N(0.1, 0.2^2), by hand: B = 1 + 25 x 0.04 = 2; |y - X m|^2 = 30 - 2 +
    /// 0.25, u = 0.2 x (10 - 2.5) = 1.5; after it N(0.25, 0.2^2 / 2). The distribution function from a table: at 0.5
    /// 0.691462, at 0.25 / (0.2 / sqrt 2) = 1.76777 0.961450.
    #[test]
    fn one_term_by_hand() {
        let moments = Reduced::new(1, |_, _| 25.0, |_| 10.0, 30.0).unwrap();
        let prior = [Belief::new(0.1, 0.2)];
        let free = -0.5 * (28.25 - 1.5 * 1.5 / 2.0 + 2f64.ln());
        let have = Evidence::new(&moments, &[false]).ln(prior, f64::NEG_INFINITY).unwrap();
        assert!((have - free).abs() < 1e-12, "{have} {free}");
        let bounded = free + (0.961_450f64 / 0.691_462).ln();
        let mut evidence = Evidence::new(&moments, &[true]);
        let have = evidence.ln(prior, f64::NEG_INFINITY).unwrap();
        assert!((have - bounded).abs() < 2e-6, "{have} {bounded}");
        // The bounds can raise it by ln (1 / 0.691462) at most.
        assert_eq!(evidence.ln(prior, have), Some(have));
        assert_eq!(evidence.ln(prior, free + 0.37), None);
    }

    /// What is fixed at a value is as good as a spread of nearly nothing about it.
    #[test]
    fn fixed_terms() {
        let moments = moments();
        let mut evidence = Evidence::new(&moments, &[false; 3]);
        let priors = |sd: f64| [Belief::new(0.1, 0.3), Belief::new(-0.2, sd), Belief::new(0.0, 0.5)];
        let fixed = evidence.ln(priors(0.0), f64::NEG_INFINITY).unwrap();
        let nearly = evidence.ln(priors(1e-5), f64::NEG_INFINITY).unwrap();
        assert!((fixed - nearly).abs() < 1e-6, "{fixed} {nearly}");
        assert_eq!(evidence.ln(priors(0.0), f64::NEG_INFINITY), Some(fixed), "also after another");
    }
}
