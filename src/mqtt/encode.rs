//! What Fadeline publishes: topics and payloads of the contract. PURE.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::civil::Date;
use serde::Serialize;

use crate::domain::assessment::ASSESSMENT_SCHEMA;
use crate::domain::id::IdError;
use crate::domain::{Assessment, Condition, ServiceAction, ServiceEntry, Timestamp, UnitId};

/// Schema of [`Health`].
pub const HEALTH_SCHEMA: &str = "fadeline.health.v1";
/// Schema of [`ServiceAnswer`].
pub const SERVICE_ANSWER_SCHEMA: &str = "fadeline.service-answer.v1";
/// Schema of the alert that nothing is stored.
pub const STORE_ALERT_SCHEMA: &str = "fadeline.store-alert.v1";
/// Schema of [`OrderAnswer`].
pub const ORDER_ANSWER_SCHEMA: &str = "fadeline.alert-answer.v1";
/// Stands where a unit's id would for what is said about a whole site: no id starts like that.
pub const WHOLE_SITE: &str = "_site";
/// Stands for every kind of alert in the topic of an order.
pub const ALL_KINDS: &str = "all";
/// Payload of `…/daemon` while the daemon is connected.
pub const ONLINE: &str = "online";
/// Payload of `…/daemon` when it is not; also the last will.
pub const OFFLINE: &str = "offline";
/// Payload of `…/clean-by` when there is no date, which is a legal answer.
pub const NO_DATE: &str = "none";
/// How long an answer to a service message is worth delivering.
pub const SERVICE_ANSWER_EXPIRY: Duration = Duration::from_secs(3_600);

/// A message to publish at QoS 1.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Message {
    /// Topic name.
    pub topic: String,
    /// Payload; empty and retained: the broker forgets the topic.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for those who subscribe later.
    pub retain: bool,
    /// How long it is worth delivering (MQTT 5 only); `None`: for ever.
    pub expiry: Option<Duration>,
    /// Correlation data of the request it answers (MQTT 5 only).
    pub correlation: Option<Vec<u8>>,
    /// Schema of the payload, sent as the user property `schema` (MQTT 5 only).
    pub schema: Option<&'static str>,
}

impl Message {
    /// The message without what only describes it: for a broker that hands MQTT 5 properties on to MQTT 3.1.1 clients.
    /// Correlation data stays, for who asks with it speaks MQTT 5.
    pub fn bare(self) -> Self {
        Self { expiry: None, schema: None, ..self }
    }

    /// A message that the broker keeps.
    pub fn retained(topic: String, payload: impl Into<Vec<u8>>) -> Self {
        Self { topic, payload: payload.into(), retain: true, ..Self::default() }
    }
}

/// The topics under one prefix, and the messages on them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topics {
    prefix: String,
}

impl Topics {
    /// Topics under `prefix` (default `fadeline`), which the config has checked.
    pub fn new(prefix: &str) -> Self {
        Self { prefix: prefix.to_owned() }
    }

    /// The first levels.
    pub fn prefix(&self) -> &str {
        &self.prefix
    }

    /// Everything that wants somebody at a unit, in one object.
    pub fn alerts(&self, unit: &UnitId, summary: &impl Serialize) -> Message {
        Message::retained(self.unit(unit, "alerts"), json(summary))
    }

    /// Where service messages arrive: the filter to subscribe to.
    pub fn service_filter(&self) -> String {
        format!("{}/service/+/+", self.prefix)
    }

    /// The unit a service topic names; `None` if `topic` is no service topic.
    pub fn service_unit(&self, topic: &str) -> Option<Result<UnitId, IdError>> {
        topic.strip_prefix(&*self.prefix)?.strip_prefix("/service/").map(str::parse)
    }

    /// Where orders about alerts arrive (`…/alert/SITE/UNIT/KIND`): the filter to subscribe to.
    pub fn order_filter(&self) -> String {
        format!("{}/alert/+/+/+", self.prefix)
    }

    /// Where an order about a unit's alerts is sent: `kind` is a kind of alert or [`ALL_KINDS`].
    pub fn order(&self, unit: &UnitId, kind: &str) -> String {
        format!("{}/alert/{unit}/{kind}", self.prefix)
    }

    /// Where a service action of a unit is sent.
    pub fn service(&self, unit: &UnitId) -> String {
        format!("{}/service/{unit}", self.prefix)
    }

    /// Site, unit (or [`WHOLE_SITE`]) and kind that an order's topic names; `None` if `topic` is none of an order.
    pub fn order_target<'a>(&self, topic: &'a str) -> Option<(&'a str, &'a str, &'a str)> {
        let mut levels = topic.strip_prefix(&*self.prefix)?.strip_prefix("/alert/")?.split('/');
        let target = (levels.next()?, levels.next()?, levels.next()?);
        levels.next().is_none().then_some(target)
    }

    /// `…/daemon`: [`ONLINE`] or [`OFFLINE`].
    pub fn daemon(&self) -> String {
        format!("{}/out/daemon", self.prefix)
    }

    /// `…/SITE/UNIT/WHAT`.
    pub fn unit(&self, unit: &UnitId, what: &str) -> String {
        format!("{}/out/{unit}/{what}", self.prefix)
    }

    /// `…/SITE/_site/WHAT`: of a whole site.
    pub fn site(&self, site: &str, what: &str) -> String {
        format!("{}/out/{site}/{WHOLE_SITE}/{what}", self.prefix)
    }

    /// What wants somebody at a whole site, in one object that is never empty: hubs show it after a restart too.
    pub fn site_alerts(&self, site: &str, summary: &impl Serialize) -> Message {
        Message::retained(self.site(site, "alerts"), json(summary))
    }

    /// Where an order about a site's alert is sent.
    pub fn site_order(&self, site: &str) -> String {
        format!("{}/alert/{site}/{WHOLE_SITE}/{ALL_KINDS}", self.prefix)
    }

    /// Whether the daemon is connected.
    pub fn daemon_state(&self, online: bool) -> Message {
        Message::retained(self.daemon(), if online { ONLINE } else { OFFLINE })
    }

    /// The whole assessment of a unit.
    pub fn assessment(&self, unit: &UnitId, assessment: &Assessment) -> Message {
        let message = Message::retained(self.unit(unit, "assessment"), json(assessment));
        Message { schema: Some(ASSESSMENT_SCHEMA), ..message }
    }

    /// The condition of a unit, one word.
    pub fn condition(&self, unit: &UnitId, condition: Condition) -> Message {
        Message::retained(self.unit(unit, "condition"), condition.name())
    }

    /// The date by which the sleeve is to be cleaned, `2026-09-28`, or [`NO_DATE`].
    pub fn clean_by(&self, unit: &UnitId, date: Option<Date>) -> Message {
        let payload = date.map_or_else(|| NO_DATE.to_owned(), |date| date.to_string());
        Message::retained(self.unit(unit, "clean-by"), payload)
    }

    /// An alert of a unit as JSON; `None` when it is over, which clears the topic. `kind` is an id (`a-z0-9-`).
    pub fn alert(&self, unit: &UnitId, kind: &str, body: Option<&impl Serialize>, expiry: Option<Duration>) -> Message {
        let payload = body.map(json).unwrap_or_default();
        Message { expiry, ..Message::retained(self.unit(unit, &format!("alert/{kind}")), payload) }
    }

    /// An alert of a whole site; `None` when it is over.
    pub fn site_alert(&self, site: &str, kind: &str, body: Option<&impl Serialize>) -> Message {
        let payload = body.map(json).unwrap_or_default();
        Message::retained(self.site(site, &format!("alert/{kind}")), payload)
    }

    /// The answer to an order about alerts, on its response topic if it named a usable one.
    pub fn order_answer(
        &self,
        target: (&str, &str, &str),
        request: &Request,
        outcome: &Result<usize, String>,
    ) -> Message {
        let (site, unit, kind) = target;
        let topic = match &request.response_topic {
            Some(topic) if is_topic_name(topic) => topic.clone(),
            _ => format!("{}/out/{site}/{unit}/alert-answer", self.prefix),
        };
        let says = match outcome {
            Ok(1) => "done: one alert".to_owned(),
            Ok(count) => format!("done: {count} alerts"),
            Err(why) => format!("not done: {why}"),
        };
        let answer = OrderAnswer {
            schema: ORDER_ANSWER_SCHEMA,
            site: site.to_owned(),
            unit: unit.to_owned(),
            kind: kind.to_owned(),
            accepted: outcome.is_ok(),
            says,
        };
        Message {
            topic,
            payload: json(&answer),
            retain: false,
            expiry: Some(SERVICE_ANSWER_EXPIRY),
            correlation: request.correlation.clone(),
            schema: Some(ORDER_ANSWER_SCHEMA),
        }
    }

    /// The daemon's health.
    pub fn health(&self, health: &Health) -> Message {
        let message = Message::retained(format!("{}/health", self.daemon()), json(health));
        Message { schema: Some(HEALTH_SCHEMA), ..message }
    }

    /// The alert that the daemon cannot store what comes, since when and why; `None` clears it.
    pub fn store_alert(&self, fault: Option<(Timestamp, &str)>) -> Message {
        let topic = format!("{}/alert/store", self.daemon());
        let Some((since, fault)) = fault else { return Message::retained(topic, Vec::new()) };
        let alert = StoreAlert {
            schema: STORE_ALERT_SCHEMA,
            kind: "store",
            since,
            says: format!("readings are not stored; the broker keeps them meanwhile: {fault}"),
            action: "free space on the disk of the data, or mend it; nothing is lost while the broker keeps its queue",
        };
        Message { schema: Some(STORE_ALERT_SCHEMA), ..Message::retained(topic, json(&alert)) }
    }

    /// The answer to a service message, on its response topic if it named a usable one.
    pub fn service_answer(&self, unit: &UnitId, request: &Request, outcome: Result<&ServiceEntry, &str>) -> Message {
        let topic = match &request.response_topic {
            Some(topic) if is_topic_name(topic) => topic.clone(),
            _ => self.unit(unit, "service"),
        };
        Message {
            topic,
            payload: json(&ServiceAnswer::new(unit, outcome)),
            retain: false,
            expiry: Some(SERVICE_ANSWER_EXPIRY),
            correlation: request.correlation.clone(),
            schema: Some(SERVICE_ANSWER_SCHEMA),
        }
    }
}

/// That nothing is stored, on `…/daemon/alert/store`.
#[derive(Clone, Debug, Serialize)]
struct StoreAlert {
    schema: &'static str,
    kind: &'static str,
    since: Timestamp,
    says: String,
    action: &'static str,
}

/// What MQTT 5 says about where to answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Request {
    /// Response topic.
    pub response_topic: Option<String>,
    /// Correlation data, to be sent back as it came.
    pub correlation: Option<Vec<u8>>,
}

/// Whether something can be published to `topic`: 1 to 65,535 bytes, no wildcards, no NUL, none of the broker's own.
pub fn is_topic_name(topic: &str) -> bool {
    (1..=65_535).contains(&topic.len()) && !topic.contains(['+', '#', '\0']) && !topic.starts_with('$')
}

/// These types have string keys and no failing parts, so that writing them cannot fail.
fn json(value: &impl Serialize) -> Vec<u8> {
    serde_json::to_vec(value).unwrap_or_default()
}

/// The answer to a service message.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ServiceAnswer {
    /// [`SERVICE_ANSWER_SCHEMA`]
    pub schema: &'static str,
    /// `SITE/UNIT`.
    pub unit: UnitId,
    /// Whether the action was recorded.
    pub accepted: bool,
    /// The recorded action.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action: Option<ServiceAction>,
    /// The recorded time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time: Option<Timestamp>,
    /// One sentence: what was recorded, or why not and what to send.
    pub says: String,
}

impl ServiceAnswer {
    fn new(unit: &UnitId, outcome: Result<&ServiceEntry, &str>) -> Self {
        let (action, time, says) = match outcome {
            Ok(entry) => (Some(entry.action), Some(entry.at), format!("recorded {} at {}", entry.action, entry.at)),
            Err(why) => (None, None, format!("not recorded: {why}")),
        };
        Self { schema: SERVICE_ANSWER_SCHEMA, unit: unit.clone(), accepted: outcome.is_ok(), action, time, says }
    }
}

/// The answer to an order about alerts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OrderAnswer {
    /// [`ORDER_ANSWER_SCHEMA`]
    pub schema: &'static str,
    /// As the order's topic had it.
    pub site: String,
    /// As the order's topic had it.
    pub unit: String,
    /// As the order's topic had it.
    pub kind: String,
    /// Whether it was done.
    pub accepted: bool,
    /// One sentence: what was done, or why not.
    pub says: String,
}

/// How the daemon is doing. Counts are since it started.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Health {
    /// [`HEALTH_SCHEMA`]
    pub schema: &'static str,
    /// Version of the program.
    pub version: &'static str,
    /// When this was true.
    pub at: Timestamp,
    /// When the daemon started.
    pub started: Timestamp,
    /// Units in the config.
    pub units: usize,
    /// Units that sent readings and are not in the config.
    pub unknown_units: usize,
    /// Messages that arrived.
    pub messages_in: u64,
    /// Readings stored.
    pub readings_in: u64,
    /// What was refused, by reason (see [`super::decode::Reason::name`]).
    pub refused: BTreeMap<&'static str, u64>,
    /// Bytes that wait to be stored.
    pub queue_bytes: usize,
    /// Messages that wait for the broker's confirmation.
    pub outbox: usize,
    /// When readings were last on disk.
    pub last_flush: Option<Timestamp>,
    /// Bytes of the store on disk.
    pub store_bytes: u64,
    /// The unit that has been heard of least lately.
    pub oldest_unit: Option<OldestUnit>,
    /// Assessments made.
    pub fits: u64,
    /// Live alerts.
    pub alerts: usize,
    /// Notices that wait for a channel.
    pub notices_waiting: usize,
    /// Why nothing can be stored at the moment, if so. Nothing is acknowledged then, and the broker keeps it.
    pub store_fault: Option<String>,
}

/// A unit and when it last sent a reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OldestUnit {
    /// `SITE/UNIT`.
    pub unit: UnitId,
    /// When; `None`: never.
    pub last: Option<Timestamp>,
}

impl Health {
    /// The health of a daemon that has just started.
    pub fn new(started: Timestamp, units: usize) -> Self {
        Self {
            schema: HEALTH_SCHEMA,
            version: env!("CARGO_PKG_VERSION"),
            at: started,
            started,
            units,
            unknown_units: 0,
            messages_in: 0,
            readings_in: 0,
            refused: BTreeMap::new(),
            queue_bytes: 0,
            outbox: 0,
            last_flush: None,
            store_bytes: 0,
            oldest_unit: None,
            fits: 0,
            alerts: 0,
            notices_waiting: 0,
            store_fault: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mqtt::decode::Reason;

    fn unit() -> UnitId {
        "heron-bight/boathouse".parse().unwrap()
    }

    fn text(message: &Message) -> String {
        String::from_utf8(message.payload.clone()).unwrap()
    }

    /// The topics of the contract.
    #[test]
    fn topics() {
        let topics = Topics::new("fadeline");
        let contract: Assessment =
            serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap();
        let assessment = topics.assessment(&unit(), &contract);
        assert_eq!(assessment.topic, "fadeline/out/heron-bight/boathouse/assessment");
        assert!(
            assessment.retain && assessment.expiry.is_none() && assessment.schema == Some("fadeline.assessment.v1")
        );
        assert_eq!(serde_json::from_slice::<Assessment>(&assessment.payload).unwrap(), contract);

        let condition = topics.condition(&unit(), Condition::InService);
        assert_eq!(
            (condition.topic.as_str(), &*text(&condition)),
            ("fadeline/out/heron-bight/boathouse/condition", "in-service")
        );
        let clean_by = topics.clean_by(&unit(), Some(jiff::civil::date(2026, 9, 28)));
        assert_eq!(
            (clean_by.topic.as_str(), &*text(&clean_by)),
            ("fadeline/out/heron-bight/boathouse/clean-by", "2026-09-28")
        );
        assert_eq!(text(&topics.clean_by(&unit(), None)), "none");

        let alert = topics.alert(&unit(), "short", Some(&BTreeMap::from([("kind", "short")])), None);
        assert_eq!(
            (alert.topic.as_str(), &*text(&alert)),
            ("fadeline/out/heron-bight/boathouse/alert/short", r#"{"kind":"short"}"#)
        );
        let over = topics.alert(&unit(), "short", None::<&()>, None);
        assert!(over.retain && over.payload.is_empty(), "an empty retained message clears the topic");

        assert_eq!(topics.daemon_state(false), Message::retained("fadeline/out/daemon".into(), "offline"));
        assert_eq!(text(&topics.daemon_state(true)), "online");
    }

    #[test]
    fn service_topics_and_answers() {
        let topics = Topics::new("a/b");
        assert_eq!(topics.service_filter(), "a/b/service/+/+");
        assert_eq!(topics.service_unit("a/b/service/heron-bight/boathouse"), Some(Ok(unit())));
        assert!(topics.service_unit("a/b/service/Heron/x").unwrap().is_err());
        assert_eq!(topics.service_unit("a/b/in/heron-bight/boathouse"), None);

        let at: Timestamp = "2026-08-14T06:00:00Z".parse().unwrap();
        let entry = ServiceEntry::new(at, ServiceAction::SleeveCleaned);
        let asked = Request { response_topic: Some("answers/me".into()), correlation: Some(vec![1, 2]) };
        let answer = topics.service_answer(&unit(), &asked, Ok(&entry));
        assert_eq!(
            (answer.topic.as_str(), answer.correlation.as_deref(), answer.retain),
            ("answers/me", Some(&[1u8, 2][..]), false)
        );
        assert_eq!(
            text(&answer),
            r#"{"schema":"fadeline.service-answer.v1","unit":"heron-bight/boathouse","accepted":true,"action":"sleeve-cleaned","time":"2026-08-14T06:00:00Z","says":"recorded sleeve-cleaned at 2026-08-14T06:00:00Z"}"#
        );
        for topic in ["", "a/+", "#", "$SYS/x"] {
            let asked = Request { response_topic: Some(topic.into()), correlation: None };
            let answer = topics.service_answer(&unit(), &asked, Err("no `action`"));
            assert_eq!(answer.topic, "a/b/out/heron-bight/boathouse/service");
            assert!(text(&answer).contains(r#""accepted":false,"says":"not recorded: no `action`""#));
        }
    }

    #[test]
    fn health() {
        let mut health = Health::new("2026-08-14T06:00:00Z".parse().unwrap(), 8);
        health.refused.insert(Reason::NoTime.name(), 3);
        let message = Topics::new("fadeline").health(&health);
        assert_eq!(message.topic, "fadeline/out/daemon/health");
        let json: serde_json::Value = serde_json::from_slice(&message.payload).unwrap();
        assert_eq!(
            (&json["refused"]["no-time"], &json["units"], &json["last_flush"]),
            (&3.into(), &8.into(), &serde_json::Value::Null)
        );
    }
}
