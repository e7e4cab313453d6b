//! Scoring rules of forecasts: small is good. All in the unit of the outcome.

use std::f64::consts::PI;

/// Pinball loss of the quantile `q` at probability `p` (0 to 1) when `y` comes: its mean is least for the true
/// quantile (Gneiting and Raftery 2007).
pub fn pinball(p: f64, q: f64, y: f64) -> f64 {
    if y >= q { p * (y - q) } else { (1.0 - p) * (q - y) }
}

/// Interval score of the central interval from `low` to `high` that should miss with probability `alpha` (0.2 for 80
/// %): its width, and `2 / alpha` for each unit by which `y` lies outside (Gneiting and Raftery 2007).
pub fn interval_score(low: f64, high: f64, alpha: f64, y: f64) -> f64 {
    (high - low) + 2.0 / alpha * ((low - y).max(0.0) + (y - high).max(0.0))
}

/// Continuous ranked probability score of a normal distribution, in closed form (Gneiting and Raftery 2007).
pub fn crps_normal(mean: f64, sd: f64, y: f64) -> f64 {
    let z = (y - mean) / sd;
    let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
    let below = 0.5 * statrs::function::erf::erfc(-z / std::f64::consts::SQRT_2);
    sd * (z * (2.0 * below - 1.0) + 2.0 * density - 1.0 / PI.sqrt())
}

/// Continuous ranked probability score of the empirical distribution of `draws` (any order): mean distance to `y` less
/// half the mean distance between two draws. `None` without draws.
pub fn crps_draws(draws: &[f64], y: f64) -> Option<f64> {
    let mut sorted = draws.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let n = sorted.len() as f64;
    if sorted.is_empty() {
        return None;
    }
    let to_outcome = sorted.iter().map(|x| (x - y).abs()).sum::<f64>() / n;
    // Sum over pairs of |xi - xj| = sum over sorted i of (2i + 1 - n) xi, each pair twice.
    let between: f64 = sorted.iter().enumerate().map(|(i, x)| (2.0 * i as f64 + 1.0 - n) * x).sum();
    Some(to_outcome - between / (n * n))
}

/// Continuous ranked probability score of a distribution known by some quantiles (probability, value), ascending in
/// both: twice the integral of the pinball loss over probability, by trapezia between the quantiles, the outermost
/// holding to 0 and 1. With few quantiles it is coarse, and comparable only with the same quantiles. `None` without.
pub fn crps_quantiles(quantiles: &[(f64, f64)], y: f64) -> Option<f64> {
    let (first, last) = (quantiles.first()?, quantiles.last()?);
    let loss = |p: f64, q: f64| pinball(p, q, y);
    // Beyond the outermost quantile its value stands for every probability: the loss is linear in p there.
    let tails = first.0 * f64::midpoint(loss(0.0, first.1), loss(first.0, first.1))
        + (1.0 - last.0) * f64::midpoint(loss(last.0, last.1), loss(1.0, last.1));
    let middle: f64 = quantiles
        .windows(2)
        .map(|w| (w[1].0 - w[0].0) * f64::midpoint(loss(w[0].0, w[0].1), loss(w[1].0, w[1].1)))
        .sum();
    Some(2.0 * (tails + middle))
}

/// One forecast on the way to an event: days truly left, and days it said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnTheWay {
    /// Days from the forecast to the event.
    pub left: f64,
    /// Days it said, its median; infinite where it gave no date.
    pub said: f64,
}

/// Prognostic horizon (Saxena et al. 2010): how many days before the event the forecasts came within `band` days of it,
/// met and STAYS met: every later forecast is within the band too. `forecasts` in order of time; `None` if the last is
/// not within.
pub fn prognostic_horizon(forecasts: &[OnTheWay], band: f64) -> Option<f64> {
    forecasts.iter().rev().take_while(|f| (f.said - f.left).abs() <= band).last().map(|f| f.left)
}

/// Alpha-lambda performance (Saxena et al. 2010): whether the forecast nearest to the share `lambda` of the way from the
/// first forecast to the event erred by no more than the share `alpha` of the days left then. Judged at that forecast
/// alone. `None` without forecasts.
pub fn alpha_lambda(forecasts: &[OnTheWay], alpha: f64, lambda: f64) -> Option<bool> {
    let target = (1.0 - lambda) * forecasts.first()?.left;
    let nearest = forecasts.iter().min_by(|a, b| (a.left - target).abs().total_cmp(&(b.left - target).abs()))?;
    Some((nearest.said - nearest.left).abs() <= alpha * nearest.left)
}

/// Relative accuracy (Saxena et al. 2010): 1 less the error as a share of the days left. `None` on the day itself.
pub fn relative_accuracy(forecast: OnTheWay) -> Option<f64> {
    (forecast.left > 0.0).then(|| 1.0 - (forecast.said - forecast.left).abs() / forecast.left)
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF, Normal};

    use super::*;

    /// Values of the closed form, computed outside the project.
    #[test]
    fn crps_of_normal_distributions() {
        for (mean, sd, y, want) in [
            (0.0, 1.0, 0.0, 0.233_694_977_255),
            (0.0, 1.0, 1.0, 0.602_441_357_628),
            (0.0, 1.0, 2.0, 1.452_791_821_686),
            (30.0, 5.0, 22.0, 5.411_471_761_863),
        ] {
            let have = crps_normal(mean, sd, y);
            assert!((have - want).abs() < 1e-9, "{have} {want}");
        }
    }

    /// Draws and quantiles of N(30, 5) against its closed form.
    #[test]
    fn draws_and_quantiles_agree_with_the_closed_form() {
        let normal = Normal::new(30.0, 5.0).unwrap();
        let grid = |n: usize| (0..n).map(move |i| (i as f64 + 0.5) / n as f64);
        let draws: Vec<f64> = grid(4_000).map(|p| normal.inverse_cdf(p)).rev().collect();
        let quantiles: Vec<(f64, f64)> = grid(4_000).map(|p| (p, normal.inverse_cdf(p))).collect();
        for y in [22.0, 30.0, 41.0] {
            let want = crps_normal(30.0, 5.0, y);
            assert!((crps_draws(&draws, y).unwrap() - want).abs() < 2e-3);
            assert!((crps_quantiles(&quantiles, y).unwrap() - want).abs() < 2e-3);
        }
        // A certain forecast scores its distance, by every rule.
        assert_eq!(crps_draws(&[22.0, 22.0], 30.0), Some(8.0));
        let certain = crps_quantiles(&[(0.1, 22.0), (0.5, 22.0), (0.9, 22.0)], 30.0).unwrap();
        assert!((certain - 8.0).abs() < 1e-12);
        assert_eq!((crps_draws(&[], 1.0), crps_quantiles(&[], 1.0)), (None, None));
    }

    /// Values computed outside the project (definitions of Gneiting and Raftery 2007).
    #[test]
    fn pinball_and_interval() {
        assert!((pinball(0.1, 22.0, 30.0) - 0.8).abs() < 1e-12);
        assert!((pinball(0.1, 22.0, 15.0) - 6.3).abs() < 1e-12);
        for (y, want) in [(30.0, 20.0), (15.0, 70.0), (45.0, 70.0)] {
            assert!((interval_score(20.0, 40.0, 0.2, y) - want).abs() < 1e-9);
        }
    }

    /// By hand: a run of weekly forecasts towards an event.
    #[test]
    fn prognostics() {
        let way =
            |pairs: &[(f64, f64)]| pairs.iter().map(|(left, said)| OnTheWay { left: *left, said: *said }).collect();
        let run: Vec<OnTheWay> = way(&[(35.0, 36.0), (28.0, 60.0), (21.0, 25.0), (14.0, 13.0), (7.0, 7.0)]);
        assert_eq!(prognostic_horizon(&run, 5.0), Some(21.0), "day 35 was met and did not stay met");
        assert_eq!(prognostic_horizon(&run, 50.0), Some(35.0));
        assert_eq!(prognostic_horizon(&way(&[(7.0, f64::INFINITY)]), 5.0), None);
        assert_eq!(alpha_lambda(&run, 0.2, 0.4), Some(true), "21 days left, 4 off");
        assert_eq!(alpha_lambda(&run, 0.1, 0.4), Some(false));
        assert_eq!(alpha_lambda(&[], 0.1, 0.4), None);
        assert_eq!(relative_accuracy(run[3]), Some(1.0 - 1.0 / 14.0));
        assert_eq!(relative_accuracy(OnTheWay { left: 0.0, said: 0.0 }), None);
    }
}
