//! The send task: acknowledges and publishes on the current connection, and keeps what the broker has not confirmed.

use std::collections::VecDeque;
use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, mpsc};

use super::super::encode::{Message, is_topic_name};
use super::super::wire::{Client, Gone};
use super::{Input, Outgoing, SessionEvent, Shared, WINDOW};

/// How far a publish has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Not handed to the connection yet.
    Waiting,
    /// Handed over, without a packet id so far.
    Handed,
    /// On its way under a packet id.
    Sent(u16),
}

/// A publish that the broker has not confirmed.
struct Entry {
    message: Message,
    /// `None`: our own, nobody asks.
    tag: Option<u64>,
    stage: Stage,
    _permit: Option<OwnedSemaphorePermit>,
}

pub(super) struct Sender {
    shared: Arc<Shared>,
    events: mpsc::UnboundedSender<SessionEvent>,
    line: Option<(u64, Client)>,
    /// In order; those handed over come before those that wait.
    entries: VecDeque<Entry>,
    /// How many of `entries` are handed over.
    under_way: usize,
    stopping: bool,
    catching_up: bool,
}

impl Sender {
    pub(super) fn new(shared: Arc<Shared>, events: mpsc::UnboundedSender<SessionEvent>) -> Self {
        Self {
            shared,
            events,
            line: None,
            entries: VecDeque::new(),
            under_way: 0,
            stopping: false,
            catching_up: false,
        }
    }

    /// Runs until stopped; gives back whether it took leave of the broker.
    pub(super) async fn run(mut self, mut inputs: mpsc::UnboundedReceiver<Input>) -> bool {
        while let Some(input) = inputs.recv().await {
            // Whatever fails because the line is gone is done again on the next one: `Down` is already on its way.
            let _gone = self.take(input).await;
            let _gone = self.hand_over().await;
            if self.stopping {
                let Some((_, client)) = &self.line else { return false };
                if self.entries.is_empty() {
                    return client.disconnect().await.is_ok();
                }
            }
        }
        false
    }

    async fn take(&mut self, input: Input) -> Result<(), Gone> {
        match input {
            Input::Up { epoch, client, subscribe } => {
                self.catching_up = false;
                if let Some(online) = self.shared.plan.online.clone().filter(|_| !self.stopping) {
                    // Before anything that waits: whoever sees an assessment should see that we are there.
                    self.entries.push_front(Entry { message: online, tag: None, stage: Stage::Waiting, _permit: None });
                }
                let subscribed = if subscribe { client.subscribe(&self.shared.plan.filters).await } else { Ok(()) };
                self.line = Some((epoch, client));
                return subscribed;
            }
            Input::Down => self.down(),
            Input::Sent(id) => {
                if let Some(entry) = self.entries.iter_mut().find(|entry| entry.stage == Stage::Handed) {
                    entry.stage = Stage::Sent(id);
                }
            }
            Input::Confirmed(id, outcome) => self.confirmed(id, outcome),
            Input::Ack { epoch, id } => return self.ack(epoch, id).await,
            Input::Publish(outgoing, permit) => self.publish(outgoing, permit),
            Input::Stop => {
                self.stopping = true;
                if let Some(offline) = self.shared.plan.offline.clone() {
                    self.entries.push_back(Entry { message: offline, tag: None, stage: Stage::Waiting, _permit: None });
                }
            }
        }
        Ok(())
    }

    fn down(&mut self) {
        self.line = None;
        self.under_way = 0;
        // Our own are about the connection that is gone.
        self.entries.retain(|entry| entry.tag.is_some());
        for entry in &mut self.entries {
            entry.stage = Stage::Waiting;
        }
    }

    fn confirmed(&mut self, id: u16, outcome: Result<(), String>) {
        let Some(place) = self.entries.iter().position(|entry| entry.stage == Stage::Sent(id)) else { return };
        let Some(entry) = self.entries.remove(place) else { return };
        self.under_way -= 1;
        if let Some(tag) = entry.tag {
            let event = match outcome {
                Ok(()) => SessionEvent::Delivered { tag },
                Err(reason) => SessionEvent::Refused { tag, reason },
            };
            let _gone = self.events.send(event);
        }
    }

    async fn ack(&mut self, epoch: u64, id: u16) -> Result<(), Gone> {
        let Some((current, client)) = &self.line else { return Ok(()) };
        if *current == epoch && id != 0 {
            client.ack(id).await?;
        }
        // The receive task may have nothing to read for a long time; this makes it see that there is room again.
        if self.shared.has_recovered() && !self.catching_up && !self.stopping {
            self.catching_up = true;
            client.disconnect().await?;
        }
        Ok(())
    }

    fn publish(&mut self, outgoing: Outgoing, permit: OwnedSemaphorePermit) {
        let Outgoing { tag, message } = outgoing;
        if !is_topic_name(&message.topic) {
            let reason = format!("`{}` is not a topic name", message.topic);
            let _gone = self.events.send(SessionEvent::Refused { tag, reason });
            return;
        }
        self.entries.push_back(Entry { message, tag: Some(tag), stage: Stage::Waiting, _permit: Some(permit) });
    }

    /// Hands what waits to the connection, as far as the window goes.
    async fn hand_over(&mut self) -> Result<(), Gone> {
        let Some((_, client)) = &self.line else { return Ok(()) };
        while self.under_way < WINDOW {
            let Some(entry) = self.entries.get_mut(self.under_way) else { break };
            client.publish(&entry.message).await?;
            entry.stage = Stage::Handed;
            self.under_way += 1;
        }
        Ok(())
    }
}
