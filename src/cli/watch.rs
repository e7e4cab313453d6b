//! `fadeline watch`: the daemon.

use super::{ConfigArg, Exit, Failure};

/// Arguments of `watch`.
#[derive(Clone, Debug, clap::Args)]
pub struct WatchArgs {
    /// Where the config is.
    #[command(flatten)]
    pub config: ConfigArg,
}

/// Runs it.
pub fn run(_: &WatchArgs) -> Result<(), Failure> {
    Err(Failure::new(Exit::Failure, "`watch` is not part of this build"))
}
