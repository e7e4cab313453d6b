//! Webhook, push and mail against servers of the tests: signed, tried again, kept on disk over a restart.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::mpsc::{Receiver, Sender, channel};

use serde_json::Value as Json;

use super::broker::Mosquitto;
use super::daemon::{Daemon, PATIENCE};
use super::publish::publish_all;

/// What a server of the tests got: the head of the request (or the mail's envelope) and its body.
type Got = (String, Vec<u8>);

/// An HTTP server that answers each request with the next status; the last one for ever.
fn http_server(statuses: &'static [u16]) -> (u16, Receiver<Got>) {
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

fn serve_http(stream: TcpStream, status: u16, sender: &Sender<Got>) -> Option<()> {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
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
    let mut stream = stream;
    write!(stream, "HTTP/1.1 {status} X\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok").unwrap();
    sender.send((head, body)).ok()
}

/// An SMTP server that takes everything.
fn mail_server() -> (u16, Receiver<Got>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (sender, got) = channel();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            serve_mail(stream.unwrap(), &sender);
        }
    });
    (port, got)
}

fn serve_mail(mut stream: TcpStream, sender: &Sender<Got>) {
    let reader = BufReader::new(stream.try_clone().unwrap());
    let (mut envelope, mut mail, mut in_mail) = (String::new(), String::new(), false);
    write!(stream, "220 test ESMTP\r\n").unwrap();
    for line in reader.lines().map_while(Result::ok) {
        if in_mail {
            if line == "." {
                in_mail = false;
                write!(stream, "250 taken\r\n").unwrap();
                let _ended = sender.send((envelope.clone(), mail.clone().into_bytes()));
            } else {
                mail += &format!("{line}\n");
            }
            continue;
        }
        envelope += &format!("{line}\n");
        let answer = match line.split(' ').next().unwrap_or_default().to_uppercase().as_str() {
            "EHLO" => "250-test\r\n250 8BITMIME",
            "DATA" => {
                in_mail = true;
                "354 go on"
            }
            "QUIT" => "221 bye",
            _ => "250 ok",
        };
        if write!(stream, "{answer}\r\n").is_err() {
            return;
        }
    }
}

fn config(port: u16, notify: &str) -> String {
    format!(
        "zone = \"Europe/Vienna\"\n[broker]\nurl = \"mqtt://127.0.0.1:{port}\"\nclient_id = \"notify-test\"\n\
         [store]\npath = \"store\"\n{notify}\n[[unit]]\nsite = \"heron-bight\"\nunit = \"boathouse\"\n\
         name = \"Boathouse\"\nset_point.intensity = 14.0\nreference.intensity = 24.0\n"
    )
}

fn take(got: &Receiver<Got>) -> Got {
    got.recv_timeout(PATIENCE).expect("a message in time")
}

fn low_reading(port: u16) {
    publish_all(port, "gateway", vec![("fadeline/in/heron-bight/boathouse".to_owned(), b"9.5".to_vec())]);
}

fn write_key(dir: &Path) {
    use std::os::unix::fs::PermissionsExt;
    fs::write(dir.join("key"), "correct horse\n").unwrap();
    fs::set_permissions(dir.join("key"), fs::Permissions::from_mode(0o600)).unwrap();
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
    let signature = fadeline::notify::message::signature("correct horse", &body);
    assert!(head.to_lowercase().contains(&format!("x-fadeline-signature: {signature}")), "{head}");
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
