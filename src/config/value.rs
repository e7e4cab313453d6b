//! Texts, numbers, truth values, durations, sizes and dates: from TOML, with a remedy where they are of another type.

use std::time::Duration;

use jiff::civil;
use toml::de::DeValue;

use crate::domain::Timestamp;

/// A value that is neither a table nor a list.
pub(super) trait Scalar: Sized {
    /// From a value of the tree; on failure what is wrong and the remedy.
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)>;
}

/// How an owner would call a value's type.
pub(super) fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn wrong<T>(says: &str, remedy: impl Into<String>) -> Result<T, (String, String)> {
    Err((says.to_owned(), remedy.into()))
}

impl Scalar for String {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        match value {
            DeValue::String(text) if text.chars().any(char::is_control) => {
                wrong("the text has a control character or a line break", "write it in one line")
            }
            DeValue::String(text) => Ok(text.trim().to_owned()),
            DeValue::Integer(number) => wrong("expected a text", format!("write \"{number}\"")),
            DeValue::Float(number) => wrong("expected a text", format!("write \"{number}\"")),
            DeValue::Boolean(truth) => wrong("expected a text", format!("write \"{truth}\"")),
            other => Err((
                format!("expected a text, found {}", type_name(other)),
                "write a text in double quotes".to_owned(),
            )),
        }
    }
}

impl Scalar for bool {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        match value {
            DeValue::Boolean(truth) => Ok(*truth),
            DeValue::String(text) => match text.trim().to_lowercase().as_str() {
                "true" | "yes" | "on" => wrong("expected true or false", "write true without quotes"),
                "false" | "no" | "off" => wrong("expected true or false", "write false without quotes"),
                _ => wrong("expected true or false", "write true or false without quotes"),
            },
            DeValue::Integer(number) if matches!(number.as_str(), "0" | "1") => {
                wrong("expected true or false", format!("write {}", number.as_str() == "1"))
            }
            _ => wrong("expected true or false", "write true or false"),
        }
    }
}

impl Scalar for f64 {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        let finite = |number: Option<Self>| {
            number.filter(|n| n.is_finite()).map_or_else(|| wrong("not a finite number", "write a number"), Ok)
        };
        match value {
            DeValue::Float(number) => finite(number.as_str().replace('_', "").parse().ok()),
            DeValue::Integer(number) => finite(whole(number).map(|n| n as Self)),
            DeValue::String(text) => {
                let digits = text.split_whitespace().next().unwrap_or_default().replace(',', ".");
                match digits.parse::<Self>().ok().filter(|n| n.is_finite()) {
                    Some(number) => wrong("expected a number", format!("write {number:?}")),
                    None => wrong("expected a number", "write a number without quotes, such as 14.0"),
                }
            }
            _ => wrong("expected a number", "write a number, such as 14.0"),
        }
    }
}

/// An integer in any of TOML's notations.
fn whole(number: &toml::de::DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(&number.as_str().replace('_', ""), number.radix()).ok()
}

impl Scalar for i64 {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        let says = "expected a whole number";
        match value {
            DeValue::Integer(number) => {
                whole(number).map_or_else(|| wrong("too large a number", "write a smaller one"), Ok)
            }
            DeValue::Float(number) => match number.as_str().parse::<f64>() {
                Ok(float) if float.is_finite() => wrong(says, format!("write {}", float.round())),
                _ => wrong(says, "write one without a fraction"),
            },
            DeValue::String(text) => match text.trim().parse::<Self>() {
                Ok(number) => wrong(says, format!("write {number} without quotes")),
                Err(_) => wrong(says, "write digits without quotes"),
            },
            _ => wrong(says, "write digits"),
        }
    }
}

/// How long something lasts: `"30 s"`, `"2h"`, `"7 days"` (a day has 24 hours).
impl Scalar for Duration {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        let says = "expected a duration";
        let text = match value {
            DeValue::String(text) => text.trim(),
            DeValue::Integer(number) => {
                return wrong(says, format!("write its unit too: \"{number} s\", \"{number} min\" or \"{number} h\""));
            }
            _ => return wrong(says, "write a text such as \"30 s\", \"2 h\" or \"7 days\""),
        };
        let span: Option<jiff::Span> = text.parse().ok();
        span.and_then(|span| span.to_duration(jiff::SpanRelativeTo::days_are_24_hours()).ok())
            .and_then(|duration| Self::try_from(duration).ok())
            .map_or_else(|| wrong("not a duration", "write a text such as \"30 s\", \"2 h\" or \"7 days\""), Ok)
    }
}

/// An amount of memory in bytes: a whole number, or a text such as `"256 KiB"` or `"1 MiB"`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd)]
pub(super) struct Bytes(pub u64);

impl Scalar for Bytes {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        const UNITS: [(&str, u64); 6] =
            [("b", 1), ("kb", 1_000), ("mb", 1_000_000), ("kib", 1 << 10), ("mib", 1 << 20), ("", 1)];
        let remedy = "write a number of bytes, or a text such as \"256 KiB\" or \"1 MiB\"";
        match value {
            DeValue::Integer(number) => whole(number)
                .and_then(|n| u64::try_from(n).ok())
                .map_or_else(|| wrong("not a size", remedy), |n| Ok(Self(n))),
            DeValue::String(text) => {
                let (digits, unit) =
                    text.trim().split_at(text.trim().find(|c: char| !c.is_ascii_digit()).unwrap_or(text.trim().len()));
                let unit = unit.trim().to_lowercase();
                let scale = UNITS.into_iter().find(|(name, _)| *name == unit).map(|(_, scale)| scale);
                digits
                    .parse::<u64>()
                    .ok()
                    .zip(scale)
                    .and_then(|(number, scale)| number.checked_mul(scale))
                    .map_or_else(|| wrong("not a size", remedy), |n| Ok(Self(n)))
            }
            _ => wrong("expected a size", remedy),
        }
    }
}

/// A date or a time as an owner writes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Moment {
    /// A day: its first instant in the site's zone is meant.
    Day(civil::Date),
    /// A time on the site's clocks.
    Local(civil::DateTime),
    /// An instant.
    Instant(Timestamp),
}

impl Scalar for Moment {
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)> {
        let remedy = "write a date such as 2025-05-01, or a time such as 2025-05-01T08:00:00+02:00";
        match value {
            DeValue::Datetime(datetime) => Self::parse(&datetime.to_string()),
            DeValue::String(text) => Self::parse(text.trim()),
            other => return Err((format!("expected a date, found {}", type_name(other)), remedy.to_owned())),
        }
        .map_or_else(|| wrong("not a date or time", remedy), Ok)
    }
}

impl Moment {
    /// From a text: a day, a time of the site, or an instant.
    pub fn parse(text: &str) -> Option<Self> {
        if let Ok(instant) = text.parse::<jiff::Timestamp>() {
            return Some(Self::Instant(instant.into()));
        }
        if text.contains(['T', 't', ' ', ':']) {
            return text.parse().ok().map(Self::Local);
        }
        text.parse().ok().map(Self::Day)
    }
}
