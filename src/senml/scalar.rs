//! One value of a JSON document that is not nested, and what is wrong with a text that is not JSON.

use std::borrow::Cow;
use std::fmt;

use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

/// How many characters of an offending value an error shows.
const SHOWN_CHARS: usize = 60;
/// How many characters around a syntax error are shown.
const NEAR_CHARS: usize = 24;

/// The start of a text, for an error.
pub(super) fn shorten(text: &str) -> String {
    text.chars().take(SHOWN_CHARS).collect()
}

/// A JSON value of any kind; what is nested is read over and not kept.
#[derive(Clone, Debug, PartialEq)]
pub enum Scalar<'a> {
    /// `null`
    Null,
    /// `true` or `false`
    Boolean(bool),
    /// A number, finite.
    Number(f64),
    /// A text; borrowed where it has no escapes.
    Text(Cow<'a, str>),
    /// An array.
    Array,
    /// An object.
    Object,
}

/// As it should appear in an error, shortened.
impl fmt::Display for Scalar<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Null => f.write_str("null"),
            Self::Boolean(value) => write!(f, "{value}"),
            Self::Number(value) => write!(f, "{value}"),
            Self::Text(text) => write!(f, "\"{}\"", shorten(text)),
            Self::Array => f.write_str("an array"),
            Self::Object => f.write_str("an object"),
        }
    }
}

impl<'de> Deserialize<'de> for Scalar<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(ScalarVisitor)
    }
}

struct ScalarVisitor;

impl<'de> Visitor<'de> for ScalarVisitor {
    type Value = Scalar<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Scalar::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Self::Value, E> {
        Ok(Scalar::Boolean(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(value as f64))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(value as f64))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(value))
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Self::Value, E> {
        Ok(Scalar::Text(Cow::Borrowed(value)))
    }

    fn visit_str<E>(self, value: &str) -> Result<Self::Value, E> {
        Ok(Scalar::Text(Cow::Owned(value.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(Scalar::Array)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(Scalar::Object)
    }
}

/// A text that is not JSON, with the place.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{fault} at line {line} column {column}, near `{near}`")]
pub struct JsonError {
    /// In which way.
    pub fault: JsonFault,
    /// Line, from 1.
    pub line: usize,
    /// Column in bytes, from 1 (0: before the first).
    pub column: usize,
    /// The text around the place.
    pub near: String,
}

/// In which way a text is not JSON.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JsonFault {
    /// It ends too early.
    #[error("the payload ends in the middle (was it cut on the way? send smaller packs)")]
    Truncated,
    /// Nested deeper than any reading needs.
    #[error("arrays or objects nested too deep (send a flat object or a SenML pack)")]
    TooDeep,
    /// A number beyond the range of a double, or NaN or Infinity.
    #[error("a number that is not finite (JSON has no NaN; leave out what was not measured)")]
    NotFinite,
    /// Anything else.
    #[error("not JSON (send UTF-8 JSON as RFC 8259 has it)")]
    Syntax,
}

impl JsonError {
    /// What serde_json found wrong with `text`.
    pub fn new(error: &serde_json::Error, text: &str) -> Self {
        let (line, column) = (error.line(), error.column());
        let near = near(text, line, column);
        let message = error.to_string();
        let fault = if error.is_eof() {
            JsonFault::Truncated
        } else if message.starts_with("recursion limit") {
            JsonFault::TooDeep
        } else if message.starts_with("number out of range") || looks_not_finite(text, line, column) {
            JsonFault::NotFinite
        } else {
            JsonFault::Syntax
        };
        Self { fault, line, column, near }
    }

    /// Bytes that are not even UTF-8.
    pub fn not_utf8(bytes: &[u8], error: std::str::Utf8Error) -> Self {
        let good = &bytes[..error.valid_up_to()];
        let line = 1 + good.iter().filter(|byte| **byte == b'\n').count();
        let column = 1 + good.iter().rev().take_while(|byte| **byte != b'\n').count();
        let text = String::from_utf8_lossy(bytes.get(..error.valid_up_to() + 4).unwrap_or(bytes));
        let skip = text.chars().count().saturating_sub(NEAR_CHARS);
        let fault = if error.error_len().is_none() { JsonFault::Truncated } else { JsonFault::Syntax };
        Self { fault, line, column, near: text.chars().skip(skip).collect() }
    }
}

fn line_of(text: &str, line: usize) -> &str {
    text.split('\n').nth(line.saturating_sub(1)).unwrap_or("")
}

/// The last character boundary at or before byte `index`.
fn boundary(line: &str, index: usize) -> usize {
    (0..=index.min(line.len())).rev().find(|i| line.is_char_boundary(*i)).unwrap_or(0)
}

fn near(text: &str, line: usize, column: usize) -> String {
    let line = line_of(text, line);
    let start = boundary(line, column.saturating_sub(NEAR_CHARS / 2 + 1));
    line[start..].chars().take(NEAR_CHARS).filter(|c| !c.is_control()).collect()
}

/// Whether the parser stopped in one of the words that other formats have for what is not finite.
fn looks_not_finite(text: &str, line: usize, column: usize) -> bool {
    let line = line_of(text, line);
    let start = boundary(line, column.saturating_sub(2));
    let end = boundary(line, column + 10);
    let around = line.get(start..end).unwrap_or("").trim_start_matches([':', ' ', '-', '+', ',', '[', '"']);
    ["NaN", "nan", "NAN", "Inf", "inf", "INF"].iter().any(|word| around.starts_with(word))
}
