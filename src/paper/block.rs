//! What a paper is made of.

/// A paper, before it is broken into pages.
#[derive(Clone, Debug, PartialEq)]
pub struct Paper {
    /// In the properties of the file.
    pub title: String,
    /// Small, at the foot of every page, left of the page's number.
    pub foot: Vec<String>,
    /// Size of the letters against the usual one.
    pub scale: f64,
    /// From top to bottom.
    pub blocks: Vec<Block>,
}

/// One part of a paper.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// The heading of the paper, with a word in a frame at its right and a smaller line under it.
    Title {
        /// What it is about.
        text: String,
        /// The word in the frame; empty for none.
        mark: String,
        /// The smaller line.
        under: String,
    },
    /// The heading of what follows.
    Heading(String),
    /// Running text.
    Text(String),
    /// Small print.
    Small(String),
    /// Running text that matters most: a bar stands beside it.
    Said(String),
    /// Names and values in a row.
    Facts(Vec<(String, String)>),
    /// Columns of figures.
    Table(Table),
    /// Boxes to tick.
    Boxes(Vec<String>),
    /// An SVG with a view box.
    Picture {
        /// The whole element.
        svg: String,
        /// Width to height.
        shape: f64,
    },
    /// Two columns side by side; they stay on one page.
    Side(Vec<Block>, Vec<Block>),
    /// Where somebody signs.
    Sign,
    /// What follows starts a page.
    Break,
}

/// Columns of figures. The head is repeated on every page.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// From left to right.
    pub columns: Vec<Column>,
    /// From top to bottom, a cell for each column.
    pub rows: Vec<Vec<Cell>>,
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its name.
    pub head: String,
    /// Its part of the width against the others.
    pub share: f64,
    /// Whether it holds numbers, which stand at the right.
    pub right: bool,
}

impl Column {
    /// A column of words.
    pub fn words(head: &str, share: f64) -> Self {
        Self { head: head.to_owned(), share, right: false }
    }

    /// A column of numbers.
    pub fn numbers(head: &str, share: f64) -> Self {
        Self { head: head.to_owned(), share, right: true }
    }
}

/// A cell of a table.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cell {
    /// What it says.
    pub text: String,
    /// Smaller, under it; empty for nothing.
    pub under: String,
}

impl Cell {
    /// With a smaller line under it.
    pub fn with_under(text: impl Into<String>, under: impl Into<String>) -> Self {
        Self { text: text.into(), under: under.into() }
    }
}

impl<T: Into<String>> From<T> for Cell {
    fn from(text: T) -> Self {
        Self { text: text.into(), under: String::new() }
    }
}
