//! Rows that were refused: which, why, and what to do about it.

use std::fmt;

/// So many refusals are kept with their text; the rest are only counted.
pub const LISTED_MAX: usize = 20;
/// A quoted value is cut after so many characters.
const QUOTED_MAX_CHARS: usize = 40;

/// Where in a file something stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// A row of a table by the line it starts on, from 1.
    Line(u64),
    /// A record of a SenML pack by its place, from 1.
    Record(u64),
}

impl fmt::Display for Spot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(line) => write!(f, "line {line}"),
            Self::Record(place) => write!(f, "record {place}"),
        }
    }
}

/// One row or record that was refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// Where it is.
    pub spot: Spot,
    /// The column's name, if one cell is to blame.
    pub column: Option<String>,
    /// What is wrong and what to do.
    pub why: String,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.column {
            Some(column) => write!(f, "{}, column {column}: {}", self.spot, self.why),
            None => write!(f, "{}: {}", self.spot, self.why),
        }
    }
}

/// The refused rows of one file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Refused {
    /// The file's name.
    pub file: String,
    /// The first [`LISTED_MAX`].
    pub listed: Vec<Refusal>,
    /// How many in all.
    pub count: u64,
    /// How many rows the file has.
    pub rows: u64,
}

impl Refused {
    /// None yet.
    pub fn new(file: &str) -> Self {
        Self { file: file.to_owned(), ..Self::default() }
    }

    /// Counts a refusal and keeps its text if there is room.
    pub fn push(&mut self, refusal: Refusal) {
        self.count += 1;
        if self.listed.len() < LISTED_MAX {
            self.listed.push(refusal);
        }
    }

    /// Whether every row was good.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }
}

/// A heading line, then one line for each listed refusal.
impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {} of {} rows cannot be used", self.file, self.count, self.rows)?;
        self.listed.iter().try_for_each(|refusal| write!(f, "\n  {refusal}"))?;
        match self.count - self.listed.len() as u64 {
            0 => Ok(()),
            more => write!(f, "\n  … and {more} more"),
        }
    }
}

/// `value` in back-quotes, cut to a length fit for a message, control characters made visible.
pub fn quoted(value: &str) -> String {
    let mut text: String = value.chars().take(QUOTED_MAX_CHARS).flat_map(visible).collect();
    if value.chars().nth(QUOTED_MAX_CHARS).is_some() {
        text.push('…');
    }
    format!("`{text}`")
}

fn visible(c: char) -> Vec<char> {
    if c.is_control() { c.escape_default().collect() } else { vec![c] }
}
