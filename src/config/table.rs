//! From TOML to typed values, each with its place: the machinery under [`super::raw`].
//!
//! A derived deserializer stops at the first value of the wrong type. An owner who has written forty units wants
//! all his mistakes at once, so the spanned tree of the `toml` crate is read here, and each table is declared once
//! by [`table!`], which knows its keys.

use std::ops::Range;

use serde_spanned::Spanned;
use toml::de::{DeTable, DeValue};

use super::mistake::{At, Findings, Place, Shown};
use super::value::{Scalar, type_name};
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
            let remedy = match T::KEYS {
                [only] => format!("write {}.{only} = ...", entry.key),
                _ => format!("write {} and its keys below it", T::HEADER),
            };
            out.mistake(&entry.place(), says, remedy);
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

/// Numbers in tables within tables, each with the path to it: names between points.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Numbers(pub Vec<(String, At<f64>)>);

impl Numbers {
    /// What is not a number is reported; the others are kept, so that they are checked too.
    fn gather(&mut self, path: &str, entry: &Entry<'_, '_>, out: &mut Findings) {
        let DeValue::Table(table) = entry.value.get_ref() else {
            self.0.extend(At::<f64>::read(entry, out).map(|number| (path.to_owned(), number)));
            return;
        };
        for (name, value) in table {
            let key = join(&entry.key, name.get_ref());
            let below = Entry { file: entry.file, key, key_span: name.span(), value };
            self.gather(&join(path, name.get_ref()), &below, out);
        }
    }
}

impl Read for Numbers {
    fn read(entry: &Entry<'_, '_>, out: &mut Findings) -> Option<Self> {
        if !matches!(entry.value.get_ref(), DeValue::Table(_)) {
            let says = format!("expected a table, found {}", type_name(entry.value.get_ref()));
            out.mistake(&entry.place(), says, "write names and numbers below it, such as model.left_behind.mean = 0.1");
            return None;
        }
        let mut numbers = Self(Vec::new());
        numbers.gather("", entry, out);
        Some(numbers)
    }
}

/// Any other value.
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
        let (says, remedy) = syntax(error.message(), &text[line.clone()]);
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
    const WORDS: [&str; 6] = ["password", "passwd", "pass", "pwd", "secret", "token"];
    text.lines().filter_map(|line| line.split_once('=')).any(|(key, _)| {
        let key = key.trim().to_lowercase();
        WORDS.iter().any(|word| key.ends_with(word))
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

/// What is wrong with a line that is not TOML, and the remedy: ours for the slips people make, else what the parser
/// expected.
fn syntax(message: &str, line: &str) -> (String, String) {
    let says = message.split(", expected").next().unwrap_or(message).to_lowercase();
    let value = line.split_once('=').map_or("", |(_, value)| value).split('#').next().unwrap_or_default().trim();
    let comma = value.split_once(',').filter(|(whole, part)| {
        [whole, part].iter().all(|digits| !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()))
    });
    let remedy = if let Some((whole, part)) = comma {
        format!("write {whole}.{part} with a point")
    } else if line.ends_with('=') {
        "write a value after the =".to_owned()
    } else if says.contains("string values must be quoted") {
        "put the value in double quotes".to_owned()
    } else if says.contains("invalid basic string") {
        "close the text with \"; a \\ in it is written \\\\".to_owned()
    } else if says.contains("duplicate key") {
        "write each key and each [table] once; a list of tables has [[two]] brackets".to_owned()
    } else if says.contains("unclosed") && line.starts_with('[') {
        "close the header with as many ] as it has [".to_owned()
    } else if says.contains("key with no value") {
        "write key = value; a key has letters, digits, - and _ only".to_owned()
    } else {
        match message.split_once(", expected ") {
            Some((_, what)) => format!("expected {what}"),
            None => "compare with config/example.toml".to_owned(),
        }
    };
    (format!("not TOML: {says}"), remedy)
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
