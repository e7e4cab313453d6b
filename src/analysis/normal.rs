//! The standard normal distribution function, which the evidence of bounded coefficients takes thousands of times.

use statrs::function::erf::erfc;

/// The standard normal distribution function.
pub fn normal_cdf(x: f64) -> f64 {
    // Beyond, 1 but for 1e-9, which moves no evidence.
    if x > 6.0 { 1.0 } else { 0.5 * erfc(-x * std::f64::consts::FRAC_1_SQRT_2) }
}

/// Its logarithm, far out too.
pub fn ln_normal_cdf(x: f64) -> f64 {
    if x < -30.0 {
        return -0.5 * x * x - (-x * std::f64::consts::TAU.sqrt()).ln();
    }
    normal_cdf(x).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the normal distribution function from any table.
    #[test]
    fn table() {
        for (x, p) in [(0.0, 0.5), (1.0, 0.841_344_746), (-2.0, 0.022_750_132), (-5.0, 2.866_515_7e-7)] {
            assert!((ln_normal_cdf(x).exp() / p - 1.0).abs() < 1e-7, "{x}");
        }
        assert!((ln_normal_cdf(-31.0) - ln_normal_cdf(-29.9) + 33.53).abs() < 0.1, "the tail joins on");
    }
}
