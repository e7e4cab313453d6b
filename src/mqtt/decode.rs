//! Payloads into readings and service entries. PURE.
//!
//! Never fails as a whole without saying why, and never gives up good readings because of bad ones beside them: what
//! cannot be used is in [`Decoded::refused`], counted by reason, the first of each reason with its full text.

mod collect;
mod refusal;
mod service;
mod topic;

use std::borrow::Cow;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value as Json;

use crate::domain::intake::{Selector, Shape, Source, Target, TimeField, TimeFormat};
use crate::domain::time::{DAY, SECOND};
use crate::domain::{Channel, IntensityUnit, Measure, Reading, Timestamp, UnitId};
use crate::senml::{self, JsonError, JsonFault, PackError, RecordFault, Scalar};

use collect::{Collector, Raw};
pub use refusal::{Reason, Refusal};
pub use service::{ServiceRefusal, decode_service};
pub use topic::{find_source, matches};

/// The largest payload that is read, bytes: a day of one-minute readings of every channel as SenML is under 2 MB.
pub const PAYLOAD_MAX_BYTES: usize = 4 * 1024 * 1024;
/// Arrays and objects nested deeper than this are refused.
pub const DEPTH_MAX: usize = 32;
/// The earliest time a reading may have: 2000-01-01T00:00:00Z. Before it a clock was not set.
pub const EARLIEST: i64 = 946_684_800 * SECOND;
/// How far ahead of its arrival a reading's time may lie, milliseconds. After it a clock was not set.
pub const FUTURE_MAX: i64 = DAY;

/// What a message held.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded {
    /// The unit the topic names, if it names one; it need not be in the config.
    pub unit: Option<UnitId>,
    /// Readings of that unit, in time order, one for each instant. Empty if the unit is not in the config.
    pub readings: Vec<Reading>,
    /// What was refused, one entry for each reason.
    pub refused: Vec<Refused>,
}

/// What was refused for one reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Refused {
    /// The first refusal for this reason.
    pub first: Refusal,
    /// How many values (or whole messages) were refused for it.
    pub count: u64,
}

impl Decoded {
    fn refuse(unit: Option<UnitId>, refusal: Refusal) -> Self {
        Self { unit, readings: Vec::new(), refused: vec![Refused { first: refusal, count: 1 }] }
    }
}

/// Decodes a message of `source` that arrived at `received`.
///
/// `retained` is the flag of the message as delivered: the broker kept it, nobody knows since when, so without a time of
/// its own it is no reading. `lookup` gives the intensity unit of a unit in the config, `None` for others.
pub fn decode(
    source: &Source,
    topic: &str,
    payload: &[u8],
    received: Timestamp,
    retained: bool,
    lookup: &dyn Fn(&UnitId) -> Option<IntensityUnit>,
) -> Decoded {
    let unit = match unit_of(&source.target, topic) {
        Ok(unit) => unit,
        Err(refusal) => return Decoded::refuse(None, refusal),
    };
    let Some(intensity_unit) = lookup(&unit) else {
        let refusal = Refusal::UnknownUnit { unit: unit.clone() };
        return Decoded::refuse(Some(unit), refusal);
    };
    let text = match text_of(payload) {
        Ok(text) => text,
        Err(refusal) => return Decoded::refuse(Some(unit), refusal),
    };
    let mut collector = Collector::new(source, intensity_unit, received, retained);
    let outcome = match (source.shape, text.as_bytes()[0]) {
        (Shape::Senml, _) | (Shape::Any, b'[') => decode_pack(text, &mut collector),
        (Shape::Object, _) | (Shape::Any, b'{') => decode_object(text, &mut collector),
        (Shape::Number | Shape::Any, _) => decode_number(text, &mut collector),
    };
    match outcome {
        Ok(()) => {
            let (readings, refused) = collector.finish();
            Decoded { unit: Some(unit), readings, refused }
        }
        Err(refusal) => Decoded::refuse(Some(unit), refusal),
    }
}

fn unit_of(target: &Target, topic: &str) -> Result<UnitId, Refusal> {
    let (site, unit) = match target {
        Target::Unit(unit) => return Ok(unit.clone()),
        Target::Topic { site, unit } => (site.fill(topic), unit.fill(topic)),
    };
    let bad = |why: String| Refusal::BadTopic { topic: refusal::shorten(topic), why };
    match (site, unit) {
        (Some(site), Some(unit)) => UnitId::new(&site, &unit).map_err(|error| bad(error.to_string())),
        _ => Err(bad("it has too few levels".to_owned())),
    }
}

/// The payload as text without surrounding white space; never empty.
fn text_of(payload: &[u8]) -> Result<&str, Refusal> {
    if payload.len() > PAYLOAD_MAX_BYTES {
        return Err(Refusal::TooLarge { bytes: payload.len() });
    }
    let text = std::str::from_utf8(payload).map_err(|error| Refusal::json(JsonError::not_utf8(payload, error), ""))?;
    // A byte order mark is no JSON, but some senders put one.
    let text = text.trim_start_matches('\u{feff}').trim();
    if text.is_empty() { Err(Refusal::Empty { what: "the payload has no bytes" }) } else { Ok(text) }
}

fn depth_of(text: &str) -> usize {
    let (mut depth, mut deepest, mut quoted, mut escaped) = (0usize, 0usize, false, false);
    for byte in text.bytes() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if quoted => escaped = true,
            b'"' => quoted = !quoted,
            b'[' | b'{' if !quoted => {
                depth += 1;
                deepest = deepest.max(depth);
            }
            b']' | b'}' if !quoted => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    deepest
}

/// A value nested where none belongs: only then is it worth counting how deep the whole payload goes.
fn too_deep(text: &str) -> Result<(), Refusal> {
    let depth = depth_of(text);
    if depth > DEPTH_MAX { Err(Refusal::TooDeep { depth }) } else { Ok(()) }
}

fn decode_pack(text: &str, collector: &mut Collector<'_>) -> Result<(), Refusal> {
    let pack = senml::resolve(text, collector.received).map_err(|error| match error {
        PackError::Json(error) => Refusal::json(error, text),
        PackError::Empty => Refusal::Empty { what: "the SenML pack has no record" },
        other => Refusal::Pack { text: other.to_string() },
    })?;
    let nested = |fault: &RecordFault| match fault {
        RecordFault::NotAnObject { found, .. } => *found == "an array",
        RecordFault::WrongKind { found, .. } => found == "an array" || found == "an object",
        _ => false,
    };
    if pack.faults.iter().any(nested) {
        too_deep(text)?;
    }
    collector.expect_readings(pack.records.len());
    for fault in pack.faults {
        collector.refuse(Refusal::record(fault));
    }
    for record in &pack.records {
        take_record(record, collector);
    }
    Ok(())
}

fn take_record(record: &senml::Record<'_>, collector: &mut Collector<'_>) {
    if record.relative && collector.retained {
        collector.refuse(Refusal::NoTime { place: format!("record {}", record.place) });
        return;
    }
    let raw = match &record.value {
        senml::Value::Number(value) => Raw::Number(*value),
        senml::Value::Boolean(value) => Raw::Boolean(*value),
        senml::Value::Text(text) | senml::Value::Data(text) => Raw::Text(text),
        senml::Value::Sum(_) => Raw::Other("a sum without a value"),
    };
    let place = || format!("record {} `{}`", record.place, refusal::shorten(&record.name()));
    let measure = match record.unit.as_deref().map(|symbol| (symbol, Measure::from_symbol(symbol))) {
        None => Ok(None),
        Some((_, Some(measure))) => Ok(Some(measure)),
        Some((symbol, None)) => Err(symbol),
    };
    if collector.source.channels.is_empty() {
        match record.last_part().parse::<Channel>() {
            Ok(channel) => collector.set_named(record.at, channel, raw, measure, &place),
            Err(_) => collector.refuse(Refusal::UnknownChannel { name: refusal::shorten(&record.name()) }),
        }
        return;
    }
    // An exact name wins over the end of a name.
    let by_name = |exact: bool| {
        collector.source.channels.iter().filter(move |map| match &map.from {
            Selector::Record(name) if exact => record.is_named(name),
            Selector::Record(name) => record.last_part() == *name,
            _ => false,
        })
    };
    let exact = by_name(true).next().is_some();
    let maps: Vec<_> = by_name(exact).collect();
    for map in maps {
        collector.set_mapped(record.at, map, raw, measure, &place);
    }
}

fn decode_number(text: &str, collector: &mut Collector<'_>) -> Result<(), Refusal> {
    let raw = match text {
        "true" => Raw::Boolean(true),
        "false" => Raw::Boolean(false),
        _ => match text.parse::<f64>() {
            Ok(value) => Raw::Number(value),
            Err(_) if text.starts_with('"') => Raw::Text(text.trim_matches('"')),
            Err(_) => {
                return Err(Refusal::NotANumber { place: "the payload".to_owned(), found: refusal::quoted(text) });
            }
        },
    };
    let Some(at) = collector.own_or_received(None) else { return Ok(()) };
    let place = || "the payload".to_owned();
    if collector.source.channels.is_empty() {
        collector.set_named(at, Channel::Intensity, raw, Ok(None), &place);
        return Ok(());
    }
    for map in collector.source.channels.iter().filter(|map| map.from == Selector::Whole) {
        collector.set_mapped(at, map, raw, Ok(None), &place);
    }
    Ok(())
}

fn decode_object(text: &str, collector: &mut Collector<'_>) -> Result<(), Refusal> {
    let source = collector.source;
    if source.channels.is_empty() && source.time.is_none() {
        return decode_plain_object(text, collector);
    }
    let json: Json = serde_json::from_str(text).map_err(|error| Refusal::json(JsonError::new(&error, text), text))?;
    if !(json.is_object() || json.is_array() && source.shape == Shape::Object) {
        return Err(Refusal::NotAnObject { found: refusal::quoted(text) });
    }
    too_deep(text)?;
    let own = match &source.time {
        None => None,
        Some(field) => time_of(&json, field)?,
    };
    let Some(at) = collector.own_or_received(own) else { return Ok(()) };
    if source.channels.is_empty() {
        let time_key = source.time.as_ref().and_then(|field| field.pointer.split('/').nth(1));
        for (key, value) in json.as_object().into_iter().flatten().filter(|(key, _)| Some(key.as_str()) != time_key) {
            take_member(at, key, raw_of(value), collector);
        }
        return Ok(());
    }
    for map in &source.channels {
        let Selector::Pointer(pointer) = &map.from else { continue };
        if let Some(value) = json.pointer(pointer) {
            collector.set_mapped(at, map, raw_of(value), Ok(None), &|| format!("`{pointer}`"));
        }
    }
    Ok(())
}

fn raw_of(value: &Json) -> Raw<'_> {
    match value {
        Json::Null => Raw::Missing,
        Json::Bool(value) => Raw::Boolean(*value),
        Json::Number(value) => Raw::Number(value.as_f64().unwrap_or(f64::NAN)),
        Json::String(text) => Raw::Text(text),
        Json::Array(_) => Raw::Other("an array"),
        Json::Object(_) => Raw::Other("an object"),
    }
}

fn raw_scalar<'a>(value: &'a Scalar<'_>) -> Raw<'a> {
    match value {
        Scalar::Null => Raw::Missing,
        Scalar::Boolean(value) => Raw::Boolean(*value),
        Scalar::Number(value) => Raw::Number(*value),
        Scalar::Text(text) => Raw::Text(text),
        Scalar::Array => Raw::Other("an array"),
        Scalar::Object => Raw::Other("an object"),
    }
}

fn time_of(json: &Json, field: &TimeField) -> Result<Option<Timestamp>, Refusal> {
    let place = || format!("`{}`", field.pointer);
    match (json.pointer(&field.pointer), field.format) {
        (None | Some(Json::Null), _) => Ok(None),
        (Some(Json::String(text)), TimeFormat::Rfc3339) => collect::rfc3339(text, &place()).map(Some),
        (Some(Json::Number(value)), TimeFormat::UnixSeconds) => {
            Ok(value.as_f64().map(|secs| Timestamp::from_millis((secs * 1_000.0).round() as i64)))
        }
        (Some(Json::Number(value)), TimeFormat::UnixMillis) => {
            Ok(value.as_f64().map(|millis| Timestamp::from_millis(millis.round() as i64)))
        }
        (Some(other), format) => {
            let wanted = match format {
                TimeFormat::Rfc3339 => "a text such as 2026-08-14T06:00:00Z",
                TimeFormat::UnixSeconds => "the number of seconds since 1970",
                TimeFormat::UnixMillis => "the number of milliseconds since 1970",
            };
            Err(Refusal::BadTime { place: place(), found: refusal::quoted(&other.to_string()), wanted })
        }
    }
}

/// The contract's own object, without a detour over a tree: channels by name and an optional `time`.
fn decode_plain_object(text: &str, collector: &mut Collector<'_>) -> Result<(), Refusal> {
    let mut json = serde_json::Deserializer::from_str(text);
    let object = Members
        .deserialize(&mut json)
        .and_then(|members| json.end().map(|()| members))
        .map_err(|error| Refusal::json(JsonError::new(&error, text), text))?;
    let Some(members) = object else { return Err(Refusal::NotAnObject { found: refusal::quoted(text) }) };
    if members.iter().any(|(_, value)| matches!(value, Scalar::Array | Scalar::Object)) {
        too_deep(text)?;
    }
    if members.is_empty() {
        return Err(Refusal::Empty { what: "the object has no member" });
    }
    let own = match members.iter().rev().find(|(key, _)| key == "time").map(|(_, value)| value) {
        None | Some(Scalar::Null) => None,
        Some(Scalar::Text(text)) => Some(collect::rfc3339(text, "`time`")?),
        Some(Scalar::Number(secs)) => Some(Timestamp::from_millis((secs * 1_000.0).round() as i64)),
        Some(other) => {
            let wanted = "a text such as 2026-08-14T06:00:00Z, or seconds since 1970";
            return Err(Refusal::BadTime { place: "`time`".to_owned(), found: other.to_string(), wanted });
        }
    };
    let Some(at) = collector.own_or_received(own) else { return Ok(()) };
    for (key, value) in members.iter().filter(|(key, _)| key != "time") {
        take_member(at, key, raw_scalar(value), collector);
    }
    Ok(())
}

fn take_member(at: Timestamp, key: &str, raw: Raw<'_>, collector: &mut Collector<'_>) {
    match key.parse::<Channel>() {
        Ok(channel) => collector.set_named(at, channel, raw, Ok(None), &|| format!("`{channel}`")),
        Err(_) => collector.refuse(Refusal::UnknownChannel { name: refusal::shorten(key) }),
    }
}

/// Reads the members of an object; `None` if the text is another kind of JSON.
struct Members;

type MemberList<'de> = Option<Vec<(Cow<'de, str>, Scalar<'de>)>>;

impl<'de> DeserializeSeed<'de> for Members {
    type Value = MemberList<'de>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Members {
    type Value = MemberList<'de>;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a JSON object")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let mut members = Vec::with_capacity(8);
        while let Some(key) = map.next_key::<Scalar<'de>>()? {
            let Scalar::Text(key) = key else { continue };
            members.push((key, map.next_value()?));
        }
        Ok(Some(members))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(None)
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(None)
    }

    fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
        Ok(None)
    }

    fn visit_i64<E>(self, _: i64) -> Result<Self::Value, E> {
        Ok(None)
    }

    fn visit_u64<E>(self, _: u64) -> Result<Self::Value, E> {
        Ok(None)
    }

    fn visit_f64<E>(self, _: f64) -> Result<Self::Value, E> {
        Ok(None)
    }

    fn visit_str<E>(self, _: &str) -> Result<Self::Value, E> {
        Ok(None)
    }
}

impl Refusal {
    fn json(error: JsonError, text: &str) -> Self {
        match error.fault {
            JsonFault::Truncated => Self::Truncated(error),
            JsonFault::TooDeep => Self::TooDeep { depth: depth_of(text) },
            JsonFault::NotFinite => Self::JsonNotFinite(error),
            JsonFault::Syntax => Self::NotJson(error),
        }
    }

    fn record(fault: RecordFault) -> Self {
        match &fault {
            RecordFault::NumberAsText { .. } => Self::RecordNumberAsText(fault),
            RecordFault::NotFinite { .. } => Self::RecordNotFinite(fault),
            _ => Self::Record(fault),
        }
    }
}

#[cfg(test)]
mod tests;
