//! PURE: the form in which data leaves a store and comes back: backups, and what travels between a command and the
//! daemon for `export` and `import`.
//!
//! Logical, not a copy of the database: it names units, channels and times, so that any later version can read it,
//! whatever its store looks like. All integers are little-endian.
//!
//! ```text
//! archive   = magic version section*            the first section is HEAD, the last END; nothing follows it
//! magic     = 89 'F' 'D' 'L' 0d 0a 1a 0a        8 bytes; a transfer as text, or without the 8th bit, spoils them
//! version   = u32                               1; a reader knows it and every earlier one
//! section   = tag number stored raw check body
//! tag       = 4 ASCII letters                   what the body is
//! number    = u32                               0, 1, 2 ...: a section that is missing or moved is noticed
//! stored    = u32                               bytes of the body as it stands here
//! raw       = u32                               bytes of the body unpacked, at most 64 MiB
//! check     = u32                               CRC-32 (ISO-HDLC) of tag, number, stored, raw and body
//! body      = Zstandard frame
//! ```
//! Unpacked, a body is JSON (`HEAD`, `UNIT`, `DAYS`, `HOUR`, `LOGB`, `ASMT`, `OWED`, `LOST`, `MAIL`, `KEEP`,
//! `GONE`, `JUNK`, `FAIL`, `END.`: see [`Section`] for their fields), except readings:
//!
//! ```text
//! ROWS      = unit count time{count} channels column{channels}
//! unit      = text                              SITE/UNIT
//! count     = varint                            1 to 65,536 readings of that unit, ascending, one for each instant
//! time      = svarint                           milliseconds since 1970-01-01T00:00:00Z, as the difference of the
//!                                               difference from the one before (both begin at 0)
//! channels  = varint
//! column    = name power values
//! name      = text                              the channel's name in the contract
//! present   = byte{(count + 7) / 8}             bit i % 8 of byte i / 8: reading i has this channel
//! power     = byte                              p from 0 to 9: values are integers / 10^p; 255: they are doubles
//! values    = svarint* or double*               of the readings that have it; integers as the difference from the
//!                                               value before (which begins at 0), doubles as their 8 bytes
//! text      = varint (bytes), then UTF-8
//! varint    = 7 bits a byte, least first, the 8th bit set on all but the last
//! svarint   = varint of 2 n for n >= 0, of -2 n - 1 for n < 0
//! ```
//! where `column` has `present` between `name` and `power`. Values come back bit for bit.
//!
//! `END.` counts what was written and carries the CRC-32 of the `check` fields of all sections before it. An archive
//! without it is cut off; a writer that fails half way says why in a `FAIL` section instead.

mod error;
mod reader;
mod rows;
mod section;
mod stock;
mod varint;
mod writer;

pub use error::ArchiveError;
pub use reader::Reader;
pub use rows::ROWS_MAX;
pub use section::{Counts, End, GivenUp, Head, Holds, Junk, Keepsake, Letter, Section, UnitHead};
pub use stock::{CheckProgress, CheckReport, GAP_INTERVALS, GAP_LEAST, Gap, Selection, Taken, UnitCheck};
pub use writer::{WriteError, Writer};

/// The first bytes of every archive.
pub const MAGIC: [u8; 8] = *b"\x89FDL\r\n\x1a\n";
/// The version written.
pub const VERSION: u32 = 1;
/// The most bytes a body may have, packed or unpacked: a damaged length must not ask for all memory.
pub const BODY_BYTES_MAX: usize = 64 << 20;

const SECTION_HEAD_BYTES: usize = 20;
/// Zstandard's usual level.
const LEVEL: i32 = 3;

#[cfg(test)]
mod tests;
