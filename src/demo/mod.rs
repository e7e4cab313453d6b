//! The demo: embedded broker, the invented Heron Bight fleet, a gateway with its backlog, and the daemon, in one process.
//!
//! Nothing here is a short cut: the gateway is an ordinary client that publishes 14 months of day packs and then live
//! readings, the daemon is the one `watch` runs, and what is shown was asked of it.

mod gateway;
mod place;

use std::future::Future;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{MissedTickBehavior, interval};

use crate::clock;
use crate::config::Mistakes;
use crate::daemon::{Daemon, StartError};
use crate::domain::Timestamp;
use crate::query::{Answer, Query, Scope, UnitRow};
use crate::scenario::heron_bight;
use crate::web::Ask;

use gateway::{DaemonSide, Gateway};
use place::Place;

/// How often the fleet is asked for.
const FRAME_EVERY: Duration = Duration::from_secs(1);

/// How the demo is to run.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Keep the data in this directory; `None`: a temporary one, removed at the end.
    pub data: Option<PathBuf>,
    /// End when the whole history has been judged.
    pub once: bool,
}

/// Why the demo could not run.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// Its directory.
    #[error("the demo's directory {} cannot be used: {source}", path.display())]
    Place {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Its config, which it wrote itself.
    #[error("the demo's own config has mistakes; this is a bug:\n{0}")]
    Config(#[from] Mistakes),
    /// The daemon.
    #[error(transparent)]
    Start(#[from] StartError),
    /// The fleet could not be invented.
    #[error("the demo's fleet could not be made: {0}")]
    Fleet(#[from] tokio::task::JoinError),
}

/// How far the gateway is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Day packs of the backlog that the broker has acknowledged.
    pub packs: usize,
    /// Day packs of the backlog in all.
    pub packs_in_all: usize,
    /// Once the last of them is acknowledged: assessments after this have seen the history.
    pub caught_up: Option<Timestamp>,
}

/// What there is to show.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The units, worst first.
    pub rows: Vec<UnitRow>,
    /// How far the gateway is.
    pub progress: Progress,
    /// Whether the whole history has been judged.
    pub judged: bool,
    /// Port of the embedded broker for MQTT 3.1.1, which most command-line clients speak, and for MQTT 5.
    pub ports: (u16, u16),
    /// Where the pages are.
    pub pages: Option<SocketAddr>,
    /// The demo's config, for other commands.
    pub config: PathBuf,
}

/// Runs until `stop` completes, or with [`Options::once`] until the fleet is judged; shows a frame a second.
///
/// # Errors
/// A directory or ports that cannot be had.
pub async fn run(
    options: Options,
    stop: impl Future<Output = ()>,
    mut show: impl FnMut(&Frame),
) -> Result<(), DemoError> {
    let now = clock::now();
    let place = Place::prepare(options.data.as_deref(), now)?;
    let origin = place.origin;
    let residents = tokio::task::spawn_blocking(move || heron_bight::fleet(origin)).await?;
    let ports = place.write_config(&residents)?;
    let config = crate::config::load(&place.config)?.config;
    let daemon = Daemon::start(config)?;
    let asks = daemon.asks();
    let pages = daemon.pages();
    let (progress, progressed) = watch::channel(Progress::default());
    let (stopping, stopped) = oneshot::channel::<()>();
    let daemon_side = DaemonSide { asks: asks.clone(), stored: daemon.stored() };
    let gateway = Gateway::new(ports.1, residents, origin, place.first, daemon_side, progress);
    let gateway = tokio::spawn(gateway.run());
    let running = tokio::spawn(daemon.run(async move {
        // Sent or dropped: both mean stop.
        let _either = stopped.await;
    }));
    tokio::pin!(stop);
    let mut told = !place.first;
    let mut frames = interval(FRAME_EVERY);
    frames.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = &mut stop => break,
            _ = frames.tick() => {}
        }
        let Some(rows) = units(&asks).await else { break };
        let progress = *progressed.borrow();
        let judged = judged(&rows, &progress);
        if judged && !told {
            place.told()?;
            told = true;
        }
        show(&Frame { rows, progress, judged, ports, pages, config: place.config.clone() });
        if judged && options.once {
            break;
        }
    }
    gateway.abort();
    let _already_stopped = stopping.send(());
    // A daemon that has panicked has said so; the data goes with the place.
    let _panicked = running.await;
    Ok(())
}

async fn units(asks: &mpsc::Sender<Ask>) -> Option<Vec<UnitRow>> {
    match ask(asks, Query::Units).await? {
        Answer::Units(rows) => Some(rows),
        _ => None,
    }
}

/// Asks the daemon; `None` when it has stopped.
async fn ask(asks: &mpsc::Sender<Ask>, query: Query) -> Option<Answer> {
    let (reply, answer) = oneshot::channel();
    asks.send(Ask { query, scope: Scope::All, reply }).await.ok()?;
    answer.await.ok()
}

/// Whether every unit was assessed after the last of the backlog had been acknowledged by the broker, and the
/// assessment has seen readings up to then.
fn judged(rows: &[UnitRow], progress: &Progress) -> bool {
    let Some(caught_up) = progress.caught_up else { return false };
    rows.iter().all(|row| row.assessment.as_deref().is_some_and(|a| a.as_of > caught_up))
}
