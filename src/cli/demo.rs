//! `fadeline demo`: an invented fleet at work, with an embedded broker and its whole history.

use std::path::PathBuf;

use super::{Exit, Failure};

/// Arguments of `demo`.
#[derive(Clone, Debug, clap::Args)]
pub struct DemoArgs {
    /// Keep the data in this folder [default: a temporary one, removed at the end]
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// End as soon as the fleet has been shown once
    #[arg(long)]
    once: bool,
}

/// Runs it.
pub fn run(_: &DemoArgs) -> Result<(), Failure> {
    Err(Failure::new(Exit::Failure, "`demo` is not part of this build"))
}
