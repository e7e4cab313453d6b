//! From TOML to typed values, each with its place: the machinery under [`super::raw`].
//!
//! A derived deserializer stops at the first value of the wrong type. An owner who has written forty units wants
//! all his mistakes at once, so the spanned tree of the `toml` crate is read here, and each table is declared once
//! by [`table!`], which knows its keys.

use std::ops::Range;
use std::time::Duration;

use jiff::civil;
use serde_spanned::Spanned;
use toml::de::{DeTable, DeValue};

use super::mistake::{At, Findings, Place, Shown};
use crate::domain::Timestamp;
use crate::domain::similar::nearest;

/// What became of a key: written, written wrongly (then the mistake is recorded), or left out.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Field<T> {
    /// Not written.
    Absent,
    /// Written, but not usable; already reported.
    Wrong,
    /// Written and of the right type.
    Given(T),
}

impl<T> Field<T> {
    /// The value, if it is usable.
    pub fn given(&self) -> Option<&T> {
        match self {
            Self::Given(value) => Some(value),
            _ => None,
        }
    }

    /// Whether the key was not written at all.
    pub fn is_absent(&self) -> bool {
        matches!(self, Self::Absent)
    }
}

impl<T: Clone> Field<At<T>> {
    /// The bare value, if it is usable.
    pub fn value(&self) -> Option<T> {
        self.given().map(|at| at.value.clone())
    }
}

impl<T> Field<Vec<T>> {
    /// The elements; none if the key was not written.
    pub fn all(&self) -> &[T] {
        self.given().map_or(&[], Vec::as_slice)
    }
}

/// A value of the tree with its key.
pub(super) struct Entry<'a, 'i> {
    file: usize,
    key: String,
    key_span: Range<usize>,
    value: &'a Spanned<DeValue<'i>>,
}

impl Entry<'_, '_> {
    /// The place of the value.
    fn place(&self) -> Place {
        Place { file: self.file, key: self.key.clone(), span: self.value.span(), shown: Shown::KeyAndValue }
    }

    /// The place of a table: its header, or the first key that made it.
    fn table_place(&self) -> Place {
        let shown = if matches!(self.value.get_ref(), DeValue::Table(_)) { Shown::Text } else { Shown::KeyAndValue };
        Place { file: self.file, key: self.key.clone(), span: self.value.span(), shown }
    }
}

/// Something that can be read from a value of the tree.
pub(super) trait Read: Sized {
    /// Reads it; on `None` the mistake has been recorded.
    fn read(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<Self>;

    /// Names every key below `path`, itself included.
    fn keys(path: &str, add: &mut dyn FnMut(&str)) {
        add(path);
    }
}

/// A table with a fixed set of keys; made by [`table!`].
pub(super) trait Table: Sized {
    /// As its header is written: `[broker]`, `[[unit]]`.
    const HEADER: &'static str;
    /// Its keys.
    const KEYS: &'static [&'static str];
    /// Reads every key.
    fn fill(table: &DeTable<'_>, place: Place, out: &mut Findings) -> Self;
}

/// Declares a table of the config: a struct with its place and one [`Field`] for each key.
macro_rules! table {
    ($(#[$meta:meta])* $name:ident $header:literal { $($(#[$kmeta:meta])* $key:ident: $type:ty,)+ }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq)]
        pub(super) struct $name {
            /// Its header.
            pub place: $crate::config::mistake::Place,
            $($(#[$kmeta])* pub $key: $crate::config::table::Field<$type>,)+
        }

        impl $crate::config::table::Table for $name {
            const HEADER: &'static str = $header;
            const KEYS: &'static [&'static str] = &[$(stringify!($key)),+];

            fn fill(
                table: &toml::de::DeTable<'_>,
                place: $crate::config::mistake::Place,
                out: &mut $crate::config::mistake::Findings,
            ) -> Self {
                let misspelt = $crate::config::table::refuse_unknown::<Self>(table, &place, out);
                Self { $($key: $crate::config::table::take(table, stringify!($key), &misspelt, &place, out),)+ place }
            }
        }

        impl $crate::config::table::Read for $name {
            fn read(
                entry: &$crate::config::table::Entry<'_, '_>,
                out: &mut $crate::config::mistake::Findings,
            ) -> Option<Self> {
                $crate::config::table::read_table(entry, out)
            }

            fn keys(path: &str, add: &mut dyn FnMut(&str)) {
                $(<$type as $crate::config::table::Read>::keys(
                    &$crate::config::table::join(path, stringify!($key)), add);)+
            }
        }
    };
}
pub(super) use table;

/// `path.key`, or the key alone.
pub(super) fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
}

/// Reads one key of a table. One that is there only `misspelt` is wrong, not absent: it was reported already.
pub(super) fn take<T: Read>(
    table: &DeTable<'_>,
    key: &str,
    misspelt: &[&str],
    place: &Place,
    out: &mut Findings,
) -> Field<T> {
    let Some((name, value)) = table.iter().find(|(name, _)| name.get_ref() == key) else {
        return if misspelt.contains(&key) { Field::Wrong } else { Field::Absent };
    };
    let entry = Entry { file: place.file, key: join(&place.key, key), key_span: name.span(), value };
    T::read(&entry, out).map_or(Field::Wrong, Field::Given)
}

/// Reports every key that `T` does not have; returns the keys that seem to be meant.
pub(super) fn refuse_unknown<T: Table>(table: &DeTable<'_>, place: &Place, out: &mut Findings) -> Vec<&'static str> {
    let mut meant = Vec::new();
    for (name, _) in table.iter().filter(|(name, _)| !T::KEYS.contains(&name.get_ref().as_ref())) {
        let key = join(&place.key, name.get_ref());
        let unknown = super::raw::unknown_key(T::HEADER, T::KEYS, name.get_ref());
        let at = Place { file: place.file, key, span: name.span(), shown: Shown::Key };
        out.mistake(&at, unknown.says, unknown.remedy);
        meant.extend(unknown.meant);
    }
    meant
}

/// Reads a table under a key.
pub(super) fn read_table<T: Table>(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<T> {
    match entry.value.get_ref() {
        DeValue::Table(table) => Some(T::fill(table, entry.table_place(), out)),
        DeValue::Array(array) if array.iter().all(|item| matches!(item.get_ref(), DeValue::Table(_))) => {
            let place = Place { shown: Shown::Text, ..entry.place() };
            out.mistake(&place, "expected one table, found a list", format!("write {} once", T::HEADER));
            None
        }
        other => {
            let says = format!("expected a table, found {}", type_name(other));
            out.mistake(&entry.place(), says, format!("write {} and its keys below it", T::HEADER));
            None
        }
    }
}

/// A list of tables: `[[unit]]`. Keys inside are named from the header on.
impl<T: Table + Read> Read for Vec<T> {
    fn read(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<Self> {
        let DeValue::Array(array) = entry.value.get_ref() else {
            let place = match entry.value.get_ref() {
                DeValue::Table(_) => Place { key: entry.key.clone(), ..entry.table_place() },
                _ => entry.place(),
            };
            let says = format!("expected a list of tables, found {}", type_name(entry.value.get_ref()));
            out.mistake(&place, says, format!("write {} before each", T::HEADER));
            return None;
        };
        let mut all_read = true;
        let mut list = Self::new();
        for item in array {
            let element = Entry { file: entry.file, key: String::new(), key_span: entry.key_span.clone(), value: item };
            match read_table::<T>(&element, out) {
                Some(table) => list.push(table),
                None => all_read = false,
            }
        }
        all_read.then_some(list)
    }

    fn keys(path: &str, add: &mut dyn FnMut(&str)) {
        T::keys(path, add);
    }
}

/// A list of texts.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Texts(pub Vec<At<String>>);

impl Read for Texts {
    fn read(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<Self> {
        let DeValue::Array(array) = entry.value.get_ref() else {
            let remedy = match entry.value.get_ref() {
                DeValue::String(text) => format!("write [\"{text}\"]"),
                _ => "write texts in brackets, such as [\"one\", \"two\"]".to_owned(),
            };
            out.mistake(&entry.place(), "expected a list of texts", remedy);
            return None;
        };
        let read = |item| {
            At::<String>::read(
                &Entry { file: entry.file, key: entry.key.clone(), key_span: entry.key_span.clone(), value: item },
                out,
            )
        };
        let texts: Vec<_> = array.iter().map(read).collect();
        texts.into_iter().collect::<Option<Vec<_>>>().map(Self)
    }
}

/// A value that is not a table or a list.
pub(super) trait Scalar: Sized {
    /// From a value of the tree; on failure what is wrong and the remedy.
    fn from_value(value: &DeValue<'_>) -> Result<Self, (String, String)>;
}

impl<T: Scalar> Read for At<T> {
    fn read(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<Self> {
        match T::from_value(entry.value.get_ref()) {
            Ok(value) => Some(Self { value, place: entry.place() }),
            Err((says, remedy)) => {
                out.mistake(&entry.place(), says, remedy);
                None
            }
        }
    }
}

/// How an owner would call a value's type.
fn type_name(value: &DeValue<'_>) -> &'static str {
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
    fn parse(text: &str) -> Option<Self> {
        if let Ok(instant) = text.parse::<jiff::Timestamp>() {
            return Some(Self::Instant(instant.into()));
        }
        if text.contains(['T', 't', ' ', ':']) {
            return text.parse().ok().map(Self::Local);
        }
        text.parse().ok().map(Self::Day)
    }
}

/// Parses a file into its table. Mistakes of syntax are reported, and with them whatever else can be told from what
/// could be read; `None` then, because checks of meaning would only repeat them.
pub(super) fn parse<T: Table>(text: &str, file: usize, out: &mut Findings) -> Option<T> {
    let (tree, errors) = DeTable::parse_recoverable(text);
    let secret = !errors.is_empty() && holds_password(text);
    if secret {
        out.hide_values(file);
    }
    for error in &errors {
        let line = line_around(text, error.span().unwrap_or(0..0).start);
        let shown = if secret { Shown::Line } else { Shown::Text };
        let (says, remedy) = syntax(error.message());
        out.mistake(&Place { file, key: String::new(), span: line, shown }, says, remedy);
    }
    // Behind a broken header keys stand in the wrong table: what could be said about them would mislead.
    if errors.iter().any(|error| text[line_around(text, error.span().unwrap_or(0..0).start)].starts_with('[')) {
        return None;
    }
    let top = Place { file, key: String::new(), span: 0..0, shown: Shown::Nothing };
    let table = T::fill(tree.get_ref(), top, out);
    if errors.is_empty() {
        return Some(table);
    }
    out.keep_first_of_each_line(file);
    None
}

/// Whether a line seems to set a password itself.
fn holds_password(text: &str) -> bool {
    text.lines().any(|line| {
        let key = line.split('=').next().unwrap_or_default().trim().to_lowercase();
        line.contains('=') && (key.ends_with("password") || key.ends_with("passwd") || key.ends_with("secret"))
    })
}

/// The line that holds a byte, without the space around it.
fn line_around(text: &str, byte: usize) -> Range<usize> {
    let byte = byte.min(text.len());
    let start = text[..byte].rfind('\n').map_or(0, |at| at + 1);
    let end = text[byte..].find('\n').map_or(text.len(), |at| byte + at);
    let line = &text[start..end];
    let lead = line.len() - line.trim_start().len();
    start + lead..start + lead + line.trim().len()
}

/// The parser's message in two parts, with a remedy where we know one.
fn syntax(message: &str) -> (String, String) {
    let says = message.split(", expected").next().unwrap_or(message).to_lowercase();
    let known = [
        ("string values must be quoted", "put the value in double quotes"),
        ("duplicate key", "write each key and each [table] once; a list of tables has [[two]] brackets"),
        ("unquoted keys cannot", "a key has letters, digits, - and _ only"),
        ("missing value", "write a value after the ="),
        ("key with no value", "write key = value"),
    ];
    let remedy = known.into_iter().find(|(part, _)| says.contains(part)).map(|(_, remedy)| remedy.to_owned());
    let expected = || match message.split_once(", expected ") {
        Some((_, what)) => format!("expected {what}"),
        None => "compare with the example config".to_owned(),
    };
    (format!("not TOML: {says}"), remedy.unwrap_or_else(expected))
}

/// The candidate an owner most likely meant, whatever its case.
pub(super) fn meant<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let candidates: Vec<&str> = candidates.into_iter().collect();
    let lower: Vec<String> = candidates.iter().map(|candidate| candidate.to_lowercase()).collect();
    let near = nearest(text, lower.iter().map(String::as_str))?;
    lower.iter().position(|candidate| candidate == near).map(|at| candidates[at])
}

/// `did you mean ...?`, if a candidate is near.
pub(super) fn did_you_mean<'a>(text: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<String> {
    meant(text, candidates).map(|candidate| format!("did you mean `{candidate}`?"))
}
