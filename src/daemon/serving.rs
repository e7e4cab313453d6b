//! What listens for people and programs: the local interface always, the pages and the API over TCP where they are
//! wanted.

use std::net::SocketAddr;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use super::StartError;
use crate::config::WebSettings;
use crate::domain::UnitId;
use crate::engine::Statement;
use crate::web::access::Access;
use crate::web::gate::Gate;
use crate::web::socket::LocalSocket;
use crate::web::tls::{self, Papers};
use crate::web::{self, Ask, Change};

/// Changes that a reader of the events may lag behind.
const CHANGES_MAX: usize = 256;
/// How long open connections may take to end, a little over what the servers give them.
const END_WITHIN: Duration = Duration::from_secs(3);

/// One listener.
struct Listener {
    stop: oneshot::Sender<()>,
    running: JoinHandle<()>,
}

/// Everything that listens.
pub struct Serving {
    listeners: Vec<Listener>,
    pages: Option<SocketAddr>,
    changes: broadcast::Sender<Change>,
}

/// Listeners that have been told to stop.
pub struct Ending(Vec<JoinHandle<()>>);

impl Serving {
    /// Starts to listen. Questions go to `asks`; `bulk` are the routes for much data at once.
    ///
    /// # Errors
    /// The pages' address or the access file cannot be used.
    pub fn start(
        socket: LocalSocket,
        pages: Option<&WebSettings>,
        asks: &mpsc::Sender<Ask>,
        bulk: axum::Router,
    ) -> Result<Self, StartError> {
        let local = local(socket, web::server::router(asks.clone()).merge(bulk.clone()));
        let mut serving = Self { listeners: vec![local], pages: None, changes: broadcast::channel(CHANGES_MAX).0 };
        if let Some(settings) = pages {
            serving.open_pages(settings, asks, bulk)?;
        }
        Ok(serving)
    }

    fn open_pages(
        &mut self,
        settings: &WebSettings,
        asks: &mpsc::Sender<Ask>,
        bulk: axum::Router,
    ) -> Result<(), StartError> {
        let wanted = settings.listen;
        let access = settings
            .access_file
            .as_ref()
            .map(|path| Access::open(path).map_err(|source| StartError::Access { path: path.clone(), source }));
        let papers = settings.tls.clone().map(|(certificate, key)| Papers { certificate, key });
        let tls = papers.as_ref().map(tls::acceptor).transpose().map_err(StartError::Certificate)?;
        let gate = Gate { access: access.transpose()?, trusted_proxies: settings.trusted_proxies.clone() };
        let failed = |source| StartError::Listen { address: wanted, source };
        let listener = match web::listener::bind(wanted) {
            Ok(listener) => listener,
            Err(error) if !settings.written => {
                tracing::warn!("no pages: the usual address {wanted} cannot be had ({error}); set [web] listen");
                return Ok(());
            }
            Err(error) => return Err(failed(error)),
        };
        let address = listener.local_addr().map_err(failed)?;
        let routes = web::pages::site(asks.clone(), self.changes.clone(), gate, bulk);
        let (stop, stopped) = oneshot::channel::<()>();
        let running = tokio::spawn(web::listener::serve(listener, tls, routes, async move {
            // Sent or dropped: both mean stop.
            let _either = stopped.await;
        }));
        tracing::info!("the pages are on http{}://{address}", if papers.is_some() { "s" } else { "" });
        self.listeners.push(Listener { stop, running });
        self.pages = Some(address);
        Ok(())
    }

    /// Where the pages are.
    pub fn pages(&self) -> Option<SocketAddr> {
        self.pages
    }

    /// Tells whoever reads the events that something has changed at a unit.
    pub fn changed(&self, unit: &UnitId, what: &'static str) {
        // As a rule nobody reads.
        let _nobody = self.changes.send(Change { unit: unit.clone(), what });
    }

    /// Tells every listener to stop.
    pub fn stop(self) -> Ending {
        let stop = |listener: Listener| {
            let _already_stopped = listener.stop.send(());
            listener.running
        };
        Ending(self.listeners.into_iter().map(stop).collect())
    }
}

impl Ending {
    /// Waits until open connections have ended, not for ever.
    pub async fn ended(self) {
        for running in self.0 {
            let _late = timeout(END_WITHIN, running).await;
        }
    }
}

/// The word of the events for something that is said.
pub fn what(statement: &Statement) -> &'static str {
    match statement {
        Statement::Assessment(_) => "assessment",
        Statement::Condition(_) => "condition",
        Statement::CleanBy(_) => "clean-by",
        Statement::Alert(..) | Statement::Alerts(_) => "alert",
    }
}

fn local(socket: LocalSocket, routes: axum::Router) -> Listener {
    let (stop, stopped) = oneshot::channel::<()>();
    let stopped = async move {
        // Sent or dropped: both mean stop.
        let _either = stopped.await;
    };
    let running = tokio::spawn(async move {
        if let Err(error) = web::server::serve_routes(socket, routes, stopped).await {
            tracing::error!("the local interface ended: {error}; commands cannot reach this daemon");
        }
    });
    Listener { stop, running }
}
