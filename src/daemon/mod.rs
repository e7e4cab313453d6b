//! The shell around the engine: waits for one event, lets the engine decide, performs the effects, drains.
//!
//! One task owns the engine and everything else that changes; no locks. Slow work (storing, assessing, answering) runs
//! beside it and reports back.

pub mod assess;
pub mod bulk;
mod courses;
pub mod hubs;
pub mod intake;
pub mod outbox;
mod pasts;
pub mod records;
mod reload;
pub mod retain;
pub mod serving;
pub mod tally;

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::{JoinError, JoinHandle, spawn_blocking};
use tokio::time::{Instant, MissedTickBehavior, interval, timeout_at};

use crate::alert::site::SITE_SILENT;
use crate::analysis::Constants;
use crate::clock;
use crate::config::Config;
use crate::domain::service::effective;
use crate::domain::time::MINUTE;
use crate::domain::{UnitId, UnitSpec};
use crate::engine::{Effect, Engine, Event, Notice};
use crate::mqtt::decode::PAYLOAD_MAX_BYTES;
use crate::mqtt::discovery::hub;
use crate::mqtt::embedded::{Embedded, EmbeddedError};
use crate::mqtt::encode::{Health, Message, OldestUnit, Request, Topics, WHOLE_SITE};
use crate::mqtt::session::{self, Limits, NotTaken, Outgoing, SessionEvent, SessionHandle, SubscriptionPlan};
use crate::mqtt::settings::{Broker, BrokerSettings, Protocol};
use crate::notify;
use crate::query::dossier::SiteCard;
use crate::query::round::RoundRules;
use crate::query::{self, Answer, OrderQuery, Query, Refusal, RefusalKind, Scope};
use crate::store::{OutboxItem, Store, StoreError};
use crate::web::socket::{self, SocketError};
use crate::web::{self, Ask};

use assess::Judged;
use hubs::Hubs;
use intake::{Arrived, Batch, Described, Intake, Report, Wish};
use outbox::{Letter, Outbox};
use pasts::Pasts;
use serving::{Serving, what};
use tally::Tally;

/// How often the engine is told that time passes.
const TICK: Duration = Duration::from_millis(500);
/// How often the health topic is refreshed, milliseconds.
const HEALTH_EVERY: i64 = MINUTE;
/// Questions of the local interface that may wait.
const ASKS_MAX: usize = 64;
/// The embedded broker's sessions end with the process; this only outlives a lost connection.
const EMBEDDED_SESSION_EXPIRY: Duration = Duration::from_secs(3_600);
/// How long to wait for a store that another process has: a command that reads it, or a daemon that is just ending.
const STORE_PATIENCE: Duration = Duration::from_secs(5);
const EMBEDDED_KEEP_ALIVE: Duration = Duration::from_secs(30);
/// Bytes; over what the decoder takes, so that it can say what was too large.
const EMBEDDED_MAX_PACKET: usize = 2 * PAYLOAD_MAX_BYTES;
/// A hub that has started is told everything again after a random time up to this, so that the daemons of a broker do
/// not speak all at once.
const HUB_AGAIN_AT_MOST_MILLIS: u64 = 1_500;
/// After a lost connection everything is said again, for the broker may have been started from an old save; but on a
/// bad line not more often than this.
const SAY_AGAIN_EVERY: Duration = Duration::from_secs(10);
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
    /// The pages' certificate.
    #[error("the pages cannot be served over TLS: {0}; check [web] certificate and key")]
    Certificate(String),
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

type Assessed = Result<Judged, StoreError>;
type Kept = BTreeMap<String, Vec<u8>>;

/// Who gave an order about alerts.
enum Asker {
    /// Somebody at the local interface.
    Local(oneshot::Sender<Answer>),
    /// Somebody at the broker: the site, unit and kind of the topic, and how to answer.
    Remote((String, String, String), Request),
}

/// A daemon that has started: the store is open, the local interface listens, the session is connecting.
pub struct Daemon {
    units: Arc<Vec<UnitSpec>>,
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
    retain: JoinHandle<()>,
    described: watch::Sender<Arc<Described>>,
    config: Config,
    configs: (mpsc::UnboundedSender<Config>, mpsc::UnboundedReceiver<Config>),
    asks: (mpsc::Sender<Ask>, mpsc::Receiver<Ask>),
    answered: (mpsc::UnboundedSender<Vec<UnitId>>, mpsc::UnboundedReceiver<Vec<UnitId>>),
    imported: mpsc::UnboundedReceiver<bulk::Changed>,
    jobs: VecDeque<UnitId>,
    job: Option<(UnitId, JoinHandle<Assessed>)>,
    serving: Serving,
    sites: (Arc<Vec<SiteCard>>, RoundRules),
    pasts: Arc<Pasts>,
    tally: Tally,
    health: Health,
    hubs: Hubs,
    notify: notify::worker::Worker,
    /// Whether there is a connection to the broker.
    connected: bool,
    /// When everything is said again: after a hub has started, or the connection was lost.
    say_again: Option<Instant>,
    /// When everything was last said.
    said_at: Option<Instant>,
    /// Small values to keep, and the job that keeps those before them.
    to_keep: Kept,
    keeping: Option<JoinHandle<Result<(), StoreError>>>,
    /// Orders that were obeyed or refused and are not answered yet.
    obeyed: Vec<(Asker, Result<usize, String>)>,
    /// Homie's presence: a session of its own, for a connection has only one last will.
    presence: Option<(SessionHandle, mpsc::UnboundedReceiver<SessionEvent>)>,
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
        let store = Arc::new(Store::open_within(&config.store, STORE_PATIENCE)?);
        let engine = records::engine(&store, &config, now)?;
        let socket = socket::bind(&config.socket)?;
        let embedded = match &config.broker {
            Broker::Embedded(settings) => Some(Embedded::start(settings)?),
            Broker::Remote(_) => None,
        };
        let broker = broker_settings(&config.broker, embedded.as_ref());
        let topics = Topics::new(&config.topic_prefix);
        let filters = config.sources.iter().map(|source| source.filter.clone());
        let hub_status = config.hub.discovery.as_ref().map(hub::status_topic);
        let plan = SubscriptionPlan::daemon(&topics, filters.chain(hub_status));
        let hubs = Hubs::new(&config, records::kept(&store, hubs::TOLD_KEY)?.unwrap_or_default());
        let presence = presence(&hubs, &broker);
        let notify = notify::worker::start(config.notify.clone(), Arc::clone(&store));
        let (session, events) = session::start(broker, plan, Limits::default());
        let (arrivals, arrived) = mpsc::unbounded_channel();
        let (reported, reports) = mpsc::channel(REPORTS_MAX);
        let (described, of_config) = watch::channel(Arc::new(Described::of(&config)));
        let intake = tokio::spawn(Intake::new(Arc::clone(&store), &config, of_config).run(arrived, reported));
        let retain = tokio::spawn(retain::run(Arc::clone(&store), config.keep));
        let asks = mpsc::channel(ASKS_MAX);
        let (changed, imported) = mpsc::unbounded_channel();
        let ids = config.units.iter().map(|spec| spec.id.clone());
        let stock = Arc::new(bulk::Stock::new(Arc::clone(&store), ids, Some(changed)));
        let serving = Serving::start(socket, config.web.as_ref(), &asks.0, web::bulk::router(stock))?;
        let constants = Arc::new(constants(&config));
        let bare = embedded.is_some_and(|running| running.v311.is_some());
        let mut outbox = Outbox::default();
        store.outbox()?.into_iter().for_each(|(key, item)| outbox.put(letter(key, item)));
        Ok(Self {
            health: Health::new(now, config.units.len()),
            units: Arc::new(config.units.clone()),
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
            retain,
            described,
            sites: records::sites(&config),
            pasts: Arc::default(),
            config,
            configs: mpsc::unbounded_channel(),
            asks,
            answered: mpsc::unbounded_channel(),
            imported,
            jobs: VecDeque::new(),
            job: None,
            serving,
            tally: Tally::default(),
            hubs,
            notify,
            connected: false,
            say_again: None,
            said_at: None,
            to_keep: Kept::new(),
            keeping: None,
            obeyed: Vec::new(),
            presence,
            stored: watch::channel(0).0,
            constants,
            bare,
        })
    }

    /// Where questions can be asked without going through the socket.
    pub fn asks(&self) -> mpsc::Sender<Ask> {
        self.asks.0.clone()
    }

    /// Where a config goes that is to be applied to the running daemon.
    pub fn reloads(&self) -> mpsc::UnboundedSender<Config> {
        self.configs.0.clone()
    }

    /// Where the pages are.
    pub fn pages(&self) -> Option<SocketAddr> {
        self.serving.pages()
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
                Some(config) = self.configs.1.recv() => self.reload(config),
                Some(units) = self.answered.1.recv() => self.serviced(&units),
                Some(changed) = self.imported.recv() => self.imported(changed),
                done = finished(&mut self.job) => self.assessed(done),
                done = kept(&mut self.keeping) => self.kept(done),
            }
            self.work();
        }
        self.drain().await;
        broken
    }

    fn tick(&mut self) {
        let well = self.connected && self.health.store_fault.is_none();
        self.notify.healthy.send_if_modified(|healthy| std::mem::replace(healthy, well) != well);
        self.decide(Event::Tick);
        if self.connected && self.say_again.is_some_and(|at| at <= Instant::now()) {
            self.say_everything();
        }
        if let Some((_, events)) = &mut self.presence {
            // Whatever it has to say, the main session says too.
            while events.try_recv().is_ok() {}
        }
        if clock::now().millis_since(self.health.at) >= HEALTH_EVERY {
            self.say_health();
        }
    }

    /// Applies another config: units, sites, mappings' values, alerts and hubs at once; what needs a restart is named.
    fn reload(&mut self, config: Config) {
        for what in reload::needs_restart(&self.config, &config) {
            tracing::warn!("{what} has changed in the config: that needs a restart");
        }
        // What is to be kept must be there before it is restored.
        if let Err(error) = keep_all(&self.store, &std::mem::take(&mut self.to_keep)) {
            tracing::error!("the config is not applied: alerts cannot be kept: {error}");
            return;
        }
        let now = clock::now();
        let engine = match records::engine(&self.store, &config, now) {
            Ok(engine) => engine,
            Err(error) => {
                tracing::error!("the config is not applied: {error}");
                return;
            }
        };
        let changed = reload::changed_units(&self.units, &config.units);
        self.engine = engine;
        self.units = Arc::new(config.units.clone());
        self.sites = records::sites(&config);
        self.health.units = config.units.len();
        Arc::make_mut(&mut self.constants).forecast.lead_days = config.lead_days;
        self.described.send_replace(Arc::new(Described::of(&config)));
        self.hubs = Hubs::new(&config, self.hubs.told().clone());
        let messages = self.hubs.say_all(&self.topics);
        self.publish(messages);
        self.keep(hubs::TOLD_KEY.to_owned(), self.hubs.told().clone());
        self.decide(Event::SayAll);
        tracing::info!(units = config.units.len(), changed = changed.len(), "the config is applied");
        self.jobs.extend(changed);
        self.config = config;
        self.say_health();
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
                self.connected = true;
                match self.said_at {
                    Some(said) if !fresh => self.say_again_at((said + SAY_AGAIN_EVERY).max(Instant::now())),
                    said => {
                        if said.is_some() {
                            tracing::warn!(
                                "the broker had forgotten our session: messages of the meantime may be missing"
                            );
                        }
                        self.say_everything();
                    }
                }
            }
            SessionEvent::Disconnected { reason, was_connected, retry_in } => {
                self.connected = false;
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

    /// Everything on our topics, as after a start.
    fn say_everything(&mut self) {
        (self.say_again, self.said_at) = (None, Some(Instant::now()));
        let messages = self.hubs.say_all(&self.topics);
        self.publish(messages);
        self.keep(hubs::TOLD_KEY.to_owned(), self.hubs.told().clone());
        self.decide(Event::SayAll);
        let fault = self.health.store_fault.clone();
        self.say_store_alert(fault.as_deref());
        self.say_health();
    }

    fn say_again_at(&mut self, at: Instant) {
        self.say_again = Some(self.say_again.map_or(at, |planned| planned.min(at)));
    }

    fn delivered(&mut self, tag: u64) {
        if let Some(key) = self.outbox.done(tag) {
            let store = Arc::clone(&self.store);
            // If this fails the answer is sent once more after the next start, which does no harm.
            spawn_blocking(move || store.outbox_remove(&[key]));
        }
    }

    fn report(&mut self, report: Report) {
        match report {
            Report::Stored(batch) => {
                let Batch { tokens, readings, serviced, answers, orders, hub_born, tally } = *batch;
                orders.into_iter().for_each(|wish| self.obey(wish));
                if hub_born {
                    let millis = rand::random_range(0..HUB_AGAIN_AT_MOST_MILLIS);
                    self.say_again_at(Instant::now() + Duration::from_millis(millis));
                }
                tokens.into_iter().for_each(|token| self.session.ack(token));
                self.stored.send_replace(tally.messages);
                let new_reason = tally.refused.len() > self.tally.refused.len();
                self.tally = tally;
                self.health.last_flush = Some(clock::now());
                let recovered = self.health.store_fault.take().is_some();
                if recovered {
                    tracing::info!("the store can be written again");
                    self.say_store_alert(None);
                }
                // Whoever sets a sender up looks here for what it does wrong.
                if recovered || new_reason {
                    self.say_health();
                }
                for (unit, readings) in readings {
                    self.serving.changed(&unit, "reading");
                    self.decide(Event::Stored { unit, readings });
                }
                answers.into_iter().for_each(|letter| self.outbox.put(letter));
                self.serviced(&serviced);
            }
            Report::Broken(fault) | Report::Fault(fault) => {
                tracing::error!("nothing is acknowledged, because the store cannot be written: {fault}");
                if self.health.store_fault.replace(fault.clone()).is_none() {
                    self.say_store_alert(Some(&fault));
                    self.say_health();
                }
            }
        }
    }

    /// Tells the engine of units whose logbooks have grown.
    fn serviced(&mut self, units: &[UnitId]) {
        for unit in units {
            self.serving.changed(unit, "logbook");
            match self.store.logbook(unit) {
                Ok(log) => self.decide(Event::Serviced { unit: unit.clone(), log: effective(&log) }),
                Err(error) => tracing::error!(%unit, "the logbook cannot be read: {error}"),
            }
        }
    }

    /// Tells the engine of what an import has brought.
    fn imported(&mut self, changed: bulk::Changed) {
        for (unit, readings) in changed.readings {
            self.decide(Event::Stored { unit, readings });
        }
        self.serviced(&changed.serviced);
    }

    fn answer(&mut self, ask: Ask) {
        let now = clock::now();
        if let Query::Order(order) = ask.query {
            if !ask.scope.allows(&order.site) {
                let says = format!("there is no site `{}`, or it is not yours", order.site);
                let refused = Answer::Refused(Refusal { kind: RefusalKind::NoSuchUnit, says });
                // The asker may have gone away.
                let _gone = ask.reply.send(refused);
                return;
            }
            let outcome = self.order(&order);
            self.obeyed.push((Asker::Local(ask.reply), outcome));
            return;
        }
        let mut records = records::Snapshot::new(Arc::clone(&self.store), &self.engine, self.tally.strangers(), now)
            .with_sites(self.sites.clone())
            .with_pasts(Arc::clone(&self.pasts))
            .within(&ask.scope);
        if let Query::Course { unit } = &ask.query {
            let neighbours = self.engine.neighbours(unit).map(|neighbours| (unit.clone(), neighbours));
            records = records.with_neighbours(neighbours.into_iter().collect());
        }
        let mut units = Arc::clone(&self.units);
        if ask.scope != Scope::All {
            Arc::make_mut(&mut units).retain(|spec| ask.scope.allows(spec.id.site()));
        }
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
            Ok(Ok(Judged { assessment, signs, days })) => {
                self.health.fits += 1;
                self.keep(records::signs_key(&unit), signs);
                self.to_keep.extend([self.pasts.courses.put(&unit, assessment.as_of, &days)]);
                let (assessment, signs) = (Box::new(assessment), Box::new(signs));
                return self.decide(Event::Assessed { unit, assessment, signs });
            }
            Ok(Err(error)) => error.to_string(),
            Err(panicked) => panicked.to_string(),
        };
        tracing::error!(%unit, "no assessment: {error}");
        self.decide(Event::AssessmentFailed { unit });
    }

    fn decide(&mut self, event: Event) {
        let effects = self.engine.handle(event, clock::now());
        self.perform(effects);
    }

    fn perform(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Assess { unit } => self.jobs.push_back(unit),
                Effect::Say { unit, statement } => {
                    self.serving.changed(&unit, what(&statement));
                    let messages = self.hubs.homie_values(&unit, &statement);
                    self.outbox.say(unit, statement);
                    self.publish(messages);
                }
                Effect::SaySite { site, alert } => {
                    let message = self.topics.site_alert(&site, SITE_SILENT, alert.as_deref());
                    let summary = self.topics.site_alerts(&site, &hubs::site_summary(alert.as_deref()));
                    let homie = self.hubs.homie_site(&site, alert.as_deref());
                    self.publish([message, summary].into_iter().chain(homie));
                }
                Effect::Keep { unit, book } => self.keep(records::alerts_key(&unit), *book),
                Effect::KeepSite { site, book } => self.keep(records::site_key(&site), *book),
                Effect::Notify(notice) => self.tell(*notice),
            }
        }
    }

    fn publish(&mut self, messages: impl IntoIterator<Item = Message>) {
        messages.into_iter().for_each(|message| self.outbox.put(Letter { message, stored: None }));
    }

    /// Keeps a small value over restarts, soon and off the async threads; a newer one takes the place of one that waits.
    fn keep(&mut self, name: String, value: impl serde::Serialize) {
        match serde_json::to_vec(&value) {
            Ok(bytes) => {
                self.to_keep.insert(name, bytes);
            }
            Err(error) => tracing::error!(name, "cannot be kept: {error}"),
        }
    }

    fn kept(&mut self, done: Result<Result<(), StoreError>, JoinError>) {
        let why = match done {
            Ok(Ok(())) => return,
            Ok(Err(error)) => error.to_string(),
            Err(panicked) => panicked.to_string(),
        };
        tracing::error!("alerts cannot be kept over a restart: {why}");
        for (_, outcome) in self.obeyed.iter_mut().filter(|(_, outcome)| outcome.is_ok()) {
            *outcome = Err(format!("it holds until the daemon ends, for it cannot be kept: {why}"));
        }
    }

    /// Answers the orders: only once all that followed from them is on the disk.
    fn answer_orders(&mut self) {
        if self.keeping.is_some() || !self.to_keep.is_empty() {
            return;
        }
        for (asker, outcome) in std::mem::take(&mut self.obeyed) {
            match asker {
                Asker::Local(reply) => {
                    let refused = |says| Answer::Refused(Refusal { kind: RefusalKind::BadEntry, says });
                    // The asker may have gone away.
                    let _gone = reply.send(outcome.map_or_else(refused, Answer::Ordered));
                }
                Asker::Remote((site, unit, kind), request) => {
                    let answer = self.topics.order_answer((&site, &unit, &kind), &request, &outcome);
                    self.publish([answer]);
                }
            }
        }
    }

    fn order(&mut self, query: &OrderQuery) -> Result<usize, String> {
        let now = clock::now();
        let (count, effects) = if query.unit == WHOLE_SITE {
            self.engine.order_site(&query.site, &query.order, now).map_err(|error| error.to_string())?
        } else {
            let (unit, kind) = records::target(query)?;
            if self.engine.spec(&unit).is_none() {
                return Err(format!("there is no unit `{unit}` in the config; `fadeline units` lists them"));
            }
            self.engine.order(&unit, kind, &query.order, now).map_err(|error| error.to_string())?
        };
        self.perform(effects);
        Ok(count)
    }

    /// Does what somebody wants done with alerts, and answers.
    fn obey(&mut self, wish: Wish) {
        let Wish { target: (site, unit, kind), request, order } = wish;
        let query = |order| OrderQuery { site: site.clone(), unit: unit.clone(), kind: kind.clone(), order };
        let outcome = order.and_then(|order| self.order(&query(order)));
        if let Err(why) = &outcome {
            tracing::warn!(site, unit, kind, "order refused: {why}");
        }
        self.obeyed.push((Asker::Remote((site, unit, kind), request), outcome));
    }

    /// Tells people through every channel.
    fn tell(&self, notice: Notice) {
        for item in &notice.items {
            tracing::info!(site = notice.site, unit = item.unit, kind = item.kind, "{:?}: {}", item.what, item.says);
        }
        if self.notify.notices.send(notice).is_err() {
            tracing::error!("the sender of notices has ended: people are told over MQTT only");
        }
    }

    fn say_health(&mut self) {
        self.health.at = clock::now();
        self.health.unknown_units = self.tally.strangers().len();
        self.health.messages_in = self.tally.messages;
        self.health.readings_in = self.tally.readings;
        self.health.refused = self.tally.by_reason();
        self.health.queue_bytes = self.session.queue_bytes();
        self.health.outbox = self.outbox.len();
        self.health.notices_waiting = *self.notify.waiting.borrow();
        self.health.alerts = self.engine.alerts(self.health.at).len();
        self.health.oldest_unit = self.engine.oldest().map(|(unit, last)| OldestUnit { unit, last });
        self.health.store_bytes = self.store.stats().map_or(0, |stats| stats.bytes_on_disk);
        let message = self.topics.health(&self.health);
        self.outbox.put(Letter { message, stored: None });
    }

    /// Raises the alert that nothing is stored, or clears it.
    fn say_store_alert(&mut self, fault: Option<&str>) {
        let message = self.topics.store_alert(fault.map(|fault| (clock::now(), fault)));
        self.outbox.put(Letter { message, stored: None });
    }

    /// Starts what can be started: one assessment at a time, and every publish that has room.
    fn work(&mut self) {
        if self.job.is_none()
            && let Some(unit) = self.jobs.pop_front()
        {
            self.job = self.assess(unit);
        }
        if self.keeping.is_none() && !self.to_keep.is_empty() {
            let (store, values) = (Arc::clone(&self.store), std::mem::take(&mut self.to_keep));
            self.keeping = Some(spawn_blocking(move || keep_all(&store, &values)));
        }
        self.answer_orders();
        while let Some((tag, message)) = self.outbox.send_next(&self.topics) {
            let outgoing = outgoing(tag, message, self.bare);
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
        let running = spawn_blocking(move || assess::judge(&store, &job, &constants, clock::now()));
        Some((unit, running))
    }

    /// Stores and acknowledges what has arrived, publishes what is to be said, and closes, within the grace time.
    async fn drain(self) {
        let deadline = Instant::now() + self.grace;
        self.retain.abort();
        let Self { serving, mut reports, mut outbox, session, mut events, arrivals, intake, .. } = self;
        let Self { job, store, topics, bare, .. } = self;
        let left = session_grace(deadline);
        if let Some((presence, _)) = self.presence {
            presence.stop(left).await;
            let message = self.hubs.homie_state("disconnected");
            message.into_iter().for_each(|message| outbox.put(Letter { message, stored: None }));
        }
        let ending = serving.stop();
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
            if let Some(keeping) = self.keeping {
                let _failed = keeping.await;
            }
            let (keeper, values) = (Arc::clone(&store), self.to_keep);
            let _failed = spawn_blocking(move || keep_all(&keeper, &values)).await;
        });
        if stored.await.is_err() {
            tracing::warn!("the grace time is over before everything is stored; the broker sends the rest again");
        }
        intake.abort();
        let published = timeout_at(deadline, async {
            while let Some((tag, message)) = outbox.send_next(&topics) {
                session.publish(outgoing(tag, message, bare)).await?;
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
        ending.ended().await;
        drop(store);
        tracing::info!("stopped");
    }
}

fn constants(config: &Config) -> Constants {
    let mut constants = Constants::default();
    constants.forecast.lead_days = config.lead_days;
    constants
}

/// Waits for the running job; for ever if there is none.
async fn finished(job: &mut Option<(UnitId, JoinHandle<Assessed>)>) -> (UnitId, Result<Assessed, JoinError>) {
    let Some((unit, running)) = job else { return std::future::pending().await };
    let done = running.await;
    let unit = unit.clone();
    *job = None;
    (unit, done)
}

/// Waits for the job that keeps small values; for ever if there is none.
async fn kept(job: &mut Option<JoinHandle<Result<(), StoreError>>>) -> Result<Result<(), StoreError>, JoinError> {
    let Some(running) = job else { return std::future::pending().await };
    let done = running.await;
    *job = None;
    done
}

fn keep_all(store: &Store, values: &Kept) -> Result<(), StoreError> {
    store.keep_all(values.iter().map(|(name, value)| (name.as_str(), value.as_slice())))
}

fn session_grace(deadline: Instant) -> Duration {
    deadline.saturating_duration_since(Instant::now()) / 4
}

/// Homie's presence on the broker, if Homie is spoken.
fn presence(hubs: &Hubs, broker: &BrokerSettings) -> Option<(SessionHandle, mpsc::UnboundedReceiver<SessionEvent>)> {
    let plan = SubscriptionPlan {
        online: Some(hubs.homie_state("ready")?),
        offline: Some(hubs.homie_state("lost")?),
        ..SubscriptionPlan::default()
    };
    let settings = BrokerSettings { client_id: format!("{}-homie", broker.client_id), ..broker.clone() };
    Some(session::start(settings, plan, Limits::default()))
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

fn outgoing(tag: u64, message: Message, bare: bool) -> Outgoing {
    Outgoing { tag, message: if bare { message.bare() } else { message } }
}

fn letter(key: u64, item: OutboxItem) -> Letter {
    let OutboxItem { topic, payload, retain, expiry_secs, correlation, .. } = item;
    let expiry = expiry_secs.map(|secs| Duration::from_secs(secs.into()));
    Letter { message: Message { topic, payload, retain, expiry, correlation, schema: None }, stored: Some(key) }
}
