//! The rows of a fit, whitened and in moments.
//!
//! Whitened rows have independent errors of unit variance, so X'X, X'y and y'y hold all that any prior needs to know of
//! them: to integrate out the nuisance terms, for a posterior mean, and for draws.

use std::ops::Range;

use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis, Slice};

use super::cholesky::{Factor, dot};
use super::evidence::Reduced;
use super::fit::Priors;
use super::whiten::Whitener;

/// Days taken together, about the length of an interval between cleanings.
const STRETCH_DAYS: usize = 48;
/// A column whose filter is still at this state is at work although its regressor is 0: whitened, over any history, less
/// is far below the 1 of the prior.
const LINGERS: f64 = 1e-8;

/// The regressors of the days observed, without the zeros: most belong to one interval, lamp or sensor. One column at
/// least is never 0, the level's.
#[derive(Clone, Debug)]
pub struct Regressors {
    columns: usize,
    stretches: Vec<Stretch>,
}

/// Days on end, and the columns that are not 0 throughout.
#[derive(Clone, Debug)]
struct Stretch {
    /// The first day, by its place.
    from: usize,
    columns: Vec<usize>,
    /// Day by day.
    values: Vec<f64>,
}

impl Regressors {
    /// Of `days` x `columns`, each by its place; `at_work` gives the columns that are not 0 throughout some days.
    pub fn new(
        (days, columns): (usize, usize),
        at_work: impl Fn(Range<usize>) -> Vec<usize>,
        value: impl Fn(usize, usize) -> f64,
    ) -> Self {
        let stretch = |from: usize| {
            let part = from..(from + STRETCH_DAYS).min(days);
            let columns = at_work(part.clone());
            let mut values = Vec::with_capacity(part.len() * columns.len());
            part.for_each(|day| values.extend(columns.iter().map(|column| value(day, *column))));
            Stretch { from, columns, values }
        };
        Self { columns, stretches: (0..days).step_by(STRETCH_DAYS).map(stretch).collect() }
    }

    /// X theta.
    pub fn times(&self, theta: &Array1<f64>) -> Array1<f64> {
        let days = self.stretches.iter().flat_map(|stretch| {
            let theta: Vec<f64> = stretch.columns.iter().map(|column| theta[*column]).collect();
            let rows = stretch.values.chunks_exact(theta.len().max(1));
            rows.map(|row| dot(row, &theta)).collect::<Vec<f64>>()
        });
        days.collect()
    }
}

/// The moments of whitened rows, and where the filter ended.
#[derive(Clone, Debug)]
pub struct Rows {
    /// The filter's state at the last observation, of each column.
    pub x_end: Array1<f64>,
    /// The same of y.
    pub y_end: f64,
    /// Variance of the wandering after the last observation.
    pub end_variance: f64,
    /// X'X.
    gram: Array2<f64>,
    /// X'y.
    xty: Array1<f64>,
    /// y'y.
    yty: f64,
    /// ln det of the noise's covariance.
    ln_det: f64,
}

impl Rows {
    /// Whitens regressors and course; `extra` are further rows of unit variance (regressors, target).
    pub fn new(white: &Whitener, x: &Regressors, y: &Array1<f64>, extra: &[(Vec<f64>, f64)]) -> Self {
        let (target, y_end) = white.series(y.view());
        let mut moments = Self {
            gram: Array2::zeros((x.columns, x.columns)),
            xty: Array1::zeros(x.columns),
            yty: target.dot(&target),
            ln_det: white.ln_det,
            end_variance: white.end_variance(),
            x_end: Array1::zeros(x.columns),
            y_end,
        };
        let mut rows = Vec::new();
        for stretch in &x.stretches {
            let lingering =
                (0..x.columns).filter(|c| moments.x_end[*c].abs() > LINGERS && !stretch.columns.contains(c));
            let columns: Vec<usize> = stretch.columns.iter().copied().chain(lingering).collect();
            rows.clear();
            for row in stretch.values.chunks_exact(stretch.columns.len().max(1)) {
                rows.extend_from_slice(row);
                rows.resize(rows.len() + columns.len() - stretch.columns.len(), 0.0);
            }
            let mut state: Vec<f64> = columns.iter().map(|column| moments.x_end[*column]).collect();
            white.filter(stretch.from, &mut state, &mut rows);
            moments.x_end.fill(0.0);
            columns.iter().zip(state).for_each(|(column, state)| moments.x_end[*column] = state);
            let days = rows.len() / columns.len().max(1);
            if let Ok(rows) = ArrayView2::from_shape((days, columns.len()), &rows) {
                moments.add(rows, &columns, target.slice_axis(Axis(0), Slice::from(stretch.from..stretch.from + days)));
            }
        }
        for (row, value) in extra {
            moments.yty += value * value;
            moments.xty.iter_mut().zip(row).for_each(|(sum, x)| *sum += x * value);
            for (mut sums, x) in moments.gram.rows_mut().into_iter().zip(row).filter(|(_, x)| **x != 0.0) {
                sums.iter_mut().zip(row).for_each(|(sum, other)| *sum += x * other);
            }
        }
        moments
    }

    /// Adds the moments of rows that have only these columns.
    fn add(&mut self, rows: ArrayView2<'_, f64>, columns: &[usize], target: ArrayView1<'_, f64>) {
        let (gram, xty) = (rows.t().dot(&rows), rows.t().dot(&target));
        for ((from, to), with_target) in gram.rows().into_iter().zip(columns).zip(xty) {
            self.xty[*to] += with_target;
            let mut sums = self.gram.row_mut(*to);
            from.iter().zip(columns).for_each(|(value, column)| sums[*column] += value);
        }
    }

    /// The moments left when the first `nuisance` terms are integrated out under their priors.
    pub fn reduce(&self, nuisance: usize, priors: &Priors) -> Option<Reduced> {
        let main = self.gram.nrows() - nuisance;
        let (mean, sd) = (&priors.mean, &priors.sd);
        let mut c = self.xty.clone();
        let mut yty = self.yty;
        for (j, m) in mean.iter().enumerate().take(nuisance).filter(|(_, m)| **m != 0.0) {
            // yty - 2 m'b + m'G m, one term at a time: c holds b - G m so far.
            yty -= m * (2.0 * c[j] - self.gram[(j, j)] * m);
            c.scaled_add(-m, &self.gram.row(j));
        }
        let factor = Factor::new(nuisance, |i, j| sd[i] * self.gram[(i, j)] * sd[j] + if i == j { 1.0 } else { 0.0 })?;
        let mut columns: Vec<Vec<f64>> = (nuisance..nuisance + main)
            .map(|column| (0..nuisance).map(|i| sd[i] * self.gram[(i, column)]).collect())
            .collect();
        columns.push((0..nuisance).map(|i| sd[i] * c[i]).collect());
        columns.iter_mut().for_each(|column| factor.forward(column));
        let last = &columns[main];
        let misfit = yty - dot(last, last) + factor.ln_det() + self.ln_det;
        Reduced::new(
            main,
            |i, j| self.gram[(nuisance + i, nuisance + j)] - dot(&columns[i], &columns[j]),
            |i| c[nuisance + i] - dot(&columns[i], last),
            misfit,
        )
    }

    /// As many rows as there are columns that fit like these under any prior: R with R'R = X'X, and the y for which
    /// R'y is X'y. A column that depends on those before it adds nothing, and has a row of zeros.
    pub fn compress(&self) -> (Array2<f64>, Array1<f64>) {
        let size = self.gram.nrows();
        // L = R', row by row.
        let mut lower = vec![vec![0.0; size]; size];
        let mut y = vec![0.0; size];
        for i in 0..size {
            let (done, now) = lower.split_at_mut(i);
            let now = &mut now[0];
            for (j, other) in done.iter().enumerate().filter(|(j, other)| other[*j] > 0.0) {
                now[j] = (self.gram[(i, j)] - dot(&now[..j], &other[..j])) / other[j];
            }
            let pivot = self.gram[(i, i)] - dot(&now[..i], &now[..i]);
            // Less is what rounding leaves of nothing.
            if pivot > 1e-12 * self.gram[(i, i)] {
                now[i] = pivot.sqrt();
                y[i] = (self.xty[i] - dot(&now[..i], &y[..i])) / now[i];
            }
        }
        (Array2::from_shape_fn((size, size), |(i, j)| lower[j][i]), Array1::from(y))
    }

    /// The posterior mean under a prior, by the moments: for reweighting, where the last digits do not matter.
    pub fn mean(&self, priors: &Priors) -> Option<Array1<f64>> {
        let (m, s) = (Array1::from(priors.mean.clone()), Array1::from(priors.sd.clone()));
        let factor = Factor::new(m.len(), |i, j| s[i] * self.gram[(i, j)] * s[j] + if i == j { 1.0 } else { 0.0 })?;
        let mut u = (&s * &(&self.xty - &self.gram.dot(&m))).to_vec();
        factor.forward(&mut u);
        factor.backward(&mut u);
        Some(m + s * Array1::from(u))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::constants::Belief;
    use crate::analysis::evidence::Evidence;
    use crate::analysis::fit;
    use crate::analysis::whiten::Wander;
    use ndarray::array;

    /// The short way to the evidence against the long way through linfa-linear.
    #[test]
    fn evidence_by_elimination_equals_the_full_fit() {
        let days: Vec<i32> = (0..40).collect();
        let white = Whitener::new(&days, &vec![1e-3; 40], Wander { sd: 0.02, tau_days: 9.0 });
        let x =
            Array2::from_shape_fn((40, 4), |(r, c)| ((r * (c + 1)) as f64 * 0.21).sin() + f64::from(u8::from(c == 1)));
        let y = Array1::from_iter((0..40).map(|r| 0.1 * (f64::from(r) * 0.4).cos() + 0.05));
        let rows = Rows::new(
            &white,
            &Regressors::new((40, 4), |_| (0..4).collect(), |day, column| x[(day, column)]),
            &y,
            &[(vec![0.0, 3.0, 0.0, 1.0], 0.2)],
        );
        let (mut white_x, _) = white.rows(x.view());
        white_x.push_row(array![0.0, 3.0, 0.0, 1.0].view()).unwrap();
        let mut white_y = white.series(y.view()).0.to_vec();
        white_y.push(0.2);
        let priors = Priors { mean: vec![0.1, -0.2, 0.05, 0.3], sd: vec![0.5, 0.1, 0.0, 0.4] };
        let full = fit::posterior(white_x.view(), Array1::from(white_y).view(), &priors).unwrap();
        let want = -0.5 * (full.misfit + white.ln_det);
        for nuisance in [0, 1, 2] {
            let reduced = rows.reduce(nuisance, &priors).unwrap();
            let main = (nuisance..4).map(|i| Belief::new(priors.mean[i], priors.sd[i]));
            let have = Evidence::new(&reduced, &vec![false; 4 - nuisance]).ln(main, f64::NEG_INFINITY).unwrap();
            assert!((have - want).abs() < 1e-9 * want.abs(), "{nuisance}: {have} {want}");
        }
        let mean = rows.mean(&priors).unwrap();
        assert!((mean - &full.mean).iter().all(|d| d.abs() < 1e-9));
        let (x, y) = rows.compress();
        let short = fit::posterior(x.view(), y.view(), &priors).unwrap();
        assert!((short.mean - full.mean).iter().all(|d| d.abs() < 1e-9));
        assert!((short.covariance - full.covariance).iter().all(|d| d.abs() < 1e-9));
    }
}
