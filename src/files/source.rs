//! Opens a file, standard input, or a compressed form of either, and gives its text.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use super::FileError;

/// A file may have at most so many bytes once unpacked: some 25 million rows. Above it the machine, not the file, is
/// the likelier victim (a small compressed file can unpack to any size).
pub const BYTES_MAX: u64 = 1 << 30;

/// So many bytes at the beginning show whether it is text.
const LOOKED_AT: usize = 4096;
pub(super) const GZIP_MAGIC: &[u8] = &[0x1f, 0x8b];
pub(super) const ZSTD_MAGIC: &[u8] = &[0x28, 0xb5, 0x2f, 0xfd];
const ZIP_MAGIC: &[u8] = b"PK\x03\x04";
pub(super) const UTF8_BOM: &[u8] = &[0xef, 0xbb, 0xbf];

/// The unpacked contents of a file, and the name to call it by in messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// As given on the command line; `standard input` for `-`.
    pub name: String,
    /// Unpacked, without a byte-order mark. Text, but not yet checked to be UTF-8 throughout.
    pub bytes: Vec<u8>,
}

impl Source {
    /// Reads `path`, or standard input for `-`.
    pub fn open(path: &Path) -> Result<Self, FileError> {
        if path.as_os_str() == "-" {
            return Self::read("standard input", io::stdin().lock());
        }
        let name = path.display().to_string();
        let file = File::open(path).map_err(|source| FileError::Read { name: name.clone(), source })?;
        if file.metadata().is_ok_and(|meta| meta.is_dir()) {
            return Err(FileError::shape(&name, "is a folder; name a file in it"));
        }
        Self::read(&name, file)
    }

    /// Reads everything from `input`, unpacks it by its first bytes, and checks that it can be text.
    pub fn read(name: &str, input: impl Read) -> Result<Self, FileError> {
        let failed = |source| FileError::Read { name: name.to_owned(), source };
        let packed = read_limited(name, input)?;
        let mut bytes = if packed.starts_with(GZIP_MAGIC) {
            read_limited(name, flate2::read::MultiGzDecoder::new(packed.as_slice()))?
        } else if packed.starts_with(ZSTD_MAGIC) {
            read_limited(name, zstd::stream::read::Decoder::new(packed.as_slice()).map_err(failed)?)?
        } else {
            packed
        };
        if bytes.starts_with(UTF8_BOM) {
            bytes.drain(..UTF8_BOM.len());
        }
        check_is_text(name, &bytes)?;
        Ok(Self { name: name.to_owned(), bytes })
    }
}

fn read_limited(name: &str, input: impl Read) -> Result<Vec<u8>, FileError> {
    let mut bytes = Vec::new();
    match input.take(BYTES_MAX + 1).read_to_end(&mut bytes) {
        Ok(_) if bytes.len() as u64 > BYTES_MAX => {
            Err(FileError::shape(name, format!("holds more than {} MiB; split it by date", BYTES_MAX >> 20)))
        }
        Ok(_) => Ok(bytes),
        // A cut or damaged archive is the file's fault, not the disk's.
        Err(e)
            if matches!(
                e.kind(),
                io::ErrorKind::UnexpectedEof | io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput
            ) =>
        {
            Err(FileError::shape(name, format!("cannot be unpacked ({e}); fetch or pack it again")))
        }
        Err(source) => Err(FileError::Read { name: name.to_owned(), source }),
    }
}

/// Whether no text has it: a control character that neither ends a line nor stands between columns.
fn is_control(byte: u8) -> bool {
    byte < b' ' && !matches!(byte, b'\t' | b'\n' | b'\r' | 0x0c)
}

pub(super) fn check_is_text(name: &str, bytes: &[u8]) -> Result<(), FileError> {
    let why = if bytes.starts_with(ZIP_MAGIC) {
        "is a zip archive or a spreadsheet; save the table as CSV"
    } else if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        "is UTF-16 text; save it as UTF-8"
    } else if bytes.contains(&0) || bytes.iter().take(LOOKED_AT).any(|b| is_control(*b)) {
        "is not a text file (it has control characters); readings are CSV or SenML JSON in UTF-8, a log is CSV"
    } else if bytes.trim_ascii().is_empty() {
        "is empty; a table of readings begins with the line time,intensity, a service log with time,action"
    } else {
        return Ok(());
    };
    Err(FileError::shape(name, why))
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    const TEXT: &[u8] = b"time,intensity\n2026-08-14T06:00:00Z,21.4\n";

    #[test]
    fn packed_files_are_unpacked_by_their_first_bytes() {
        let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        gzip.write_all(TEXT).unwrap();
        let zstd = zstd::stream::encode_all(TEXT, 1).unwrap();
        let bom = [UTF8_BOM, TEXT].concat();
        for packed in [TEXT.to_vec(), gzip.finish().unwrap(), zstd, bom] {
            assert_eq!(Source::read("x", packed.as_slice()).unwrap().bytes, TEXT);
        }
    }

    #[test]
    fn what_is_no_text_is_refused_with_a_remedy() {
        let zstd = zstd::stream::encode_all(TEXT, 1).unwrap();
        let cases: [(&[u8], &str); 7] = [
            (b"", "x: is empty"),
            (b" \n \n", "x: is empty"),
            (b"PK\x03\x04....", "x: is a zip archive or a spreadsheet; save the table as CSV"),
            (&[0xff, 0xfe, b't', 0], "x: is UTF-16 text; save it as UTF-8"),
            (b"\x7fELF\0\0", "x: is not a text file"),
            (&[0x1f, 0x8b, 8, 0], "x: cannot be unpacked"),
            (&zstd[..zstd.len() - 6], "x: cannot be unpacked"),
        ];
        for (bytes, want) in cases {
            let said = Source::read("x", bytes).unwrap_err().to_string();
            assert!(said.starts_with(want), "{said}");
        }
    }
}
