//! Whose is a lasting shift of the light that no work explains: the water's or the sensor's.
//!
//! Where the unit measures transmittance, what the meter sees is taken out of the light before shifts are sought: one
//! that is left is hardly the water's. Else the log's own measurements of the water before and after it decide, and
//! without them a belief.

use super::events::{EventKind, Events};

/// Probability that a lasting shift is the water's rather than the sensor's: transmittance not measured, measured. By
/// judgement: lasting changes of water are commoner than knocked sensors, and a meter would have shown the former.
const IS_WATER: (f64, f64) = (0.65, 0.2);
/// Days within which a measurement of the water says whether a shift was the water's.
const MEASURED_WITHIN_DAYS: i32 = 180;
/// How far two measurements of the same water differ where nothing has changed: the meter's error and what the water does
/// between the days, as loss of light, ln. By judgement.
const MEASURED_SD: f64 = 0.025;

/// What is known of each lasting shift.
#[derive(Clone, Debug)]
pub struct Shifts {
    /// Probability beforehand that one is the water's.
    usual: f64,
    /// Day of the shift, and the loss that the measured change of the water makes: mean and standard deviation, ln.
    measured: Vec<(i32, f64, f64)>,
}

impl Shifts {
    /// From the log's measurements; `path` is the water the light crosses, cm, mean and standard deviation; `metered`:
    /// the unit measures transmittance.
    pub fn new(events: &Events, path: (f64, f64), metered: bool) -> Self {
        let shifts = events.list.iter().filter(|event| event.kind == EventKind::Shift);
        let one = |event: &super::events::Event| {
            let absorbance = std::f64::consts::LN_10 * events.water_change(event.day, MEASURED_WITHIN_DAYS)?;
            Some((event.day, path.0 * absorbance, MEASURED_SD.hypot(path.1 * absorbance)))
        };
        Self { usual: if metered { IS_WATER.1 } else { IS_WATER.0 }, measured: shifts.filter_map(one).collect() }
    }

    /// Probability that a shift on `day` that costs `loss` (ln of light) is the water's.
    pub fn water_share(&self, day: i32, loss: f64) -> f64 {
        let usual = self.usual;
        let Some((_, mean, sd)) = self.measured.iter().find(|(shift, ..)| *shift == day) else { return usual };
        let density = |away: f64, sd: f64| (-0.5 * (away / sd).powi(2)).exp() / sd + 1e-9;
        // Where the sensor has shifted, the water shows no change; where the water has, it shows this one.
        let water = usual * density(loss - mean, *sd);
        water / (water + (1.0 - usual) * density(*mean, MEASURED_SD))
    }
}
