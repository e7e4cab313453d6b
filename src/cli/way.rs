//! The way to much data: the running daemon's local interface, or with none the store itself.

use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use crate::archive::{ArchiveError, CheckProgress, CheckReport, Reader, Section, Selection, Taken};
use crate::config::Config;
use crate::daemon::bulk::{self, Stock};
use crate::query::{Refusal, RefusalKind};
use crate::store::{Store, StoreError};
use crate::web::bulk_client::{self, BulkError};
use crate::web::client::AskError;

use super::data::{self, LOCKED_AT_MOST, OpenError};
use super::{Exit, Failure, offline};

const RETRY_EVERY: Duration = Duration::from_millis(100);

/// How this command reaches the data.
pub enum Way {
    /// A daemon listens on this socket.
    Daemon(PathBuf),
    /// None does; the store is open here.
    Store(Arc<Store>, Stock),
}

/// Finds the way: a daemon that answers, else the store. One that starts or stops is waited for.
pub fn find(config: &Config) -> Result<Way, Failure> {
    reach(config, offline::store)
}

/// The same; where there is neither a daemon nor a store, one is made.
pub fn find_or_make(config: &Config) -> Result<Way, Failure> {
    reach(config, offline::store_or_new)
}

fn reach(config: &Config, open: impl Fn(&Config) -> Result<Store, OpenError>) -> Result<Way, Failure> {
    let give_up = Instant::now() + LOCKED_AT_MOST;
    loop {
        match UnixStream::connect(&config.socket) {
            Ok(_) => return Ok(Way::Daemon(config.socket.clone())),
            Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
                return Err(Failure::new(Exit::Unavailable, AskError::NotAllowed(error).to_string()));
            }
            Err(_) => {}
        }
        match open(config) {
            Ok(store) => {
                let store = Arc::new(store);
                let units = config.units.iter().map(|spec| spec.id.clone());
                let stock = Stock::new(Arc::clone(&store), units, None);
                return Ok(Way::Store(store, stock));
            }
            Err(OpenError::Locked(_)) if Instant::now() < give_up => thread::sleep(RETRY_EVERY),
            Err(error) => return Err(data::cannot_open(config, error)),
        }
    }
}

impl Way {
    /// Hands every section of a selection to `each`, the head first.
    pub fn hand_out<E: From<StoreError> + From<Failure>>(
        &self,
        wanted: &Selection,
        mut each: impl FnMut(Section) -> Result<(), E>,
    ) -> Result<(), E> {
        match self {
            Self::Store(store, _) => bulk::walk(store, wanted, each),
            Self::Daemon(socket) => {
                let stream = bulk_client::hand_out(socket, wanted).map_err(|error| failed(&error))?;
                let mut reader = Reader::new(stream).map_err(broken)?;
                each(Section::Head(reader.head().clone()))?;
                while let Some(section) = reader.next().map_err(broken)? {
                    each(section)?;
                }
                Ok(())
            }
        }
    }

    /// Brings readings and entries in, durably.
    pub fn take_in(&self, sections: Vec<Section>) -> Result<Taken, Failure> {
        match self {
            Self::Store(_, stock) => stock.take(sections).map_err(data::refused),
            Self::Daemon(socket) => {
                let archive = bulk::packed(&sections).map_err(|e| Failure::new(Exit::Failure, e.to_string()))?;
                bulk_client::take_in(socket, archive).map_err(|error| failed(&error))
            }
        }
    }

    /// Checks everything.
    pub fn check(&self, mut progress: impl FnMut(CheckProgress)) -> Result<CheckReport, Failure> {
        match self {
            Self::Store(store, _) => Ok(bulk::check(store, &mut progress)?),
            Self::Daemon(socket) => bulk_client::check(socket, progress).map_err(|error| failed(&error)),
        }
    }
}

/// A transfer from or to the daemon that failed.
fn failed(error: &BulkError) -> Failure {
    match error {
        BulkError::Refused(Refusal { kind: RefusalKind::NoSuchUnit, says }) => Failure::new(Exit::Usage, says.clone()),
        BulkError::Refused(Refusal { kind: RefusalKind::Store, says }) => Failure::new(Exit::Io, says.clone()),
        BulkError::Refused(Refusal { says, .. }) => Failure::new(Exit::BadData, says.clone()),
        BulkError::Ask(_) => Failure::new(Exit::Unavailable, error.to_string()),
        BulkError::Broken(_) => Failure::new(Exit::Io, error.to_string()),
    }
}

/// What the daemon sent is not whole.
fn broken(error: ArchiveError) -> Failure {
    match error {
        ArchiveError::Unfinished(why) => Failure::new(Exit::Io, format!("the daemon could not go on: {why}")),
        error => Failure::new(Exit::Unavailable, format!("the daemon broke off ({error}); is it still running?")),
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::new(Exit::Io, error.to_string())
    }
}
