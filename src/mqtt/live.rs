//! Trying a broker out, for `check --live`.
//!
//! Everything is done under client ids of its own, so that the daemon's own session is left alone, and nothing stays
//! behind at the broker.

use std::collections::BTreeSet;
use std::time::Duration;

use tokio::time::timeout;

use super::encode::Message;
use super::settings::{BrokerSettings, Protocol};
use super::tls;
use super::wire::{self, Client, Event, Fault, FaultKind, Line, Opening};

/// How long each step may take.
const STEP_TIMEOUT: Duration = Duration::from_secs(10);
/// How many messages the probe lets pile up: more than the cap of 1,000 that a stock broker has, and less than the line
/// has room for requests, because here one task both reads and acknowledges.
pub const PROBE_MESSAGES: usize = 1_500;
/// How many of them are under way at a time.
const PROBE_WINDOW: usize = 50;
/// How long the broker keeps the messages of the probe if it is cut short.
const AWAY_EXPIRY: Duration = Duration::from_secs(120);
/// How long nothing may arrive before the probe is over.
const PROBE_SILENCE: Duration = Duration::from_secs(3);

/// How a finding is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Works.
    Good,
    /// Works, but readings may be lost or delayed.
    Warning,
    /// Does not work.
    Bad,
}

/// What was found out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// How to take it.
    pub severity: Severity,
    /// What was tried.
    pub subject: &'static str,
    /// What happened and, where needed, what to do.
    pub text: String,
}

impl Finding {
    fn new(severity: Severity, subject: &'static str, text: impl Into<String>) -> Self {
        Self { severity, subject, text: text.into() }
    }
}

/// Tries a broker: the connection, the subscriptions, a message there and back on a scratch topic under `scratch`
/// (nothing else may use it; `PREFIX/check` is usual), and whether readings would be dropped while the daemon is away. The
/// last is found out by doing it: [`PROBE_MESSAGES`] small messages on the scratch topic for a client that leaves and
/// comes back. Takes a few seconds.
pub async fn check_live(settings: &BrokerSettings, filters: &[String], scratch: &str) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut probe = match Probe::connect(settings, scratch).await {
        Ok(probe) => probe,
        Err(fault) => {
            let subject = if fault.kind == FaultKind::Tls { "TLS" } else { "connection" };
            findings.push(Finding::new(Severity::Bad, subject, fault.text));
            return findings;
        }
    };
    findings.push(Finding::new(Severity::Good, "connection", probe.describe(settings)));
    let outcome = async {
        probe.subscriptions(filters, &mut findings).await?;
        if probe.round_trip(&mut findings).await? {
            probe.pile_up(settings, &mut findings).await?;
        }
        Ok::<(), Fault>(())
    };
    if let Err(fault) = outcome.await {
        findings.push(Finding::new(Severity::Bad, "connection", fault.text));
    }
    probe.leave().await;
    findings
}

/// Unlike the daemon's own, and unlike that of another check at the same time.
fn client_id(settings: &BrokerSettings, role: &str) -> String {
    format!("{}-{role}-{}", settings.client_id, std::process::id())
}

struct Probe {
    client: Client,
    line: Line,
    topic: String,
}

fn gone() -> Fault {
    Fault::new(FaultKind::Lost, "the connection ended in the middle of the check: see the broker's log")
}

impl Probe {
    async fn connect(settings: &BrokerSettings, scratch: &str) -> Result<Self, Fault> {
        let topic = format!("{scratch}/{}", client_id(settings, "check"));
        Self::open(settings, "check", &topic, true).await
    }

    async fn open(settings: &BrokerSettings, role: &str, topic: &str, clean: bool) -> Result<Self, Fault> {
        let config = match settings.tls.clone() {
            None => None,
            Some(files) => {
                let read = tokio::task::spawn_blocking(move || tls::client_config(&files)).await;
                Some(read.map_err(|_| gone())?.map_err(|text| Fault::new(FaultKind::Tls, text))?)
            }
        };
        let client_id = client_id(settings, role);
        let settings = BrokerSettings { client_id, session_expiry: AWAY_EXPIRY, ..settings.clone() };
        let max_packet = settings.max_packet;
        let opening = Opening { settings: &settings, tls: config, will: None, clean, max_packet };
        let (client, line) = wire::open(&opening);
        let mut probe = Self { client, line, topic: topic.to_owned() };
        loop {
            if let Event::Connected { .. } = probe.next().await? {
                return Ok(probe);
            }
        }
    }

    fn describe(&self, settings: &BrokerSettings) -> String {
        let protocol = if settings.protocol == Protocol::V5 { "MQTT 5" } else { "MQTT 3.1.1" };
        let tls = if settings.tls.is_some() { " over TLS" } else { "" };
        format!("{}:{} accepts us with {protocol}{tls}", settings.host, settings.port)
    }

    async fn next(&mut self) -> Result<Event, Fault> {
        match timeout(STEP_TIMEOUT, self.line.poll()).await {
            Ok(outcome) => outcome,
            Err(_) => Err(Fault::new(FaultKind::Unreachable, "the broker does not answer in time: check its log")),
        }
    }

    async fn subscribe(&mut self, filter: &str) -> Result<Result<(), String>, Fault> {
        self.client.subscribe(&[filter.to_owned()]).await.map_err(|_| gone())?;
        loop {
            match self.next().await? {
                Event::Subscribed(outcomes) => return Ok(outcomes.into_iter().next().unwrap_or(Ok(()))),
                // A clean session has no end of its own: what came is not for us and goes with the session.
                Event::Disconnected => return Err(gone()),
                _ => {}
            }
        }
    }

    async fn subscriptions(&mut self, filters: &[String], findings: &mut Vec<Finding>) -> Result<(), Fault> {
        for filter in filters {
            findings.push(match self.subscribe(filter).await? {
                Ok(()) => Finding::new(Severity::Good, "subscription", format!("`{filter}` is granted")),
                Err(reason) => Finding::new(
                    Severity::Bad,
                    "subscription",
                    format!("the broker refuses `{filter}` ({reason}): let this user read it in the broker's rules"),
                ),
            });
        }
        // What these subscriptions bring is not the check's business, and unacknowledged it would only pile up.
        Ok(())
    }

    /// Publishes to the scratch topic and waits for the message to come back.
    async fn round_trip(&mut self, findings: &mut Vec<Finding>) -> Result<bool, Fault> {
        let topic = self.topic.clone();
        if let Err(reason) = self.subscribe(&topic).await? {
            let text =
                format!("the broker refuses `{topic}` ({reason}): let this user read and write it, to be checked");
            findings.push(Finding::new(Severity::Warning, "round trip", text));
            return Ok(false);
        }
        let message = Message { topic: topic.clone(), payload: b"check".to_vec(), ..Message::default() };
        self.client.publish(&message).await.map_err(|_| gone())?;
        let (mut confirmed, mut back) = (None, false);
        while !(confirmed.is_some() && back) {
            match timeout(PROBE_SILENCE, self.line.poll()).await {
                Ok(Ok(Event::Confirmed(_, outcome))) => confirmed = Some(outcome),
                Ok(Ok(Event::Message(packet))) if packet.topic == topic => {
                    back = true;
                    self.client.ack(packet.id).await.map_err(|_| gone())?;
                }
                Ok(Ok(_)) => {}
                Ok(Err(fault)) => return Err(fault),
                Err(_) => break,
            }
        }
        let finding = match (confirmed, back) {
            (Some(Ok(())), true) => Finding::new(Severity::Good, "round trip", format!("`{topic}` came back")),
            (Some(Err(reason)), _) => Finding::new(
                Severity::Bad,
                "round trip",
                format!("the broker refuses to publish to `{topic}` ({reason}): let this user write it"),
            ),
            (None, _) => {
                Finding::new(Severity::Bad, "round trip", format!("`{topic}` is not confirmed: check the broker's log"))
            }
            (_, false) => Finding::new(
                Severity::Bad,
                "round trip",
                format!("`{topic}` is confirmed but does not come back: let this user read and write it"),
            ),
        };
        let good = finding.severity == Severity::Good;
        findings.push(finding);
        Ok(good)
    }

    /// Lets messages pile up for a client that is away, as they do while the daemon is, and counts how many it gets.
    async fn pile_up(&mut self, settings: &BrokerSettings, findings: &mut Vec<Finding>) -> Result<(), Fault> {
        let mut away = Self::open(settings, "away", &self.topic, false).await?;
        if away.subscribe(&self.topic.clone()).await?.is_err() {
            return Ok(());
        }
        away.leave().await;
        let confirmed = self.publish_many().await?;

        let mut away = Self::open(settings, "away", &self.topic, false).await?;
        let mut arrived = BTreeSet::new();
        while arrived.len() < PROBE_MESSAGES {
            match timeout(PROBE_SILENCE, away.line.poll()).await {
                Ok(Ok(Event::Message(packet))) => {
                    arrived.insert(packet.payload);
                    away.client.ack(packet.id).await.map_err(|_| gone())?;
                }
                Ok(Ok(_)) => {}
                Ok(Err(fault)) => return Err(fault),
                Err(_) => break,
            }
        }
        away.leave().await;
        // A clean start takes the session away.
        Self::open(settings, "away", &self.topic, true).await?.leave().await;

        let lost = confirmed.saturating_sub(arrived.len());
        findings.push(if lost == 0 {
            let text = format!("{confirmed} messages for a client that was away were all kept");
            Finding::new(Severity::Good, "queue", text)
        } else {
            let text = format!(
                "the broker dropped {lost} of {confirmed} messages for a client that was away, which it had confirmed to \
                 their sender: raise its queue (mosquitto: max_queued_messages 0, max_queued_bytes 0), or readings are \
                 lost whenever the daemon is away"
            );
            Finding::new(Severity::Warning, "queue", text)
        });
        Ok(())
    }

    /// Publishes the probe's messages and gives back how many the broker confirmed.
    async fn publish_many(&mut self) -> Result<usize, Fault> {
        let (mut sent, mut confirmed) = (0, 0);
        while confirmed < PROBE_MESSAGES {
            while sent < PROBE_MESSAGES && sent - confirmed < PROBE_WINDOW {
                let payload = sent.to_string().into_bytes();
                let message = Message { topic: self.topic.clone(), payload, ..Message::default() };
                self.client.publish(&message).await.map_err(|_| gone())?;
                sent += 1;
            }
            // We are subscribed ourselves; what comes back goes with this session, unacknowledged.
            if let Event::Confirmed(..) = self.next().await? {
                confirmed += 1;
            }
        }
        Ok(confirmed)
    }

    async fn leave(mut self) {
        if self.client.disconnect().await.is_ok() {
            let closed = async { while self.line.poll().await.is_ok() {} };
            let _in_time = timeout(Duration::from_secs(1), closed).await;
        }
    }
}
