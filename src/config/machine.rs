//! What a config needs from the machine it is read on, and the real machine.

use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use super::mistake::{Mistake, Mistakes};
use super::{Loaded, checked};
use crate::domain::{Timestamp, UnitSpec};

/// The environment variable that names the config.
const CONFIG_VARIABLE: &str = "FADELINE_CONFIG";
/// The config of the directory one stands in.
pub const LOCAL_CONFIG: &str = "fadeline.toml";
/// The config of the machine.
pub const ETC_CONFIG: &str = "/etc/fadeline/fadeline.toml";

/// What a config needs from the machine it is read on.
pub trait Environment {
    /// An environment variable, if it is set.
    fn variable(&self, name: &str) -> Option<String>;
    /// The text of a file.
    fn read(&self, path: &Path) -> io::Result<String>;
    /// Whether every user of the machine may read a file.
    fn open_to_all(&self, path: &Path) -> bool;
    /// The names in a directory.
    fn list(&self, directory: &Path) -> io::Result<Vec<String>>;
    /// The time of day.
    fn now(&self) -> Timestamp;
}

/// The machine itself.
#[derive(Clone, Copy, Debug)]
pub struct Machine;

impl Environment for Machine {
    fn variable(&self, name: &str) -> Option<String> {
        std::env::var(name).ok()
    }

    fn read(&self, path: &Path) -> io::Result<String> {
        std::fs::read_to_string(path)
    }

    fn open_to_all(&self, path: &Path) -> bool {
        std::fs::metadata(path).is_ok_and(|about| about.permissions().mode() & 0o004 != 0)
    }

    fn list(&self, directory: &Path) -> io::Result<Vec<String>> {
        std::fs::read_dir(directory)?.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned())).collect()
    }

    fn now(&self) -> Timestamp {
        crate::clock::now()
    }
}

/// Reads and checks the config at `path`, with the files it includes and the passwords it names.
///
/// # Errors
/// Every mistake at once; a file that cannot be read is one of them.
pub fn load(path: &Path) -> Result<Loaded, Mistakes> {
    let text = Machine.read(path).map_err(|error| {
        Mistakes(vec![Mistake {
            file: path.display().to_string(),
            line: 0,
            column: 0,
            text: String::new(),
            says: format!("cannot be read: {error}"),
            remedy: "name another with --config, or check its name and permissions".to_owned(),
        }])
    })?;
    checked::read(&text, path, &Machine)
}

/// Reads and checks a unit file, whose text is here already; see [`super::read_unit`].
///
/// # Errors
/// Every mistake at once.
pub fn unit_file(text: &str, file: impl AsRef<Path>) -> Result<(UnitSpec, Vec<Mistake>), Mistakes> {
    checked::read_unit(text, file, &Machine)
}

/// No config where one is looked for.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "no config: looked for ./{LOCAL_CONFIG} and {ETC_CONFIG}; \
     name one with --config FILE or {CONFIG_VARIABLE}, or copy config/example.toml"
)]
pub struct NotFound;

/// The config to use: the one given, else the one `FADELINE_CONFIG` names, else `./fadeline.toml`, else
/// `/etc/fadeline/fadeline.toml`. A named one is not tried here: [`load`] says what is wrong with it.
///
/// # Errors
/// None was named and neither place has one.
pub fn find(given: Option<&Path>) -> Result<PathBuf, NotFound> {
    let places = [LOCAL_CONFIG, ETC_CONFIG].map(PathBuf::from);
    choose(given, Machine.variable(CONFIG_VARIABLE), places, Path::exists).ok_or(NotFound)
}

fn choose(
    given: Option<&Path>,
    variable: Option<String>,
    places: [PathBuf; 2],
    exists: impl Fn(&Path) -> bool,
) -> Option<PathBuf> {
    given
        .map(Path::to_path_buf)
        .or_else(|| variable.filter(|name| !name.is_empty()).map(PathBuf::from))
        .or_else(|| places.into_iter().find(|place| exists(place)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_config_wins() {
        let places = || [LOCAL_CONFIG, ETC_CONFIG].map(PathBuf::from);
        let given = Path::new("mine.toml");
        assert_eq!(choose(Some(given), Some("other.toml".into()), places(), |_| true).unwrap(), given);
        assert_eq!(choose(None, Some("other.toml".into()), places(), |_| true).unwrap(), Path::new("other.toml"));
        assert_eq!(choose(None, Some(String::new()), places(), |_| true).unwrap(), Path::new(LOCAL_CONFIG));
        let etc = |path: &Path| path == Path::new(ETC_CONFIG);
        assert_eq!(choose(None, None, places(), etc).unwrap(), Path::new(ETC_CONFIG));
        assert_eq!(choose(None, None, places(), |_| false), None);
    }

    #[test]
    fn a_file_that_others_may_read_is_seen() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("broker.password");
        std::fs::write(&path, "correct horse\n").unwrap();
        for (mode, open) in [(0o600, false), (0o640, false), (0o644, true)] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            assert_eq!(Machine.open_to_all(&path), open, "{mode:o}");
        }
        assert_eq!(Machine.list(directory.path()).unwrap(), ["broker.password"]);
    }

    #[test]
    fn a_config_that_is_not_there_is_a_mistake_with_its_name() {
        let text = load(Path::new("no/such.toml")).unwrap_err().to_string();
        assert!(text.starts_with("no/such.toml: cannot be read: "), "{text}");
    }
}
