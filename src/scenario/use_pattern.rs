//! When people draw water: by the hour, the day of the week and the season.

use jiff::civil::{Date, Weekday};

/// Whose use it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UsePattern {
    /// A family: mornings and evenings.
    Household,
    /// Fridays to Sundays, and every day in July and August.
    WeekendCabin,
    /// From four in the morning until noon, not on Mondays.
    Bakery,
    /// Three meals a day from May to September, otherwise next to nothing.
    CampKitchen,
}

/// Slots of use in an hour. Water is drawn, or not, for a whole slot, whatever the cadence of the readings.
pub const SLOT_MILLIS: i64 = 10 * crate::domain::time::MINUTE;

impl UsePattern {
    /// Whether anybody is there on `date`.
    pub fn occupied(self, date: Date) -> bool {
        let day = date.weekday();
        match self {
            Self::Household => true,
            Self::WeekendCabin => {
                matches!(day, Weekday::Friday | Weekday::Saturday | Weekday::Sunday) || matches!(date.month(), 7 | 8)
            }
            Self::Bakery => day != Weekday::Monday,
            Self::CampKitchen => (5..=9).contains(&date.month()),
        }
    }

    /// Probability that water is drawn in a slot of an occupied day, by the hour of the day (0 to 23).
    pub fn drawn(self, hour: i64) -> f64 {
        match (self, hour) {
            (Self::Household, 6..=8 | 17..=20) => 0.45,
            (Self::Household, 9..=16 | 21..=22) => 0.12,
            (Self::WeekendCabin, 8..=10 | 17..=21) => 0.40,
            (Self::WeekendCabin, 11..=16 | 22) => 0.15,
            (Self::Bakery, 4..=11) => 0.60,
            (Self::CampKitchen, 7 | 8 | 12 | 13 | 18 | 19) => 0.85,
            (Self::CampKitchen, 9..=11 | 14..=17 | 20) => 0.30,
            _ => 0.01,
        }
    }

    /// Share of `date` in which the water stands, 0 to 1.
    pub fn standing_share(self, date: Date) -> f64 {
        if !self.occupied(date) {
            return 1.0;
        }
        1.0 - (0..24).map(|hour| self.drawn(hour)).sum::<f64>() / 24.0
    }
}

/// A number in [0, 1) that depends on `seed` and `slot` alone: the same at any cadence, in any order of asking.
/// Finaliser of SplitMix64 (Steele, Lea and Flood 2014).
pub fn slot_chance(seed: u64, slot: i64) -> f64 {
    let mut z = seed ^ (slot as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn weekends_and_seasons() {
        let cabin = UsePattern::WeekendCabin;
        assert!(cabin.occupied(date(2026, 3, 7)), "a Saturday");
        assert!(!cabin.occupied(date(2026, 3, 10)), "a Tuesday in March");
        assert!(cabin.occupied(date(2026, 7, 7)), "a Tuesday in July");
        assert!((cabin.standing_share(date(2026, 3, 10)) - 1.0).abs() < 1e-12);
        for pattern in [cabin, UsePattern::Household, UsePattern::Bakery, UsePattern::CampKitchen] {
            let share = pattern.standing_share(date(2026, 7, 7));
            assert!((0.5..0.95).contains(&share), "{pattern:?} {share}");
        }
    }

    #[test]
    fn chances_are_even() {
        let n = 20_000;
        let mean = (0..n).map(|i| slot_chance(7, i)).sum::<f64>() / n as f64;
        let under = (0..n).filter(|i| slot_chance(7, *i) < 0.1).count() as f64 / n as f64;
        // Standard errors: 0.002 of the mean, 0.002 of the share.
        assert!((mean - 0.5).abs() < 0.01 && (under - 0.1).abs() < 0.01, "{mean} {under}");
    }
}
