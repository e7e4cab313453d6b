//! Why an archive cannot be used.

use std::io;

/// Why an archive was refused, with the place in it. Nothing of it is to be used then.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// Its first bytes are of something else.
    #[error("byte 0: is not a Fadeline archive (it starts with {found}); name a file that `fadeline backup` made")]
    Foreign {
        /// The first bytes, made visible.
        found: String,
    },
    /// It was made by a later version.
    #[error("byte 8: is of version {found}, this program knows up to {known}; use the newer program")]
    Newer {
        /// Its version.
        found: u32,
        /// The latest version known.
        known: u32,
    },
    /// It ends before its end.
    #[error(
        "byte {offset}: ends where {expected} should follow: it was cut off; fetch it again or take another backup"
    )]
    Truncated {
        /// Where the missing piece should begin.
        offset: u64,
        /// What should follow.
        expected: String,
    },
    /// Something in it is not what was written.
    #[error("byte {offset}: section {number} is damaged: {why}; fetch it again or take another backup")]
    Damaged {
        /// Where the section begins.
        offset: u64,
        /// The section's number.
        number: u32,
        /// What was expected and what was found.
        why: String,
    },
    /// Whoever wrote it had to stop, and said why.
    #[error("it was not finished: {0}")]
    Unfinished(String),
    /// It could not be read.
    #[error("byte {offset}: cannot be read: {source}")]
    Read {
        /// Where.
        offset: u64,
        /// What the system said.
        source: io::Error,
    },
}

impl ArchiveError {
    /// Whether reading failed, rather than what was read.
    pub fn is_io(&self) -> bool {
        matches!(self, Self::Read { .. })
    }
}
