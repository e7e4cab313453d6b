//! The physics of a unit in closed form: light through water, the lamp's life, the growth of a deposit.
//!
//! Losses are natural logarithms of what is left, positive when light is lost: `exp(-loss)` of it arrives.

use std::f64::consts::LN_10;

/// Decadic absorbance per cm of water with a transmittance in % over 1 cm (definition of absorbance).
pub fn absorbance(transmittance: f64) -> f64 {
    -(transmittance / 100.0).log10()
}

/// Transmittance in % over 1 cm of water with a decadic absorbance per cm: the inverse of [`absorbance`].
pub fn transmittance(absorbance: f64) -> f64 {
    100.0 * 10f64.powf(-absorbance)
}

/// Loss of light over `path_cm` of water with a decadic absorbance per cm (Beer-Lambert).
pub fn water_loss(absorbance: f64, path_cm: f64) -> f64 {
    LN_10 * absorbance * path_cm
}

/// Share of the light at the outer wall of a sleeve of radius `sleeve_cm` that arrives `depth_cm` further out: an
/// infinite line source, so the light thins out as 1/r besides being absorbed. Neglects refraction and reflection,
/// which is up to 25 % in clear water (Bolton 2000); only ratios matter here.
pub fn radial(sleeve_cm: f64, depth_cm: f64, absorbance: f64) -> f64 {
    sleeve_cm / (sleeve_cm + depth_cm) * (-water_loss(absorbance, depth_cm)).exp()
}

/// Hours a new lamp burns before its output is a reference (EPA 815-R-06-007, from memory).
pub const REFERENCE_HOURS: f64 = 100.0;
/// The life the loss of a [`Lamp`] is stated at, h. Common practice, no source.
pub const LIFE_HOURS: f64 = 18_000.0;

/// One lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lamp {
    /// Loss in the burn-in, ln. 0 to 0.1.
    pub burn_in: f64,
    /// Time constant of the burn-in, h. 20 to 200.
    pub burn_in_hours: f64,
    /// Further loss at [`LIFE_HOURS`], ln. 0.223 is 20 %.
    pub life_loss: f64,
    /// How that loss grows: (hours / life)^shape. 1 is linear.
    pub shape: f64,
    /// How much weaker (positive) than the unit's first lamp it is at 100 h, ln.
    pub weaker: f64,
}

impl Lamp {
    fn raw_loss(&self, hours: f64) -> f64 {
        self.burn_in * (1.0 - (-hours / self.burn_in_hours).exp())
            + self.life_loss * (hours.max(0.0) / LIFE_HOURS).powf(self.shape)
    }

    /// Loss against the unit's first lamp at 100 h, ln; negative before that.
    pub fn loss(&self, hours: f64) -> f64 {
        self.weaker + self.raw_loss(hours) - self.raw_loss(REFERENCE_HOURS)
    }
}

/// Wall temperature of greatest output, C (Schmalwieser 2022: about 40).
pub const BEST_WALL_C: f64 = 40.0;

/// Loss of a low-pressure lamp whose wall is `warmer_c` above the water of `water_c`: a parabola about
/// [`BEST_WALL_C`], `curvature` in ln per C2 (0.00023 gives 0.003 per C at a wall of 27 C).
pub fn cold_loss(water_c: f64, warmer_c: f64, curvature: f64) -> f64 {
    let below = BEST_WALL_C - water_c - warmer_c;
    0.5 * curvature * below * below
}

/// How a deposit grows once it has begun.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Growth {
    /// The transmission falls by the same amount each day.
    Linear,
    /// The thickness grows by the same amount each day.
    Exponential,
    /// The thickness nears a limit, in ln (Kern and Seaton 1959, from memory).
    Asymptotic(f64),
}

/// The least transmission of a linear deposit: it cannot cover more than all of the sleeve.
const LEAST_TRANSMISSION: f64 = 0.02;

impl Growth {
    /// Loss after `days` of growth that began at `rate` per day (share of the light lost on the first day).
    pub fn loss(self, rate: f64, days: f64) -> f64 {
        match self {
            Self::Linear => -(1.0 - rate * days).max(LEAST_TRANSMISSION).ln(),
            Self::Exponential => rate * days,
            Self::Asymptotic(limit) if limit <= 0.0 => 0.0,
            Self::Asymptotic(limit) => limit * (1.0 - (-rate * days / limit).exp()),
        }
    }
}

/// Days of growth after `days` of exposure with an induction time: nothing at first, then day for day.
pub fn after_induction(days: f64, induction_days: f64) -> f64 {
    if induction_days <= 0.0 {
        return days;
    }
    days - induction_days * (1.0 - (-days / induction_days).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published pairs of transmittance and absorbance, and pairs computed from the definition.
    #[test]
    fn absorbance_pairs() {
        for (uvt, a, within) in [
            (62.0, 0.208, 5e-4),
            (75.0, 0.125, 5e-4),
            (95.0, 0.022_276, 5e-7),
            (90.0, 0.045_757, 5e-7),
            (85.0, 0.070_581, 5e-7),
            (70.0, 0.154_902, 5e-7),
        ] {
            assert!((absorbance(uvt) - a).abs() < within, "{uvt}");
            assert!((transmittance(absorbance(uvt)) - uvt).abs() < 1e-9);
        }
    }

    /// Computed from the formula outside the project: sleeve 1.25 cm, depths 1 to 4 cm.
    #[test]
    fn radial_table() {
        for (uvt, shares) in [
            (95.0, [0.5278, 0.3471, 0.2522, 0.1939]),
            (90.0, [0.5000, 0.3115, 0.2144, 0.1562]),
            (75.0, [0.4167, 0.2163, 0.1241, 0.0753]),
        ] {
            for (depth, share) in [1.0, 2.0, 3.0, 4.0].into_iter().zip(shares) {
                assert!((radial(1.25, depth, absorbance(uvt)) - share).abs() < 6e-5, "{uvt} {depth}");
            }
        }
    }

    /// S2/S1 = (UVT2/UVT1)^d, computed outside the project: 95 to 90 %.
    #[test]
    fn reading_after_a_step_in_transmittance() {
        for (d, ratio) in [(1.0, 0.9474), (2.0, 0.8975), (3.0, 0.8503), (4.0, 0.8055), (5.0, 0.7631)] {
            let step = (water_loss(absorbance(95.0), d) - water_loss(absorbance(90.0), d)).exp();
            assert!((step - ratio).abs() < 6e-5, "{d}");
        }
        // A unit trap of some rules: 95 % per cm is 59.9 % per 100 mm.
        assert!(((-water_loss(absorbance(95.0), 10.0)).exp() - 0.599).abs() < 5e-4);
    }

    /// Days to a share of the clean light from 0.5 % a day at the start, computed outside the project.
    #[test]
    fn days_to_a_share_of_clean() {
        let day_of = |growth: Growth, share: f64| {
            let (mut low, mut high) = (0.0, 1e4);
            if growth.loss(0.005, high) < -share.ln() {
                return None;
            }
            for _ in 0..80 {
                let middle = 0.5 * (low + high);
                if growth.loss(0.005, middle) < -share.ln() { low = middle } else { high = middle }
            }
            Some(high)
        };
        for (growth, to_7, to_8) in [
            (Growth::Linear, Some(60.0), 40.0),
            (Growth::Exponential, Some(71.335), 44.629),
            (Growth::Asymptotic(1.0), Some(88.221), 50.5),
            (Growth::Asymptotic(0.5), Some(124.949), 59.111),
            (Growth::Asymptotic(0.3), None, 81.711),
        ] {
            let close = |a: Option<f64>, b: Option<f64>| match (a, b) {
                (Some(a), Some(b)) => (a - b).abs() < 6e-4,
                (a, b) => a == b,
            };
            assert!(close(day_of(growth, 0.7), to_7), "{growth:?} {:?}", day_of(growth, 0.7));
            assert!(close(day_of(growth, 0.8), Some(to_8)), "{growth:?} {:?}", day_of(growth, 0.8));
        }
    }

    #[test]
    fn a_deposit_waits_and_then_grows_day_for_day() {
        assert!(after_induction(1.0, 10.0) < 0.06);
        assert!((after_induction(101.0, 10.0) - after_induction(100.0, 10.0) - 1.0).abs() < 1e-3);
        assert!((after_induction(1e3, 10.0) - 990.0).abs() < 1e-9);
        assert!((after_induction(7.0, 0.0) - 7.0).abs() < 1e-12);
    }

    /// "Quick early fall in the first 100 to 500 h, then near linear" (from memory of the EPA manual); 20 % at the
    /// stated life; zero at 100 h by definition.
    #[test]
    fn lamp_curve() {
        let lamp = Lamp { burn_in: 0.04, burn_in_hours: 60.0, life_loss: -(0.8f64.ln()), shape: 1.0, weaker: 0.0 };
        assert!(lamp.loss(100.0).abs() < 1e-12);
        assert!(lamp.loss(0.0) < -0.03, "stronger before the burn-in");
        let slope = |h: f64| (lamp.loss(h + 50.0) - lamp.loss(h)) / 50.0;
        assert!(slope(0.0) > 10.0 * slope(1_000.0));
        assert!((slope(2_000.0) / slope(15_000.0) - 1.0).abs() < 0.01, "near linear");
        let at_life = 1.0 - (-(lamp.loss(18_000.0))).exp();
        assert!((at_life - 0.2).abs() < 0.015, "{at_life}");
    }

    #[test]
    fn cold_water_costs_light() {
        let per_degree = cold_loss(12.5, 14.0, 0.000_23) - cold_loss(13.5, 14.0, 0.000_23);
        assert!((per_degree - 0.003).abs() < 1e-4, "{per_degree}");
        assert!(cold_loss(26.0, 14.0, 0.000_23).abs() < 1e-12);
    }
}
