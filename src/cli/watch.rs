//! `fadeline watch`: the daemon.

use std::path::PathBuf;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;

use super::{ConfigArg, Exit, Failure};
use crate::config::{self, Config, Loaded};
use crate::daemon::{Daemon, StartError};
use crate::mqtt::settings::Broker;
use crate::web::socket::SocketError;

/// Arguments of `watch`.
#[derive(Clone, Debug, clap::Args)]
pub struct WatchArgs {
    /// Where the config is.
    #[command(flatten)]
    pub config: ConfigArg,
}

/// Runs it until SIGINT or SIGTERM.
///
/// # Errors
/// Mistakes in the config, a store or a socket that cannot be had.
pub fn run(args: &WatchArgs) -> Result<(), Failure> {
    let file =
        config::find(args.config.config.as_deref()).map_err(|none| Failure::new(Exit::Config, none.to_string()))?;
    let Loaded { config, warnings } =
        config::load(&file).map_err(|mistakes| Failure::new(Exit::Config, mistakes.to_string()))?;
    start_log(&config)?;
    warnings.iter().for_each(|warning| tracing::warn!("{warning}"));
    runtime()?.block_on(async {
        let stop = stop_signal()?;
        let facts = facts(&config);
        let daemon = Daemon::start(config).map_err(|error| failure(&error))?;
        reload_on_hangup(file.clone(), daemon.reloads())?;
        tracing::info!(config = %file.display(), "watching {facts}");
        daemon.run(stop).await.map_err(|broken| Failure::new(Exit::Io, broken.to_string()))
    })
}

/// The runtime of the daemon: two workers carry the session, the intake and the local interface.
///
/// # Errors
/// The system has no more threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| Failure::new(Exit::Failure, format!("the runtime cannot start: {error}")))
}

/// Completes at SIGINT or SIGTERM; listens from the call on.
///
/// # Errors
/// The system refuses the handlers.
pub fn stop_signal() -> Result<impl Future<Output = ()>, Failure> {
    let listen = |kind: SignalKind| -> Result<Signal, Failure> {
        signal(kind).map_err(|error| Failure::new(Exit::Failure, format!("signals cannot be received: {error}")))
    };
    let (mut interrupt, mut terminate) = (listen(SignalKind::interrupt())?, listen(SignalKind::terminate())?);
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
    })
}

/// At each SIGHUP the config is read again; one with mistakes is not applied, and the log says why.
fn reload_on_hangup(file: PathBuf, reloads: mpsc::UnboundedSender<Config>) -> Result<(), Failure> {
    let mut hangup = signal(SignalKind::hangup())
        .map_err(|error| Failure::new(Exit::Failure, format!("signals cannot be received: {error}")))?;
    tokio::spawn(async move {
        while hangup.recv().await.is_some() {
            match config::load(&file) {
                Ok(Loaded { config, warnings }) => {
                    warnings.iter().for_each(|warning| tracing::warn!("{warning}"));
                    if reloads.send(config).is_err() {
                        return;
                    }
                }
                Err(mistakes) => {
                    mistakes.0.iter().for_each(|mistake| tracing::error!("{mistake}"));
                    tracing::error!(config = %file.display(), "the config is not applied: the one before stays");
                }
            }
        }
    });
    Ok(())
}

/// A daemon that could not start, as a command ends.
pub fn failure(error: &StartError) -> Failure {
    let kind = match error {
        StartError::Certificate(_) | StartError::Access { .. } => Exit::Config,
        StartError::Listen { .. } | StartError::Socket(SocketError::InUse { .. }) | StartError::Embedded(_) => {
            Exit::Unavailable
        }
        StartError::Store(_) | StartError::Socket(_) => Exit::Io,
    };
    Failure::new(kind, error.to_string())
}

fn facts(config: &Config) -> String {
    let broker = match &config.broker {
        Broker::Remote(settings) => format!("{}:{}", settings.host, settings.port),
        Broker::Embedded(settings) => format!("its own broker on {}", settings.listen_v5),
    };
    format!(
        "{} over {broker}; store {}, local interface {}",
        super::check::count(config.units.len(), "unit"),
        config.store.path.display(),
        config.socket.display()
    )
}

fn start_log(config: &Config) -> Result<(), Failure> {
    let filter = tracing_subscriber::EnvFilter::try_new(&config.log.filter)
        .map_err(|error| Failure::new(Exit::Config, format!("log.filter `{}`: {error}", config.log.filter)))?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // A second subscriber in one process can only be a test; the first one serves.
    let _second = if config.log.json {
        log.json().try_init()
    } else {
        use std::io::IsTerminal;
        log.with_ansi(std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none()).try_init()
    };
    Ok(())
}
