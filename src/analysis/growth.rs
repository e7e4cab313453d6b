//! How deposits grow with time.

use serde::{Deserialize, Serialize};

/// How a deposit grows with time: it may take time to begin, and it may near an end.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// Time constant of the beginning, days; 0: at once. Days of growth: u - tau (1 - exp(-u / tau)).
    pub delay_days: f64,
    /// Days of growth that all growth comes to in the end (Kern and Seaton's asymptote over the rate at the start);
    /// infinite: no end.
    pub end_days: f64,
    /// Days of growth in which a deposit in patches, each of which lets no light through, would cover the whole sleeve:
    /// the light then falls by the same amount each day, and its logarithm ever faster. Infinite: a film.
    pub cover_days: f64,
}

/// From this share on, what patches cover costs as much more for each day as at this share: intervals differ, and a
/// sleeve that should be covered by now may not be.
const MOSTLY_COVERED: f64 = 0.85;

impl Growth {
    /// In proportion to time.
    pub const STEADY: Self = Self { delay_days: 0.0, end_days: f64::INFINITY, cover_days: f64::INFINITY };

    /// Whether it goes on for ever.
    pub fn is_endless(self) -> bool {
        self.end_days.is_infinite() && self.cover_days.is_infinite()
    }

    /// Effective days (in hundreds) after `days` of exposure; a rate of 1 is that of steady growth.
    pub fn at(self, days: f64) -> f64 {
        let delay = self.delay_days;
        let grown = if delay > 0.0 { days - delay * (1.0 - (-days / delay).exp()) } else { days };
        let nearing =
            if self.end_days.is_infinite() { grown } else { self.end_days * (1.0 - (-grown / self.end_days).exp()) };
        let covering = if self.cover_days.is_infinite() {
            nearing
        } else {
            let share = nearing / self.cover_days;
            let (mostly, more) = (share.min(MOSTLY_COVERED), (share - MOSTLY_COVERED).max(0.0));
            self.cover_days * (more / (1.0 - MOSTLY_COVERED) - (1.0 - mostly).ln())
        };
        covering / 100.0
    }
}

/// Curvature with a bounded slope: u^2 / (u + 0.6) - 0.57 u. Plain u^2 runs away when carried on.
pub fn curve(u: f64) -> f64 {
    u * u / (u + 0.6) - 0.57 * u
}
