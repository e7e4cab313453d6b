//! Webhook, push and mail over TLS to servers whose authority is our own: delivered when the config names it, refused
//! and kept when it does not.

use std::fs;
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};

use fadeline::domain::time::MINUTE;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};
use serde_json::Value as Json;

use super::broker::Mosquitto;
use super::clock::TurnedClock;
use super::daemon::{Daemon, wait_for};
use super::mqtt::certificates;
use super::notify::{
    Got, Greeting, config, converse_smtp, header, low_reading, serve_http, signature, take, write_key,
};
use super::publish::collect;

/// A server's certificate for 127.0.0.1, and the authority behind it in `dir/ca.pem`.
fn server(dir: &Path) -> Arc<ServerConfig> {
    let (authority, signed) = certificates::chain(&["127.0.0.1"]);
    fs::write(dir.join("ca.pem"), authority).unwrap();
    fs::write(dir.join("stranger.pem"), certificates::chain(&[]).0).unwrap();
    let (certificate, key) = &signed[0];
    let chain = vec![CertificateDer::from_pem_slice(certificate.as_bytes()).unwrap()];
    let key = PrivateKeyDer::from_pem_slice(key.as_bytes()).unwrap();
    let builder = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()));
    let builder = builder.with_safe_default_protocol_versions().unwrap().with_no_client_auth();
    Arc::new(builder.with_single_cert(chain, key).unwrap())
}

/// Serves each connection to a port of its own, one after the other.
fn listen(serve: impl Fn(std::net::TcpStream) + Send + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || listener.incoming().for_each(|stream| serve(stream.unwrap())));
    port
}

fn https(tls: &Arc<ServerConfig>) -> (u16, Receiver<Got>) {
    let (sender, got) = channel();
    let tls = Arc::clone(tls);
    let port = listen(move |stream| {
        let mut line = StreamOwned::new(ServerConnection::new(Arc::clone(&tls)).unwrap(), stream);
        let _nobody_listens = serve_http(&mut line, 200, &sender);
        line.conn.send_close_notify();
        // The other end may have gone.
        let _gone = line.flush();
    });
    (port, got)
}

fn smtp(tls: &Arc<ServerConfig>, start_tls: bool) -> (u16, Receiver<Got>) {
    let (sender, got) = channel();
    let tls = Arc::clone(tls);
    let port = listen(move |stream| {
        let (stream, greeting) = if start_tls {
            // In the clear nothing but the wish for TLS is answered.
            let Some(stream) = converse_smtp(stream, Greeting::WantsTls, &sender) else { return };
            (stream, Greeting::Protected)
        } else {
            (stream, Greeting::Clear)
        };
        let line = StreamOwned::new(ServerConnection::new(Arc::clone(&tls)).unwrap(), stream);
        converse_smtp(line, greeting, &sender);
    });
    (port, got)
}

struct Servers {
    webhook: (u16, Receiver<Got>),
    push: (u16, Receiver<Got>),
    mail: (u16, Receiver<Got>),
    start_tls: (u16, Receiver<Got>),
}

impl Servers {
    fn start(tls: &Arc<ServerConfig>) -> Self {
        Self { webhook: https(tls), push: https(tls), mail: smtp(tls, false), start_tls: smtp(tls, true) }
    }

    /// The channels of a config; `ca_file`: a line of each.
    fn channels(&self, ca_file: &str) -> String {
        let mail = |url: String, to: &str| {
            format!(
                "[[notify.mail]]\nurl = \"{url}\"\nfrom = \"f@example.org\"\nto = [\"{to}@example.org\"]\n{ca_file}"
            )
        };
        format!(
            "[[notify.webhook]]\nurl = \"https://127.0.0.1:{}/hook\"\npassword_file = \"key\"\n{ca_file}\
             [[notify.push]]\nurl = \"https://127.0.0.1:{}/push\"\n{ca_file}{}{}",
            self.webhook.0,
            self.push.0,
            mail(format!("smtps://127.0.0.1:{}", self.mail.0), "ana"),
            mail(format!("smtp+starttls://127.0.0.1:{}", self.start_tls.0), "tom"),
        )
    }

    fn all(&self) -> [&Receiver<Got>; 4] {
        [&self.webhook.1, &self.push.1, &self.mail.1, &self.start_tls.1]
    }

    fn delivered(&self) {
        let (head, body) = take(&self.webhook.1);
        assert!(head.starts_with("POST /hook HTTP/1.1"), "{head}");
        assert_eq!(header(&head, "x-fadeline-signature"), signature("correct horse", &body));
        let notice: Json = serde_json::from_slice(&body).unwrap();
        assert_eq!(notice["items"][0]["kind"], "treatment-not-assured");
        let (_, text) = take(&self.push.1);
        assert!(String::from_utf8(text).unwrap().contains("treatment is not assured"));
        for (got, to) in [(&self.mail.1, "ana"), (&self.start_tls.1, "tom")] {
            let (envelope, mail) = take(got);
            assert!(envelope.contains(&format!("RCPT TO:<{to}@example.org>")), "{envelope}");
            assert!(String::from_utf8(mail).unwrap().contains("Subject: Treatment not assured: Boathouse"));
        }
    }
}

#[test]
fn every_channel_delivers_to_an_authority_that_the_config_names() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let servers = Servers::start(&server(dir.path()));
    write_key(dir.path());
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, &servers.channels("ca_file = \"ca.pem\"\n"))).unwrap();
    let daemon = Daemon::start(&file);
    low_reading(port);
    servers.delivered();
    assert!(!daemon.log().contains("was not taken"), "{}", daemon.log());
}

#[test]
fn a_stranger_gets_nothing_and_what_he_should_have_got_waits() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let servers = Servers::start(&server(dir.path()));
    write_key(dir.path());
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, &servers.channels("ca_file = \"stranger.pem\"\n"))).unwrap();
    let mut clock = TurnedClock::new(dir.path(), "2026-06-10T08:00:00Z".parse().unwrap());
    let mut daemon = Daemon::start_with(&file, |command| clock.give(command));
    low_reading(port);
    wait_for("four refusals", || (daemon.log().matches("a notice was not taken").count() >= 4).then_some(()));
    let log = daemon.log();
    for channel in ["webhook 127.0.0.1", "push 127.0.0.1", "mail ana@example.org", "mail tom@example.org"] {
        let line = log.lines().find(|line| line.contains("was not taken") && line.contains(channel)).unwrap();
        assert!(line.contains("certificate") && line.contains("name its authority as ca_file"), "{line}");
    }
    assert!(servers.all().iter().all(|got| got.try_recv().is_err()), "nothing reached a stranger");
    // The same to the authorities of the machine, which do not know ours either.
    daemon.kill();
    fs::write(&file, config(port, &servers.channels(""))).unwrap();
    clock.turn(clock.now().plus_millis(MINUTE));
    daemon.restart();
    wait_for("eight refusals", || (daemon.log().matches("a notice was not taken").count() >= 8).then_some(()));
    assert!(servers.all().iter().all(|got| got.try_recv().is_err()), "nothing reached a stranger");
    // The health is said each minute, by the clock.
    clock.turn(clock.now().plus_millis(MINUTE + 1));
    collect(port, "watcher", "fadeline/out/daemon/health", |got| got.iter().any(|(_, health)| waiting(health) == 4));
    // With the right authority they get what has waited on the disk.
    daemon.kill();
    fs::write(&file, config(port, &servers.channels("ca_file = \"ca.pem\"\n"))).unwrap();
    clock.turn(clock.now().plus_millis(MINUTE));
    daemon.restart();
    servers.delivered();
}

/// How many notices wait, by what the health topic says.
fn waiting(health: &[u8]) -> u64 {
    serde_json::from_slice::<Json>(health).unwrap()["notices_waiting"].as_u64().unwrap()
}
