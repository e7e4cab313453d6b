//! Why something was refused: a stable name to count by, and a text for people.

use std::fmt;

use crate::domain::{Channel, Timestamp, UnitId};
use crate::senml::{JsonError, RecordFault};

use super::{DEPTH_MAX, PAYLOAD_MAX_BYTES};

/// How many characters of an offending value a text shows.
const SHOWN_CHARS: usize = 60;

/// The start of a text.
pub(super) fn shorten(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(SHOWN_CHARS).collect()
}

/// The start of a text, in quotes.
pub(super) fn quoted(text: &str) -> String {
    format!("`{}`", shorten(text))
}

macro_rules! reasons {
    ($($(#[$meta:meta])* $variant:ident = $name:literal),+ $(,)?) => {
        /// The reasons for which something is refused, with the names they are counted under.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Reason { $($(#[$meta])* $variant),+ }

        impl Reason {
            /// Every reason.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The name on the health topic and in logs; never changes.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }
        }
    };
}

reasons! {
    /// The payload is not JSON, or not UTF-8.
    NotJson = "not-json",
    /// The payload ends in the middle.
    Truncated = "truncated",
    /// The payload is too large.
    TooLarge = "too-large",
    /// Arrays or objects nested too deep.
    TooDeep = "too-deep",
    /// JSON of the wrong kind, or a SenML pack that may not be understood.
    WrongShape = "wrong-shape",
    /// No payload, or nothing in it.
    Empty = "empty",
    /// A number is written as text.
    NumberAsText = "number-as-text",
    /// Something else where a number belongs.
    NotANumber = "not-a-number",
    /// NaN, infinite, or too great for a double.
    NotFinite = "not-finite",
    /// A number no sensor can mean.
    Implausible = "implausible",
    /// A unit of measurement that does not belong to the channel or to the unit.
    WrongUnit = "wrong-unit-of-measurement",
    /// A name that is no channel.
    UnknownChannel = "unknown-channel",
    /// A retained message without a time of its own.
    NoTime = "no-time",
    /// A time before 2000.
    TooOld = "time-too-old",
    /// A time more than a day ahead.
    TooNew = "time-in-the-future",
    /// A time that cannot be read.
    BadTime = "bad-time",
    /// A time without a zone, or with one that does not exist.
    BadZone = "bad-zone",
    /// A loop current that is no measurement, on a channel that has no place for the current.
    LoopFault = "loop-fault",
    /// The topic names no unit.
    BadTopic = "bad-topic",
    /// The unit is not in the config.
    UnknownUnit = "unknown-unit",
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// Why a message or a value was refused. The text names the value, the place and the remedy.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// See [`Reason::NotJson`].
    #[error(transparent)]
    NotJson(JsonError),
    /// See [`Reason::Truncated`].
    #[error(transparent)]
    Truncated(JsonError),
    /// See [`Reason::NotFinite`].
    #[error(transparent)]
    JsonNotFinite(JsonError),
    /// See [`Reason::TooLarge`].
    #[error("the payload has {bytes} bytes, more than {PAYLOAD_MAX_BYTES}: send smaller packs, a day each")]
    TooLarge {
        /// Its size.
        bytes: usize,
    },
    /// See [`Reason::TooDeep`].
    #[error("the payload is nested {depth} deep, more than {DEPTH_MAX}: send a flat object or a SenML pack")]
    TooDeep {
        /// How deep, at least.
        depth: usize,
    },
    /// See [`Reason::WrongShape`].
    #[error(
        "the payload is {found}, not an object: send {{\"intensity\": …}}, or set the source's shape in the config"
    )]
    NotAnObject {
        /// The payload, shortened.
        found: String,
    },
    /// See [`Reason::WrongShape`].
    #[error("{text}")]
    Pack {
        /// What is wrong with the pack.
        text: String,
    },
    /// A SenML record that cannot be used; see [`Reason::NotANumber`].
    #[error(transparent)]
    Record(RecordFault),
    /// See [`Reason::NumberAsText`].
    #[error(transparent)]
    RecordNumberAsText(RecordFault),
    /// See [`Reason::NotFinite`].
    #[error(transparent)]
    RecordNotFinite(RecordFault),
    /// See [`Reason::Empty`].
    #[error("{what}: send at least one channel, or nothing")]
    Empty {
        /// What is empty.
        what: &'static str,
    },
    /// See [`Reason::NumberAsText`].
    #[error("{place} is the text \"{text}\": send the number without quotes")]
    NumberAsText {
        /// Where.
        place: String,
        /// The text, shortened.
        text: String,
    },
    /// See [`Reason::NotANumber`].
    #[error("{place} is {found}: send a number such as 21.4 (true or false only for lamp_on)")]
    NotANumber {
        /// Where.
        place: String,
        /// What was found.
        found: String,
    },
    /// See [`Reason::NotFinite`].
    #[error("{place} is {value}: leave out what was not measured")]
    NotFinite {
        /// Where.
        place: String,
        /// The value.
        value: f64,
    },
    /// See [`Reason::Implausible`].
    #[error("{place} gives {channel} {value}, outside {low} to {high}: check the sensor's scaling in the config")]
    Implausible {
        /// Where.
        place: String,
        /// The channel.
        channel: Channel,
        /// The value in the channel's own unit of measurement.
        value: f64,
        /// The least value that can be.
        low: f64,
        /// The greatest value that can be.
        high: f64,
    },
    /// See [`Reason::WrongUnit`].
    #[error("{place}: `{symbol}` is no unit of measurement for {channel}: send it in {wanted}")]
    WrongUnit {
        /// Where.
        place: String,
        /// The channel.
        channel: Channel,
        /// The offending symbol, shortened.
        symbol: String,
        /// What is understood.
        wanted: &'static str,
    },
    /// See [`Reason::UnknownChannel`].
    #[error("`{name}` is not a channel: use the names of the documentation, or map it in the config")]
    UnknownChannel {
        /// The name, shortened.
        name: String,
    },
    /// See [`Reason::NoTime`].
    #[error("{place} was kept by the broker and has no time of its own: send a time, or do not retain readings")]
    NoTime {
        /// Where.
        place: String,
    },
    /// See [`Reason::TooOld`].
    #[error("time {at} is before 2000-01-01: set the sender's clock, and check seconds against milliseconds")]
    TooOld {
        /// The time.
        at: Timestamp,
    },
    /// See [`Reason::TooNew`].
    #[error(
        "time {at} is more than a day ahead of {received}: set the sender's clock, and check seconds against milliseconds"
    )]
    TooNew {
        /// The time.
        at: Timestamp,
        /// When the message arrived.
        received: Timestamp,
    },
    /// See [`Reason::BadTime`].
    #[error("{place} is {found}: send {wanted}")]
    BadTime {
        /// Where.
        place: String,
        /// What was found, shortened.
        found: String,
        /// What belongs there.
        wanted: &'static str,
    },
    /// See [`Reason::BadZone`].
    #[error("{place} is {found}, without a valid zone: end it in Z or an offset such as +02:00")]
    BadZone {
        /// Where.
        place: String,
        /// The text, shortened.
        found: String,
    },
    /// See [`Reason::LoopFault`].
    #[error("{place} is a loop current of {milliamperes} mA, outside 3.8 to 20.5: check the wiring of {channel}")]
    LoopFault {
        /// Where.
        place: String,
        /// The channel.
        channel: Channel,
        /// The current.
        milliamperes: f64,
    },
    /// See [`Reason::BadTopic`].
    #[error("topic `{topic}` names no unit ({why}): publish to PREFIX/in/SITE/UNIT, or map the topic in the config")]
    BadTopic {
        /// The topic, shortened.
        topic: String,
        /// What is wrong with it.
        why: String,
    },
    /// See [`Reason::UnknownUnit`].
    #[error("unit `{unit}` is not in the config: add it under [[unit]], or stop publishing for it")]
    UnknownUnit {
        /// The unit.
        unit: UnitId,
    },
}

impl Refusal {
    /// The reason it is counted under.
    pub fn reason(&self) -> Reason {
        match self {
            Self::NotJson(_) => Reason::NotJson,
            Self::Truncated(_) => Reason::Truncated,
            Self::TooLarge { .. } => Reason::TooLarge,
            Self::TooDeep { .. } => Reason::TooDeep,
            Self::NotAnObject { .. } | Self::Pack { .. } => Reason::WrongShape,
            Self::Empty { .. } => Reason::Empty,
            Self::NumberAsText { .. } | Self::RecordNumberAsText(_) => Reason::NumberAsText,
            Self::NotANumber { .. } | Self::Record(_) => Reason::NotANumber,
            Self::NotFinite { .. } | Self::RecordNotFinite(_) | Self::JsonNotFinite(_) => Reason::NotFinite,
            Self::Implausible { .. } => Reason::Implausible,
            Self::WrongUnit { .. } => Reason::WrongUnit,
            Self::UnknownChannel { .. } => Reason::UnknownChannel,
            Self::NoTime { .. } => Reason::NoTime,
            Self::TooOld { .. } => Reason::TooOld,
            Self::TooNew { .. } => Reason::TooNew,
            Self::BadTime { .. } => Reason::BadTime,
            Self::BadZone { .. } => Reason::BadZone,
            Self::LoopFault { .. } => Reason::LoopFault,
            Self::BadTopic { .. } => Reason::BadTopic,
            Self::UnknownUnit { .. } => Reason::UnknownUnit,
        }
    }
}
