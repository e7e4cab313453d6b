//! The gateway of Heron Bight: an ordinary client with a backlog of 14 months, then live readings.

use std::collections::HashSet;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::{MissedTickBehavior, interval};

use super::{Progress, ask};
use crate::clock;
use crate::domain::{Reading, ServiceEntry, Timestamp};
use crate::mqtt::encode::Message;
use crate::mqtt::session::{self, Limits, Outgoing, SessionEvent, SessionHandle, Stopped, SubscriptionPlan};
use crate::mqtt::settings::{BrokerSettings, Protocol};
use crate::query::{Answer, Query};
use crate::scenario::heron_bight::{self, Resident, STEP_MILLIS};
use crate::senml;
use crate::web::Ask;

/// How often the live units report.
const LIVE_EVERY: Duration = Duration::from_secs(2);
/// Largest packet, bytes: a day of one unit is about 40 kB.
const MAX_PACKET: usize = 1 << 20;

/// How many messages the gateway may be ahead of the daemon. The embedded broker holds a bounded backlog and drops what
/// is older without a word; a real gateway with a long backlog needs a broker of its own.
const AHEAD_MAX: u64 = 200;

/// What the gateway knows of the daemon because both are in one process.
pub struct DaemonSide {
    /// Where it can be asked.
    pub asks: mpsc::Sender<Ask>,
    /// How many messages it has stored.
    pub stored: watch::Receiver<u64>,
}

/// A gateway that is about to connect.
pub struct Gateway {
    session: SessionHandle,
    events: mpsc::UnboundedReceiver<SessionEvent>,
    residents: Vec<Resident>,
    origin: Timestamp,
    /// Whether the whole history has to be sent, or only what came after an earlier demo's.
    first: bool,
    daemon: DaemonSide,
    progress: watch::Sender<Progress>,
    tag: u64,
}

impl Gateway {
    /// A gateway to the broker on `port`.
    pub fn new(
        port: u16,
        residents: Vec<Resident>,
        origin: Timestamp,
        first: bool,
        daemon: DaemonSide,
        progress: watch::Sender<Progress>,
    ) -> Self {
        let settings = BrokerSettings {
            host: "127.0.0.1".to_owned(),
            port,
            protocol: Protocol::V5,
            tls: None,
            login: None,
            client_id: "heron-bight-gateway".to_owned(),
            session_expiry: Duration::from_secs(3_600),
            keep_alive: Duration::from_secs(30),
            max_packet: MAX_PACKET,
        };
        let (session, events) = session::start(settings, SubscriptionPlan::default(), Limits::default());
        Self { session, events, residents, origin, first, daemon, progress, tag: 0 }
    }

    /// Sends the service logs, the backlog day by day, and then live readings, for ever.
    pub async fn run(mut self) {
        // Stopped means that the demo ends.
        let _stopped = self.work().await;
    }

    async fn work(&mut self) -> Result<(), Stopped> {
        let known = self.send_logs().await?;
        let packs = self.backlog();
        self.progress.send_modify(|progress| {
            progress.packs_in_all = packs.len();
            progress.caught_up = packs.is_empty().then(|| self.caught_up());
        });
        let first_pack = self.tag;
        for (topic, payload) in packs {
            self.publish(topic, payload).await?;
            self.count(first_pack);
        }
        while self.progress.borrow().caught_up.is_none() {
            match self.events.recv().await {
                Some(event) => self.confirmed(&event, first_pack),
                None => return Err(Stopped),
            }
        }
        self.live(known).await
    }

    /// The logbooks so far: as the technicians sent them, before the readings.
    async fn send_logs(&mut self) -> Result<HashSet<String>, Stopped> {
        let entries: Vec<(String, ServiceEntry)> = self
            .residents
            .iter()
            .flat_map(|resident| resident.log.iter().map(|entry| (resident.spec.id.to_string(), entry.clone())))
            .collect();
        let mut known = HashSet::new();
        for (unit, entry) in entries {
            let payload = serde_json::to_vec(&entry).unwrap_or_default();
            known.insert(key(&unit, &entry));
            self.publish(format!("fadeline/service/{unit}"), payload).await?;
        }
        Ok(known)
    }

    /// Every day of every unit as a topic and a SenML pack, all units of a day before the next day.
    fn backlog(&mut self) -> Vec<(String, Vec<u8>)> {
        let mut packs = Vec::new();
        for resident in &mut self.residents {
            let mut days = if self.first { std::mem::take(&mut resident.history) } else { Vec::new() };
            resident.history.clear();
            // An earlier demo's history ends in the past: the fleet went on since.
            let since = catch_up(resident, self.origin, clock::now());
            let date = |reading: &Reading| reading.at.date_in(&resident.spec.zone);
            days.extend(since.chunk_by(|a, b| date(a) == date(b)).map(|day| (date(&day[0]), day.to_vec())));
            for (date, readings) in days.into_iter().filter(|(_, readings)| !readings.is_empty()) {
                packs.push((date, format!("fadeline/in/{}", resident.spec.id), pack(resident, &readings)));
            }
        }
        packs.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
        packs.into_iter().map(|(_, topic, payload)| (topic, payload)).collect()
    }

    async fn live(&mut self, mut known: HashSet<String>) -> Result<(), Stopped> {
        let mut ticks = interval(LIVE_EVERY);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            ticks.tick().await;
            while self.events.try_recv().is_ok() {}
            for i in 0..self.residents.len() {
                self.hear_of_service(i, &mut known).await;
                let now = clock::now();
                let resident = &mut self.residents[i];
                if let Some(reading) = heron_bight::live_reading(&mut resident.live, now) {
                    let (topic, payload) = (format!("fadeline/in/{}", resident.spec.id), pack(resident, &[reading]));
                    self.publish(topic, payload).await?;
                }
            }
        }
    }

    /// Lets an action that somebody logs during the demo show at the sensor.
    async fn hear_of_service(&mut self, resident: usize, known: &mut HashSet<String>) {
        let unit = self.residents[resident].spec.id.clone();
        let Some(Answer::Logbook(entries)) = ask(&self.daemon.asks, Query::Logbook { unit: unit.clone() }).await else {
            return;
        };
        for entry in entries {
            if known.insert(key(unit.as_str(), &entry))
                && let Some(work) = heron_bight::effect_of(entry.action)
            {
                self.residents[resident].live.perform(clock::now(), work);
            }
        }
    }

    async fn publish(&mut self, topic: String, payload: Vec<u8>) -> Result<(), Stopped> {
        let message = Message { topic, payload, ..Message::default() };
        self.tag += 1;
        let tag = self.tag;
        self.daemon.stored.wait_for(|stored| stored + AHEAD_MAX >= tag).await.map_err(|_| Stopped)?;
        self.session.publish(Outgoing { tag: self.tag, message }).await
    }

    /// From when on an assessment has seen the history, which is now acknowledged. What is left after an earlier demo is
    /// of the running day or of units that sent nothing since, which are not assessed again for it.
    fn caught_up(&self) -> Timestamp {
        if self.first { clock::now() } else { self.origin }
    }

    /// Counts what the broker has acknowledged of the backlog, whose tags come after `first`.
    fn count(&mut self, first: u64) {
        while let Ok(event) = self.events.try_recv() {
            self.confirmed(&event, first);
        }
    }

    fn confirmed(&self, event: &SessionEvent, first: u64) {
        if let SessionEvent::Delivered { tag } = event
            && *tag > first
        {
            self.progress.send_modify(|progress| {
                progress.packs += 1;
                if progress.packs == progress.packs_in_all {
                    progress.caught_up = Some(self.caught_up());
                }
            });
        }
    }
}

/// What a unit measured between an earlier history's end and now, at the history's pace.
fn catch_up(resident: &mut Resident, origin: Timestamp, now: Timestamp) -> Vec<Reading> {
    let mut readings = Vec::new();
    let mut at = origin.plus_millis(STEP_MILLIS);
    while at < now {
        readings.extend(heron_bight::live_reading(&mut resident.live, at));
        at = at.plus_millis(STEP_MILLIS);
    }
    readings
}

fn pack(resident: &Resident, readings: &[Reading]) -> Vec<u8> {
    senml::encode(readings, resident.spec.sensor.unit, &format!("{}/", resident.spec.id)).into_bytes()
}

fn key(unit: &str, entry: &ServiceEntry) -> String {
    format!("{unit} {} {}", entry.at, entry.action)
}
