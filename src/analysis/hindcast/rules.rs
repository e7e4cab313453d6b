//! Scoring rules of forecasts: small is good. All in the unit of the outcome.

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
    use std::f64::consts::PI;

    use statrs::distribution::{Continuous, ContinuousCDF, Normal};

    use super::*;

    /// Continuous ranked probability score of a normal distribution, in closed form (Gneiting and Raftery 2007).
    fn crps_normal(mean: f64, sd: f64, y: f64) -> f64 {
        let z = (y - mean) / sd;
        let standard = Normal::standard();
        sd * (z * (2.0 * standard.cdf(z) - 1.0) + 2.0 * standard.pdf(z) - 1.0 / PI.sqrt())
    }

    /// Values of the closed form, computed outside the project; and many quantiles of N(30, 5) against it.
    #[test]
    fn crps_of_normal_distributions() {
        let normal = Normal::new(30.0, 5.0).unwrap();
        let grid = (0..4_000).map(|i| (f64::from(i) + 0.5) / 4_000.0);
        let quantiles: Vec<(f64, f64)> = grid.map(|p| (p, normal.inverse_cdf(p))).collect();
        for (mean, sd, y, want) in [
            (0.0, 1.0, 0.0, 0.233_694_977_255),
            (0.0, 1.0, 1.0, 0.602_441_357_628),
            (0.0, 1.0, 2.0, 1.452_791_821_686),
            (30.0, 5.0, 22.0, 5.411_471_761_863),
        ] {
            let closed = crps_normal(mean, sd, y);
            assert!((closed - want).abs() < 1e-9, "{closed} {want}");
            // The same distribution, moved to N(30, 5).
            let have = crps_quantiles(&quantiles, 30.0 + 5.0 * (y - mean) / sd).unwrap();
            assert!((have * sd / 5.0 - want).abs() < 2e-3, "{have} {want}");
        }
    }

    /// A certain forecast scores its distance.
    #[test]
    fn crps_of_certainty() {
        let certain = crps_quantiles(&[(0.1, 22.0), (0.5, 22.0), (0.9, 22.0)], 30.0).unwrap();
        assert!((certain - 8.0).abs() < 1e-12);
        assert_eq!(crps_quantiles(&[], 1.0), None);
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
