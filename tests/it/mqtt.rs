//! The session against real brokers: mosquitto, and the embedded one.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::time::Duration;

use fadeline::mqtt::embedded::Embedded;
use fadeline::mqtt::encode::{Message, Topics};
use fadeline::mqtt::session::{self, Incoming, Limits, Outgoing, SessionEvent, SessionHandle, SubscriptionPlan};
use fadeline::mqtt::settings::{BrokerSettings, EmbeddedSettings, Login, Protocol, Secret, Tls};
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::time::timeout;

use crate::broker::{DEADLINE, Mosquitto, Network, heard, settings};

const BOTH: [Protocol; 2] = [Protocol::V5, Protocol::V311];
const GRACE: Duration = Duration::from_secs(10);

/// A session and what it said.
struct Daemon {
    handle: SessionHandle,
    events: UnboundedReceiver<SessionEvent>,
}

impl Daemon {
    fn start(settings: BrokerSettings) -> Self {
        Self::with(settings, Limits::default())
    }

    fn with(settings: BrokerSettings, limits: Limits) -> Self {
        let plan = SubscriptionPlan::daemon(&Topics::new("fadeline"), ["fadeline/in/+/+".to_owned()]);
        let (handle, events) = session::start(settings, plan, limits);
        Self { handle, events }
    }

    /// Waits for an event that `pick` takes; others are let go.
    async fn wait<T>(&mut self, what: &str, mut pick: impl FnMut(SessionEvent) -> Option<T>) -> T {
        let mut last_reason = String::new();
        let found = async {
            loop {
                let event = self.events.recv().await.expect("the session is alive");
                if let SessionEvent::Disconnected { reason, .. } = &event {
                    last_reason.clone_from(reason);
                }
                if let Some(found) = pick(event) {
                    return found;
                }
            }
        };
        timeout(DEADLINE, found).await.unwrap_or_else(|_| panic!("no {what} in time; {last_reason}"))
    }

    async fn connected(&mut self) -> bool {
        let pick = |event| if let SessionEvent::Connected { fresh } = event { Some(fresh) } else { None };
        self.wait("connection", pick).await
    }

    async fn disconnected(&mut self) -> (String, bool) {
        let pick = |event| match event {
            SessionEvent::Disconnected { reason, was_connected, .. } => Some((reason, was_connected)),
            _ => None,
        };
        self.wait("disconnection", pick).await
    }

    async fn message(&mut self) -> Incoming {
        self.wait("message", |event| if let SessionEvent::Message(message) = event { Some(message) } else { None })
            .await
    }

    async fn messages(&mut self, count: usize) -> Vec<Incoming> {
        let mut messages = Vec::new();
        while messages.len() < count {
            messages.push(self.message().await);
        }
        messages
    }

    /// Publishes and waits for the confirmation; everything acknowledged before has reached the broker then, too.
    async fn publish(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        let message = Message { topic: topic.into(), payload: payload.into(), ..Message::default() };
        self.handle.try_publish(Outgoing { tag: 7_777, message }).unwrap();
        self.wait("confirmation", |event| match event {
            SessionEvent::Delivered { tag: 7_777 } => Some(()),
            SessionEvent::Refused { reason, .. } => panic!("{reason}"),
            _ => None,
        })
        .await;
    }
}

/// Publishes payloads to the boathouse, each confirmed by the broker. Uses a session without subscriptions.
async fn send(settings: BrokerSettings, payloads: impl Iterator<Item = Vec<u8>>) {
    let (handle, mut events) = session::start(settings, SubscriptionPlan::default(), Limits::default());
    let mut waiting = BTreeSet::new();
    for (tag, payload) in (0..).zip(payloads) {
        let topic = "fadeline/in/heron-bight/boathouse".to_owned();
        let message = Message { topic, payload, ..Message::default() };
        waiting.insert(tag);
        // The session's window is larger than what a test sends, or this waits.
        handle.publish(Outgoing { tag, message }).await.unwrap();
    }
    let all = async {
        while !waiting.is_empty() {
            if let SessionEvent::Delivered { tag } = events.recv().await.unwrap() {
                waiting.remove(&tag);
            }
        }
    };
    timeout(DEADLINE, all).await.expect("everything is confirmed in time");
    handle.stop(GRACE).await;
}

fn number(message: &Incoming) -> u32 {
    std::str::from_utf8(&message.payload).unwrap().parse().unwrap()
}

fn numbers(range: std::ops::Range<u32>) -> impl Iterator<Item = Vec<u8>> {
    range.map(|n| n.to_string().into_bytes())
}

/// Acknowledged messages never come again, all others do, and an acknowledgement from before a cut acknowledges nothing
/// after it.
async fn redelivery(broker: SocketAddr, protocol: Protocol) {
    let network = Network::to(broker).await;
    let mut daemon = Daemon::start(settings(network.address, protocol, "daemon"));
    assert!(daemon.connected().await, "the broker has no session yet");
    send(settings(broker, protocol, "gateway"), numbers(0..90)).await;

    let mut first = daemon.messages(90).await;
    assert!(first.iter().map(number).eq(0..90), "in order");
    let late = first.split_off(40);
    for message in first {
        daemon.handle.ack(message.ack);
    }
    daemon.publish("elsewhere", "acknowledged up to here").await;
    network.cut();
    let (_, was_connected) = daemon.disconnected().await;
    assert!(was_connected);
    assert!(!daemon.connected().await, "the broker kept the session");

    let again = daemon.messages(50).await;
    assert!(again.iter().map(number).eq(40..90), "{:?}", again.iter().map(number).collect::<Vec<_>>());
    // Tokens of the lost connection: their packet ids are in use again, for the messages of this one.
    for message in late {
        daemon.handle.ack(message.ack);
    }
    daemon.publish("elsewhere", "stale ones are dropped").await;
    network.cut();
    assert!(!daemon.connected().await);
    let third = daemon.messages(50).await;
    assert!(third.iter().map(number).eq(40..90), "nothing was acknowledged by a stale token");
    for message in third {
        daemon.handle.ack(message.ack);
    }
    daemon.handle.stop(GRACE).await;

    send(settings(broker, protocol, "gateway"), numbers(90..91)).await;
    let mut daemon = Daemon::start(settings(broker, protocol, "daemon"));
    assert!(!daemon.connected().await, "stopping keeps the session");
    assert_eq!(number(&daemon.message().await), 90, "sent while away, and nothing old before it");
    daemon.handle.stop(GRACE).await;
}

#[tokio::test]
async fn redelivery_until_acknowledged() {
    let broker = Mosquitto::start("");
    redelivery(broker.address(), Protocol::V5).await;
}

#[tokio::test]
async fn redelivery_until_acknowledged_v311() {
    let broker = Mosquitto::start("");
    redelivery(broker.address(), Protocol::V311).await;
}

#[tokio::test]
async fn a_broker_that_is_absent_at_the_start() {
    for protocol in BOTH {
        let mut broker = Mosquitto::prepare("");
        let mut daemon = Daemon::start(settings(broker.address(), protocol, "daemon"));
        let (reason, was_connected) = daemon.disconnected().await;
        assert!(reason.contains("nothing listens at 127.0.0.1:") && !was_connected, "{reason}");
        broker.run();
        assert!(daemon.connected().await);
        daemon.publish("elsewhere", "subscribed by now").await;
        broker.publish("fadeline/in/heron-bight/boathouse", "21.4");
        assert_eq!(daemon.message().await.payload, b"21.4");
        daemon.handle.stop(GRACE).await;
    }
}

#[tokio::test]
async fn a_broker_that_restarts() {
    for protocol in BOTH {
        let mut broker = Mosquitto::start("persistence true");
        let mut daemon = Daemon::start(settings(broker.address(), protocol, "daemon"));
        assert!(daemon.connected().await);
        daemon.publish("elsewhere", "subscribed by now").await;
        send(settings(broker.address(), protocol, "gateway"), numbers(0..20)).await;
        let unacknowledged = daemon.messages(20).await;
        broker.stop();
        daemon.disconnected().await;
        broker.run();
        assert!(!daemon.connected().await, "a broker with persistence knows us after its restart");
        assert!(daemon.messages(20).await.iter().map(number).eq(0..20));
        drop(unacknowledged);

        // A broker that forgot everything: subscribed again without being asked.
        broker.stop();
        std::fs::remove_file(broker.folder().join("mosquitto.db")).unwrap();
        broker.run();
        assert!(daemon.connected().await);
        daemon.publish("elsewhere", "subscribed again by now").await;
        broker.publish("fadeline/in/heron-bight/boathouse", "21.4");
        assert_eq!(daemon.message().await.payload, b"21.4");
        daemon.handle.stop(GRACE).await;
    }
}

/// What waits to be published when the connection breaks goes out on the next one, confirmed once each.
#[tokio::test]
async fn publishes_survive_a_cut() {
    let broker = Mosquitto::start("");
    let network = Network::to(broker.address()).await;
    let mut daemon = Daemon::start(settings(network.address, Protocol::V5, "daemon"));
    daemon.connected().await;
    network.close();
    daemon.disconnected().await;
    for tag in 0..300 {
        let message = Message {
            topic: format!("fadeline/out/t/{tag}"),
            payload: b"x".to_vec(),
            retain: true,
            ..Message::default()
        };
        daemon.handle.try_publish(Outgoing { tag, message }).unwrap();
    }
    assert_eq!(daemon.handle.unconfirmed(), 300);
    network.open();
    let mut delivered = Vec::new();
    while delivered.len() < 300 {
        let tag = daemon.wait("confirmation", |event| match event {
            SessionEvent::Delivered { tag } => Some(tag),
            _ => None,
        });
        delivered.push(tag.await);
        if delivered.len() == 100 {
            network.cut();
        }
    }
    assert_eq!(delivered.iter().copied().collect::<BTreeSet<_>>(), (0..300).collect(), "each is confirmed");
    assert_eq!(heard(broker.listen("fadeline/out/t/+", 300)).len(), 300, "and is there");
    daemon.handle.stop(GRACE).await;
}

#[tokio::test]
async fn online_offline_and_the_last_will() {
    for protocol in BOTH {
        let broker = Mosquitto::start("");
        let network = Network::to(broker.address()).await;
        let mut daemon = Daemon::start(settings(network.address, protocol, "daemon"));
        daemon.connected().await;
        daemon.publish("elsewhere", "online is out before").await;
        assert_eq!(heard(broker.listen("fadeline/out/daemon", 1)), ["fadeline/out/daemon online"], "retained");
        network.close();
        daemon.disconnected().await;
        let will = broker.listen("fadeline/out/daemon", 2);
        let heard_will = tokio::task::spawn_blocking(move || heard(will));
        // The will may have come before the listener, which then hears it as retained, with online after it.
        network.open();
        daemon.connected().await;
        let lines = heard_will.await.unwrap();
        assert!(lines.contains(&"fadeline/out/daemon offline".to_owned()), "{lines:?}");
        daemon.publish("elsewhere", "online again").await;
        assert_eq!(heard(broker.listen("fadeline/out/daemon", 1)), ["fadeline/out/daemon online"]);
        daemon.handle.stop(GRACE).await;
        assert_eq!(heard(broker.listen("fadeline/out/daemon", 1)), ["fadeline/out/daemon offline"]);
    }
}

#[tokio::test]
async fn large_packets() {
    for protocol in BOTH {
        let broker = Mosquitto::start("");
        let mut daemon = Daemon::start(settings(broker.address(), protocol, "daemon"));
        daemon.connected().await;
        daemon.publish("elsewhere", "subscribed by now").await;
        send(settings(broker.address(), protocol, "gateway"), std::iter::once(vec![b' '; 1_000_000])).await;
        let message = daemon.message().await;
        assert_eq!(message.payload.len(), 1_000_000);
        daemon.handle.ack(message.ack);
        daemon.handle.stop(GRACE).await;
    }
}

/// MQTT 3.1.1 cannot tell the broker how much we take. A packet over it must not come back for ever.
#[tokio::test]
async fn a_packet_that_is_too_large_does_not_block_the_rest() {
    let broker = Mosquitto::start("");
    let small = BrokerSettings { max_packet: 20_000, ..settings(broker.address(), Protocol::V311, "daemon") };
    let mut daemon = Daemon::start(small);
    daemon.connected().await;
    daemon.publish("elsewhere", "subscribed by now").await;
    let payloads = [vec![b'1'; 200_000], b"2".to_vec()];
    send(settings(broker.address(), Protocol::V311, "gateway"), payloads.into_iter()).await;
    let (reason, _) = daemon.disconnected().await;
    assert!(reason.contains("larger than max_packet: send smaller packs, or raise it"), "{reason}");
    let messages = daemon.messages(2).await;
    assert_eq!(messages.iter().map(|m| m.payload.len()).collect::<Vec<_>>(), [200_000, 1]);
    daemon.handle.stop(GRACE).await;
}

/// When nothing can be stored: nothing is lost, the connection lives and can publish, and it all comes when it can.
#[tokio::test]
async fn a_store_that_cannot_keep_up() {
    for protocol in BOTH {
        let broker = Mosquitto::start("");
        let limits = Limits { queue_bytes: 10_000, patience: Duration::from_millis(100), ..Limits::default() };
        let mut daemon = Daemon::with(settings(broker.address(), protocol, "daemon"), limits);
        daemon.connected().await;
        daemon.publish("elsewhere", "subscribed by now").await;
        send(settings(broker.address(), protocol, "gateway"), numbers(0..500)).await;
        let mut held = Vec::new();
        let stalled = daemon.wait("stall", |event| match event {
            SessionEvent::Message(message) => {
                held.push(message);
                None
            }
            SessionEvent::Stalled => Some(()),
            _ => None,
        });
        stalled.await;
        assert!(held.len() > 10 && held.len() < 60, "{} messages fill 10 kB", held.len());
        assert!(daemon.handle.queue_bytes() > 9_000 && daemon.handle.queue_bytes() <= 10_000);
        daemon.publish("elsewhere", "alerts still go out").await;

        let mut seen: BTreeSet<u32> = BTreeSet::new();
        for message in held {
            seen.insert(number(&message));
            daemon.handle.ack(message.ack);
        }
        while seen.len() < 500 {
            let message = daemon.message().await;
            seen.insert(number(&message));
            daemon.handle.ack(message.ack);
        }
        daemon.publish("elsewhere", "all acknowledged").await;
        assert_eq!(daemon.handle.queue_bytes(), 0);
        daemon.handle.stop(GRACE).await;

        let mut daemon = Daemon::start(settings(broker.address(), protocol, "daemon"));
        daemon.connected().await;
        broker.publish("fadeline/in/heron-bight/boathouse", "500");
        assert_eq!(number(&daemon.message().await), 500, "none of the others is left");
        daemon.handle.stop(GRACE).await;
    }
}

#[tokio::test]
async fn refused_logins_and_publishes_are_named() {
    let secret = "a-password-that-must-not-show";
    for protocol in BOTH {
        let mut broker =
            Mosquitto::prepare("allow_anonymous false\npassword_file {folder}/passwords\nacl_file {folder}/acl");
        let passwords = broker.folder().join("passwords");
        let made = std::process::Command::new("mosquitto_passwd")
            .args(["-b", "-c", &passwords.display().to_string(), "daemon", secret])
            .status()
            .unwrap();
        assert!(made.success());
        std::fs::write(
            broker.folder().join("acl"),
            "user daemon\ntopic readwrite fadeline/out/#\ntopic read fadeline/service/#\n",
        )
        .unwrap();
        broker.run();
        let login = |password: &str| Some(Login { user: "daemon".into(), password: Secret::new(password.into()) });
        let wrong = BrokerSettings { login: login("wrong"), ..settings(broker.address(), protocol, "daemon") };
        let mut daemon = Daemon::start(wrong);
        let (reason, _) = daemon.disconnected().await;
        assert!(reason.contains("refused the login: check user and password"), "{reason}");
        daemon.handle.stop(GRACE).await;

        let right = BrokerSettings { login: login(secret), ..settings(broker.address(), protocol, "daemon") };
        assert!(!format!("{right:?}").contains(secret));
        let mut daemon = Daemon::start(right);
        daemon.connected().await;
        // A publish that the rules forbid: MQTT 5 says so. mosquitto 2.0.11 answers and then always cuts the connection,
        // and on a busy machine the cut overtakes the answer; to 3.1.1 it does the same.
        let message = Message { topic: "forbidden".into(), payload: b"x".to_vec(), ..Message::default() };
        daemon.handle.try_publish(Outgoing { tag: 1, message }).unwrap();
        let refused = daemon.wait("answer", |event| match event {
            SessionEvent::Refused { tag: 1, reason } => Some(Some(reason)),
            SessionEvent::Delivered { tag: 1 } => Some(None),
            SessionEvent::Disconnected { reason, was_connected: true, .. } => Some(Some(reason)),
            _ => None,
        });
        let reason = refused.await;
        let cut = reason.as_ref().is_some_and(|reason| reason.contains("what it lets this login publish"));
        match protocol {
            Protocol::V5 => assert!(cut || reason.as_deref() == Some("NotAuthorized"), "{reason:?}"),
            Protocol::V311 => assert!(cut || reason.is_none(), "3.1.1 has no way to refuse: {reason:?}"),
        }
        daemon.handle.stop(GRACE).await;
    }
}

pub mod certificates {
    use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};

    /// An authority and what it signs, as PEM: (authority, [(certificate, key); names]).
    pub fn chain(names: &[&str]) -> (String, Vec<(String, String)>) {
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, "Heron Bight authority");
        let authority = params.self_signed(&key).unwrap().pem();
        let issuer = Issuer::new(params, key);
        let signed = names.iter().map(|name| {
            let key = KeyPair::generate().unwrap();
            let mut params = CertificateParams::new(vec![(*name).to_owned()]).unwrap();
            params.distinguished_name.push(DnType::CommonName, *name);
            (params.signed_by(&key, &issuer).unwrap().pem(), key.serialize_pem())
        });
        (authority, signed.collect())
    }
}

#[tokio::test]
async fn tls_with_our_own_authority_and_a_client_certificate() {
    let (authority, signed) = certificates::chain(&["127.0.0.1", "daemon"]);
    let (stranger, _) = certificates::chain(&[]);
    let mut broker = Mosquitto::prepare(
        "cafile {folder}/ca.pem\ncertfile {folder}/broker.pem\nkeyfile {folder}/broker.key\nrequire_certificate true",
    );
    let folder = broker.folder();
    for (name, text) in [
        ("ca.pem", &authority),
        ("stranger.pem", &stranger),
        ("broker.pem", &signed[0].0),
        ("broker.key", &signed[0].1),
        ("daemon.pem", &signed[1].0),
        ("daemon.key", &signed[1].1),
    ] {
        std::fs::write(folder.join(name), text).unwrap();
    }
    broker.run();
    let client = Some((folder.join("daemon.pem"), folder.join("daemon.key")));
    let with = |ca: &str, client| Some(Tls { ca_file: Some(folder.join(ca)), client });
    for protocol in BOTH {
        let settings = |tls| BrokerSettings { tls, ..settings(broker.address(), protocol, "daemon") };
        let mut daemon = Daemon::start(settings(with("ca.pem", client.clone())));
        daemon.connected().await;
        let topic = "fadeline/in/heron-bight/boathouse".to_owned();
        let message = Message { topic, payload: b"21.4".to_vec(), ..Message::default() };
        daemon.handle.try_publish(Outgoing { tag: 1, message }).unwrap();
        assert_eq!(daemon.message().await.payload, b"21.4");
        daemon.handle.stop(GRACE).await;

        for (tls, piece) in [
            (with("stranger.pem", client.clone()), "check ca_file"),
            (with("ca.pem", None), "check"),
            (with("nowhere.pem", None), "nowhere.pem"),
            (with("ca.pem", Some((folder.join("daemon.pem"), folder.join("broker.key")))), "do not go together"),
            (with("ca.pem", Some((folder.join("daemon.pem"), folder.join("ca.pem")))), "holds no private key"),
        ] {
            let mut daemon = Daemon::start(settings(tls));
            let (reason, _) = daemon.disconnected().await;
            assert!(reason.contains(piece), "{reason}");
            daemon.handle.stop(GRACE).await;
        }
    }
}

/// What a sender of MQTT 5 asks for reaches whoever answers.
#[tokio::test]
async fn response_topic_and_correlation_data_come_through() {
    let broker = Mosquitto::start("");
    let mut daemon = Daemon::start(settings(broker.address(), Protocol::V5, "daemon"));
    daemon.connected().await;
    daemon.publish("elsewhere", "subscribed by now").await;
    let port = broker.address().port().to_string();
    let asked = std::process::Command::new("mosquitto_pub")
        .args(["-V", "5", "-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", "fadeline/service/heron-bight/boathouse"])
        .args(["-m", r#"{"action":"sleeve-cleaned"}"#])
        .args(["-D", "publish", "response-topic", "answers/me", "-D", "publish", "correlation-data", "no 7"])
        .status()
        .unwrap();
    assert!(asked.success());
    let message = daemon.message().await;
    assert_eq!(message.response_topic.as_deref(), Some("answers/me"));
    assert_eq!(message.correlation.as_deref(), Some(&b"no 7"[..]));
    daemon.handle.stop(GRACE).await;
}

#[tokio::test]
async fn two_daemons_with_one_id_are_told() {
    let broker = Mosquitto::start("");
    let mut one = Daemon::start(settings(broker.address(), Protocol::V5, "daemon"));
    one.connected().await;
    let mut two = Daemon::start(settings(broker.address(), Protocol::V5, "daemon"));
    two.connected().await;
    let (reason, _) = one.disconnected().await;
    // mosquitto 2.0 closes the connection without the reason MQTT 5 has for it.
    assert!(reason.contains("client_id"), "{reason}");
    one.handle.stop(GRACE).await;
    two.handle.stop(GRACE).await;
}

#[tokio::test]
async fn stopping_without_a_broker_takes_no_time() {
    let broker = Mosquitto::prepare("");
    let mut daemon = Daemon::start(settings(broker.address(), Protocol::V5, "daemon"));
    daemon.disconnected().await;
    let message = Message { topic: "never".into(), ..Message::default() };
    daemon.handle.try_publish(Outgoing { tag: 1, message }).unwrap();
    timeout(Duration::from_secs(2), daemon.handle.stop(Duration::from_secs(60))).await.expect("nothing to wait for");
}

fn embedded(logins: Vec<Login>) -> Embedded {
    let loopback: SocketAddr = "127.0.0.1:0".parse().unwrap();
    Embedded::start(&EmbeddedSettings { listen_v5: loopback, listen_v311: Some(loopback), logins }).unwrap()
}

#[tokio::test]
async fn the_embedded_broker_delivers_until_acknowledged() {
    redelivery(embedded(Vec::new()).v5, Protocol::V5).await;
}

#[tokio::test]
async fn the_embedded_broker_delivers_until_acknowledged_v311() {
    redelivery(embedded(Vec::new()).v311.unwrap(), Protocol::V311).await;
}

#[tokio::test]
async fn the_embedded_broker_keeps_retained_messages_and_checks_logins() {
    let login = |password: &str| Login { user: "gateway".into(), password: Secret::new(password.into()) };
    for protocol in BOTH {
        let broker = embedded(vec![login("right")]);
        let address = if protocol == Protocol::V5 { broker.v5 } else { broker.v311.unwrap() };
        let with = |password: &str, id: &str| BrokerSettings {
            login: Some(login(password)),
            ..settings(address, protocol, id)
        };
        let mut stranger = Daemon::start(with("wrong", "stranger"));
        let (reason, was_connected) = stranger.disconnected().await;
        assert!(!was_connected && reason.contains("check login"), "{reason}");
        stranger.handle.stop(GRACE).await;

        let mut daemon = Daemon::start(with("right", "daemon"));
        daemon.connected().await;
        let message = Message {
            topic: "fadeline/in/heron-bight/boathouse".into(),
            payload: b"21.4".to_vec(),
            retain: true,
            ..Message::default()
        };
        daemon.handle.try_publish(Outgoing { tag: 1, message }).unwrap();
        let message = daemon.message().await;
        assert!(!message.retain, "live the first time");
        daemon.handle.ack(message.ack);
        let mut later = Daemon::start(with("right", "later"));
        let message = later.message().await;
        assert!(message.retain && message.payload == b"21.4", "kept for those who come later: {message:?}");
        later.handle.stop(GRACE).await;
        daemon.handle.stop(GRACE).await;
    }
}

#[tokio::test]
async fn a_live_check_finds_what_is_wrong() {
    use fadeline::mqtt::live::{Severity, check_live};
    let filters = ["fadeline/in/+/+".to_owned(), "fadeline/service/+/+".to_owned()];
    for protocol in BOTH {
        let broker = Mosquitto::start("");
        let findings = check_live(&settings(broker.address(), protocol, "daemon"), &filters, "fadeline/check").await;
        let subjects: Vec<_> = findings.iter().map(|finding| finding.subject).collect();
        assert_eq!(subjects, ["connection", "subscription", "subscription", "round trip", "queue"], "{findings:?}");
        assert!(findings.iter().all(|finding| finding.severity == Severity::Good), "{findings:?}");

        // mosquitto as it comes: at most 1,000 messages wait for a client that is away.
        let stock = Mosquitto::start("max_queued_messages 1000\nmax_inflight_messages 20");
        let findings = check_live(&settings(stock.address(), protocol, "daemon"), &filters, "fadeline/check").await;
        let queue = findings.last().unwrap();
        assert_eq!((queue.subject, queue.severity), ("queue", Severity::Warning), "{findings:?}");
        assert!(queue.text.contains("max_queued_messages 0"), "{}", queue.text);
    }
    let absent = Mosquitto::prepare("");
    let findings = check_live(&settings(absent.address(), Protocol::V5, "daemon"), &filters, "fadeline/check").await;
    assert_eq!(findings.len(), 1);
    assert!(findings[0].severity == Severity::Bad && findings[0].text.contains("nothing listens"), "{findings:?}");
}
