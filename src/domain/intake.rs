//! How readings arrive: which topics belong to which unit, and how a payload becomes channels.
//!
//! Plain data, made by the config and used by the decoder. The default source is the contract's
//! `fadeline/in/SITE/UNIT` with any of the three payload shapes.

use std::fmt;

use super::{Channel, Measure, UnitId};

/// One kind of message that carries readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// MQTT topic filter; may hold `+` and a last `#`.
    pub filter: String,
    /// Which unit a message belongs to.
    pub target: Target,
    /// What the payload looks like.
    pub shape: Shape,
    /// Where a JSON object keeps its time; not used by the other shapes.
    pub time: Option<TimeField>,
    /// Where the channels are. Empty: the contract's own names and units.
    pub channels: Vec<ChannelMap>,
}

/// Which unit a message belongs to.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// Always the same unit.
    Unit(UnitId),
    /// The site and unit ids are put together from the topic; see [`Template`].
    Topic {
        /// The site's id.
        site: Template,
        /// The unit's id.
        unit: Template,
    },
}

/// A text in which `{1}`, `{2}` … stand for the topic's first, second … level.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template(pub Vec<TemplatePart>);

/// A piece of a [`Template`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TemplatePart {
    /// Stands for itself.
    Text(String),
    /// The topic's n-th level, counted from 1.
    Level(usize),
}

impl Template {
    /// Fills in the levels of `topic`; `None` if it has too few.
    pub fn fill(&self, topic: &str) -> Option<String> {
        let levels: Vec<&str> = topic.split('/').collect();
        self.0
            .iter()
            .map(|part| match part {
                TemplatePart::Text(text) => Some(text.as_str()),
                TemplatePart::Level(n) => n.checked_sub(1).and_then(|i| levels.get(i).copied()),
            })
            .collect()
    }
}

/// As written in the config: `cabin-{2}`.
impl fmt::Display for Template {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|part| match part {
            TemplatePart::Text(text) => f.write_str(text),
            TemplatePart::Level(n) => write!(f, "{{{n}}}"),
        })
    }
}

/// What a payload looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Told by its first character: `[` a SenML pack, `{` an object, else a number.
    Any,
    /// A SenML JSON pack (RFC 8428).
    Senml,
    /// A JSON object.
    Object,
    /// A bare number.
    Number,
}

/// Where a JSON object keeps its time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeField {
    /// JSON pointer (RFC 6901).
    pub pointer: String,
    /// How it is written.
    pub format: TimeFormat,
}

/// How a time is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFormat {
    /// RFC 3339 text.
    Rfc3339,
    /// Seconds since 1970, may have a fraction.
    UnixSeconds,
    /// Milliseconds since 1970.
    UnixMillis,
}

/// Where one channel comes from and how it is scaled.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelMap {
    /// Which channel.
    pub channel: Channel,
    /// Where it is in the payload.
    pub from: Selector,
    /// How the raw number becomes a value in `measure`.
    pub scaling: Scaling,
    /// In which unit of measurement the scaled value is; `None`: the channel's own.
    pub measure: Option<Measure>,
}

/// Where a value is in a payload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Selector {
    /// JSON pointer (RFC 6901) into an object.
    Pointer(String),
    /// A record of a SenML pack, by its resolved name or, if no record has exactly that name, by the end of its name
    /// after the last `/` or `:`.
    Record(String),
    /// The bare number itself.
    Whole,
}

/// How a raw number becomes a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scaling {
    /// value = raw x factor + offset.
    Linear {
        /// Multiplies; not zero.
        factor: f64,
        /// Added after.
        offset: f64,
    },
    /// The raw number is a loop current in mA; the value runs linearly between two points, and a current out of the
    /// valid range is no measurement (see [`super::measure::loop_state`]).
    CurrentLoop {
        /// Value at 4 mA.
        at_4_ma: f64,
        /// Value at 20 mA.
        at_20_ma: f64,
    },
}

impl Default for Scaling {
    fn default() -> Self {
        Self::Linear { factor: 1.0, offset: 0.0 }
    }
}

impl Source {
    /// The contract's own: `PREFIX/in/SITE/UNIT`, any of the three payload shapes.
    pub fn contract(prefix: &str) -> Self {
        let level = |n| Template(vec![TemplatePart::Level(n)]);
        let first = prefix.split('/').count() + 2;
        Self {
            filter: format!("{prefix}/in/+/+"),
            target: Target::Topic { site: level(first), unit: level(first + 1) },
            shape: Shape::Any,
            time: None,
            channels: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_contracts_topic_names_the_unit() {
        let source = Source::contract("fadeline");
        assert_eq!(source.filter, "fadeline/in/+/+");
        let Target::Topic { site, unit } = source.target else { panic!() };
        assert_eq!(site.fill("fadeline/in/heron-bight/boathouse").as_deref(), Some("heron-bight"));
        assert_eq!(unit.fill("fadeline/in/heron-bight/boathouse").as_deref(), Some("boathouse"));
        assert_eq!(unit.fill("fadeline/in/heron-bight"), None);
    }
}
