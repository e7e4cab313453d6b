//! The slow wandering of the light, taken out of the way of the fit.
//!
//! y_t = x_t' theta + z_t + e_t, where z is a daily first-order autoregression with standard deviation s_z and memory
//! tau (phi = exp(-1/tau)) and e_t has variance v_t. One scalar Kalman filter has gains that do not depend on the
//! values it filters, so the same gains run over y and over every column of X. The innovations divided by the square
//! root of their variance F_t are rows with independent errors of unit variance: ordinary least squares on them gives
//! exactly what generalised least squares with the dense covariance of z + e gives, and sum ln F_t is the logarithm of
//! that covariance's determinant. A gap of k days is one step with phi^k. Cost: one multiplication and addition or two
//! for each day and column, instead of a matrix as large as the history.

use ndarray::{Array1, Array2, ArrayView1, ArrayView2};

/// The slow wandering: a stationary first-order autoregression in days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wander {
    /// Standard deviation, in ln of light. 0 or more; 0 is none.
    pub sd: f64,
    /// Memory, days: the correlation falls to 1/e.
    pub tau_days: f64,
}

impl Wander {
    /// Correlation over `days`.
    pub fn correlation(self, days: f64) -> f64 {
        (-days / self.tau_days).exp()
    }
}

/// What the filter does at one observation.
#[derive(Clone, Copy, Debug)]
struct Step {
    /// Correlation with the observation before.
    decay: f64,
    /// Share of the innovation that is taken up.
    gain: f64,
    /// 1 / sqrt(F).
    scale: f64,
    /// Variance of z after the observation.
    variance: f64,
    /// Variance of z before it.
    predicted: f64,
}

/// The filter's gains for given days, variances and wandering.
#[derive(Clone, Debug)]
pub struct Whitener {
    steps: Vec<Step>,
    /// ln det of the covariance of z + e.
    pub ln_det: f64,
}

impl Whitener {
    /// For observations at `days` (ascending, no repeats) with variances `variance` (above 0).
    pub fn new(days: &[i32], variance: &[f64], wander: Wander) -> Self {
        let stationary = wander.sd * wander.sd;
        let mut known = stationary;
        let mut before = None;
        let mut ln_det = 0.0;
        let steps = days
            .iter()
            .zip(variance)
            .map(|(day, noise)| {
                let decay = before.map_or(0.0, |b: i32| wander.correlation(f64::from(day - b)));
                before = Some(*day);
                let predicted = stationary + decay * decay * (known - stationary);
                let f = predicted + noise;
                ln_det += f.ln();
                let gain = predicted / f;
                known = predicted * (1.0 - gain);
                Step { decay, gain, scale: f.sqrt().recip(), variance: known, predicted }
            })
            .collect();
        Self { steps, ln_det }
    }

    /// Variance of z after the last observation.
    pub fn end_variance(&self) -> f64 {
        self.steps.last().map_or(0.0, |step| step.variance)
    }

    /// Whitens `rows`, which follow each other from observation `from` on, in place. `state` is the filter's in each
    /// column: 0 before the first observation; after the last, z given theta has the mean `state(y) - state(x) theta`.
    pub fn filter(&self, from: usize, state: &mut [f64], rows: &mut [f64]) {
        for (step, row) in self.steps[from..].iter().zip(rows.chunks_exact_mut(state.len().max(1))) {
            let Step { decay, gain, scale, .. } = *step;
            for (z, value) in state.iter_mut().zip(row) {
                let predicted = decay * *z;
                let innovation = *value - predicted;
                *z = predicted + gain * innovation;
                *value = innovation * scale;
            }
        }
    }

    /// The whitened rows of `x` (n x p) and the state of each column after them.
    pub fn rows(&self, x: ArrayView2<'_, f64>) -> (Array2<f64>, Array1<f64>) {
        let mut state = vec![0.0; x.ncols()];
        let mut rows: Vec<f64> = x.iter().copied().collect();
        self.filter(0, &mut state, &mut rows);
        // As many values as before.
        (Array2::from_shape_vec(x.raw_dim(), rows).unwrap_or_default(), Array1::from(state))
    }

    /// One series whitened, and the state after it.
    pub fn series(&self, y: ArrayView1<'_, f64>) -> (Array1<f64>, f64) {
        let (mut state, mut white) = ([0.0], y.to_vec());
        self.filter(0, &mut state, &mut white);
        (Array1::from(white), state[0])
    }

    /// Mean and variance of z at each observation given all of `residuals` = y - X theta.
    pub fn smooth(&self, residuals: &[f64]) -> Vec<(f64, f64)> {
        let mut state = 0.0;
        let filtered: Vec<f64> = self
            .steps
            .iter()
            .zip(residuals)
            .map(|(step, value)| {
                let predicted = step.decay * state;
                state = predicted + step.gain * (value - predicted);
                state
            })
            .collect();
        let mut out = vec![(0.0, 0.0); filtered.len()];
        let mut later: Option<(f64, f64)> = None;
        for (i, step) in self.steps.iter().enumerate().rev().take(filtered.len()) {
            let (mean, variance) = match (later, self.steps.get(i + 1)) {
                (Some((mean, variance)), Some(next)) if next.predicted > 0.0 => {
                    let back = step.variance * next.decay / next.predicted;
                    (
                        filtered[i] + back * (mean - next.decay * filtered[i]),
                        step.variance + back * back * (variance - next.predicted),
                    )
                }
                _ => (filtered[i], step.variance),
            };
            out[i] = (mean, variance);
            later = Some((mean, variance));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::fit::{self, Priors};
    use linfa_linalg::cholesky::{Cholesky, SolveC};
    use ndarray::Axis;

    /// A small problem with gaps, unequal variances, two columns with priors.
    fn problem() -> (Vec<i32>, Vec<f64>, Array2<f64>, Array1<f64>, Priors, Wander) {
        let days: Vec<i32> = (0..60).filter(|d| d % 7 != 3 && !(20..28).contains(d)).collect();
        let variance = days.iter().map(|d| 1e-4 * (1.0 + f64::from(d % 5))).collect();
        let x = Array2::from_shape_fn((days.len(), 2), |(r, c)| if c == 0 { 1.0 } else { f64::from(days[r]) / 30.0 });
        let y = days.iter().map(|d| 0.3 - 0.002 * f64::from(*d) + 0.01 * (f64::from(*d) * 0.7).sin()).collect();
        (days, variance, x, y, Priors { mean: vec![0.1, 0.0], sd: vec![0.5, 0.2] }, Wander { sd: 0.01, tau_days: 12.0 })
    }

    /// Covariance of z + e, written out.
    fn dense(days: &[i32], variance: &[f64], wander: Wander) -> Array2<f64> {
        let n = days.len();
        Array2::from_shape_fn((n, n), |(a, b)| {
            let z = wander.sd.powi(2) * wander.correlation(f64::from((days[a] - days[b]).abs()));
            if a == b { z + variance[a] } else { z }
        })
    }

    fn ln_det(a: &Array2<f64>) -> f64 {
        a.cholesky().unwrap().diag().iter().map(|d| 2.0 * d.ln()).sum()
    }

    /// Parameters, covariance and evidence against the dense generalised least squares with y ~ N(X m, V + X S S X').
    #[test]
    fn equals_the_dense_solve() {
        let (days, variance, x, y, priors, wander) = problem();
        let v = dense(&days, &variance, wander);
        let column = |a: Array1<f64>| a.insert_axis(Axis(1));
        let vx = v.clone().solvec(&x).unwrap();
        let mut precision = x.t().dot(&vx);
        for (i, sd) in priors.sd.iter().enumerate() {
            precision[(i, i)] += sd.powi(-2);
        }
        let from_prior = Array1::from_iter(priors.mean.iter().zip(&priors.sd).map(|(m, s)| m / (s * s)));
        let right = vx.t().dot(&y) + from_prior;
        let want = precision.clone().solvec(&column(right)).unwrap();
        let want_covariance = precision.clone().solvec(&Array2::eye(2)).unwrap();

        let whitener = Whitener::new(&days, &variance, wander);
        assert!((whitener.ln_det - ln_det(&v)).abs() < 1e-10);
        let (rows, _) = whitener.rows(x.view());
        let (target, _) = whitener.series(y.view());
        let have = fit::posterior(rows.view(), target.view(), &priors).unwrap();
        assert!((&have.mean - &want.column(0)).iter().all(|d| d.abs() < 1e-12));
        assert!((&have.covariance - &want_covariance).iter().all(|d| d.abs() < 1e-14));

        let scaled = &x * &Array1::from(priors.sd.clone());
        let marginal = &v + &scaled.dot(&scaled.t());
        let residual = &y - &x.dot(&Array1::from(priors.mean.clone()));
        let solved = marginal.clone().solvec(&column(residual.clone())).unwrap();
        let want_misfit = residual.dot(&solved.column(0)) + ln_det(&marginal);
        assert!((have.misfit + whitener.ln_det - want_misfit).abs() < 1e-9);
    }

    /// The smoother and the state at the end against the dense conditional mean and variance of z.
    #[test]
    fn smoothing_equals_the_dense_conditional() {
        let (days, variance, x, y, _, wander) = problem();
        let theta = Array1::from(vec![0.3, -0.05]);
        let residual = &y - &x.dot(&theta);
        let mut z_covariance = dense(&days, &variance, wander);
        for (i, v) in variance.iter().enumerate() {
            z_covariance[(i, i)] -= v;
        }
        let v = dense(&days, &variance, wander);
        let gain = v.clone().solvec(&z_covariance).unwrap();
        let mean = gain.t().dot(&residual);
        let left = &z_covariance - &z_covariance.dot(&gain);
        let whitener = Whitener::new(&days, &variance, wander);
        let smooth = whitener.smooth(residual.as_slice().unwrap());
        for (i, (m, var)) in smooth.iter().enumerate() {
            assert!((m - mean[i]).abs() < 1e-12 && (var - left[(i, i)]).abs() < 1e-14, "{i}");
        }
        let last = days.len() - 1;
        let end = whitener.series(y.view()).1 - whitener.rows(x.view()).1.dot(&theta);
        assert!((end - mean[last]).abs() < 1e-12);
        assert!((whitener.end_variance() - left[(last, last)]).abs() < 1e-14);
    }

    #[test]
    fn no_wandering_is_plain_weighting() {
        let white = Whitener::new(&[0, 1, 5], &[4.0, 1.0, 0.25], Wander { sd: 0.0, tau_days: 12.0 });
        assert_eq!(white.series(Array1::from(vec![2.0, 3.0, 4.0]).view()).0.to_vec(), [1.0, 3.0, 8.0]);
    }
}
