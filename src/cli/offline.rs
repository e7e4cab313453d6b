//! The data without a daemon: the command opens the store itself.

use crate::clock;
use crate::config::Config;
use crate::daemon::records::{self, Snapshot};
use crate::store::StoreError;

use super::data::OpenError;

/// Opens the store of `config`. A store that is not there is not made: a question must not leave an empty store behind.
pub fn open(config: &Config) -> Result<Snapshot, OpenError> {
    let path = &config.store.path;
    if !path.exists() {
        let says = format!(
            "no daemon answers on {} and there is no store at {}; start one with `fadeline watch`",
            config.socket.display(),
            path.display()
        );
        return Err(OpenError::Missing(says));
    }
    records::offline(config, clock::now()).map_err(|e| match e {
        StoreError::Locked { .. } => OpenError::Locked(e.to_string()),
        e => OpenError::Failed(e.to_string()),
    })
}
