//! What the water of a unit does: its usual transmittance, seasons, storms, snowmelt and lasting shifts.

use std::f64::consts::{PI, TAU};

use super::physics;
use crate::domain::Timestamp;
use crate::domain::time::HOUR;

/// Extra absorbance of 1 NTU, per cm. Invented: small beside the organics, as in most surface water.
pub const ABSORBANCE_PER_NTU: f64 = 0.003;
/// From the beginning of the rain to the peak of turbidity, h. Invented; it only sets the pace.
pub const TURBIDITY_PEAK_HOURS: f64 = 6.0;
/// From the peak of turbidity to the peak of dissolved organics, h (doi 10.1029/2009JG000989).
pub const ORGANICS_LAG_HOURS: f64 = 15.0;

/// The water of a unit. Absorbances are decadic, per cm, at 254 nm.
#[derive(Clone, Debug, PartialEq)]
pub struct Water {
    /// Usual transmittance, % over 1 cm.
    pub usual_transmittance: f64,
    /// Amplitude of the yearly swing, per cm; most in autumn.
    pub season: f64,
    /// Standard deviation of the slow wandering, per cm.
    pub wander_sd: f64,
    /// Time in which the wandering forgets, days.
    pub wander_days: f64,
    /// Usual turbidity, NTU.
    pub usual_turbidity: f64,
    /// Mean temperature, C.
    pub mean_c: f64,
    /// Amplitude of the yearly swing of the temperature, C; most in August.
    pub season_c: f64,
    /// Storms, oldest first.
    pub storms: Vec<Storm>,
    /// Spring thaws, oldest first.
    pub snowmelts: Vec<Snowmelt>,
    /// Lasting changes, oldest first.
    pub shifts: Vec<Shift>,
}

/// Rain that washes turbidity and then organics into the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Storm {
    /// When the rain begins to show.
    pub at: Timestamp,
    /// Greatest turbidity above the usual, NTU.
    pub turbidity: f64,
    /// Greatest extra absorbance of the organics, per cm.
    pub organics: f64,
    /// How much slower than a stream the water answers: 1 stream, 2 to 4 lake.
    pub slowness: f64,
}

/// Weeks of meltwater.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Snowmelt {
    /// When it begins.
    pub at: Timestamp,
    /// How long it lasts, days.
    pub days: f64,
    /// Greatest extra absorbance, per cm.
    pub organics: f64,
}

/// A change of the water that stays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// When it begins.
    pub at: Timestamp,
    /// How long it takes, days.
    pub days: f64,
    /// Change of the absorbance, per cm; negative: clearer.
    pub absorbance: f64,
}

/// A pulse that is 0 at the start, 1 at `peak_hours`, and dies away; `n` makes it narrower.
fn pulse(hours: f64, peak_hours: f64, n: f64) -> f64 {
    if hours <= 0.0 {
        return 0.0;
    }
    let x = hours / peak_hours;
    (n * (x.ln() + 1.0 - x)).exp()
}

fn hours_since(at: Timestamp, start: Timestamp) -> f64 {
    at.millis_since(start) as f64 / HOUR as f64
}

impl Storm {
    /// Turbidity above the usual, NTU.
    pub fn turbidity_at(&self, at: Timestamp) -> f64 {
        self.turbidity * pulse(hours_since(at, self.at) / self.slowness, TURBIDITY_PEAK_HOURS, 2.0)
    }

    /// Extra absorbance, per cm: organics and turbidity together.
    pub fn absorbance_at(&self, at: Timestamp) -> f64 {
        let peak = TURBIDITY_PEAK_HOURS + ORGANICS_LAG_HOURS;
        self.organics * pulse(hours_since(at, self.at) / self.slowness, peak, 1.5)
            + ABSORBANCE_PER_NTU * self.turbidity_at(at)
    }

    /// How long it can matter, h.
    pub fn lasts_hours(&self) -> f64 {
        12.0 * (TURBIDITY_PEAK_HOURS + ORGANICS_LAG_HOURS) * self.slowness
    }
}

impl Snowmelt {
    /// Extra absorbance, per cm.
    pub fn absorbance_at(&self, at: Timestamp) -> f64 {
        let share = at.days_since(self.at) / self.days;
        if !(0.0..=1.0).contains(&share) {
            return 0.0;
        }
        self.organics * (PI * share).sin().powi(2)
    }
}

impl Shift {
    /// Change of the absorbance so far, per cm.
    pub fn absorbance_at(&self, at: Timestamp) -> f64 {
        self.absorbance * (at.days_since(self.at) / self.days.max(1e-3)).clamp(0.0, 1.0)
    }
}

impl Water {
    /// Lasting part of the absorbance against the usual, per cm: the season and the shifts that began by `known`.
    pub fn lasting(&self, at: Timestamp, year_day: f64, known: Timestamp) -> f64 {
        let season = self.season * (TAU * (year_day - 290.0) / 365.25).cos();
        let shifts: f64 = self.shifts.iter().filter(|s| s.at <= known).map(|s| s.absorbance_at(at)).sum();
        season + shifts
    }

    /// Passing part of the absorbance, per cm: storms and snowmelt.
    pub fn passing(&self, at: Timestamp) -> f64 {
        let storms = self.storms.iter().filter(|s| (0.0..s.lasts_hours()).contains(&hours_since(at, s.at)));
        storms.map(|s| s.absorbance_at(at)).sum::<f64>()
            + self.snowmelts.iter().map(|s| s.absorbance_at(at)).sum::<f64>()
    }

    /// Turbidity, NTU.
    pub fn turbidity(&self, at: Timestamp) -> f64 {
        self.usual_turbidity + self.storms.iter().map(|s| s.turbidity_at(at)).sum::<f64>()
    }

    /// Temperature of the water that comes in, C, on a day of the year (1 to 366).
    pub fn temperature(&self, year_day: f64) -> f64 {
        self.mean_c + self.season_c * (TAU * (year_day - 222.0) / 365.25).cos()
    }

    /// Absorbance of the usual water, per cm.
    pub fn usual(&self) -> f64 {
        physics::absorbance(self.usual_transmittance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn storm(slowness: f64) -> Storm {
        Storm { at: Timestamp::from_secs(1_700_000_000), turbidity: 8.0, organics: 0.03, slowness }
    }

    fn peak_hour(f: impl Fn(Timestamp) -> f64, from: Timestamp) -> f64 {
        (0..2_000)
            .map(|i| (i as f64 * 0.1, f(from.plus_millis(i * HOUR / 10))))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map_or(0.0, |(h, _)| h)
    }

    /// Dissolved organics peak 15 h after turbidity (doi 10.1029/2009JG000989), and the dip outlasts the visible
    /// cloudiness.
    #[test]
    fn a_storm_clouds_first_and_darkens_later() {
        let s = storm(1.0);
        let organics = |at| s.absorbance_at(at) - ABSORBANCE_PER_NTU * s.turbidity_at(at);
        let lag = peak_hour(organics, s.at) - peak_hour(|at| s.turbidity_at(at), s.at);
        assert!((lag - 15.0).abs() < 0.2, "{lag}");
        let late = s.at.plus_millis(40 * HOUR);
        assert!(s.turbidity_at(late) < 0.02 * s.turbidity, "clear to the eye");
        assert!(s.absorbance_at(late) > 0.4 * s.organics, "and still dark at 254 nm");
        assert!(s.absorbance_at(s.at.plus_millis((s.lasts_hours() * HOUR as f64) as i64)) < 1e-4 * s.organics);
    }

    #[test]
    fn a_lake_answers_slower_than_a_stream() {
        let turbid = |s: Storm| peak_hour(|at| s.turbidity_at(at), s.at);
        assert!((turbid(storm(3.0)) - 3.0 * turbid(storm(1.0))).abs() < 0.3);
    }

    #[test]
    fn a_shift_stays_and_is_not_foreseen() {
        let at = Timestamp::from_secs(1_700_000_000);
        let water = Water {
            usual_transmittance: 90.0,
            season: 0.0,
            wander_sd: 0.0,
            wander_days: 5.0,
            usual_turbidity: 0.3,
            mean_c: 9.0,
            season_c: 0.0,
            storms: vec![storm(1.0)],
            snowmelts: vec![Snowmelt { at, days: 30.0, organics: 0.01 }],
            shifts: vec![Shift { at, days: 2.0, absorbance: 0.02 }],
        };
        let later = at.plus_millis(24 * 90 * HOUR);
        assert!((water.lasting(later, 100.0, later) - 0.02).abs() < 1e-12);
        assert!((water.lasting(later, 100.0, at.plus_millis(-1))).abs() < 1e-12);
        assert!(water.passing(later).abs() < 1e-9);
        assert!(water.passing(at.plus_millis(24 * 15 * HOUR)) > 0.0099, "the middle of the thaw");
    }
}
