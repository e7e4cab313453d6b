//! Reads an archive and checks every byte of it.

use std::io::{ErrorKind, Read};

use super::section::{Counts, End, Head, Hour, OfUnit, Section};
use super::{ArchiveError, BODY_BYTES_MAX, MAGIC, SECTION_HEAD_BYTES, VERSION, rows};
use crate::domain::HourSummary;

/// Reads the sections of an archive in order. What it hands out has passed its checksum; whether the archive is whole
/// is known only once [`Reader::next`] has given `None`.
#[derive(Debug)]
pub struct Reader<R> {
    input: R,
    /// Bytes read.
    offset: u64,
    number: u32,
    head: Head,
    counts: Counts,
    checks: crc32fast::Hasher,
    ended: bool,
}

/// The fields before a body.
struct Frame {
    begins: u64,
    tag: [u8; 4],
    stored: usize,
    raw: usize,
    check: u32,
    covered: [u8; 16],
}

impl<R: Read> Reader<R> {
    /// Reads the first section.
    pub fn new(input: R) -> Result<Self, ArchiveError> {
        let head = Head {
            made: crate::domain::Timestamp::default(),
            by: String::new(),
            holds: super::Holds::Selection,
            epoch: None,
            units: 0,
            readings: 0,
        };
        let (counts, checks) = (Counts::default(), crc32fast::Hasher::new());
        let mut reader = Self { input, offset: 0, number: 0, head, counts, checks, ended: false };
        reader.magic()?;
        match reader.section()? {
            Section::Head(head) => reader.head = head,
            Section::Fail(why) => return Err(ArchiveError::Unfinished(why)),
            _ => return Err(damaged(12, 0, "it is not the HEAD that comes first")),
        }
        Ok(reader)
    }

    /// What the archive says of itself.
    pub fn head(&self) -> &Head {
        &self.head
    }

    /// What has been read so far; all of it after the end.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Bytes read so far.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// The next section; `None` once the archive has proved to be whole.
    #[expect(clippy::should_implement_trait, reason = "an iterator of results would go on after an error")]
    pub fn next(&mut self) -> Result<Option<Section>, ArchiveError> {
        if self.ended {
            return Ok(None);
        }
        let (begins, number) = (self.offset, self.number);
        let checks = self.checks.clone().finalize();
        let section = self.section()?;
        match &section {
            Section::Head(_) => Err(damaged(begins, number, "there is a second HEAD")),
            Section::Fail(why) => Err(ArchiveError::Unfinished(why.clone())),
            Section::End(end) => {
                self.check_end(*end, begins, checks)?;
                self.ended = true;
                Ok(None)
            }
            _ => {
                self.counts.add(&section);
                Ok(Some(section))
            }
        }
    }

    fn magic(&mut self) -> Result<(), ArchiveError> {
        let mut start = Vec::new();
        self.input
            .by_ref()
            .take((MAGIC.len() + 4) as u64)
            .read_to_end(&mut start)
            .map_err(|source| ArchiveError::Read { offset: 0, source })?;
        self.offset = start.len() as u64;
        let cut = start.len().min(MAGIC.len());
        if start[..cut] != MAGIC[..cut] || start.is_empty() {
            let found = if start.is_empty() { "nothing".to_owned() } else { visible(&start[..cut]) };
            return Err(ArchiveError::Foreign { found });
        }
        let version = start.get(MAGIC.len()..).and_then(|version| version.try_into().ok()).map(u32::from_le_bytes);
        match version {
            Some(1..=VERSION) => Ok(()),
            Some(0) => Err(ArchiveError::Foreign { found: visible(&start) }),
            Some(found) => Err(ArchiveError::Newer { found, known: VERSION }),
            None => {
                let expected = "the version, and then the first section,".to_owned();
                Err(ArchiveError::Truncated { offset: self.offset, expected })
            }
        }
    }

    /// The next section, checked by itself.
    fn section(&mut self) -> Result<Section, ArchiveError> {
        let number = self.number;
        let frame = self.frame()?;
        let wrong = |why: String| ArchiveError::Damaged { offset: frame.begins, number, why };
        let body = self.take(frame.stored, &format!("the body of section {number}"))?;
        let mut check = crc32fast::Hasher::new();
        check.update(&frame.covered);
        check.update(&body);
        let found = check.finalize();
        if found != frame.check {
            return Err(wrong(format!("its checksum is {found:08x} where {:08x} was written", frame.check)));
        }
        let placed = u32::from_le_bytes([frame.covered[4], frame.covered[5], frame.covered[6], frame.covered[7]]);
        if placed != number {
            return Err(wrong(format!("section {placed} stands in its place")));
        }
        let raw = zstd::bulk::decompress(&body, frame.raw).map_err(|error| wrong(error.to_string()))?;
        if raw.len() != frame.raw {
            return Err(wrong(format!("it unpacks to {} bytes where {} were packed", raw.len(), frame.raw)));
        }
        let section = decode(frame.tag, &raw).map_err(wrong)?;
        self.checks.update(&frame.check.to_le_bytes());
        self.number += 1;
        Ok(section)
    }

    fn frame(&mut self) -> Result<Frame, ArchiveError> {
        let (begins, number) = (self.offset, self.number);
        let head = self.take(SECTION_HEAD_BYTES, &format!("section {number}"))?;
        let field = |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let mut covered = [0; 16];
        covered.copy_from_slice(&head[..16]);
        let (stored, raw) = (field(8) as usize, field(12) as usize);
        if stored > BODY_BYTES_MAX || raw > BODY_BYTES_MAX {
            let why = format!("it claims {stored} bytes ({raw} unpacked), at most {BODY_BYTES_MAX} can be");
            return Err(ArchiveError::Damaged { offset: begins, number, why });
        }
        Ok(Frame { begins, tag: [head[0], head[1], head[2], head[3]], stored, raw, check: field(16), covered })
    }

    fn take(&mut self, count: usize, what: &str) -> Result<Vec<u8>, ArchiveError> {
        let begins = self.offset;
        let mut bytes = Vec::new();
        let read = self.input.by_ref().take(count as u64).read_to_end(&mut bytes);
        self.offset += bytes.len() as u64;
        match read {
            // A body that breaks off in the middle of a connection is as cut off as a short file.
            Err(source) if source.kind() != ErrorKind::UnexpectedEof => {
                Err(ArchiveError::Read { offset: self.offset, source })
            }
            _ if bytes.len() < count => {
                Err(ArchiveError::Truncated { offset: begins, expected: format!("{count} bytes of {what}") })
            }
            _ => Ok(bytes),
        }
    }

    fn check_end(&mut self, end: End, begins: u64, checks: u32) -> Result<(), ArchiveError> {
        let number = self.number - 1;
        if end.sections != number || end.check != checks || end.counts != self.counts {
            return Err(damaged(begins, number, "what it counts is not what came before it"));
        }
        let mut more = [0];
        match self.input.read(&mut more) {
            Ok(0) => Ok(()),
            Ok(_) => Err(damaged(self.offset, number + 1, "something follows the end")),
            Err(source) => Err(ArchiveError::Read { offset: self.offset, source }),
        }
    }
}

fn damaged(offset: u64, number: u32, why: &str) -> ArchiveError {
    ArchiveError::Damaged { offset, number, why: why.to_owned() }
}

fn visible(bytes: &[u8]) -> String {
    format!("`{}`", bytes.escape_ascii())
}

fn decode(tag: [u8; 4], body: &[u8]) -> Result<Section, String> {
    Ok(match &tag {
        b"HEAD" => Section::Head(json(body)?),
        b"UNIT" => Section::Unit(json(body)?),
        b"ROWS" => {
            let (unit, rows) = rows::decode(body)?;
            Section::Rows { unit, rows }
        }
        b"DAYS" => {
            let OfUnit { unit, holds: days } = json(body)?;
            Section::Days { unit, days }
        }
        b"HOUR" => {
            let OfUnit { unit, holds } = json::<OfUnit<Vec<Hour>>>(body)?;
            let hours = holds.into_iter().map(HourSummary::try_from).collect::<Result<_, _>>()?;
            Section::Hours { unit, hours }
        }
        b"LOGB" => {
            let OfUnit { unit, holds: entries } = json(body)?;
            Section::Logbook { unit, entries }
        }
        b"ASMT" => {
            let OfUnit { unit, holds: assessment } = json(body)?;
            Section::Assessment { unit, assessment }
        }
        b"OWED" => {
            let OfUnit { unit, holds: days } = json(body)?;
            Section::Owed { unit, days }
        }
        b"LOST" => {
            let OfUnit { unit, holds: days } = json(body)?;
            Section::Lost { unit, days }
        }
        b"MAIL" => Section::Mail(json(body)?),
        b"KEEP" => Section::Keepsakes(json(body)?),
        b"GONE" => {
            let OfUnit { unit, holds: channels } = json(body)?;
            Section::GivenUp { unit, channels }
        }
        b"JUNK" => Section::Junk(json(body)?),
        b"FAIL" => Section::Fail(json(body)?),
        b"END." => Section::End(json(body)?),
        other => return Err(format!("its kind `{}` is not known", other.escape_ascii())),
    })
}

fn json<T: serde::de::DeserializeOwned>(body: &[u8]) -> Result<T, String> {
    serde_json::from_slice(body).map_err(|error| format!("its JSON does not fit ({error})"))
}
