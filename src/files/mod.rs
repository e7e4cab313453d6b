//! Readings and service logs on disk, in the formats of the contract.
//!
//! [`source`] opens (files, standard input, gzip, Zstandard), [`readings`] and [`service`] parse and write. A parser
//! never stops at the first bad row: it keeps what is good and names every row it refused.

pub mod cell;
pub mod export;
pub mod feed;
pub mod import;
mod pack;
pub mod parquet;
pub mod readings;
mod records;
pub mod refusal;
pub mod service;
pub mod source;
pub mod unit;

pub use readings::{Dialect, ReadingsFile};
pub use refusal::{Refusal, Refused, Spot};
pub use source::Source;

use std::io;

/// Why a file could not be used at all.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// It could not be read.
    #[error("cannot read {name}: {source}")]
    Read {
        /// The file's name.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// It is not what was asked for, as a whole.
    #[error("{name}: {why}")]
    Shape {
        /// The file's name.
        name: String,
        /// What is wrong and what to do.
        why: String,
    },
    /// Rows of it were refused.
    #[error("{0}")]
    Rows(Refused),
}

impl FileError {
    /// Whether the system failed, rather than the contents.
    pub fn is_io(&self) -> bool {
        matches!(self, Self::Read { .. })
    }

    fn shape(name: &str, why: impl Into<String>) -> Self {
        Self::Shape { name: name.to_owned(), why: why.into() }
    }
}
