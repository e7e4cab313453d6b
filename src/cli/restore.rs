//! `fadeline restore`: a backup into an empty data directory.

use std::fs::{self, DirBuilder, File};
use std::io::{BufReader, ErrorKind};
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::archive::{ArchiveError, Counts, Holds, Reader, Section};
use crate::daemon::bulk;
use crate::store::{Store, settings::StoreSettings};

use super::backup::told;
use super::export::lost;
use super::interrupt::Interrupt;
use super::progress::{Progress, grouped};
use super::{ConfigArg, Exit, Failure, data, output};

const HELP: &str = "\
The data directory of the config (store.path) must be empty or absent: stop the daemon and move an old one away first. \
The backup is restored beside it and gets its name when it is whole: a backup that is cut off, damaged or no backup is \
refused with the place, and nothing is left behind. The store gets an id of its own.\n\n\
Roll-ups and assessments come back as they were; days that were owed a roll-up are rolled up when the daemon starts.";

/// Arguments of `restore`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct RestoreArgs {
    /// The backup
    #[arg(value_name = "FILE")]
    file: PathBuf,
    #[command(flatten)]
    config: ConfigArg,
}

/// Restores a backup.
pub fn run(args: &RestoreArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let interrupt = Interrupt::listen()?;
    let target = &config.store.path;
    refuse_full(target)?;
    let mut reader = open(&args.file)?;
    let nest = Nest::beside(target)?;
    let settings = StoreSettings { path: nest.store(), ..config.store.clone() };
    let counts = fill(&settings, &mut reader, &args.file, &interrupt)?;
    nest.rename_to(target)?;
    output::note(&format!("restored {} into {}", told(&counts), target.display()));
    Ok(())
}

/// The backup, its head read.
pub(super) fn open(path: &Path) -> Result<Reader<BufReader<File>>, Failure> {
    let file =
        File::open(path).map_err(|error| Failure::new(Exit::Io, format!("cannot read {}: {error}", path.display())))?;
    Reader::new(BufReader::with_capacity(1 << 18, file)).map_err(|error| refused(path, &error))
}

/// Why a backup cannot be used.
pub(super) fn refused(path: &Path, error: &ArchiveError) -> Failure {
    let kind = if error.is_io() { Exit::Io } else { Exit::BadData };
    Failure::new(kind, format!("{}: {error}", path.display()))
}

/// An error of one step, on its way to a [`Failure`].
struct Step(Failure);

impl From<crate::store::StoreError> for Step {
    fn from(error: crate::store::StoreError) -> Self {
        Self(error.into())
    }
}

impl From<ArchiveError> for Step {
    fn from(error: ArchiveError) -> Self {
        Self(refused(Path::new(""), &error))
    }
}

fn fill(
    settings: &StoreSettings,
    reader: &mut Reader<BufReader<File>>,
    path: &Path,
    interrupt: &Interrupt,
) -> Result<Counts, Failure> {
    if reader.head().holds != Holds::Backup {
        let says = format!("{}: is a selection, not a backup; make one with `fadeline backup`", path.display());
        return Err(Failure::new(Exit::BadData, says));
    }
    let store = Store::open(settings)?;
    let of = reader.head().readings;
    let mut progress = Progress::new("restoring");
    let restored = bulk::restore(&store, reader, |reader, section| {
        interrupt.check("nothing was restored").map_err(Step)?;
        if let Section::Lost { unit, days } = section {
            output::complain(&lost(unit, days));
        }
        let done = reader.counts().readings;
        progress.show(done, of, &format!("{} readings", grouped(done)));
        Ok(())
    });
    restored.map_err(|Step(failure)| match failure.text.strip_prefix(": ") {
        Some(text) => Failure { text: format!("{}: {text}; nothing was restored", path.display()), ..failure },
        None => failure,
    })?;
    Ok(reader.counts())
}

/// Refuses a directory with anything in it.
fn refuse_full(target: &Path) -> Result<(), Failure> {
    let cannot = |error: std::io::Error| Failure::new(Exit::Io, format!("cannot read {}: {error}", target.display()));
    let entries = match fs::read_dir(target) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(cannot(error)),
    };
    for entry in entries {
        let name = entry.map_err(cannot)?.file_name();
        // A card's own directory.
        if name != "lost+found" {
            let says = format!(
                "{} is not empty (it has `{}`); stop the daemon and move the directory away first, nothing was changed",
                target.display(),
                name.to_string_lossy()
            );
            return Err(Failure::new(Exit::Io, says));
        }
    }
    Ok(())
}

/// Where a store is made before it gets its name; gone if it never does.
struct Nest {
    folder: TempDir,
    /// Whether the target is a file system of its own, which cannot be renamed: then the nest lies in it.
    inside: bool,
}

impl Nest {
    fn beside(target: &Path) -> Result<Self, Failure> {
        let cannot = |error: std::io::Error| {
            Failure::new(Exit::Io, format!("cannot restore beside {}: {error}", target.display()))
        };
        let parent = target.parent().filter(|parent| *parent != Path::new("")).unwrap_or(Path::new("."));
        DirBuilder::new().recursive(true).mode(0o700).create(parent).map_err(cannot)?;
        let device = |path: &Path| fs::metadata(path).map(|meta| meta.dev());
        let inside = target.exists() && device(target).map_err(cannot)? != device(parent).map_err(cannot)?;
        let folder = tempfile::Builder::new()
            .prefix(".restoring-")
            .tempdir_in(if inside { target } else { parent })
            .map_err(cannot)?;
        Ok(Self { folder, inside })
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("store")
    }

    fn rename_to(self, target: &Path) -> Result<(), Failure> {
        let cannot =
            |error: std::io::Error| Failure::new(Exit::Io, format!("cannot write {}: {error}", target.display()));
        if self.inside {
            // The epoch file last: without it a store is refused.
            let mut names: Vec<_> =
                fs::read_dir(self.store()).and_then(Iterator::collect::<Result<Vec<_>, _>>).map_err(cannot)?;
            names.sort_by_key(|entry| entry.file_name() == "epoch");
            for entry in names {
                fs::rename(entry.path(), target.join(entry.file_name())).map_err(cannot)?;
            }
        } else {
            fs::rename(self.store(), target).map_err(cannot)?;
        }
        let holder = if self.inside { target } else { target.parent().unwrap_or(Path::new(".")) };
        let holder = if holder == Path::new("") { Path::new(".") } else { holder };
        File::open(holder).and_then(|folder| folder.sync_all()).map_err(cannot)
    }
}
