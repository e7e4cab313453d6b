//! How a command reaches the data: it asks the running daemon; with none, it opens the store itself.

use std::thread;
use std::time::{Duration, Instant};

use crate::clock;
use crate::config::{self, Config};
use crate::query::{self, Answer, Query, Records, Refusal, RefusalKind};
use crate::web::client::{self, AskError};

use super::{ConfigArg, Exit, Failure};

/// How long a store may stay locked although no daemon answers: one that starts or stops is like that for a moment.
pub const LOCKED_AT_MOST: Duration = Duration::from_secs(5);
const RETRY_EVERY: Duration = Duration::from_millis(100);

/// Why a store could not be opened.
#[derive(Debug)]
pub enum OpenError {
    /// Somebody else has it open.
    Locked(String),
    /// There is none yet.
    Missing(String),
    /// It failed.
    Failed(String),
}

/// The config a command was given, or the one found where configs are.
pub fn load(arg: &ConfigArg) -> Result<Config, Failure> {
    let file = config::find(arg.config.as_deref()).map_err(|none| Failure::new(Exit::Config, none.to_string()))?;
    config::load(&file).map(|loaded| loaded.config).map_err(|mistakes| Failure::new(Exit::Config, mistakes.to_string()))
}

/// Asks the daemon of `config`, or the store that `open` opens. A refusal is a [`Failure`].
pub fn ask<R: Records>(
    config: &Config,
    query: &Query,
    open: impl Fn(&Config) -> Result<R, OpenError>,
) -> Result<Answer, Failure> {
    let give_up = Instant::now() + LOCKED_AT_MOST;
    let answer = loop {
        match client::ask_blocking(&config.socket, query) {
            Ok(answer) => break answer,
            Err(AskError::Unreachable(_)) => {}
            Err(e) => return Err(Failure::new(Exit::Unavailable, e.to_string())),
        }
        match open(config) {
            Ok(mut records) => break query::answer(&mut records, &config.units, query.clone(), clock::now()),
            Err(OpenError::Locked(_)) if Instant::now() < give_up => thread::sleep(RETRY_EVERY),
            Err(e) => return Err(cannot_open(config, e)),
        }
    };
    match answer {
        Answer::Refused(refusal) => Err(refused(refusal)),
        answer => Ok(answer),
    }
}

/// A store that cannot be opened, as a command ends.
pub fn cannot_open(config: &Config, error: OpenError) -> Failure {
    match error {
        OpenError::Locked(says) => {
            let socket = config.socket.display();
            Failure::new(
                Exit::Unavailable,
                format!("{says}, and no daemon answers on {socket}; is `socket` the same in both configs?"),
            )
        }
        OpenError::Missing(says) => Failure::new(Exit::Unavailable, says),
        OpenError::Failed(says) => Failure::new(Exit::Io, says),
    }
}

/// A refusal, as a command ends.
pub fn refused(refusal: Refusal) -> Failure {
    let kind = match refusal.kind {
        RefusalKind::NoSuchUnit => Exit::Usage,
        RefusalKind::BadSpan => Exit::Usage,
        RefusalKind::NothingYet | RefusalKind::BadEntry => Exit::BadData,
        RefusalKind::Store => Exit::Io,
    };
    Failure::new(kind, refusal.says)
}

/// An answer of another kind than was asked for.
pub fn unexpected() -> Failure {
    Failure::new(Exit::Failure, "the answer is not to the question that was asked; this is a bug")
}
