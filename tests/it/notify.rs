//! Webhook, push and mail against servers of the tests: signed, tried again, kept on disk over a restart.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;
use std::sync::mpsc::{Receiver, Sender, channel};

use hmac::{Hmac, KeyInit, Mac};
use serde_json::Value as Json;
use sha2::Sha256;

use super::broker::Mosquitto;
use super::daemon::{Daemon, PATIENCE};
use super::publish::publish_all;

/// What a server of the tests got: the head of the request (or the mail's envelope) and its body.
pub type Got = (String, Vec<u8>);

/// An HTTP server that answers each request with the next status; the last one for ever.
pub fn http_server(statuses: &'static [u16]) -> (u16, Receiver<Got>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (sender, got) = channel();
    std::thread::spawn(move || {
        for (i, stream) in listener.incoming().enumerate() {
            let status = statuses[i.min(statuses.len() - 1)];
            if serve_http(stream.unwrap(), status, &sender).is_none() {
                return;
            }
        }
    });
    (port, got)
}

/// Answers one request on a line, whatever protects it.
pub fn serve_http(line: impl Read + Write, status: u16, sender: &Sender<Got>) -> Option<()> {
    let mut reader = BufReader::new(line);
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).ok()? == 0 {
            // Whoever does not trust us goes without a word.
            return Some(());
        }
        if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
        if line.trim().is_empty() {
            break;
        }
        head += &line;
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    let answer = format!("HTTP/1.1 {status} X\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok");
    let line = reader.get_mut();
    line.write_all(answer.as_bytes()).and_then(|()| line.flush()).unwrap();
    sender.send((head, body)).ok()
}

/// An SMTP server that takes everything.
fn mail_server() -> (u16, Receiver<Got>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (sender, got) = channel();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            converse_smtp(stream.unwrap(), Greeting::Clear, &sender);
        }
    });
    (port, got)
}

/// How a conversation with a mail server begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Greeting {
    /// With a greeting; mail is taken.
    Clear,
    /// With a greeting; nothing is taken until the line is protected.
    WantsTls,
    /// After the line was protected: without a greeting.
    Protected,
}

/// Takes mail on a line; gives the line back when its other end wants it protected.
pub fn converse_smtp<S: Read + Write>(line: S, greeting: Greeting, sender: &Sender<Got>) -> Option<S> {
    let mut reader = BufReader::new(line);
    let (mut envelope, mut mail, mut in_mail) = (String::new(), String::new(), false);
    if greeting != Greeting::Protected {
        reader.get_mut().write_all(b"220 test ESMTP\r\n").ok()?;
    }
    loop {
        reader.get_mut().flush().ok()?;
        let mut text = String::new();
        if reader.read_line(&mut text).ok()? == 0 {
            return None;
        }
        let text = text.trim_end_matches(['\r', '\n']);
        if in_mail && text != "." {
            mail += &format!("{text}\n");
            continue;
        }
        let word = text.split(' ').next().unwrap_or_default().to_uppercase();
        envelope += &format!("{text}\n");
        let answer = match word.as_str() {
            "." => {
                in_mail = false;
                // The test may have seen enough.
                let _ended = sender.send((envelope.clone(), mail.clone().into_bytes()));
                "250 taken"
            }
            "EHLO" if greeting == Greeting::WantsTls => "250-test\r\n250-8BITMIME\r\n250 STARTTLS",
            "EHLO" => "250-test\r\n250 8BITMIME",
            "STARTTLS" if greeting == Greeting::WantsTls => {
                reader.get_mut().write_all(b"220 go on\r\n").ok()?;
                return Some(reader.into_inner());
            }
            "QUIT" => "221 bye",
            _ if greeting == Greeting::WantsTls => "530 protect the line first",
            "DATA" => {
                in_mail = true;
                "354 go on"
            }
            _ => "250 ok",
        };
        reader.get_mut().write_all(format!("{answer}\r\n").as_bytes()).ok()?;
    }
}

pub fn config(port: u16, notify: &str) -> String {
    format!(
        "zone = \"Europe/Vienna\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"notify-test\"\n\
         [store]\npath = \"store\"\n{notify}\n[[unit]]\nsite = \"heron-bight\"\nunit = \"boathouse\"\n\
         name = \"Boathouse\"\nset_point.intensity = 14.0\nreference.intensity = 24.0\n"
    )
}

pub fn take(got: &Receiver<Got>) -> Got {
    got.recv_timeout(PATIENCE).expect("a message in time")
}

pub fn low_reading(port: u16) {
    publish_all(port, "gateway", vec![("fadeline/in/heron-bight/boathouse".to_owned(), b"9.5".to_vec())]);
}

pub fn write_key(dir: &Path) {
    use std::os::unix::fs::PermissionsExt;
    fs::write(dir.join("key"), "correct horse\n").unwrap();
    fs::set_permissions(dir.join("key"), fs::Permissions::from_mode(0o600)).unwrap();
}

/// The value of a header.
pub fn header<'a>(head: &'a str, name: &str) -> &'a str {
    let line = head.lines().find(|line| line.to_lowercase().starts_with(&format!("{name}: ")));
    line.unwrap_or_else(|| panic!("no {name} in {head}")).split_once(": ").unwrap().1.trim_end()
}

/// The signature of a body as a receiver works it out, with an implementation that is not ours.
pub fn signature(key: &str, body: &[u8]) -> String {
    let mut mac = Hmac::<Sha256>::new_from_slice(key.as_bytes()).unwrap();
    mac.update(body);
    let hex: String = mac.finalize().into_bytes().iter().map(|byte| format!("{byte:02x}")).collect();
    format!("sha256={hex}")
}

#[test]
fn a_webhook_is_signed_and_tried_again_over_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let (hook, got) = http_server(&[503, 200]);
    write_key(dir.path());
    let notify =
        format!("[[notify.webhook]]\nurl = \"http://127.0.0.1:{hook}/hooks/x?y=1\"\npassword_file = \"key\"\n");
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, &notify)).unwrap();
    let mut daemon = Daemon::start(&file);
    low_reading(port);
    let (head, refused) = take(&got);
    assert!(head.starts_with("POST /hooks/x?y=1 HTTP/1.1"), "{head}");
    // The first answer was 503. Killed and started again, the daemon has it on disk and sends it once more.
    super::daemon::wait_for("the queue on disk", || daemon.log().contains("a notice was not taken").then_some(()));
    daemon.kill_and_restart();
    let (head, body) = take(&got);
    assert_eq!(body, refused, "the same notice");
    let notice: Json = serde_json::from_slice(&body).unwrap();
    assert_eq!(notice["schema"], "fadeline.notice.v1");
    assert_eq!(notice["items"][0]["kind"], "treatment-not-assured");
    assert_eq!(header(&head, "x-fadeline-signature"), signature("correct horse", &body));
    assert!(got.try_recv().is_err(), "taken once is enough");
}

#[test]
fn mail_and_push_carry_the_same_words() {
    let dir = tempfile::tempdir().unwrap();
    let broker = Mosquitto::start("");
    let port = broker.address().port();
    let (push, pushed) = http_server(&[200]);
    let (smtp, mailed) = mail_server();
    write_key(dir.path());
    let notify = format!(
        "[[notify.push]]\nurl = \"http://127.0.0.1:{push}/cabins\"\npassword_file = \"key\"\n\
         [[notify.mail]]\nurl = \"smtp://127.0.0.1:{smtp}\"\nfrom = \"fadeline@example.org\"\nto = [\"ana@example.org\"]\n"
    );
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(port, &notify)).unwrap();
    let _daemon = Daemon::start(&file);
    low_reading(port);
    let (head, body) = take(&pushed);
    let text = String::from_utf8(body).unwrap();
    let lower = head.to_lowercase();
    assert!(lower.contains("title: treatment not assured: boathouse, heron-bight"), "{head}");
    assert!(lower.contains("authorization: bearer correct horse"), "{head}");
    assert!(text.contains("health authority") && text.contains("First: "), "{text}");
    let (envelope, mail) = take(&mailed);
    assert!(envelope.contains("RCPT TO:<ana@example.org>"), "{envelope}");
    let mail = String::from_utf8(mail).unwrap();
    assert!(mail.contains("Subject: Treatment not assured: Boathouse, heron-bight"), "{mail}");
}

#[test]
fn alert_test_sends_one_through_each_and_says_what_fails() {
    let dir = tempfile::tempdir().unwrap();
    let (push, pushed) = http_server(&[200]);
    let (beat, beaten) = http_server(&[200]);
    let closed = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let notify = format!(
        "[notify]\nheartbeat = \"http://127.0.0.1:{beat}/beat\"\n[[notify.push]]\nurl = \"http://127.0.0.1:{push}/\"\n\
         [[notify.webhook]]\nurl = \"http://127.0.0.1:{closed}/\"\n"
    );
    let file = dir.path().join("fadeline.toml");
    fs::write(&file, config(1, &notify)).unwrap();
    let output =
        Command::new(env!("CARGO_BIN_EXE_fadeline")).args(["alert-test", "--config"]).arg(&file).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(69), "{text}");
    assert!(text.contains("push 127.0.0.1: sent") && text.contains("webhook 127.0.0.1: not sent: "), "{text}");
    assert!(text.contains("heartbeat 127.0.0.1: sent"), "{text}");
    assert!(String::from_utf8(take(&pushed).1).unwrap().contains("this is a test of the channel"));
    assert!(take(&beaten).0.starts_with("GET /beat "));
}
