//! What the fit says about the days behind.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// One day of the past as the fit explains it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FittedDay {
    /// Which day, in the site's zone.
    pub date: Date,
    /// The fitted light, in the unit of the sensor.
    pub intensity: f64,
    /// What each cause cost on that day.
    pub lost: LostPoints,
}

/// Points of light lost to each cause, per cent of the light when new. They add up to the whole loss; a cause that
/// brings light (clearer water than usual) counts as nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LostPoints {
    /// The sleeve.
    pub sleeve: f64,
    /// The lamp.
    pub lamp: f64,
    /// The sensor and its window.
    pub sensor: f64,
    /// The water.
    pub water: f64,
    /// What the first reading already lacked, nobody knows to what.
    pub unexplained: f64,
}

impl LostPoints {
    /// From losses in ln, each the logarithm of a factor.
    pub fn of_ln(ln: [f64; 5]) -> Self {
        let ln = ln.map(|loss| loss.clamp(0.0, 20.0));
        let all: f64 = ln.iter().sum();
        let each = if all > 0.0 { -100.0 * (-all).exp_m1() / all } else { 0.0 };
        let [sleeve, lamp, sensor, water, unexplained] = ln.map(|loss| loss * each);
        Self { sleeve, lamp, sensor, water, unexplained }
    }

    /// In the order of the fields.
    pub fn each(&self) -> [f64; 5] {
        [self.sleeve, self.lamp, self.sensor, self.water, self.unexplained]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two factors of 0.9 and 0.8 take 28 % together, by hand; it is shared as their logarithms are.
    #[test]
    fn points_add_up_to_the_whole_loss() {
        let points = LostPoints::of_ln([-(0.9f64.ln()), -(0.8f64.ln()), 0.0, -0.3, 0.0]);
        assert!((points.each().iter().sum::<f64>() - 28.0).abs() < 1e-9);
        assert!((points.sleeve / points.lamp - 0.9f64.ln() / 0.8f64.ln()).abs() < 1e-9);
        assert_eq!((points.sensor, points.water), (0.0, 0.0));
        assert_eq!(LostPoints::of_ln([0.0; 5]), LostPoints::default());
    }
}
