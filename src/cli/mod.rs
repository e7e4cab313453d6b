//! The commands: one file each. Data on stdout, diagnostics on stderr.

pub mod check;

use std::process::ExitCode;

/// How a command ends other than well: the exit code of the contract and a text for stderr.
#[derive(Debug)]
pub struct Failure {
    /// Which kind.
    pub kind: Exit,
    /// Lower-case fragment (or several lines) that names the value, the place and the remedy.
    pub text: String,
}

/// Exit codes of the contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// A bug or a failure without a better name.
    Failure = 1,
    /// Wrong use of the command.
    Usage = 64,
    /// Bad input data.
    BadData = 65,
    /// Broker or daemon out of reach.
    Unavailable = 69,
    /// Input, output or the store failed.
    Io = 74,
    /// A mistake in the config.
    Config = 78,
}

impl Failure {
    /// A failure with its text.
    pub fn new(kind: Exit, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
