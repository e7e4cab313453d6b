//! A file, or a compressed one, read a piece at a time: for imports of any length.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read, Seek};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::FileError;
use super::source::{GZIP_MAGIC, UTF8_BOM, ZSTD_MAGIC, check_is_text};

/// The first bytes of a Parquet file (from memory of the format's description).
const PARQUET_MAGIC: &[u8] = b"PAR1";
/// So much is looked at to tell what a file is.
const PEEK_BYTES: u64 = 64 << 10;

/// A file that is read more than once: first to see whether all of it can be used, then to use it.
#[derive(Debug)]
pub struct Feed {
    /// The name to call it by in messages.
    pub name: String,
    /// Bytes on disk.
    pub bytes: u64,
    file: File,
    done: Arc<AtomicU64>,
}

/// What a feed holds, by its first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A table of readings.
    Readings,
    /// A service log.
    ServiceLog,
    /// A SenML pack.
    Senml,
    /// Parquet.
    Parquet,
}

impl Feed {
    /// Opens `path`; `-` is standard input, which is kept in a temporary file, for it cannot be read twice.
    pub fn open(path: &Path) -> Result<Self, FileError> {
        let (name, file) = if path.as_os_str() == "-" {
            let name = "standard input".to_owned();
            let kept = tempfile::tempfile().and_then(|mut file| {
                io::copy(&mut io::stdin().lock(), &mut file)?;
                Ok(file)
            });
            let file = kept.map_err(|source| FileError::Read { name: name.clone(), source })?;
            (name, file)
        } else {
            let name = path.display().to_string();
            let file = File::open(path).map_err(|source| FileError::Read { name: name.clone(), source })?;
            (name, file)
        };
        let meta = file.metadata().map_err(|source| FileError::Read { name: name.clone(), source })?;
        if meta.is_dir() {
            return Err(FileError::shape(&name, "is a folder; name a file in it"));
        }
        Ok(Self { name, bytes: meta.len(), file, done: Arc::default() })
    }

    /// Bytes of the file read since the last [`Feed::text`].
    pub fn done(&self) -> u64 {
        self.done.load(Ordering::Relaxed)
    }

    /// The file itself, from its beginning.
    pub fn raw(&self) -> io::Result<File> {
        let mut file = self.file.try_clone()?;
        file.rewind()?;
        Ok(file)
    }

    /// The contents from the beginning, unpacked by their first bytes, without a byte-order mark.
    pub fn text(&self) -> Result<(Kind, Box<dyn BufRead>), FileError> {
        let failed = |source| FileError::Read { name: self.name.clone(), source };
        self.done.store(0, Ordering::Relaxed);
        let counted = Counted { file: self.raw().map_err(failed)?, done: Arc::clone(&self.done) };
        let (first, packed) = peek(counted, PEEK_BYTES).map_err(failed)?;
        let (first, text): (Vec<u8>, Box<dyn Read>) = if first.starts_with(GZIP_MAGIC) {
            let (first, text) =
                peek(flate2::read::MultiGzDecoder::new(packed), PEEK_BYTES).map_err(|e| self.broken(e))?;
            (first, Box::new(text))
        } else if first.starts_with(ZSTD_MAGIC) {
            let unpacked = zstd::stream::read::Decoder::new(packed).map_err(failed)?;
            let (first, text) = peek(unpacked, PEEK_BYTES).map_err(|e| self.broken(e))?;
            (first, Box::new(text))
        } else {
            (first, Box::new(packed))
        };
        if first.starts_with(PARQUET_MAGIC) {
            return Ok((Kind::Parquet, Box::new(io::empty())));
        }
        check_is_text(&self.name, &first)?;
        let mut text = BufReader::with_capacity(PEEK_BYTES as usize, text);
        if first.starts_with(UTF8_BOM) {
            text.read_exact(&mut [0; 3]).map_err(failed)?;
        }
        Ok((kind(&first), Box::new(text)))
    }

    /// That reading failed: a cut or damaged archive is the file's fault, not the disk's.
    pub fn broken(&self, error: io::Error) -> FileError {
        use io::ErrorKind::{InvalidData, InvalidInput, Other, UnexpectedEof};
        if matches!(error.kind(), UnexpectedEof | InvalidData | InvalidInput | Other) {
            let place = self.done();
            let why = format!("cannot be unpacked near byte {place} of it ({error}); fetch or pack it again");
            return FileError::shape(&self.name, why);
        }
        FileError::Read { name: self.name.clone(), source: error }
    }
}

fn kind(first: &[u8]) -> Kind {
    let first = first.strip_prefix(UTF8_BOM).unwrap_or(first).trim_ascii_start();
    let header = first.split(|byte| *byte == b'\n').next().unwrap_or_default();
    if first.starts_with(b"[") {
        Kind::Senml
    } else if header.split(|byte| *byte == b',').any(|name| name.trim_ascii() == b"action") {
        Kind::ServiceLog
    } else {
        Kind::Readings
    }
}

type Peeked<R> = io::Chain<Cursor<Vec<u8>>, R>;

/// The first bytes of `input`, and all of it.
fn peek<R: Read>(mut input: R, bytes: u64) -> io::Result<(Vec<u8>, Peeked<R>)> {
    let mut first = Vec::new();
    input.by_ref().take(bytes).read_to_end(&mut first)?;
    Ok((first.clone(), Cursor::new(first).chain(input)))
}

/// Counts what is read.
struct Counted {
    file: File,
    done: Arc<AtomicU64>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.done.fetch_add(count as u64, Ordering::Relaxed);
        Ok(count)
    }
}
