//! Draws from a normal posterior some of whose coefficients cannot be negative.
//!
//! The bounded coefficients that could be negative at all are drawn from their joint normal, cut off at 0, one after
//! the other given the rest (Gibbs); all others follow exactly given those. One seed, one stream of draws.

use rand::{Rng, RngExt};
use rand_distr::{Exp1, StandardNormal};

use super::cholesky::Factor;
use super::fit::Posterior;

/// A bounded coefficient this many standard deviations above 0 needs no bound.
const CLEARLY_POSITIVE: f64 = 5.0;
/// Added to the scaled variances so that a covariance singular to rounding still factors.
const JITTER: f64 = 1e-10;
/// Rejections before a truncated draw settles for its bound; reached with a probability under 1e-60.
const MOST_REJECTIONS: u32 = 500;

/// Draws from one posterior.
#[derive(Clone, Debug)]
pub struct Sampler {
    mean: Vec<f64>,
    sd: Vec<f64>,
    bounded: Vec<usize>,
    free: Vec<usize>,
    /// Precision of the bounded, scaled by the standard deviations.
    precision: Vec<Vec<f64>>,
    /// Regression of the free on the bounded, scaled.
    slope: Vec<Vec<f64>>,
    /// Root of the covariance of the free given the bounded, scaled.
    root: Factor,
    /// Where the Gibbs sampler is, scaled deviations of the bounded.
    state: Vec<f64>,
}

impl Sampler {
    /// A sampler of `posterior` with the bounds of `at_least_zero`; `None` where the covariance is not usable.
    pub fn new(posterior: &Posterior, at_least_zero: &[bool]) -> Option<Self> {
        let mean = posterior.mean.to_vec();
        let sd: Vec<f64> = posterior.covariance.diag().iter().map(|v| v.max(0.0).sqrt()).collect();
        let active = (0..mean.len()).filter(|i| sd[*i] > 0.0);
        let (bounded, free): (Vec<usize>, Vec<usize>) =
            active.partition(|i| at_least_zero[*i] && mean[*i] < CLEARLY_POSITIVE * sd[*i]);
        let scaled =
            |a: usize, b: usize| posterior.covariance[(a, b)] / (sd[a] * sd[b]) + if a == b { JITTER } else { 0.0 };
        let precision = Factor::new(bounded.len(), |i, j| scaled(bounded[i], bounded[j]))?.inverse();
        let slope: Vec<Vec<f64>> = free
            .iter()
            .map(|f| {
                let with: Vec<f64> = bounded.iter().map(|b| scaled(*f, *b)).collect();
                precision.iter().map(|row| row.iter().zip(&with).map(|(p, w)| p * w).sum()).collect()
            })
            .collect();
        let root = Factor::new(free.len(), |i, j| {
            let taken: f64 = bounded.iter().zip(&slope[i]).map(|(b, s)| s * scaled(free[j], *b)).sum();
            scaled(free[i], free[j]) - taken
        })?;
        let state = bounded.iter().map(|b| (-mean[*b] / sd[*b]).max(0.0)).collect();
        Some(Self { mean, sd, bounded, free, precision, slope, root, state })
    }

    /// Moves the bounded coefficients on by `steps` rounds.
    pub fn run(&mut self, steps: usize, rng: &mut impl Rng) {
        for _ in 0..if self.bounded.is_empty() { 0 } else { steps } {
            for i in 0..self.bounded.len() {
                let row = &self.precision[i];
                let rest: f64 = row.iter().zip(&self.state).map(|(p, s)| p * s).sum::<f64>() - row[i] * self.state[i];
                let (mean, sd) = (-rest / row[i], row[i].sqrt().recip());
                let bound = -self.mean[self.bounded[i]] / self.sd[self.bounded[i]];
                self.state[i] = mean + sd * normal_above((bound - mean) / sd, rng);
            }
        }
    }

    /// The coefficients given where the bounded ones are now.
    pub fn draw(&self, rng: &mut impl Rng) -> Vec<f64> {
        let mut theta = self.mean.clone();
        for (b, state) in self.bounded.iter().zip(&self.state) {
            theta[*b] = (theta[*b] + self.sd[*b] * state).max(0.0);
        }
        let noise: Vec<f64> = (0..self.free.len()).map(|_| rng.sample(StandardNormal)).collect();
        let spread = self.root.times(&noise);
        for ((f, slope), own) in self.free.iter().zip(&self.slope).zip(spread) {
            let follows: f64 = slope.iter().zip(&self.state).map(|(a, s)| a * s).sum();
            theta[*f] += self.sd[*f] * (follows + own);
        }
        theta
    }
}

/// A standard normal variate that is at least `bound`. Robert 1995 (exponential proposals in the tail), from memory.
fn normal_above(bound: f64, rng: &mut impl Rng) -> f64 {
    for _ in 0..MOST_REJECTIONS {
        if bound < 0.4 {
            let z: f64 = rng.sample(StandardNormal);
            if z >= bound {
                return z;
            }
        } else {
            let rate = 0.5 * (bound + (bound * bound + 4.0).sqrt());
            let e: f64 = rng.sample(Exp1);
            let z = bound + e / rate;
            if rng.random::<f64>() <= (-0.5 * (z - rate).powi(2)).exp() {
                return z;
            }
        }
    }
    bound
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array1, array};
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;

    /// Mean of a standard normal above a: phi(a) / (1 - Phi(a)): a = -1: 0.28760, 0: 0.79788, 1: 1.52514, 3: 3.28310
    /// (tables of the inverse Mills ratio).
    #[test]
    fn truncated_means() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        for (bound, want) in [(-1.0, 0.287_60), (0.0, 0.797_88), (1.0, 1.525_14), (3.0, 3.283_10)] {
            let n = 20_000;
            let mean = (0..n).map(|_| normal_above(bound, &mut rng)).sum::<f64>() / f64::from(n);
            assert!((mean - want).abs() < 0.02, "{bound}: {mean}");
        }
    }

    /// Two coefficients with correlation -0.8, the first bounded at its mean: E first = 0.79788 and E second =
    /// -0.8 x 0.79788, by hand.
    #[test]
    fn the_free_follow_the_bounded() {
        let posterior = Posterior {
            mean: Array1::zeros(3),
            covariance: array![[1.0, -0.8, 0.0], [-0.8, 1.0, 0.0], [0.0, 0.0, 0.0]],
            misfit: 0.0,
        };
        let mut sampler = Sampler::new(&posterior, &[true, false, true]).unwrap();
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let n = 20_000;
        let mut sum = [0.0; 3];
        for _ in 0..n {
            sampler.run(1, &mut rng);
            let theta = sampler.draw(&mut rng);
            assert!(theta[0] >= 0.0);
            sum.iter_mut().zip(&theta).for_each(|(s, t)| *s += t / f64::from(n));
        }
        assert!((sum[0] - 0.797_88).abs() < 0.02 && (sum[1] + 0.638_3).abs() < 0.03 && sum[2] == 0.0, "{sum:?}");
    }
}
