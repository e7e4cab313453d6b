//! Where the data lives: plain data, made by the config.

use std::path::PathBuf;

/// Where the store is and how much memory it may use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreSettings {
    /// The directory; made if missing (unless data was expected there).
    pub path: PathBuf,
    /// Page cache, bytes.
    pub cache_bytes: usize,
}
