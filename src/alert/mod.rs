//! Alerts with a life: which a unit has, how long they stay, and what they say. PURE: values in, alerts out.
//!
//! [`signals`] reads a unit's state into one [`Signal`] for each [`Kind`]; [`life`] turns signals into alerts that are
//! raised, acknowledged, silenced, escalated and cleared, with two thresholds and two hold times so that nothing flaps;
//! [`text`] writes them; [`quiet`] says when a person may be told. One alert per unit and kind, updated in place. None
//! of the texts says that water is safe or unsafe.

pub mod life;
pub mod quiet;
pub mod signals;
pub mod signs;
pub mod site;
pub mod text;

use serde::{Deserialize, Serialize};

pub use life::{Book, Held, Life, News, Order, OrderError, OrderKind, What};
pub use signals::{Evidence, Signal, State};
pub use signs::Signs;
pub use text::Text;

use crate::domain::{Timestamp, UnitId};

/// The value of [`Alert::schema`].
pub const ALERT_SCHEMA: &str = "fadeline.alert.v1";

macro_rules! kinds {
    ($($(#[$meta:meta])* $variant:ident = $word:literal, $title:literal);+ $(;)?) => {
        /// What an alert is about. The order is the most urgent first.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Kind { $($(#[$meta])* #[serde(rename = $word)] $variant),+ }

        impl Kind {
            /// Every kind a unit can have, the most urgent first.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The last level of the alert's topic.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }

            /// In two or three words, for people.
            pub fn title(self) -> &'static str {
                match self { $(Self::$variant => $title),+ }
            }
        }
    };
}

kinds! {
    /// No light reaches the sensor.
    NoLight = "no-light", "No light at the sensor";
    /// The reading is at or under the set point.
    TreatmentNotAssured = "treatment-not-assured", "Treatment not assured";
    /// Readings have stopped.
    NoReadings = "no-readings", "No readings";
    /// The sensor cannot be believed as it is.
    SensorDoubtful = "sensor-doubtful", "Sensor doubtful";
    /// The light will be too little, and cleaning alone does not help.
    CleaningNotEnough = "cleaning-not-enough", "Cleaning will not be enough";
    /// The sleeve must be cleaned within the lead time.
    CleaningDue = "cleaning-due", "Cleaning due";
    /// The water lets less light through than usual at the moment.
    WaterEpisode = "water-episode", "Cloudy water";
    /// The water has changed for good.
    WaterChanged = "water-changed", "Water changed";
    /// A part is at the limit of its life.
    PartLimit = "part-limit", "Part at its life limit";
    /// The light stepped, and nothing in the log says why.
    UnloggedStep = "unlogged-step", "Step without a log entry";
    /// The log names work of which the readings show nothing.
    LogDoubt = "log-doubt", "Log entry without recovery";
}

impl Kind {
    /// Whether people are told at any hour: the light is too little now.
    pub fn is_urgent(self) -> bool {
        matches!(self, Self::NoLight | Self::TreatmentNotAssured)
    }

    /// Whether it is about the latest reading, so that its text has to change when that is better.
    pub fn is_of_the_moment(self) -> bool {
        matches!(self, Self::NoLight | Self::TreatmentNotAssured | Self::NoReadings)
    }
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

impl std::str::FromStr for Kind {
    type Err = UnknownKind;

    fn from_str(text: &str) -> Result<Self, UnknownKind> {
        let found = Self::ALL.iter().find(|kind| kind.name() == text);
        found.copied().ok_or_else(|| UnknownKind(text.chars().take(60).collect()))
    }
}

/// A name that is no kind of alert.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a kind of alert; use one of {names}", names = names())]
pub struct UnknownKind(pub String);

fn names() -> String {
    Kind::ALL.iter().map(|kind| kind.name()).collect::<Vec<_>>().join(", ")
}

/// How bad it is. An alert's level never falls while it lives; when it rises the alert is news again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Something to plan.
    #[default]
    Notice,
    /// Something to do soon.
    Warning,
    /// Treatment is not assured now.
    Urgent,
}

impl Level {
    /// As written in messages.
    pub fn name(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Warning => "warning",
            Self::Urgent => "urgent",
        }
    }
}

/// Where an alert stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Somebody has to look at it.
    Raised,
    /// Somebody has said that he does.
    Acknowledged,
    /// Nobody wants to hear of it for a while.
    Silenced,
    /// A visit, a closed season or a silent site holds it.
    Held,
}

/// A live alert, as published.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alert {
    /// Always [`ALERT_SCHEMA`].
    pub schema: String,
    /// Which unit.
    pub site: String,
    /// Which unit.
    pub unit: String,
    /// What it is about.
    pub kind: Kind,
    /// How bad it is.
    pub level: Level,
    /// Where it stands.
    pub state: Standing,
    /// Since when.
    pub since: Timestamp,
    /// What is known.
    pub says: String,
    /// How sure that is.
    pub sure: String,
    /// What to do first.
    pub first: String,
    /// What to beware of.
    pub caution: String,
    /// Who has acknowledged it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acknowledged: Option<life::Acknowledgement>,
    /// Until when nobody wants to hear of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub silenced_until: Option<Timestamp>,
    /// What holds it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<Held>,
}

/// A live alert of the fleet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Live {
    /// Of a unit.
    Unit(Box<Alert>),
    /// Of a whole site.
    Site(Box<site::SiteAlert>),
}

impl Live {
    /// Where it is.
    pub fn site(&self) -> &str {
        match self {
            Self::Unit(alert) => &alert.site,
            Self::Site(alert) => &alert.site,
        }
    }
}

impl Alert {
    /// The alert of a unit as it stands at `now`.
    pub fn of(unit: &UnitId, kind: Kind, life: &Life, held: Option<Held>, now: Timestamp) -> Self {
        let text = life.text.clone();
        Self {
            schema: ALERT_SCHEMA.to_owned(),
            site: unit.site().to_owned(),
            unit: unit.unit().to_owned(),
            kind,
            level: life.level,
            state: life.standing(held, now),
            since: life.since,
            says: text.says,
            sure: text.sure,
            first: text.first,
            caution: text.caution,
            acknowledged: life.acknowledged.clone().filter(|word| word.counts(now)),
            silenced_until: life.silenced_until.filter(|until| now < *until),
            held,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_agree_with_serde() {
        for kind in Kind::ALL {
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.name());
            assert_eq!(kind.name().parse::<Kind>(), Ok(*kind));
        }
        assert!("nothing".parse::<Kind>().unwrap_err().to_string().contains("no-light, treatment-not-assured"));
        assert!(Level::Notice < Level::Warning && Level::Warning < Level::Urgent);
    }
}
