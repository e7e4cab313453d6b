//! The session with the broker: for ever, through every failure, without losing a message.
//!
//! ```text
//!   broker <--> receive task (polls the line, nothing else) --SessionEvent--> whoever stores
//!                    ^ |                                                          |
//!               line | | up, down, sent, confirmed                                | ack, publish, stop
//!                    | v                                                          v
//!               send task (acknowledges and publishes on the current line) <-- SessionHandle
//! ```
//!
//! - The client id is fixed and the session is kept by the broker while we are away, but not for ever.
//! - A message is acknowledged only when its [`AckToken`] comes back. Tokens carry the epoch of their connection: one
//!   that comes back after a reconnection is dropped, because the broker sends the message again and its packet id may
//!   mean another message by then. A token that is dropped leaves its message unacknowledged.
//! - Client and event loop of rumqttc live for one connection. What is to be published is kept here until the broker
//!   confirms it, and is handed to the next connection otherwise.
//! - Messages handed over and not yet acknowledged are bounded by bytes. When there is no room the receive task stops
//!   reading, so that TCP holds the broker back; a store that lags is absorbed so. When there is still no room after
//!   [`Limits::patience`] (the disk is full) it reads on to keep the connection, pings, alerts and confirmations alive,
//!   and lets the messages go *without acknowledging them*; as soon as there is room it reconnects, and the broker sends
//!   them all again. Nothing at QoS 1 is lost either way; messages published at QoS 0 during such a stall are.
//! - Nothing here gives up: a broker that is absent at the start is like one that is lost later.

mod backoff;
mod receive;
mod send;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::task::JoinHandle;

use super::encode::{Message, Topics};
use super::settings::BrokerSettings;
use super::wire::Client;

/// How many publishes are under way to the broker at a time.
pub const WINDOW: usize = 64;
/// What a message weighs in the hand-over queue beside its topic and payload, bytes.
const MESSAGE_OVERHEAD: usize = 160;

/// What to subscribe to, and how the daemon shows that it is there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SubscriptionPlan {
    /// Topic filters, subscribed at QoS 1.
    pub filters: Vec<String>,
    /// Published at each connection.
    pub online: Option<Message>,
    /// The last will, also published by [`SessionHandle::stop`].
    pub offline: Option<Message>,
}

impl SubscriptionPlan {
    /// The daemon's: readings, service messages, and `…/daemon` online and offline.
    pub fn daemon(topics: &Topics, reading_filters: impl IntoIterator<Item = String>) -> Self {
        let mut filters: Vec<String> = reading_filters.into_iter().collect();
        filters.push(topics.service_filter());
        filters.push(topics.order_filter());
        filters.sort();
        filters.dedup();
        Self { filters, online: Some(topics.daemon_state(true)), offline: Some(topics.daemon_state(false)) }
    }
}

/// Bounds of a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Messages handed over and not yet acknowledged, bytes in all.
    pub queue_bytes: usize,
    /// Messages to publish that the broker has not confirmed yet.
    pub publishes: usize,
    /// How long to hold the broker back before messages are let go unacknowledged. Also at most half the keep-alive.
    pub patience: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { queue_bytes: 32 * 1024 * 1024, publishes: 1_024, patience: Duration::from_secs(10) }
    }
}

/// What the session tells.
#[derive(Debug)]
pub enum SessionEvent {
    /// The broker accepted us.
    Connected {
        /// It had no session of ours: subscriptions were made anew, messages of the meantime may be missing.
        fresh: bool,
    },
    /// There is no connection any more, or none could be made.
    Disconnected {
        /// Why, and what to do about it.
        reason: String,
        /// Whether there was one before this.
        was_connected: bool,
        /// When it will be tried again.
        retry_in: Duration,
    },
    /// The broker does not let us have a filter; everything else goes on.
    SubscriptionRefused {
        /// Which.
        filter: String,
        /// Why.
        reason: String,
    },
    /// A message arrived.
    Message(Incoming),
    /// There has been no room for too long: messages are let go unacknowledged until there is, then come again.
    Stalled,
    /// The broker confirmed a publish.
    Delivered {
        /// [`Outgoing::tag`]
        tag: u64,
    },
    /// The broker refused a publish for good.
    Refused {
        /// [`Outgoing::tag`]
        tag: u64,
        /// Its reason.
        reason: String,
    },
}

/// A message that arrived. It waits at the broker until its token comes back.
#[derive(Debug)]
pub struct Incoming {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
    /// Kept by the broker and sent because we subscribed, not because it was just published.
    pub retain: bool,
    /// Sent before.
    pub duplicate: bool,
    /// Where the sender wants the answer (MQTT 5).
    pub response_topic: Option<String>,
    /// What the answer must carry (MQTT 5).
    pub correlation: Option<Vec<u8>>,
    /// To be handed to [`SessionHandle::ack`] once the message is safe, in the order of arrival.
    pub ack: AckToken,
}

/// The right to acknowledge one message, once. Holds its room in the hand-over queue until it is used or dropped.
#[derive(Debug)]
pub struct AckToken {
    epoch: u64,
    /// 0: published at QoS 0, nothing to acknowledge.
    id: u16,
    _room: Option<OwnedSemaphorePermit>,
}

/// A message to publish.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outgoing {
    /// Comes back in [`SessionEvent::Delivered`] or [`SessionEvent::Refused`].
    pub tag: u64,
    /// The message.
    pub message: Message,
}

/// The session has been stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the session with the broker has been stopped")]
pub struct Stopped;

/// Why a publish was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTaken {
    /// [`Limits::publishes`] are waiting already; try again after a [`SessionEvent::Delivered`].
    #[error("too many messages wait for the broker's confirmation")]
    Full(Outgoing),
    /// The session has been stopped.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// What the send task is told. Unbounded, but bounded in effect: acknowledgements by the messages handed over,
/// publishes by [`Limits::publishes`], news of the line by [`WINDOW`].
enum Input {
    Up { epoch: u64, client: Client, subscribe: bool },
    Down,
    Sent(u16),
    Confirmed(u16, Result<(), String>),
    Ack { epoch: u64, id: u16 },
    Publish(Outgoing, OwnedSemaphorePermit),
    Stop,
}

/// What both tasks know.
struct Shared {
    settings: BrokerSettings,
    plan: SubscriptionPlan,
    limits: Limits,
    room: Arc<Semaphore>,
    /// Messages are being let go; see [`SessionEvent::Stalled`].
    stalled: AtomicBool,
}

impl Shared {
    /// Room for the whole queue, as many permits as bytes.
    fn room_in_all(limits: &Limits) -> usize {
        limits.queue_bytes.clamp(MESSAGE_OVERHEAD, Semaphore::MAX_PERMITS.min(u32::MAX as usize))
    }

    fn weight(&self, bytes: usize) -> u32 {
        let weight = (bytes + MESSAGE_OVERHEAD).min(Self::room_in_all(&self.limits));
        u32::try_from(weight).unwrap_or(u32::MAX)
    }

    /// Whether a stall is over: half of the room is free again.
    fn has_recovered(&self) -> bool {
        self.stalled.load(Ordering::Relaxed) && self.room.available_permits() >= Self::room_in_all(&self.limits) / 2
    }
}

/// How to talk to a running session.
pub struct SessionHandle {
    inputs: mpsc::UnboundedSender<Input>,
    publishes: Arc<Semaphore>,
    shared: Arc<Shared>,
    stopping: watch::Sender<bool>,
    receiving: JoinHandle<()>,
    /// Gives back whether it took leave of the broker properly.
    sending: JoinHandle<bool>,
}

/// Starts a session; it connects by itself, again and again. The events must be received, they are what holds room.
pub fn start(
    settings: BrokerSettings,
    plan: SubscriptionPlan,
    limits: Limits,
) -> (SessionHandle, mpsc::UnboundedReceiver<SessionEvent>) {
    let (inputs, inputs_rx) = mpsc::unbounded_channel();
    let (events, events_rx) = mpsc::unbounded_channel();
    let (stopping, stopping_rx) = watch::channel(false);
    let room = Arc::new(Semaphore::new(Shared::room_in_all(&limits)));
    let shared = Arc::new(Shared { settings, plan, limits, room, stalled: AtomicBool::new(false) });
    let receiver = receive::Receiver::new(shared.clone(), inputs.clone(), events.clone(), stopping_rx);
    let sender = send::Sender::new(shared.clone(), events);
    let handle = SessionHandle {
        inputs,
        publishes: Arc::new(Semaphore::new(limits.publishes.clamp(1, Semaphore::MAX_PERMITS))),
        shared,
        stopping,
        receiving: tokio::spawn(receiver.run()),
        sending: tokio::spawn(sender.run(inputs_rx)),
    };
    (handle, events_rx)
}

impl SessionHandle {
    /// Acknowledges a message, if it came over the current connection; otherwise the broker sends it again anyway.
    pub fn ack(&self, token: AckToken) {
        // A stopped session has nothing to acknowledge with: the broker keeps the message.
        let _stopped = self.inputs.send(Input::Ack { epoch: token.epoch, id: token.id });
    }

    /// Queues a message to publish, without waiting.
    ///
    /// # Errors
    /// [`NotTaken::Full`] with the message when too many wait already.
    pub fn try_publish(&self, outgoing: Outgoing) -> Result<(), NotTaken> {
        match self.publishes.clone().try_acquire_owned() {
            Ok(permit) => self.inputs.send(Input::Publish(outgoing, permit)).map_err(|_| NotTaken::Stopped(Stopped)),
            Err(_) => Err(NotTaken::Full(outgoing)),
        }
    }

    /// Queues a message to publish; waits while too many wait already, which may be as long as the broker is away.
    ///
    /// # Errors
    /// [`Stopped`]
    pub async fn publish(&self, outgoing: Outgoing) -> Result<(), Stopped> {
        let permit = self.publishes.clone().acquire_owned().await.map_err(|_| Stopped)?;
        self.inputs.send(Input::Publish(outgoing, permit)).map_err(|_| Stopped)
    }

    /// Bytes handed over and not yet acknowledged.
    pub fn queue_bytes(&self) -> usize {
        Shared::room_in_all(&self.shared.limits).saturating_sub(self.shared.room.available_permits())
    }

    /// Messages that wait for the broker's confirmation.
    pub fn unconfirmed(&self) -> usize {
        self.shared.limits.publishes.max(1).saturating_sub(self.publishes.available_permits())
    }

    /// Publishes that we are gone, waits for confirmations for up to `grace`, and takes leave. Acknowledgements made
    /// before are sent before. Without a connection there is nothing to wait for.
    pub async fn stop(self, grace: Duration) {
        self.stopping.send_replace(true);
        let _gone = self.inputs.send(Input::Stop);
        let (mut sending, mut receiving) = (self.sending, self.receiving);
        let both = async {
            // With no connection the receive task may be in the middle of an attempt that nobody needs any more.
            if matches!((&mut sending).await, Ok(true)) {
                let _ended = (&mut receiving).await;
            }
        };
        let _in_time = tokio::time::timeout(grace, both).await;
        sending.abort();
        receiving.abort();
    }
}
