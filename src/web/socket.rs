//! The socket file: made for its owner alone, replaced when stale, refused when somebody answers on it.

use std::ffi::OsStr;
use std::fs::{self, DirBuilder, Permissions};
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use tokio::net::UnixListener;

/// The longest path a Unix socket can have, bytes: 108 with the final zero (Linux `sockaddr_un`; from memory).
pub const PATH_BYTES_MAX: usize = 107;

/// Why the socket cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// The path does not fit into a socket address.
    #[error(
        "socket path {} has {bytes} bytes, a Unix socket takes {PATH_BYTES_MAX}; set `socket` in the config to a shorter one",
        path.display()
    )]
    TooLong {
        /// The path.
        path: PathBuf,
        /// Its length.
        bytes: usize,
    },
    /// Somebody answers there.
    #[error("another fadeline already answers on {}; stop it, or give this one its own `socket` and store", path.display())]
    InUse {
        /// The path.
        path: PathBuf,
    },
    /// Something that is no socket is in the way.
    #[error("{} is not a socket; remove it, or set `socket` in the config to another path", path.display())]
    InTheWay {
        /// The path.
        path: PathBuf,
    },
    /// The system refused.
    #[error("cannot make the socket {}: {source}", path.display())]
    Io {
        /// The path.
        path: PathBuf,
        /// What it said.
        source: io::Error,
    },
}

/// A listening socket; its file is removed when this is dropped.
#[derive(Debug)]
pub struct LocalSocket {
    listener: Option<UnixListener>,
    path: PathBuf,
}

impl LocalSocket {
    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn take_listener(&mut self) -> Option<UnixListener> {
        self.listener.take()
    }
}

impl Drop for LocalSocket {
    fn drop(&mut self) {
        // Nothing can be done about a failure here, and the next start replaces a stale file.
        let _ = fs::remove_file(&self.path);
    }
}

/// Listens on `path`. Call it only when the store is open: then no second daemon can be about to do the same.
///
/// The socket is made inside a folder that only its owner may enter and then moved to its place, so that there is no
/// moment in which others could connect.
///
/// # Panics
/// Outside a tokio runtime.
pub fn bind(path: &Path) -> Result<LocalSocket, SocketError> {
    let failed = |source| SocketError::Io { path: path.to_owned(), source };
    check_length(path)?;
    let folder = path.parent().filter(|folder| *folder != Path::new("")).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(failed)?;
    }
    check_free(path)?;
    let nest = folder.join(format!(".{}", std::process::id()));
    check_length(&nest.join("s"))?;
    let made = make_in(&nest, path);
    let _ = fs::remove_dir_all(&nest);
    Ok(LocalSocket { listener: Some(made.map_err(failed)?), path: path.to_owned() })
}

fn make_in(nest: &Path, path: &Path) -> io::Result<UnixListener> {
    let _ = fs::remove_dir_all(nest);
    DirBuilder::new().mode(0o700).create(nest)?;
    let young = nest.join("s");
    let listener = UnixListener::bind(&young)?;
    fs::set_permissions(&young, Permissions::from_mode(0o600))?;
    fs::rename(&young, path)?;
    Ok(listener)
}

fn check_length(path: &Path) -> Result<(), SocketError> {
    let bytes = AsRef::<OsStr>::as_ref(path).as_bytes().len();
    if bytes > PATH_BYTES_MAX { Err(SocketError::TooLong { path: path.to_owned(), bytes }) } else { Ok(()) }
}

fn check_free(path: &Path) -> Result<(), SocketError> {
    let Ok(meta) = fs::symlink_metadata(path) else { return Ok(()) };
    if !meta.file_type().is_socket() {
        return Err(SocketError::InTheWay { path: path.to_owned() });
    }
    match UnixStream::connect(path) {
        Ok(_) => Err(SocketError::InUse { path: path.to_owned() }),
        Err(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_stale_socket_is_replaced_and_a_living_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run/fadeline.sock");
        let socket = bind(&path).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        assert!(matches!(bind(&path), Err(SocketError::InUse { .. })));
        drop(socket);
        assert!(!path.exists());
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        assert!(path.exists(), "left behind as by a killed daemon");
        assert!(bind(&path).is_ok());
        assert_eq!(fs::read_dir(path.parent().unwrap()).unwrap().count(), 0, "nothing is left behind");
    }

    #[tokio::test]
    async fn what_cannot_be_a_socket_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("notes.txt");
        fs::write(&file, "precious").unwrap();
        assert!(matches!(bind(&file), Err(SocketError::InTheWay { .. })));
        assert_eq!(fs::read_to_string(&file).unwrap(), "precious");
        let long = folder.path().join("x".repeat(120));
        assert!(bind(&long).unwrap_err().to_string().contains("a Unix socket takes 107"));
    }
}
