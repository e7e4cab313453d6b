//! Where the data lives and how long it is kept: plain data, made by the config.

use std::path::PathBuf;

use crate::domain::reading::CHANNELS;

/// Where the store is and how much memory it may use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreSettings {
    /// The directory; made if missing (unless data was expected there).
    pub path: PathBuf,
    /// Page cache, bytes.
    pub cache_bytes: usize,
}

/// Days that each channel is kept, in the order of the channels; `None`: for ever.
pub type KeepDays = [Option<u32>; CHANNELS];

/// Readings are kept this many days unless their owner wants otherwise: two years, one of them a leap year.
pub const KEEP_RAW_DAYS: u32 = 731;

/// How long what is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Keep {
    /// The readings as they came.
    pub raw: KeepDays,
    /// Hour roll-ups.
    pub hours: KeepDays,
    /// Day roll-ups, which the analysis rests on.
    pub days: KeepDays,
}

impl Default for Keep {
    /// Readings for two years, roll-ups for ever.
    fn default() -> Self {
        Self { raw: [Some(KEEP_RAW_DAYS); CHANNELS], hours: [None; CHANNELS], days: [None; CHANNELS] }
    }
}
