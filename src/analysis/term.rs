//! The terms of a fit, by name.

/// Which part of the loss a term belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Share {
    /// The level itself.
    Level,
    /// Lost before the first reading, nobody knows to what.
    Before,
    /// The lamp.
    Lamp,
    /// The sleeve.
    Sleeve,
    /// The sensor and its window.
    Sensor,
    /// The water.
    Water,
    /// A lasting shift: water or sensor, not told apart.
    Shift,
    /// Water temperature, which comes and goes and is no loss.
    Temperature,
}

/// One regressor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Term {
    /// The intervals of group `g` foul faster or slower than the unit does.
    IntervalRate(usize),
    /// The rate of fouling goes with the year, sine.
    RateSine,
    /// The rate of fouling goes with the year, cosine.
    RateCosine,
    /// What each cleaning of group `g` left behind more than is expected of the rate.
    LeftBehind(usize),
    /// Deposit from before the first known cleaning.
    InitialDeposit,
    /// A film from before the first reading that no cleaning takes off.
    PermanentAtStart,
    /// The first lamp's age at the first reading is not known.
    LampAtStart,
    /// The first sensor's age at the first reading is not known.
    SensorAtStart,
    /// Lamp `j` (from 1) starts weaker than the first.
    LampStep(usize),
    /// Lamp `j` (from 1) ages faster than the first.
    LampSlopeChange(usize),
    /// Curvature of lamp ageing.
    LampCurve,
    /// Light that goes in the first hours of a lamp.
    BurnIn,
    /// Sensor `j` (from 1) reads lower than the first.
    SensorStep(usize),
    /// Drift of sensor `j` (from 0), which is no longer there.
    EarlierDrift(usize),
    /// Dirt on the window of a sensor that was not new at the first reading, where nobody says when it was last wiped.
    WindowAtStart,
    /// A wipe of the sensor's window, by its place among the window's resets, left more than is expected.
    WindowLeft(usize),
    /// A lasting shift, by its place among the events of that kind.
    Shift(usize),
    /// Water temperature.
    Temperature,
    /// Absorbance of the water.
    Absorbance,
    /// The usual water, where measured, against that on which the reference was read.
    UsualWater,
    /// The level: ln of light with everything new and clean and the usual water.
    Level,
    /// Loss of a lamp over its rated hours.
    LampSlope,
    /// The unit's rate of fouling: the coat there is, and what cleanings are expected to have left of earlier ones.
    Rate,
    /// Curvature of the deposit's growth.
    Curve,
    /// Dirt on the sensor's window.
    Window,
    /// Drift of the present sensor.
    Drift,
    /// Yearly course, sine.
    SeasonSine,
    /// Yearly course, cosine.
    SeasonCosine,
    /// What the first reading lacked against the reference, for a reason nobody knows.
    BeforeStart,
    /// An old coat at the first reading, which the first cleaning takes off.
    OldCoat,
}

impl Term {
    /// Which part of the loss it belongs to.
    pub fn share(self) -> Share {
        match self {
            Self::Level => Share::Level,
            Self::BeforeStart => Share::Before,
            Self::LampStep(_)
            | Self::LampSlopeChange(_)
            | Self::LampCurve
            | Self::BurnIn
            | Self::LampAtStart
            | Self::LampSlope => Share::Lamp,
            Self::IntervalRate(_)
            | Self::RateSine
            | Self::RateCosine
            | Self::LeftBehind(_)
            | Self::InitialDeposit
            | Self::PermanentAtStart
            | Self::OldCoat
            | Self::Rate
            | Self::Curve => Share::Sleeve,
            Self::SensorStep(_)
            | Self::SensorAtStart
            | Self::EarlierDrift(_)
            | Self::WindowLeft(_)
            | Self::WindowAtStart
            | Self::Window
            | Self::Drift => Share::Sensor,
            Self::Temperature => Share::Temperature,
            Self::Absorbance | Self::UsualWater | Self::SeasonSine | Self::SeasonCosine => Share::Water,
            Self::Shift(_) => Share::Shift,
        }
    }

    /// Whether it is part of the coat that the next cleaning takes off; of the rate, see [`super::design::Design::coat_of`].
    pub fn is_coat(self) -> bool {
        matches!(
            self,
            Self::Rate
                | Self::RateSine
                | Self::RateCosine
                | Self::Curve
                | Self::IntervalRate(_)
                | Self::InitialDeposit
                | Self::OldCoat
        )
    }

    /// Whether it is dirt on the sensor's window, which a wipe takes off but for a little.
    pub fn is_window_dirt(self) -> bool {
        matches!(self, Self::Window | Self::WindowAtStart | Self::WindowLeft(_))
    }

    /// Whether its coefficient cannot be negative.
    pub fn at_least_zero(self) -> bool {
        matches!(
            self,
            Self::InitialDeposit
                | Self::PermanentAtStart
                | Self::OldCoat
                | Self::BeforeStart
                | Self::BurnIn
                | Self::Absorbance
                | Self::LampSlope
                | Self::Rate
                | Self::Window
                | Self::WindowAtStart
                | Self::EarlierDrift(_)
                | Self::Drift
        )
    }
}
