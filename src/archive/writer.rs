//! Writes an archive, section by section.

use std::io::{self, Write};

use super::section::{Counts, End, Hour, OfUnit, Section};
use super::{BODY_BYTES_MAX, LEVEL, MAGIC, VERSION, rows};

/// Why a section could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The other end does not take it.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// It has no form in an archive.
    #[error("{tag} cannot be put into an archive: {why}")]
    NoForm {
        /// The section's tag.
        tag: &'static str,
        /// Why.
        why: String,
    },
}

/// Writes sections to `out`. [`Writer::finish`] makes it whole: an archive without its end is refused by every reader.
#[derive(Debug)]
pub struct Writer<W> {
    out: W,
    number: u32,
    counts: Counts,
    checks: crc32fast::Hasher,
}

impl<W: Write> Writer<W> {
    /// Begins an archive.
    pub fn new(mut out: W) -> io::Result<Self> {
        out.write_all(&MAGIC)?;
        out.write_all(&VERSION.to_le_bytes())?;
        Ok(Self { out, number: 0, counts: Counts::default(), checks: crc32fast::Hasher::new() })
    }

    /// Appends a section. The first must be [`Section::Head`]; [`Section::End`] is written by [`Writer::finish`].
    pub fn put(&mut self, section: &Section) -> Result<(), WriteError> {
        let (tag, body) = encode(section)?;
        let bytes = framed(tag, self.number, &body)?;
        self.checks.update(&bytes[16..20]);
        self.out.write_all(&bytes)?;
        self.number += 1;
        self.counts.add(section);
        Ok(())
    }

    /// Writes the end and gives `out` back, flushed, with what went into it.
    pub fn finish(mut self) -> Result<(W, Counts), WriteError> {
        let end = End { sections: self.number, counts: self.counts, check: self.checks.clone().finalize() };
        self.put(&Section::End(end))?;
        self.out.flush()?;
        Ok((self.out, self.counts))
    }

    /// What has been written so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }
}

fn framed(tag: &'static str, number: u32, body: &[u8]) -> Result<Vec<u8>, WriteError> {
    let no_form = |why: String| WriteError::NoForm { tag, why };
    if body.len() > BODY_BYTES_MAX {
        return Err(no_form(format!("it has {} bytes, at most {BODY_BYTES_MAX} go into a section", body.len())));
    }
    let packed = zstd::bulk::compress(body, LEVEL)?;
    let mut bytes = Vec::with_capacity(super::SECTION_HEAD_BYTES + packed.len());
    bytes.extend_from_slice(tag.as_bytes());
    for field in [number as usize, packed.len(), body.len()] {
        let field = u32::try_from(field).map_err(|_| no_form("it is too long".to_owned()))?;
        bytes.extend_from_slice(&field.to_le_bytes());
    }
    let mut check = crc32fast::Hasher::new();
    check.update(&bytes);
    check.update(&packed);
    bytes.extend_from_slice(&check.finalize().to_le_bytes());
    bytes.extend_from_slice(&packed);
    Ok(bytes)
}

fn encode(section: &Section) -> Result<(&'static str, Vec<u8>), WriteError> {
    match section {
        Section::Head(head) => json("HEAD", head),
        Section::Unit(unit) => json("UNIT", unit),
        Section::Rows { unit, rows } if (1..=rows::ROWS_MAX).contains(&rows.len()) => {
            Ok(("ROWS", rows::encode(unit, rows)))
        }
        Section::Rows { rows, .. } => {
            let why = format!("it has {} readings, 1 to {} go into a section", rows.len(), rows::ROWS_MAX);
            Err(WriteError::NoForm { tag: "ROWS", why })
        }
        Section::Days { unit, days } => json("DAYS", &OfUnit { unit: unit.clone(), holds: days }),
        Section::Hours { unit, hours } => {
            let holds: Vec<Hour> = hours.iter().map(Hour::from).collect();
            json("HOUR", &OfUnit { unit: unit.clone(), holds })
        }
        Section::Logbook { unit, entries } => json("LOGB", &OfUnit { unit: unit.clone(), holds: entries }),
        Section::Assessment { unit, assessment } => json("ASMT", &OfUnit { unit: unit.clone(), holds: assessment }),
        Section::Owed { unit, days } => json("OWED", &OfUnit { unit: unit.clone(), holds: days }),
        Section::Lost { unit, days } => json("LOST", &OfUnit { unit: unit.clone(), holds: days }),
        Section::Mail(letters) => json("MAIL", letters),
        Section::Keepsakes(keepsakes) => json("KEEP", keepsakes),
        Section::GivenUp { unit, channels } => json("GONE", &OfUnit { unit: unit.clone(), holds: channels }),
        Section::Junk(junk) => json("JUNK", junk),
        Section::Fail(why) => json("FAIL", why),
        Section::End(end) => json("END.", end),
    }
}

fn json(tag: &'static str, value: &impl serde::Serialize) -> Result<(&'static str, Vec<u8>), WriteError> {
    let body = serde_json::to_vec(value).map_err(|error| WriteError::NoForm { tag, why: error.to_string() })?;
    Ok((tag, body))
}
