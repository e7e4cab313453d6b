//! The receive task: makes connections and polls them. Never waits for anything in the middle of a poll.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use tokio::sync::{OwnedSemaphorePermit, mpsc, watch};
use tokio::time::timeout;

use super::super::tls;
use super::super::wire::{self, Event, Fault, FaultKind, Line, Opening, PROTOCOL_MAX_PACKET, Packet};
use super::backoff::Backoff;
use super::{AckToken, Incoming, Input, SessionEvent, Shared};

/// A line that gives no event for this many keep-alive intervals is dead, whatever TCP thinks.
const DEAD_AFTER_KEEP_ALIVES: u32 = 3;
/// How long the broker may take to confirm subscriptions.
const SUBSCRIBE_TIMEOUT: Duration = Duration::from_secs(30);
/// How long to read on after our DISCONNECT went out, so that the broker reads it before the connection is reset.
const LEAVE_TIMEOUT: Duration = Duration::from_secs(1);

/// How a connection ended.
enum End {
    /// It failed.
    Fault(Fault),
    /// We left it to have unacknowledged messages sent again.
    CatchUp,
    /// We are to stop.
    Stop,
}

pub(super) struct Receiver {
    shared: Arc<Shared>,
    inputs: mpsc::UnboundedSender<Input>,
    events: mpsc::UnboundedSender<SessionEvent>,
    stopping: watch::Receiver<bool>,
    epoch: u64,
    /// Grows after a packet that was too large: with a persistent session the broker would send it again for ever, so
    /// it is let in, refused by its size like any bad payload, and acknowledged.
    max_packet: usize,
    subscribed_before: bool,
    connected_at: Option<Instant>,
    /// Since when the answer to a subscription is due.
    subscribing_since: Option<Instant>,
}

impl Receiver {
    pub(super) fn new(
        shared: Arc<Shared>,
        inputs: mpsc::UnboundedSender<Input>,
        events: mpsc::UnboundedSender<SessionEvent>,
        stopping: watch::Receiver<bool>,
    ) -> Self {
        let max_packet = shared.settings.max_packet;
        Self {
            shared,
            inputs,
            events,
            stopping,
            epoch: 0,
            max_packet,
            subscribed_before: false,
            connected_at: None,
            subscribing_since: None,
        }
    }

    pub(super) async fn run(mut self) {
        let mut backoff = Backoff::default();
        loop {
            let end = self.connection().await;
            let _stopped = self.inputs.send(Input::Down);
            let held = self.connected_at.take().map(|since| since.elapsed());
            let (reason, retry_in) = match end {
                End::Stop => return,
                End::CatchUp => ("there is room again: reconnecting for what was let go".to_owned(), Duration::ZERO),
                End::Fault(fault) => {
                    if fault.kind == FaultKind::PacketTooLarge {
                        self.max_packet = self.max_packet.saturating_mul(4).clamp(1_024, PROTOCOL_MAX_PACKET);
                    }
                    (fault.text, backoff.after(held.unwrap_or_default()))
                }
            };
            let lost = SessionEvent::Disconnected { reason, was_connected: held.is_some(), retry_in };
            if self.events.send(lost).is_err() {
                return;
            }
            let stopped = timeout(retry_in, self.stopping.wait_for(|stopping| *stopping));
            if stopped.await.is_ok() {
                return;
            }
        }
    }

    /// One connection, from the attempt to its end.
    async fn connection(&mut self) -> End {
        let shared = self.shared.clone();
        let tls = match &shared.settings.tls {
            None => None,
            // Read each time: certificates are renewed while we run.
            Some(tls) => {
                let tls = tls.clone();
                match tokio::task::spawn_blocking(move || tls::client_config(&tls)).await {
                    Ok(Ok(config)) => Some(config),
                    Ok(Err(text)) => return End::Fault(Fault::new(FaultKind::Tls, text)),
                    Err(_) => return End::Fault(Fault::new(FaultKind::Tls, "reading the TLS files was interrupted")),
                }
            }
        };
        let opening = Opening {
            settings: &shared.settings,
            tls,
            will: shared.plan.offline.as_ref(),
            clean: false,
            max_packet: self.max_packet,
        };
        let (client, mut line) = wire::open(&opening);
        self.epoch += 1;
        self.subscribing_since = None;
        shared.stalled.store(false, Ordering::Relaxed);
        loop {
            let event = match poll(&mut line).await {
                Ok(event) => event,
                Err(fault) => return if *self.stopping.borrow() { End::Stop } else { End::Fault(fault) },
            };
            if let Some(end) = self.handle(event, &client, &mut line).await {
                return end;
            }
        }
    }

    async fn handle(&mut self, event: Event, client: &wire::Client, line: &mut Line) -> Option<End> {
        match event {
            Event::Connected { session_present } => self.connected(session_present, client),
            Event::Message(packet) => self.hand_over(packet, line.keep_alive()).await,
            Event::Sent(id) => self.tell(Input::Sent(id)),
            Event::Confirmed(id, outcome) => self.tell(Input::Confirmed(id, outcome)),
            Event::Subscribed(outcomes) => self.subscribed(outcomes),
            Event::Disconnected => {
                leave(line).await;
                return Some(if *self.stopping.borrow() { End::Stop } else { End::CatchUp });
            }
            Event::Other => {}
        }
        // The send task notices sooner when acknowledgements make room; this covers tokens that were dropped.
        if self.shared.has_recovered() && !*self.stopping.borrow() {
            return Some(End::CatchUp);
        }
        if self.subscribing_since.is_some_and(|since| since.elapsed() > SUBSCRIBE_TIMEOUT) {
            let text = "the broker does not answer a subscription: reconnecting";
            return Some(End::Fault(Fault::new(FaultKind::Lost, text)));
        }
        // Nobody listens any more: the daemon is gone.
        self.events.is_closed().then_some(End::Stop)
    }

    fn tell(&self, input: Input) {
        // Fails only when the send task has ended, and then nothing is to be told.
        let _ended = self.inputs.send(input);
    }

    fn connected(&mut self, session_present: bool, client: &wire::Client) {
        self.connected_at = Some(Instant::now());
        // A session we did not make ourselves may lack a filter that is new in the config.
        let nothing_to_do = self.shared.plan.filters.is_empty() || session_present && self.subscribed_before;
        let subscribe = !nothing_to_do;
        self.subscribing_since = subscribe.then(Instant::now);
        let _gone = self.events.send(SessionEvent::Connected { fresh: !session_present });
        self.tell(Input::Up { epoch: self.epoch, client: client.clone(), subscribe });
    }

    fn subscribed(&mut self, outcomes: Vec<Result<(), String>>) {
        self.subscribing_since = None;
        self.subscribed_before = true;
        for (filter, outcome) in self.shared.plan.filters.iter().zip(outcomes) {
            if let Err(reason) = outcome {
                let _gone = self.events.send(SessionEvent::SubscriptionRefused { filter: filter.clone(), reason });
            }
        }
    }

    async fn hand_over(&mut self, packet: Packet, keep_alive: Duration) {
        if self.shared.stalled.load(Ordering::Relaxed) {
            return;
        }
        let weight = self.shared.weight(packet.topic.len() + packet.payload.len());
        let Some(room) = self.room(weight, keep_alive).await else {
            self.shared.stalled.store(true, Ordering::Relaxed);
            let _gone = self.events.send(SessionEvent::Stalled);
            return;
        };
        let _gone = self.events.send(SessionEvent::Message(Incoming {
            topic: packet.topic,
            payload: packet.payload,
            retain: packet.retain,
            duplicate: packet.duplicate,
            response_topic: packet.response_topic,
            correlation: packet.correlation,
            ack: AckToken { epoch: self.epoch, id: packet.id, _room: Some(room) },
        }));
    }

    /// Room for so many bytes: at once in the usual case, otherwise after holding the broker back for a while.
    async fn room(&mut self, weight: u32, keep_alive: Duration) -> Option<OwnedSemaphorePermit> {
        if let Ok(room) = self.shared.room.clone().try_acquire_many_owned(weight) {
            return Some(room);
        }
        let patience = self.shared.limits.patience.min(keep_alive / 2);
        let waiting = timeout(patience, self.shared.room.clone().acquire_many_owned(weight));
        // When we are to stop, confirmations are more urgent than messages nobody will store.
        tokio::select! {
            room = waiting => room.ok()?.ok(),
            _ = self.stopping.wait_for(|stopping| *stopping) => None,
        }
    }
}

/// The next event of the line. The poll is cut off only when the whole line is given up.
async fn poll(line: &mut Line) -> Result<Event, Fault> {
    let dead_after = line.keep_alive().saturating_mul(DEAD_AFTER_KEEP_ALIVES);
    match timeout(dead_after, line.poll()).await {
        Ok(outcome) => outcome,
        Err(_) => Err(Fault::new(FaultKind::Lost, format!("no sign of the broker for {} s", dead_after.as_secs()))),
    }
}

/// Reads until the broker closes the connection: closing it first, with messages unread, would reset it, and the broker
/// might never see our last packets.
async fn leave(line: &mut Line) {
    let closed = async { while line.poll().await.is_ok() {} };
    let _in_time = timeout(LEAVE_TIMEOUT, closed).await;
}
