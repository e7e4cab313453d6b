//! Everything that decides what a simulated unit does: its physics, its people, its faults. Set by hand for a story,
//! or drawn by [`super::random_plan`].

use super::physics::{Growth, Lamp};
use super::use_pattern::UsePattern;
use super::water::Water;
use crate::domain::{ServiceAction, ServiceEntry, Timestamp, UnitSpec};

/// One simulated unit.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitPlan {
    /// What the owner wrote down: this is all an analysis gets to know besides readings and log.
    pub papers: UnitSpec,
    /// When the physics begins; readings may be asked for from here on.
    pub from: Timestamp,
    /// The end of the history the plan was drawn for.
    pub to: Timestamp,
    /// Seeds the noise, the wandering of the water and the use; not the plan itself.
    pub seed: u64,
    /// Sleeve radius and water between sleeve and sensor.
    pub optics: Optics,
    /// The lamp at the start; later ones come with their service.
    pub lamp: Lamp,
    /// Hours that lamp has burnt at `from`.
    pub lamp_hours: f64,
    /// How much warmer the lamp's wall is than the water, C.
    pub wall_warmer_c: f64,
    /// Sensitivity to the wall's temperature, ln per C2; see [`super::physics::cold_loss`].
    pub cold_curvature: f64,
    /// Time constant of the warm-up, s.
    pub warm_up_secs: f64,
    /// The deposit on the sleeve.
    pub deposit: Deposit,
    /// Dirt on the sensor's window.
    pub window: Window,
    /// The sensor.
    pub sensor: Sensor,
    /// The water.
    pub water: Water,
    /// When water is drawn.
    pub usage: Usage,
    /// What was really done, oldest first.
    pub services: Vec<Service>,
    /// Log entries of things that never happened.
    pub false_entries: Vec<ServiceEntry>,
    /// What went wrong.
    pub faults: Vec<Fault>,
    /// Which channels are reported besides the intensity.
    pub channels: Channels,
}

/// The geometry between lamp and sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Optics {
    /// Outer radius of the sleeve, cm.
    pub sleeve_cm: f64,
    /// Water between sleeve and sensor, cm.
    pub path_cm: f64,
    /// Intensity at the wall of the clean sleeve with the first lamp at 100 h, mW/cm2.
    pub wall_intensity: f64,
}

/// How the sleeve fouls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deposit {
    /// How it grows.
    pub growth: Growth,
    /// Light lost per day at the start of growth, share (0.001 is 0.1 % a day).
    pub rate: f64,
    /// Days of exposure before it grows.
    pub induction_days: f64,
    /// How much warm water speeds it up: share per C above the yearly mean.
    pub per_c: f64,
    /// How much standing water speeds it up: share per unit of standing share above 0.8.
    pub per_standing: f64,
    /// Days of exposure behind it at `from`.
    pub days_at_start: f64,
    /// Permanent loss at `from`, ln.
    pub permanent: f64,
}

/// Dirt on the sensor's window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Loss per year, ln.
    pub per_year: f64,
    /// Loss at `from`, ln.
    pub at_start: f64,
}

/// The sensor and its electronics.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Drift per year, ln lost.
    pub drift_per_year: f64,
    /// Drift at `from`, ln lost.
    pub at_start: f64,
    /// Slow noise: standard deviation, ln.
    pub slow_sd: f64,
    /// Time in which the slow noise forgets, min.
    pub slow_minutes: f64,
    /// White noise: standard deviation, ln.
    pub white_sd: f64,
    /// Least step it reports, in the unit of `papers.sensor.unit`.
    pub step: f64,
    /// mW/cm2 that are 100 %; used only where the papers say percent.
    pub full_scale: f64,
}

/// When water is drawn and what that does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usage {
    /// Whose use it is.
    pub pattern: UsePattern,
    /// Flow while water is drawn, L/min.
    pub flow: f64,
    /// How much standing water warms up at the lamp, C.
    pub standing_rise_c: f64,
}

/// Something that was really done at the unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Service {
    /// When.
    pub at: Timestamp,
    /// What.
    pub work: Work,
    /// What the log says of it; `None` if nobody wrote it down.
    pub logged: Option<ServiceEntry>,
}

/// Work with its physical effect.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Work {
    /// The sleeve was cleaned.
    CleanSleeve {
        /// Share of the deposit's loss that became permanent, 0 to 1.
        left: f64,
        /// From now on it fouls this many times as fast as [`Deposit::rate`].
        pace: f64,
    },
    /// A new sleeve: no deposit, nothing permanent.
    NewSleeve,
    /// A new lamp.
    NewLamp {
        /// Which.
        lamp: Lamp,
        /// Whether the hour counter was set to zero.
        counter_reset: bool,
    },
    /// The window was wiped.
    WipeWindow {
        /// Share of the dirt's loss that stayed, 0 to 1.
        left: f64,
    },
    /// Another sensor, with a clean window.
    NewSensor {
        /// How much lower it reads than the first one when new, ln.
        lower: f64,
        /// Its drift, ln per year.
        drift_per_year: f64,
    },
    /// Shut for a season: no power, no water.
    Close,
    /// Opened again.
    Open,
}

impl Work {
    /// The word of the service log for it.
    pub fn action(&self) -> ServiceAction {
        match self {
            Self::CleanSleeve { .. } => ServiceAction::SleeveCleaned,
            Self::NewSleeve => ServiceAction::SleeveReplaced,
            Self::NewLamp { .. } => ServiceAction::LampReplaced,
            Self::WipeWindow { .. } => ServiceAction::SensorCleaned,
            Self::NewSensor { .. } => ServiceAction::SensorReplaced,
            Self::Close => ServiceAction::Closed,
            Self::Open => ServiceAction::Opened,
        }
    }
}

impl Service {
    /// Work that was logged at the minute it was done.
    pub fn logged(at: Timestamp, work: Work) -> Self {
        Self { at, work, logged: Some(ServiceEntry::new(at, work.action())) }
    }

    /// Work that nobody wrote down.
    pub fn unlogged(at: Timestamp, work: Work) -> Self {
        Self { at, work, logged: None }
    }

    /// The same with who did it in the log.
    #[must_use]
    pub fn by(mut self, name: &str) -> Self {
        if let Some(entry) = &mut self.logged {
            entry.by = Some(name.to_owned());
        }
        self
    }

    /// The same with a note in the log.
    #[must_use]
    pub fn note(mut self, text: &str) -> Self {
        if let Some(entry) = &mut self.logged {
            entry.note = Some(text.to_owned());
        }
        self
    }
}

/// Something that went wrong. Each ends at `to`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// What.
    pub kind: FaultKind,
    /// From when.
    pub from: Timestamp,
    /// Until when; far in the future: still so. Unused for a jump.
    pub to: Timestamp,
}

/// What can go wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaultKind {
    /// No power: the lamp is off; the sensor still reports.
    PowerCut,
    /// No readings arrive.
    Outage,
    /// The lamp is powered and gives no light.
    LampOut,
    /// The sensor repeats its last value.
    Stuck,
    /// The sensor was knocked: from now on it reads lower by this much, ln (negative: higher).
    Jump(f64),
}

/// Channels that are reported besides the intensity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Channels {
    /// Flow.
    pub flow: bool,
    /// Water temperature in the chamber.
    pub water_temperature: bool,
    /// Transmittance.
    pub transmittance: bool,
    /// Turbidity.
    pub turbidity: bool,
    /// Lamp-hour counter.
    pub lamp_hours: bool,
    /// Whether the lamp has power.
    pub lamp_on: bool,
    /// Lamp starts.
    pub lamp_starts: bool,
}
