//! Messages into the store: gathered, decoded, written as one batch, and only then acknowledged.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::{JoinError, spawn_blocking};
use tokio::time::{Instant, sleep, timeout_at};

use super::outbox::Letter;
use super::records;
use super::tally::Tally;
use crate::alert::Order;
use crate::config::Config;
use crate::domain::intake::Source;
use crate::domain::{IntensityUnit, Reading, ServiceEntry, Timestamp, UnitId};
use crate::mqtt::decode::{self, Decoded, Reason};
use crate::mqtt::discovery::{HUB_ONLINE, hub};
use crate::mqtt::encode::{Message, Request, Topics};
use crate::mqtt::session::{AckToken, Incoming};
use crate::query::UnknownUnit;
use crate::store::{OutboxItem, Store, StoreError};

/// The longest order about alerts, bytes.
const ORDER_BYTES_MAX: usize = 16 * 1024;

/// How long messages are gathered into one batch. A batch costs one flush of the disk, so this decides how long a
/// flash card lives; a power cut loses nothing, because nothing of it has been acknowledged.
pub const GATHER: Duration = Duration::from_millis(150);
/// A batch is written at once when it has this many messages.
pub const BATCH_MESSAGES: usize = 2_000;
/// How long to wait after a failed write: doubled each time up to [`RETRY_MAX`].
pub const RETRY_MIN: Duration = Duration::from_millis(500);
/// How often the units that are not in the config are kept, if there are new ones.
pub const KEEP_STRANGERS_EVERY: Duration = Duration::from_secs(60);
/// See [`RETRY_MIN`].
pub const RETRY_MAX: Duration = Duration::from_secs(30);

/// A message and when it came.
#[derive(Debug)]
pub struct Arrived {
    /// The message.
    pub message: Incoming,
    /// When it came.
    pub at: Timestamp,
}

/// What became of the messages.
#[derive(Debug)]
pub enum Report {
    /// A batch is on disk: its messages may be acknowledged.
    Stored(Box<Batch>),
    /// Nothing can be written at the moment, and nothing is acknowledged.
    Fault(String),
    /// Nothing can be written by this process any more; the intake has ended.
    Broken(String),
}

/// A batch that is on disk.
#[derive(Debug, Default)]
pub struct Batch {
    /// The messages' tokens, in order of arrival.
    pub tokens: Vec<AckToken>,
    /// The readings by unit, each unit's in order of time.
    pub readings: BTreeMap<UnitId, Vec<Reading>>,
    /// Units with new entries in their logbooks.
    pub serviced: Vec<UnitId>,
    /// Answers to service messages, kept in the store until the broker has them.
    pub answers: Vec<Letter>,
    /// What people want done with alerts.
    pub orders: Vec<Wish>,
    /// Whether the hub says that it has just started.
    pub hub_born: bool,
    /// Counts since the start.
    pub tally: Tally,
}

/// An order about alerts, as it arrived.
#[derive(Debug)]
pub struct Wish {
    /// Site, unit and kind of its topic.
    pub target: (String, String, String),
    /// Where to answer.
    pub request: Request,
    /// The order, or what is wrong with it.
    pub order: Result<Order, String>,
}

/// What the decoder must know of the units; a reloaded config changes it.
#[derive(Clone, Debug)]
pub struct Described {
    sources: Vec<Source>,
    units: BTreeMap<UnitId, IntensityUnit>,
}

impl Described {
    /// As the config has it.
    pub fn of(config: &Config) -> Self {
        let units = config.units.iter().map(|spec| (spec.id.clone(), spec.sensor.unit)).collect();
        Self { sources: config.sources.clone(), units }
    }
}

/// What the decoder must know of the config.
#[derive(Debug)]
struct Plan {
    described: watch::Receiver<Arc<Described>>,
    topics: Topics,
    hub_status: Option<String>,
}

/// A service message that was understood.
#[derive(Debug)]
struct Service {
    unit: UnitId,
    request: Request,
    entry: Result<ServiceEntry, String>,
    /// Whether this try or an earlier one has stored it.
    new: bool,
}

/// A message that cannot be used and would come again for ever.
#[derive(Debug)]
struct Poison {
    topic: String,
    payload: Vec<u8>,
    reason: String,
    at: Timestamp,
}

/// A batch on its way to the disk.
#[derive(Debug, Default)]
struct Gathered {
    batch: Batch,
    rows: Vec<(UnitId, Reading)>,
    services: Vec<Service>,
    poison: Vec<Poison>,
}

/// The intake: owns the counts, and nothing else that changes.
#[derive(Debug)]
pub struct Intake {
    store: Arc<Store>,
    plan: Plan,
    tally: Tally,
    /// The strangers the store knows of, and since when.
    kept: (Vec<UnknownUnit>, Instant),
}

impl Intake {
    /// An intake into `store` as `config` has it.
    pub fn new(store: Arc<Store>, config: &Config, described: watch::Receiver<Arc<Described>>) -> Self {
        let topics = Topics::new(&config.topic_prefix);
        let hub_status = config.hub.discovery.as_ref().map(hub::status_topic);
        let mut tally = Tally::default();
        tally.recall(records::strangers(&store));
        tally.adopt(|unit| described.borrow().units.contains_key(unit));
        let kept = (tally.strangers(), Instant::now());
        Self { store, plan: Plan { described, topics, hub_status }, tally, kept }
    }

    /// Takes messages until their sender is gone and all are stored, or nobody wants the reports any more.
    pub async fn run(mut self, mut messages: mpsc::UnboundedReceiver<Arrived>, reports: mpsc::Sender<Report>) {
        while let Some(arrived) = gather(&mut messages).await {
            let mut gathered = self.decode(arrived);
            let mut wait = RETRY_MIN;
            let batch = loop {
                match self.write(gathered).await {
                    Ok((written, Ok(()))) => break written.batch,
                    Ok((_, Err(broken @ StoreError::Stopped { .. }))) => {
                        // Nobody may be left to hear it; the messages stay with the broker either way.
                        let _unheard = reports.send(Report::Broken(broken.to_string())).await;
                        return;
                    }
                    Ok((unwritten, Err(fault))) => {
                        gathered = unwritten;
                        if reports.send(Report::Fault(fault.to_string())).await.is_err() {
                            return;
                        }
                    }
                    Err(panicked) => {
                        tracing::error!(%panicked, "the writer failed; its messages will come again");
                        return;
                    }
                }
                sleep(wait).await;
                wait = (wait * 2).min(RETRY_MAX);
            };
            self.tally.readings += batch.readings.values().map(|rows| rows.len() as u64).sum::<u64>();
            let report = Report::Stored(Box::new(Batch { tally: self.tally.clone(), ..batch }));
            if reports.send(report).await.is_err() {
                return;
            }
            if self.kept.1.elapsed() >= KEEP_STRANGERS_EVERY {
                self.keep_strangers().await;
            }
        }
        self.keep_strangers().await;
    }

    /// Keeps the strangers where `units --unknown` finds them without the daemon. Losing some of the count in a crash
    /// does no harm.
    async fn keep_strangers(&mut self) {
        self.kept.1 = Instant::now();
        let strangers = self.tally.strangers();
        if strangers == self.kept.0 {
            return;
        }
        let store = Arc::clone(&self.store);
        let kept = strangers.clone();
        match spawn_blocking(move || records::keep_strangers(&store, &kept)).await {
            Ok(Ok(())) => self.kept.0 = strangers,
            Ok(Err(error)) => tracing::warn!("the unknown units cannot be kept: {error}"),
            Err(panicked) => tracing::error!(%panicked, "the unknown units cannot be kept"),
        }
    }

    fn decode(&mut self, arrived: Vec<Arrived>) -> Gathered {
        let mut gathered = Gathered::default();
        for Arrived { message, at } in arrived {
            self.tally.messages += 1;
            if self.plan.hub_status.as_ref() == Some(&message.topic) {
                gathered.batch.hub_born |= message.payload == HUB_ONLINE && !message.retain;
                gathered.batch.tokens.push(message.ack);
                continue;
            }
            if let Some((site, unit, kind)) = self.plan.topics.order_target(&message.topic) {
                let target = (site.to_owned(), unit.to_owned(), kind.to_owned());
                let request = Request {
                    response_topic: message.response_topic.clone(),
                    correlation: message.correlation.clone(),
                };
                gathered.batch.orders.push(Wish { target, request, order: order(&message) });
                gathered.batch.tokens.push(message.ack);
                continue;
            }
            match self.plan.topics.service_unit(&message.topic) {
                Some(Ok(unit)) => gathered.services.push(self.service(unit, &message, at)),
                Some(Err(error)) => self.refuse_whole(&message, error.to_string(), at, &mut gathered),
                None => self.readings(&message, at, &mut gathered),
            }
            gathered.batch.tokens.push(message.ack);
        }
        gathered.rows.sort_by_key(|(_, reading)| reading.at);
        for (unit, reading) in &gathered.rows {
            gathered.batch.readings.entry(unit.clone()).or_default().push(*reading);
        }
        gathered
    }

    fn readings(&mut self, message: &Incoming, at: Timestamp, gathered: &mut Gathered) {
        let described = Arc::clone(&self.plan.described.borrow());
        let Some(source) = decode::find_source(&described.sources, &message.topic) else {
            // Another subscription of ours in an older config: the broker still has the filter.
            tracing::debug!(topic = message.topic, "no source of the config has this topic");
            return;
        };
        let lookup = |unit: &UnitId| described.units.get(unit).copied();
        let decoded = decode::decode(source, &message.topic, &message.payload, at, message.retain, &lookup);
        let Decoded { unit, readings, refused } = decoded;
        let sender = unit.as_ref().map_or(message.topic.as_str(), UnitId::as_str).to_owned();
        for refusal in &refused {
            let reason = refusal.first.reason();
            let loud = self.tally.refuse(&sender, refusal, at);
            if loud {
                tracing::warn!(sender, topic = message.topic, reason = reason.name(), "refused: {}", refusal.first);
                if self.tally.falls_silent(reason) {
                    tracing::warn!(
                        reason = reason.name(),
                        "refused too often to log it all; the health topic counts it, more words in an hour"
                    );
                }
            }
            if reason == Reason::UnknownUnit {
                unit.iter().for_each(|unit| self.tally.stranger(unit.clone(), at));
            } else if loud && readings.is_empty() {
                gathered.poison.push(Poison::new(message, refusal.first.to_string(), at));
            }
        }
        if let Some(unit) = unit {
            gathered.rows.extend(readings.into_iter().map(|reading| (unit.clone(), reading)));
        }
    }

    fn service(&self, unit: UnitId, message: &Incoming, at: Timestamp) -> Service {
        let entry = if self.plan.described.borrow().units.contains_key(&unit) {
            decode::decode_service(&message.payload, at, message.retain)
                .map_err(|refusal| refusal.to_string())
                .and_then(|entry| entry.check(at).map(|()| entry).map_err(|error| error.to_string()))
                .map(|entry| ServiceEntry { recorded: Some(at), ..entry })
        } else {
            Err(format!("there is no unit `{unit}` in the config; `fadeline units` lists them"))
        };
        if let Err(why) = &entry {
            tracing::warn!(%unit, "service message refused: {why}");
        }
        let correlation = message.correlation.clone();
        Service {
            unit,
            request: Request { response_topic: message.response_topic.clone(), correlation },
            entry,
            new: false,
        }
    }

    fn refuse_whole(&mut self, message: &Incoming, why: String, at: Timestamp, gathered: &mut Gathered) {
        let refusal = decode::Refusal::BadTopic { topic: message.topic.clone(), why };
        let refused = decode::Refused { first: refusal, count: 1 };
        if self.tally.refuse(&message.topic, &refused, at) {
            tracing::warn!(topic = message.topic, "refused: {}", refused.first);
            gathered.poison.push(Poison::new(message, refused.first.to_string(), at));
        }
    }

    /// Writes a batch off the async threads; it comes back with what its writing has added, or to be tried again.
    async fn write(&self, gathered: Gathered) -> Result<(Gathered, Result<(), StoreError>), JoinError> {
        let (store, topics) = (Arc::clone(&self.store), self.plan.topics.clone());
        spawn_blocking(move || {
            let mut gathered = gathered;
            let written = gathered.write(&store, &topics);
            (gathered, written)
        })
        .await
    }
}

/// The order in a message. A retained one would be obeyed again at every start: it is refused.
fn order(message: &Incoming) -> Result<Order, String> {
    if message.retain {
        return Err("an order must not be retained; publish it without".to_owned());
    }
    if message.payload.len() > ORDER_BYTES_MAX {
        return Err(format!("the payload has {} bytes; at most {ORDER_BYTES_MAX}", message.payload.len()));
    }
    serde_json::from_slice(&message.payload).map_err(|error| {
        format!("not an order ({error}); send {{\"do\": \"acknowledge\", \"by\": \"NAME\"}}, silence with `until`, or reopen")
    })
}

/// Everything that has come, after waiting [`GATHER`] for more; `None` when nothing will come any more.
async fn gather(messages: &mut mpsc::UnboundedReceiver<Arrived>) -> Option<Vec<Arrived>> {
    let mut batch = vec![messages.recv().await?];
    let deadline = Instant::now() + GATHER;
    while batch.len() < BATCH_MESSAGES {
        let room = BATCH_MESSAGES - batch.len();
        match timeout_at(deadline, messages.recv_many(&mut batch, room)).await {
            Ok(0) | Err(_) => break,
            Ok(_) => {}
        }
    }
    Some(batch)
}

impl Poison {
    fn new(message: &Incoming, reason: String, at: Timestamp) -> Self {
        Self { topic: message.topic.clone(), payload: message.payload.clone(), reason, at }
    }
}

impl Gathered {
    /// Can be repeated after a failure: storing twice is storing once.
    fn write(&mut self, store: &Store, topics: &Topics) -> Result<(), StoreError> {
        if !self.rows.is_empty() {
            store.append(&self.rows)?;
            self.rows.clear();
        }
        while let Some(poison) = self.poison.last() {
            store.quarantine(&poison.topic, &poison.payload, &poison.reason, poison.at)?;
            self.poison.pop();
        }
        while !self.services.is_empty() {
            let service = &mut self.services[0];
            if let Ok(entry) = &service.entry
                && let Some(corrects) = entry.corrects
                && !store.logbook(&service.unit)?.iter().any(|other| corrects.is(other))
            {
                service.entry = Err(format!(
                    "the logbook has no {} at {} to correct; `fadeline logbook {}` shows what it has",
                    corrects.action, corrects.time, service.unit
                ));
            }
            if let Ok(entry) = &service.entry {
                service.new |= store.log(&service.unit, entry)?;
            }
            let new = service.new;
            if let (Ok(entry), false) = (&service.entry, new) {
                // Also what a crash between storing and answering leads to: the entry is there, once.
                service.entry = Err(format!("{} at {} is in the logbook already, once", entry.action, entry.at));
            }
            let service = &self.services[0];
            let message =
                topics.service_answer(&service.unit, &service.request, service.entry.as_ref().map_err(|s| &**s));
            let stored = Some(store.outbox_put(&item(&message))?);
            let service = self.services.remove(0);
            self.batch.answers.push(Letter { message, stored });
            if new {
                self.batch.serviced.push(service.unit);
            }
        }
        Ok(())
    }
}

fn item(message: &Message) -> OutboxItem {
    OutboxItem {
        topic: message.topic.clone(),
        payload: message.payload.clone(),
        retain: message.retain,
        expiry_secs: message.expiry.map(|expiry| u32::try_from(expiry.as_secs()).unwrap_or(u32::MAX)),
        correlation: message.correlation.clone(),
        ..OutboxItem::default()
    }
}
