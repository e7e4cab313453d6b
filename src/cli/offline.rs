//! The data without a daemon: the command opens the store itself.

use crate::clock;
use crate::config::Config;
use crate::daemon::records::{self, Snapshot};
use crate::store::{Store, StoreError};

use super::data::OpenError;
use super::output;

/// Opens the store of `config` for questions.
pub fn open(config: &Config) -> Result<Snapshot, OpenError> {
    expect_store(config)?;
    records::offline(config, clock::now()).map_err(open_error)
}

/// Opens the store of `config` itself.
pub fn store(config: &Config) -> Result<Store, OpenError> {
    expect_store(config)?;
    Store::open(&config.store).map_err(open_error)
}

/// The same; one that is not there is made.
pub fn store_or_new(config: &Config) -> Result<Store, OpenError> {
    let new = !config.store.path.exists();
    let store = Store::open(&config.store).map_err(open_error)?;
    if new {
        output::complain(&format!("there was no store at {}; a new one was made", config.store.path.display()));
    }
    Ok(store)
}

fn open_error(error: StoreError) -> OpenError {
    match error {
        StoreError::Locked { .. } => OpenError::Locked(error.to_string()),
        error => OpenError::Failed(error.to_string()),
    }
}

/// A store that is not there is not made: a question must not leave an empty store behind.
fn expect_store(config: &Config) -> Result<(), OpenError> {
    let path = &config.store.path;
    if path.exists() {
        return Ok(());
    }
    Err(OpenError::Missing(format!(
        "no daemon answers on {} and there is no store at {}; start one with `fadeline watch`",
        config.socket.display(),
        path.display()
    )))
}
