//! A file that appears whole or not at all.

use std::fs::{self, File, Permissions};
use std::io::{self, BufWriter, Stdout, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::GzEncoder;
use tempfile::NamedTempFile;

use super::{Exit, Failure};

/// Where data goes: standard output, or a file that is written under another name beside it and renamed when it is
/// whole. Packed as the name ends.
pub enum OutFile {
    /// As it is.
    Plain(BufWriter<Place>),
    /// `.gz`
    Gzip(GzEncoder<BufWriter<Place>>),
    /// `.zst`
    Zstd(Box<zstd::stream::write::Encoder<'static, BufWriter<Place>>>),
}

/// What is behind an [`OutFile`].
pub enum Place {
    /// Standard output.
    Stdout(Stdout),
    /// A pipe or a device, which has no name to take at the end.
    Device(File),
    /// A file on its way to its name.
    File(Box<NamedTempFile>, PathBuf),
}

impl OutFile {
    /// Begins; `-` or nothing is standard output. `mode`: the file's permissions, before the umask.
    pub fn create(path: Option<&Path>, mode: u32) -> Result<Self, Failure> {
        let Some(path) = path.filter(|path| path.as_os_str() != "-") else {
            return Ok(Self::Plain(BufWriter::new(Place::Stdout(io::stdout()))));
        };
        let place = place(path, mode).map_err(|error| cannot_write(path, &error))?;
        let out = BufWriter::with_capacity(1 << 16, place);
        Ok(match path.extension().and_then(|extension| extension.to_str()) {
            Some("gz") => Self::Gzip(GzEncoder::new(out, Compression::default())),
            Some("zst") => {
                let packed = zstd::stream::write::Encoder::new(out, 3).and_then(|mut packed| {
                    // Without it a flipped bit may go unnoticed.
                    packed.include_checksum(true)?;
                    Ok(packed)
                });
                Self::Zstd(Box::new(packed.map_err(|error| cannot_write(path, &error))?))
            }
            _ => Self::Plain(out),
        })
    }

    /// Makes everything durable and gives the file its name.
    pub fn finish(self) -> io::Result<()> {
        let out = match self {
            Self::Plain(out) => out,
            Self::Gzip(packed) => packed.finish()?,
            Self::Zstd(packed) => packed.finish()?,
        };
        match out.into_inner().map_err(io::IntoInnerError::into_error)? {
            Place::Stdout(mut out) => out.flush(),
            Place::Device(mut out) => out.flush(),
            Place::File(file, path) => {
                file.as_file().sync_all()?;
                file.persist(&path).map_err(|error| error.error)?;
                File::open(folder(&path))?.sync_all()
            }
        }
    }
}

fn folder(path: &Path) -> &Path {
    path.parent().filter(|folder| *folder != Path::new("")).unwrap_or(Path::new("."))
}

fn place(path: &Path, mode: u32) -> io::Result<Place> {
    if fs::metadata(path).is_ok_and(|meta| !meta.is_file()) {
        return File::options().write(true).open(path).map(Place::Device);
    }
    let name = path.file_name().map(|name| format!(".{}.", name.to_string_lossy())).unwrap_or_default();
    let file = tempfile::Builder::new()
        .prefix(&name)
        .suffix(".partial")
        .permissions(Permissions::from_mode(mode))
        .tempfile_in(folder(path))?;
    Ok(Place::File(Box::new(file), path.to_owned()))
}

/// Writes a file whole or not at all; `-` is standard output.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let mut out = OutFile::create(Some(path), 0o666)?;
    out.write_all(bytes).and_then(|()| out.finish()).map_err(|error| cannot_write(path, &error))
}

/// That writing to a file failed.
pub fn cannot_write(path: &Path, error: &io::Error) -> Failure {
    Failure::new(Exit::Io, format!("cannot write {}: {error}", path.display()))
}

impl Write for OutFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Plain(out) => out.write(bytes),
            Self::Gzip(out) => out.write(bytes),
            Self::Zstd(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Plain(out) => out.flush(),
            Self::Gzip(out) => out.flush(),
            Self::Zstd(out) => out.flush(),
        }
    }
}

impl Write for Place {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Stdout(out) => out.write(bytes),
            Self::Device(out) => out.write(bytes),
            Self::File(out, _) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Stdout(out) => out.flush(),
            Self::Device(out) => out.flush(),
            Self::File(out, _) => out.flush(),
        }
    }
}
