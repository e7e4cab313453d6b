//! The shell around the engine: waits for one event, lets the engine decide, performs the effects, drains.
//!
//! One task owns the engine and everything else that changes; no locks. Slow work (storing, assessing, answering) runs
//! beside it and reports back.

pub mod assess;
pub mod intake;
pub mod outbox;
pub mod records;
pub mod tally;

use std::collections::VecDeque;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::{JoinError, JoinHandle, spawn_blocking};
use tokio::time::{Instant, MissedTickBehavior, interval, timeout, timeout_at};

use crate::analysis::Constants;
use crate::clock;
use crate::config::{Config, WebSettings};
use crate::domain::time::MINUTE;
use crate::domain::{Assessment, UnitId, UnitSpec};
use crate::engine::{Effect, Engine, Event, Statement};
use crate::mqtt::decode::PAYLOAD_MAX_BYTES;
use crate::mqtt::embedded::{Embedded, EmbeddedError};
use crate::mqtt::encode::{Health, Message, Topics};
use crate::mqtt::session::{self, Limits, NotTaken, Outgoing, SessionEvent, SessionHandle, SubscriptionPlan};
use crate::mqtt::settings::{Broker, BrokerSettings, Protocol};
use crate::query;
use crate::query::dossier::SiteCard;
use crate::query::round::RoundRules;
use crate::store::{OutboxItem, Store, StoreError};
use crate::web::access::Access;
use crate::web::gate::Gate;
use crate::web::socket::{self, LocalSocket, SocketError};
use crate::web::{self, Ask, Change};

use intake::{Arrived, Batch, Intake, Report};
use outbox::{Letter, Outbox};
use tally::Tally;

/// How often the engine is told that time passes.
const TICK: Duration = Duration::from_millis(500);
/// How often the health topic is refreshed, milliseconds.
const HEALTH_EVERY: i64 = MINUTE;
/// Questions of the local interface that may wait.
const ASKS_MAX: usize = 64;
/// The embedded broker's sessions end with the process; this only outlives a lost connection.
const EMBEDDED_SESSION_EXPIRY: Duration = Duration::from_secs(3_600);
const EMBEDDED_KEEP_ALIVE: Duration = Duration::from_secs(30);
/// Bytes; over what the decoder takes, so that it can say what was too large.
const EMBEDDED_MAX_PACKET: usize = 2 * PAYLOAD_MAX_BYTES;
/// Changes that a reader of the events may lag behind.
const CHANGES_MAX: usize = 256;
/// Batches that may wait to be acknowledged.
const REPORTS_MAX: usize = 8;

/// Why the daemon could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The local interface.
    #[error(transparent)]
    Socket(#[from] SocketError),
    /// The pages' address.
    #[error("the pages cannot be served on {address}: {source}; set [web] listen to another address, or to \"off\"")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The access file.
    #[error("the access file {} cannot be used: {source}", path.display())]
    Access {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The broker inside the daemon.
    #[error(transparent)]
    Embedded(#[from] EmbeddedError),
}

/// Why a running daemon had to end.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Broken(pub String);

type Assessed = Result<Assessment, StoreError>;

/// The pages, listening.
struct Pages {
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    running: JoinHandle<()>,
}

/// A daemon that has started: the store is open, the local interface listens, the session is connecting.
pub struct Daemon {
    units: Vec<UnitSpec>,
    grace: Duration,
    store: Arc<Store>,
    engine: Engine,
    topics: Topics,
    outbox: Outbox,
    session: SessionHandle,
    events: mpsc::UnboundedReceiver<SessionEvent>,
    arrivals: mpsc::UnboundedSender<Arrived>,
    reports: mpsc::Receiver<Report>,
    intake: JoinHandle<()>,
    asks: (mpsc::Sender<Ask>, mpsc::Receiver<Ask>),
    answered: (mpsc::UnboundedSender<Vec<UnitId>>, mpsc::UnboundedReceiver<Vec<UnitId>>),
    jobs: VecDeque<UnitId>,
    job: Option<(UnitId, JoinHandle<Assessed>)>,
    web: (oneshot::Sender<()>, JoinHandle<()>),
    pages: Option<Pages>,
    changes: broadcast::Sender<Change>,
    sites: (Arc<Vec<SiteCard>>, RoundRules),
    tally: Tally,
    health: Health,
    said_all: bool,
    stored: watch::Sender<u64>,
    constants: Arc<Constants>,
    /// Whether messages go out without properties: the embedded broker ends the connection of an MQTT 3.1.1 client that
    /// it owes a message with one.
    bare: bool,
}

impl Daemon {
    /// Opens the store, binds the local interface, starts the embedded broker if there is one, and begins to connect.
    ///
    /// # Errors
    /// What cannot be opened or bound. A broker that is absent is no error: it is tried for ever.
    pub fn start(config: Config) -> Result<Self, StartError> {
        let now = clock::now();
        let store = Arc::new(Store::open(&config.store)?);
        let engine = records::engine(&store, &config, now)?;
        let socket = socket::bind(&config.socket)?;
        let embedded = match &config.broker {
            Broker::Embedded(settings) => Some(Embedded::start(settings)?),
            Broker::Remote(_) => None,
        };
        let broker = broker_settings(&config.broker, embedded.as_ref());
        let topics = Topics::new(&config.topic_prefix);
        let filters = config.sources.iter().map(|source| source.filter.clone());
        let (session, events) = session::start(broker, SubscriptionPlan::daemon(&topics, filters), Limits::default());
        let (arrivals, arrived) = mpsc::unbounded_channel();
        let (reported, reports) = mpsc::channel(REPORTS_MAX);
        let intake = tokio::spawn(Intake::new(Arc::clone(&store), &config).run(arrived, reported));
        let asks = mpsc::channel(ASKS_MAX);
        let web = serve(socket, asks.0.clone());
        let changes = broadcast::channel(CHANGES_MAX).0;
        let pages = config.web.as_ref().map_or(Ok(None), |web| serve_pages(web, &asks.0, &changes))?;
        let sites = records::sites(&config);
        let mut constants = Constants::default();
        constants.forecast.lead_days = config.lead_days;
        let bare = embedded.is_some_and(|running| running.v311.is_some());
        let mut outbox = Outbox::default();
        store.outbox()?.into_iter().for_each(|(key, item)| outbox.put(letter(key, item)));
        Ok(Self {
            health: Health::new(now, config.units.len()),
            units: config.units,
            grace: config.grace,
            store,
            engine,
            topics,
            outbox,
            session,
            events,
            arrivals,
            reports,
            intake,
            asks,
            answered: mpsc::unbounded_channel(),
            jobs: VecDeque::new(),
            job: None,
            web,
            pages,
            changes,
            sites,
            tally: Tally::default(),
            said_all: false,
            stored: watch::channel(0).0,
            constants: Arc::new(constants),
            bare,
        })
    }

    /// Where questions can be asked without going through the socket.
    pub fn asks(&self) -> mpsc::Sender<Ask> {
        self.asks.0.clone()
    }

    /// Where the pages are.
    pub fn pages(&self) -> Option<SocketAddr> {
        self.pages.as_ref().map(|pages| pages.address)
    }

    /// How many messages have been stored (or refused) and acknowledged since the start.
    pub fn stored(&self) -> watch::Receiver<u64> {
        self.stored.subscribe()
    }

    /// Runs until `stop` completes, then drains: what has arrived is stored and acknowledged, what is to be said is
    /// published, all within the config's grace time.
    ///
    /// # Errors
    /// The disk has failed and the store can only be opened again by a new process. Nothing acknowledged is lost.
    pub async fn run(mut self, stop: impl Future<Output = ()>) -> Result<(), Broken> {
        tokio::pin!(stop);
        let mut ticks = interval(TICK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut broken = Ok(());
        loop {
            tokio::select! {
                () = &mut stop => break,
                _ = ticks.tick() => self.tick(),
                Some(event) = self.events.recv() => self.hear(event),
                Some(report) = self.reports.recv() => {
                    if let Report::Broken(why) = report {
                        broken = Err(Broken(why));
                        break;
                    }
                    self.report(report);
                }
                Some(ask) = self.asks.1.recv() => self.answer(ask),
                Some(units) = self.answered.1.recv() => self.serviced(&units),
                done = finished(&mut self.job) => self.assessed(done),
            }
            self.work();
        }
        self.drain().await;
        broken
    }

    fn tick(&mut self) {
        self.decide(Event::Tick);
        if clock::now().millis_since(self.health.at) >= HEALTH_EVERY {
            self.say_health();
        }
    }

    fn hear(&mut self, event: SessionEvent) {
        match event {
            SessionEvent::Message(message) => {
                // The intake ends only after this sender is gone, or when its writer has failed: then the messages
                // stay unacknowledged and the broker keeps them.
                let _unheard = self.arrivals.send(Arrived { message, at: clock::now() });
            }
            SessionEvent::Connected { fresh } => {
                tracing::info!(fresh, "connected to the broker");
                if fresh && self.said_all {
                    tracing::warn!("the broker had forgotten our session: messages of the meantime may be missing");
                }
                if fresh || !self.said_all {
                    self.said_all = true;
                    self.decide(Event::SayAll);
                    self.say_health();
                }
            }
            SessionEvent::Disconnected { reason, was_connected, retry_in } => {
                if was_connected {
                    tracing::warn!(?retry_in, "connection to the broker lost: {reason}");
                } else {
                    tracing::warn!(?retry_in, "the broker cannot be reached: {reason}");
                }
            }
            SessionEvent::SubscriptionRefused { filter, reason } => {
                tracing::error!(filter, "the broker refuses a subscription: {reason}");
            }
            SessionEvent::Stalled => tracing::error!("too much waits to be stored; nothing is acknowledged until then"),
            SessionEvent::Delivered { tag } => self.delivered(tag),
            SessionEvent::Refused { tag, reason } => {
                tracing::error!("the broker refuses a message of ours: {reason}");
                self.delivered(tag);
            }
        }
    }

    fn delivered(&mut self, tag: u64) {
        if let Some(key) = self.outbox.done(tag).and_then(|letter| letter.stored) {
            let store = Arc::clone(&self.store);
            // If this fails the answer is sent once more after the next start, which does no harm.
            spawn_blocking(move || store.outbox_remove(&[key]));
        }
    }

    fn report(&mut self, report: Report) {
        match report {
            Report::Stored(Batch { tokens, readings, serviced, answers, tally }) => {
                tokens.into_iter().for_each(|token| self.session.ack(token));
                self.stored.send_replace(tally.messages);
                self.tally = tally;
                self.health.last_flush = Some(clock::now());
                if self.health.store_fault.take().is_some() {
                    tracing::info!("the store can be written again");
                    self.say_health();
                }
                for (unit, readings) in readings {
                    self.changed(&unit, "reading");
                    self.decide(Event::Stored { unit, readings });
                }
                answers.into_iter().for_each(|letter| self.outbox.put(letter));
                self.serviced(&serviced);
            }
            Report::Broken(fault) | Report::Fault(fault) => {
                tracing::error!("nothing is acknowledged, because the store cannot be written: {fault}");
                if self.health.store_fault.replace(fault).is_none() {
                    self.say_health();
                }
            }
        }
    }

    /// Tells the engine of units whose logbooks have grown.
    fn serviced(&mut self, units: &[UnitId]) {
        for unit in units {
            self.changed(unit, "logbook");
            match self.store.logbook(unit) {
                Ok(log) => self.decide(Event::Serviced { unit: unit.clone(), log }),
                Err(error) => tracing::error!(%unit, "the logbook cannot be read: {error}"),
            }
        }
    }

    fn answer(&mut self, ask: Ask) {
        let now = clock::now();
        let mut records = records::Snapshot::new(Arc::clone(&self.store), &self.engine, self.tally.strangers(), now)
            .with_sites(self.sites.clone());
        let mut units = self.units.clone();
        units.retain(|spec| ask.scope.allows(spec.id.site()));
        let answered = self.answered.0.clone();
        spawn_blocking(move || {
            let answer = query::answer(&mut records, &units, ask.query, now);
            if !records.logged.is_empty() {
                // Only at the very end nobody listens any more; the next start sees the entry.
                let _late = answered.send(records.logged);
            }
            // The asker may have gone away.
            let _gone = ask.reply.send(answer);
        });
    }

    fn assessed(&mut self, (unit, result): (UnitId, Result<Assessed, JoinError>)) {
        let error = match result {
            Ok(Ok(assessment)) => return self.decide(Event::Assessed { unit, assessment: Box::new(assessment) }),
            Ok(Err(error)) => error.to_string(),
            Err(panicked) => panicked.to_string(),
        };
        tracing::error!(%unit, "no assessment: {error}");
        self.decide(Event::AssessmentFailed { unit });
    }

    fn decide(&mut self, event: Event) {
        for effect in self.engine.handle(event, clock::now()) {
            match effect {
                Effect::Assess { unit } => self.jobs.push_back(unit),
                Effect::Say { unit, statement } => {
                    self.changed(&unit, what(&statement));
                    let message = message(&self.topics, &unit, &statement);
                    self.outbox.put(Letter { message, stored: None });
                }
            }
        }
    }

    /// Tells whoever reads the events.
    fn changed(&self, unit: &UnitId, what: &'static str) {
        // As a rule nobody does.
        let _nobody = self.changes.send(Change { unit: unit.clone(), what });
    }

    fn say_health(&mut self) {
        self.health.at = clock::now();
        self.health.unknown_units = self.tally.strangers().len();
        self.health.messages_in = self.tally.messages;
        self.health.readings_in = self.tally.readings;
        self.health.refused = self.tally.by_reason();
        self.health.queue_bytes = self.session.queue_bytes();
        self.health.outbox = self.outbox.len();
        let message = self.topics.health(&self.health);
        self.outbox.put(Letter { message, stored: None });
    }

    /// Starts what can be started: one assessment at a time, and every publish that has room.
    fn work(&mut self) {
        if self.job.is_none()
            && let Some(unit) = self.jobs.pop_front()
        {
            self.job = self.assess(unit);
        }
        while let Some((tag, letter)) = self.outbox.send_next() {
            let outgoing = outgoing(tag, letter, self.bare);
            if let Err(NotTaken::Full(_) | NotTaken::Stopped(_)) = self.session.try_publish(outgoing) {
                // The window of the outbox is smaller than the session's, so this is the end of the session.
                break;
            }
        }
    }

    fn assess(&self, unit: UnitId) -> Option<(UnitId, JoinHandle<Assessed>)> {
        let job = assess::Job {
            spec: self.engine.spec(&unit)?,
            latest: self.engine.latest(&unit),
            cadence_millis: self.engine.cadence(&unit),
            neighbours: self.engine.neighbours(&unit),
        };
        let (store, constants) = (Arc::clone(&self.store), Arc::clone(&self.constants));
        let running = spawn_blocking(move || assess::assess(&store, &job, &constants, clock::now()));
        Some((unit, running))
    }

    /// Stores and acknowledges what has arrived, publishes what is to be said, and closes, within the grace time.
    async fn drain(self) {
        let deadline = Instant::now() + self.grace;
        let Self {
            pages, mut reports, mut outbox, session, mut events, arrivals, intake, web, job, store, bare, ..
        } = self;
        let _already_stopped = web.0.send(());
        let pages = pages.map(|pages| {
            let _already_stopped = pages.stop.send(());
            pages.running
        });
        drop(arrivals);
        let stored = timeout_at(deadline, async {
            while let Some(report) = reports.recv().await {
                if let Report::Stored(batch) = report {
                    batch.tokens.into_iter().for_each(|token| session.ack(token));
                    batch.answers.into_iter().for_each(|letter| outbox.put(letter));
                }
            }
            if let Some((_, job)) = job {
                // Its result is in the store; the next start says it.
                let _failed = job.await;
            }
        });
        if stored.await.is_err() {
            tracing::warn!("the grace time is over before everything is stored; the broker sends the rest again");
        }
        intake.abort();
        let published = timeout_at(deadline, async {
            while let Some((tag, letter)) = outbox.send_next() {
                session.publish(outgoing(tag, letter, bare)).await?;
                while let Ok(event) = events.try_recv() {
                    if let SessionEvent::Delivered { tag } = event {
                        outbox.done(tag);
                    }
                }
            }
            Ok::<(), session::Stopped>(())
        });
        if !matches!(published.await, Ok(Ok(()))) {
            tracing::warn!("the grace time is over before everything is said; the next start says it");
        }
        session.stop(deadline.saturating_duration_since(Instant::now())).await;
        let _late = timeout(Duration::from_secs(2), web.1).await;
        if let Some(pages) = pages {
            let _late = timeout(Duration::from_secs(3), pages).await;
        }
        drop(store);
        tracing::info!("stopped");
    }
}

fn serve(socket: LocalSocket, asks: mpsc::Sender<Ask>) -> (oneshot::Sender<()>, JoinHandle<()>) {
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(async move {
        let stopped = async move {
            // Sent or dropped: both mean stop.
            let _either = stopped.await;
        };
        if let Err(error) = web::server::serve(socket, asks, stopped).await {
            tracing::error!("the local interface has failed: {error}");
        }
    });
    (stop, serving)
}

fn what(statement: &Statement) -> &'static str {
    match statement {
        Statement::Assessment(_) => "assessment",
        Statement::Condition(_) => "condition",
        Statement::CleanBy(_) => "clean-by",
        Statement::Alert(..) => "alert",
    }
}

fn serve_pages(
    settings: &WebSettings,
    asks: &mpsc::Sender<Ask>,
    changes: &broadcast::Sender<Change>,
) -> Result<Option<Pages>, StartError> {
    let wanted = settings.listen;
    let access = settings
        .access_file
        .as_ref()
        .map(|path| Access::open(path).map_err(|source| StartError::Access { path: path.clone(), source }));
    let gate = Gate { access: access.transpose()?, trusted_proxies: settings.trusted_proxies.clone() };
    let failed = |source| StartError::Listen { address: wanted, source };
    let listener = match web::listener::bind(wanted) {
        Ok(listener) => listener,
        Err(error) if !settings.written => {
            tracing::warn!("no pages: the usual address {wanted} cannot be had ({error}); set [web] listen");
            return Ok(None);
        }
        Err(error) => return Err(failed(error)),
    };
    let address = listener.local_addr().map_err(failed)?;
    let routes = web::pages::site(asks.clone(), changes.clone(), gate);
    let (stop, stopped) = oneshot::channel::<()>();
    let running = tokio::spawn(web::listener::serve(listener, routes, async move {
        // Sent or dropped: both mean stop.
        let _either = stopped.await;
    }));
    tracing::info!("the pages are on http://{address}");
    Ok(Some(Pages { address, stop, running }))
}

/// Waits for the running job; for ever if there is none.
async fn finished(job: &mut Option<(UnitId, JoinHandle<Assessed>)>) -> (UnitId, Result<Assessed, JoinError>) {
    let Some((unit, running)) = job else { return std::future::pending().await };
    let done = running.await;
    let unit = unit.clone();
    *job = None;
    (unit, done)
}

/// How the daemon reaches its broker; its own one like any other client.
fn broker_settings(broker: &Broker, embedded: Option<&Embedded>) -> BrokerSettings {
    match broker {
        Broker::Remote(settings) => settings.clone(),
        Broker::Embedded(settings) => {
            let address = embedded.map_or(settings.listen_v5, |running| running.v5);
            BrokerSettings {
                host: address.ip().to_string(),
                port: address.port(),
                protocol: Protocol::V5,
                tls: None,
                login: settings.logins.first().cloned(),
                client_id: "fadeline".to_owned(),
                session_expiry: EMBEDDED_SESSION_EXPIRY,
                keep_alive: EMBEDDED_KEEP_ALIVE,
                max_packet: EMBEDDED_MAX_PACKET,
            }
        }
    }
}

fn outgoing(tag: u64, letter: &Letter, bare: bool) -> Outgoing {
    let message = letter.message.clone();
    Outgoing { tag, message: if bare { message.bare() } else { message } }
}

fn message(topics: &Topics, unit: &UnitId, statement: &Statement) -> Message {
    match statement {
        Statement::Assessment(assessment) => topics.assessment(unit, assessment),
        Statement::Condition(condition) => topics.condition(unit, *condition),
        Statement::CleanBy(date) => topics.clean_by(unit, *date),
        Statement::Alert(kind, alert) => topics.alert(unit, kind.name(), alert.as_deref(), None),
    }
}

fn letter(key: u64, item: OutboxItem) -> Letter {
    let OutboxItem { topic, payload, retain, expiry_secs, correlation, .. } = item;
    let expiry = expiry_secs.map(|secs| Duration::from_secs(secs.into()));
    Letter { message: Message { topic, payload, retain, expiry, correlation, schema: None }, stored: Some(key) }
}
