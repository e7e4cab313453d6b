//! SenML packs in JSON (RFC 8428). PURE.
//!
//! [`resolve`] turns a pack into records without base fields and without relative times, in time order (section 4.6).
//! A record that cannot be used is reported and the rest are kept; a pack that may not be understood at all (not JSON,
//! a newer version, an unknown field whose name ends in `_`) is refused whole. [`encode()`] writes readings as a pack that
//! resolves to exactly the same readings.

mod encode;
mod scalar;

use std::borrow::Cow;
use std::fmt;

use serde::de::{Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use crate::domain::Timestamp;

pub use encode::encode;
pub use scalar::{JsonError, JsonFault, Scalar};

/// The version of SenML this module understands (RFC 8428, section 4.4).
pub const VERSION: f64 = 10.0;
/// Times below this many seconds are relative to now (RFC 8428, section 4.5.3).
pub const RELATIVE_BELOW_SECS: f64 = 268_435_456.0;

/// A pack, resolved.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pack<'a> {
    /// The records that hold a value, in time order; records of the same time in the order of the pack.
    pub records: Vec<Record<'a>>,
    /// Records that could not be used.
    pub faults: Vec<RecordFault>,
}

/// One resolved record.
#[derive(Clone, Debug, PartialEq)]
pub struct Record<'a> {
    /// Its place in the pack, counted from 1.
    pub place: usize,
    /// The base name it was resolved with.
    pub base: Cow<'a, str>,
    /// Its own name, to be put after the base name.
    pub own: Cow<'a, str>,
    /// Symbol of its unit of measurement.
    pub unit: Option<Cow<'a, str>>,
    /// When it was measured.
    pub at: Timestamp,
    /// Whether the pack gave that time only relative to now.
    pub relative: bool,
    /// Its value; the base value is already added.
    pub value: Value<'a>,
}

/// The value of a record.
#[derive(Clone, Debug, PartialEq)]
pub enum Value<'a> {
    /// `v`, finite.
    Number(f64),
    /// `vb`
    Boolean(bool),
    /// `vs`
    Text(Cow<'a, str>),
    /// `vd`, still in base 64
    Data(Cow<'a, str>),
    /// Only a sum (`s`), finite.
    Sum(f64),
}

impl Record<'_> {
    /// The resolved name: base name and name together.
    pub fn name(&self) -> Cow<'_, str> {
        match (self.base.is_empty(), self.own.is_empty()) {
            (true, _) => Cow::Borrowed(&self.own),
            (_, true) => Cow::Borrowed(&self.base),
            _ => Cow::Owned(format!("{}{}", self.base, self.own)),
        }
    }

    /// Whether the resolved name is exactly `name`; does not allocate.
    pub fn is_named(&self, name: &str) -> bool {
        name.strip_prefix(&*self.base).is_some_and(|rest| rest == self.own)
    }

    /// The end of the resolved name after its last `/` or `:`; does not allocate in the usual case.
    pub fn last_part(&self) -> Cow<'_, str> {
        let last = |text: &str| text.rfind(['/', ':']).map(|i| i + 1);
        if let Some(start) = last(&self.own) {
            return Cow::Borrowed(&self.own[start..]);
        }
        let base = &self.base[last(&self.base).unwrap_or(0)..];
        match (base.is_empty(), self.own.is_empty()) {
            (true, _) => Cow::Borrowed(&self.own),
            (_, true) => Cow::Borrowed(base),
            _ => Cow::Owned(format!("{base}{}", self.own)),
        }
    }
}

/// Why one record could not be used. The text names the record and what to send instead.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RecordFault {
    /// The record is not an object.
    #[error("record {place} is {found}: send an object with n, v and t")]
    NotAnObject {
        /// Place in the pack, from 1.
        place: usize,
        /// What it is.
        found: &'static str,
    },
    /// A field has the wrong kind of value.
    #[error("record {place}: `{field}` is {found}: send {wanted}")]
    WrongKind {
        /// Place in the pack, from 1.
        place: usize,
        /// The field's label.
        field: &'static str,
        /// What was found, shortened.
        found: String,
        /// What belongs there.
        wanted: &'static str,
    },
    /// A number is written as text.
    #[error("record {place}: `{field}` is the text \"{text}\": send the number without quotes")]
    NumberAsText {
        /// Place in the pack, from 1.
        place: usize,
        /// The field's label.
        field: &'static str,
        /// The text, shortened.
        text: String,
    },
    /// Base value and value together are not finite.
    #[error("record {place}: value and base value add up to {value}: leave out what was not measured")]
    NotFinite {
        /// Place in the pack, from 1.
        place: usize,
        /// The sum.
        value: f64,
    },
    /// No name, or one with characters RFC 8428 does not allow.
    #[error(
        "record {place}: name `{name}` is not a SenML name: use letters, digits and - : . / _, starting with a letter or digit"
    )]
    BadName {
        /// Place in the pack, from 1.
        place: usize,
        /// The resolved name, shortened.
        name: String,
    },
    /// No value and no sum.
    #[error("record {place}: no value: send one of v, vb or vs")]
    NoValue {
        /// Place in the pack, from 1.
        place: usize,
    },
    /// More than one of the value fields.
    #[error("record {place}: more than one of v, vb, vs and vd: send one")]
    ManyValues {
        /// Place in the pack, from 1.
        place: usize,
    },
}

impl RecordFault {
    /// The record's place in the pack, from 1.
    pub fn place(&self) -> usize {
        match self {
            Self::NotAnObject { place, .. }
            | Self::WrongKind { place, .. }
            | Self::NumberAsText { place, .. }
            | Self::NotFinite { place, .. }
            | Self::BadName { place, .. }
            | Self::NoValue { place }
            | Self::ManyValues { place } => *place,
        }
    }
}

/// Why a whole pack was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PackError {
    /// Not JSON.
    #[error(transparent)]
    Json(#[from] JsonError),
    /// JSON, but not an array.
    #[error("the payload is {found}, not a SenML pack: send an array of records")]
    NotAnArray {
        /// What it is.
        found: &'static str,
    },
    /// No record.
    #[error("the SenML pack has no record: send nothing, or at least one record")]
    Empty,
    /// A field that must be understood and is not.
    #[error(
        "record {place}: unknown field `{label}`, which by its last _ must be understood: send the pack without it"
    )]
    MustUnderstand {
        /// Place in the pack, from 1.
        place: usize,
        /// The label, shortened.
        label: String,
    },
    /// A version we do not understand, or two versions in one pack.
    #[error("record {place}: SenML version `{found}`: send version 10 throughout, or leave bver out")]
    Version {
        /// Place in the pack, from 1.
        place: usize,
        /// The offending value, shortened.
        found: String,
    },
}

/// Resolves a pack that was received at `now`.
///
/// # Errors
/// A pack that may not be used at all, see [`PackError`]. Records that cannot be used are in [`Pack::faults`].
pub fn resolve(payload: &str, now: Timestamp) -> Result<Pack<'_>, PackError> {
    resolve_part(payload, now, &mut Bases::default())
}

/// The base fields in force at some place of a pack, for packs that are resolved in parts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bases {
    /// Records before this place.
    pub place: usize,
    name: String,
    time: f64,
    unit: Option<String>,
    value: f64,
    sum: f64,
    version: Option<f64>,
}

/// Resolves some records of a pack, written as a pack of their own, that follow those `bases` is from. Records of a
/// part are in time order, parts need not be.
///
/// # Errors
/// As [`resolve`].
pub fn resolve_part<'a>(payload: &'a str, now: Timestamp, bases: &mut Bases) -> Result<Pack<'a>, PackError> {
    let mut json = serde_json::Deserializer::from_str(payload);
    let outcome = json
        .deserialize_any(PackVisitor { resolver: Resolver::new(now, bases.clone()) })
        .and_then(|outcome| json.end().map(|()| outcome))
        .map_err(|error| JsonError::new(&error, payload))?;
    let (mut pack, after) = outcome?;
    *bases = after;
    if !pack.records.is_sorted_by_key(|record| record.at) {
        pack.records.sort_by_key(|record| record.at);
    }
    if pack.records.is_empty() && pack.faults.is_empty() {
        return Err(PackError::Empty);
    }
    Ok(pack)
}

/// One record as it was sent.
#[derive(Default)]
struct Raw<'a> {
    fields: [Option<Scalar<'a>>; LABELS.len()],
    must_understand: Option<String>,
    not_an_object: Option<&'static str>,
}

/// The labels of RFC 8428, section 4.3; a field's index here is its index in [`Raw::fields`].
const LABELS: [&str; 15] = ["n", "v", "t", "u", "vb", "bn", "bt", "bu", "bv", "bs", "bver", "ut", "vs", "vd", "s"];
const N: usize = 0;
const V: usize = 1;
const T: usize = 2;
const U: usize = 3;
const VB: usize = 4;
const BN: usize = 5;
const BT: usize = 6;
const BU: usize = 7;
const BV: usize = 8;
const BS: usize = 9;
const BVER: usize = 10;
const UT: usize = 11;
const VS: usize = 12;
const VD: usize = 13;
const S: usize = 14;

enum Label {
    Known(usize),
    MustUnderstand(String),
    Other,
}

impl<'de> serde::Deserialize<'de> for Label {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct LabelVisitor;
        impl Visitor<'_> for LabelVisitor {
            type Value = Label;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a label")
            }

            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Label, E> {
                Ok(match LABELS.iter().position(|label| *label == text) {
                    Some(index) => Label::Known(index),
                    None if text.ends_with('_') => Label::MustUnderstand(scalar::shorten(text)),
                    None => Label::Other,
                })
            }
        }
        deserializer.deserialize_str(LabelVisitor)
    }
}

impl<'de> serde::Deserialize<'de> for Raw<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(RawVisitor)
    }
}

struct RawVisitor;

impl RawVisitor {
    fn other<'de, E>(found: &'static str) -> Result<Raw<'de>, E> {
        Ok(Raw { not_an_object: Some(found), ..Raw::default() })
    }
}

impl<'de> Visitor<'de> for RawVisitor {
    type Value = Raw<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a SenML record")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let mut raw = Raw::default();
        while let Some(label) = map.next_key::<Label>()? {
            match label {
                Label::Known(index) => raw.fields[index] = Some(map.next_value()?),
                Label::MustUnderstand(label) => {
                    raw.must_understand = Some(label);
                    map.next_value::<IgnoredAny>()?;
                }
                Label::Other => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(raw)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Self::other("an array")
    }

    fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
        Self::other("a boolean")
    }

    fn visit_i64<E>(self, _: i64) -> Result<Self::Value, E> {
        Self::other("a number")
    }

    fn visit_u64<E>(self, _: u64) -> Result<Self::Value, E> {
        Self::other("a number")
    }

    fn visit_f64<E>(self, _: f64) -> Result<Self::Value, E> {
        Self::other("a number")
    }

    fn visit_str<E>(self, _: &str) -> Result<Self::Value, E> {
        Self::other("a text")
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Self::other("null")
    }
}

/// Reads the array and resolves each record as it comes: packs are long, unresolved records are large.
struct PackVisitor<'a> {
    resolver: Resolver<'a>,
}

type Outcome<'a> = Result<(Pack<'a>, Bases), PackError>;

impl<'de> Visitor<'de> for PackVisitor<'de> {
    type Value = Outcome<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a SenML pack")
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut seq: A) -> Result<Self::Value, A::Error> {
        let mut refused = None;
        // The rest is read even after a refusal: a truncated pack is truncated first.
        while let Some(raw) = seq.next_element::<Raw<'de>>()? {
            if refused.is_none() {
                refused = self.resolver.take(raw).err();
            }
        }
        Ok(refused.map_or_else(|| Ok(self.resolver.finish()), Err))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(Err(PackError::NotAnArray { found: "an object" }))
    }

    fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "a boolean" }))
    }

    fn visit_i64<E>(self, _: i64) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "a number" }))
    }

    fn visit_u64<E>(self, _: u64) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "a number" }))
    }

    fn visit_f64<E>(self, _: f64) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "a number" }))
    }

    fn visit_str<E>(self, _: &str) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "a text" }))
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Err(PackError::NotAnArray { found: "null" }))
    }
}

/// The base fields in force, and what has been resolved so far.
struct Resolver<'a> {
    now: Timestamp,
    place: usize,
    base_name: Cow<'a, str>,
    base_time: f64,
    base_unit: Option<Cow<'a, str>>,
    base_value: f64,
    base_sum: f64,
    version: Option<f64>,
    pack: Pack<'a>,
}

impl<'a> Resolver<'a> {
    fn new(now: Timestamp, bases: Bases) -> Self {
        Self {
            now,
            place: bases.place,
            base_name: Cow::Owned(bases.name),
            base_time: bases.time,
            base_unit: bases.unit.map(Cow::Owned),
            base_value: bases.value,
            base_sum: bases.sum,
            version: bases.version,
            pack: Pack::default(),
        }
    }

    fn finish(self) -> (Pack<'a>, Bases) {
        let bases = Bases {
            place: self.place,
            name: self.base_name.into_owned(),
            time: self.base_time,
            unit: self.base_unit.map(Cow::into_owned),
            value: self.base_value,
            sum: self.base_sum,
            version: self.version,
        };
        (self.pack, bases)
    }

    fn take(&mut self, mut raw: Raw<'a>) -> Result<(), PackError> {
        self.place += 1;
        let place = self.place;
        if let Some(found) = raw.not_an_object {
            self.pack.faults.push(RecordFault::NotAnObject { place, found });
            return Ok(());
        }
        if let Some(label) = raw.must_understand {
            return Err(PackError::MustUnderstand { place, label });
        }
        self.check_version(raw.fields[BVER].take())?;
        let base_only = raw.fields[..=VB].iter().chain(&raw.fields[UT..]).all(Option::is_none)
            && raw.fields[BN..UT].iter().any(Option::is_some);
        match self.resolve(&mut raw.fields) {
            Ok(record) => self.pack.records.push(record),
            // Not in the RFC, but common: a first record that only sets the base.
            Err(RecordFault::NoValue { .. }) if base_only => {}
            Err(fault) => self.pack.faults.push(fault),
        }
        Ok(())
    }

    fn check_version(&mut self, found: Option<Scalar<'a>>) -> Result<(), PackError> {
        let Some(found) = found else { return Ok(()) };
        let good = match found {
            Scalar::Number(version) if version > 0.0 && version <= VERSION && version.fract() == 0.0 => {
                *self.version.get_or_insert(version) == version
            }
            _ => false,
        };
        if good { Ok(()) } else { Err(PackError::Version { place: self.place, found: found.to_string() }) }
    }

    fn resolve(&mut self, fields: &mut [Option<Scalar<'a>>; LABELS.len()]) -> Result<Record<'a>, RecordFault> {
        let place = self.place;
        // Base fields hold from here on, even if the record that brings them is refused.
        if let Some(name) = text(fields, BN, place)? {
            self.base_name = name;
        }
        if let Some(unit) = text(fields, BU, place)? {
            self.base_unit = Some(unit);
        }
        self.base_time = number(fields, BT, place)?.unwrap_or(self.base_time);
        self.base_value = number(fields, BV, place)?.unwrap_or(self.base_value);
        self.base_sum = number(fields, BS, place)?.unwrap_or(self.base_sum);
        let value = self.value(fields)?;
        let own = text(fields, N, place)?.unwrap_or(Cow::Borrowed(""));
        if !name_is_good(&self.base_name, &own) {
            return Err(RecordFault::BadName { place, name: scalar::shorten(&format!("{}{own}", self.base_name)) });
        }
        let unit = text(fields, U, place)?.or_else(|| self.base_unit.clone());
        let secs = self.base_time + number(fields, T, place)?.unwrap_or(0.0);
        let relative = secs < RELATIVE_BELOW_SECS;
        let millis = (secs * 1_000.0).round() as i64;
        let at = if relative { self.now.plus_millis(millis) } else { Timestamp::from_millis(millis) };
        number(fields, UT, place)?;
        Ok(Record { place, base: self.base_name.clone(), own, unit, at, relative, value })
    }

    fn value(&self, fields: &mut [Option<Scalar<'a>>; LABELS.len()]) -> Result<Value<'a>, RecordFault> {
        let place = self.place;
        if [V, VB, VS, VD].into_iter().filter(|field| fields[*field].is_some()).count() > 1 {
            return Err(RecordFault::ManyValues { place });
        }
        let finite =
            |value: f64| if value.is_finite() { Ok(value) } else { Err(RecordFault::NotFinite { place, value }) };
        if let Some(value) = number(fields, V, place)? {
            return Ok(Value::Number(finite(self.base_value + value)?));
        }
        match fields[VB].take() {
            None => {}
            Some(Scalar::Boolean(value)) => return Ok(Value::Boolean(value)),
            Some(found) => return Err(wrong_kind(place, VB, &found, "true or false")),
        }
        if let Some(value) = text(fields, VS, place)? {
            return Ok(Value::Text(value));
        }
        if let Some(value) = text(fields, VD, place)? {
            return Ok(Value::Data(value));
        }
        let sum = number(fields, S, place)?.ok_or(RecordFault::NoValue { place })?;
        Ok(Value::Sum(finite(self.base_sum + sum)?))
    }
}

fn wrong_kind(place: usize, field: usize, found: &Scalar<'_>, wanted: &'static str) -> RecordFault {
    RecordFault::WrongKind { place, field: LABELS[field], found: found.to_string(), wanted }
}

fn text<'a>(
    fields: &mut [Option<Scalar<'a>>],
    field: usize,
    place: usize,
) -> Result<Option<Cow<'a, str>>, RecordFault> {
    match fields[field].take() {
        None => Ok(None),
        Some(Scalar::Text(text)) => Ok(Some(text)),
        Some(found) => Err(wrong_kind(place, field, &found, "a text")),
    }
}

fn number(fields: &mut [Option<Scalar<'_>>], field: usize, place: usize) -> Result<Option<f64>, RecordFault> {
    match fields[field].take() {
        None => Ok(None),
        Some(Scalar::Number(value)) => Ok(Some(value)),
        Some(Scalar::Text(text)) => {
            Err(RecordFault::NumberAsText { place, field: LABELS[field], text: scalar::shorten(&text) })
        }
        Some(found) => Err(wrong_kind(place, field, &found, "a number")),
    }
}

/// RFC 8428, section 4.5.1: letters, digits and `- : . / _`, the first a letter or a digit.
fn name_is_good(base: &str, own: &str) -> bool {
    let mut bytes = base.bytes().chain(own.bytes());
    bytes.next().is_some_and(|first| first.is_ascii_alphanumeric())
        && bytes.all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b':' | b'.' | b'/' | b'_'))
}

#[cfg(test)]
mod tests;
