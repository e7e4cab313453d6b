//! The pages of a fleet of 1,000 units, asked of a running daemon over loopback: time from the request to the last byte,
//! and bytes as a browser gets them (gzip), head and all.

use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;

use fadeline::analysis::Constants;
use fadeline::clock;
use fadeline::daemon::assess::{Job, assess};
use fadeline::domain::time::{DAY, MINUTE};
use fadeline::domain::{Reading, UnitId, UnitSpec};
use fadeline::store::Store;

use super::fleet::{id, put, reading};
use super::intake::{Fadeline, wait_for};
use super::store::open;
use super::table::Row;
use super::timing::{median, once};

const UNITS: usize = 1_000;
/// Of ten-minute readings of the first unit.
const DAYS: i64 = 365;
const SAMPLES: usize = 15;

/// Times and sizes.
pub fn run() -> Result<Vec<Row>, String> {
    let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
    // Free a moment ago; nobody else here takes ports.
    let port =
        TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).map_err(|e| e.to_string())?.port();
    let config = folder.path().join("fadeline.toml");
    fs::write(&config, config_text(port)).map_err(|error| error.to_string())?;
    history(&open(&folder.path().join("store")));
    let daemon = Fadeline::start(&config);
    wait_for("the daemon", || (daemon.latest().len() == UNITS).then_some(()));
    let unit = format!("/units/{}", id(0));
    let readings = format!("/api/v1/units/{}/readings", id(0));
    // What a browser loads beside every page.
    let beside: usize =
        ["/assets/style.css", "/assets/page.js", "/assets/icon.svg"].map(|path| get(port, path).len()).iter().sum();
    let mut rows = Vec::new();
    for (what, path, goals) in [
        ("fleet page of 1,000 units", "/", Some(("< 100", "< 300"))),
        ("fleet as JSON", "/api/v1/fleet", None),
        ("round of 1,000 units", "/round", None),
        ("unit page with its year", &unit, Some(("< 60", "< 150"))),
        ("a year of a unit for a chart, JSON", &readings, None),
    ] {
        let mut bytes = 0;
        let times = (0..SAMPLES).map(|_| {
            let (answer, seconds) = once(|| get(port, path));
            bytes = answer.len();
            seconds
        });
        let millis = Row::new(format!("pages: {what}"), median(times.collect()) * 1e3, "ms");
        let Some((within, kilobytes)) = goals else {
            rows.push(millis);
            continue;
        };
        let size = Row::new(format!("pages: {what}, with style and script"), (bytes + beside) as f64 / 1e3, "kB");
        rows.extend([millis.goal(within), size.goal(kilobytes)]);
    }
    Ok(rows)
}

fn get(port: u16, path: &str) -> Vec<u8> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the pages");
    let head = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n");
    stream.write_all(head.as_bytes()).expect("a connection");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("a connection");
    assert!(
        answer.starts_with(b"HTTP/1.1 200"),
        "{path}: {}",
        String::from_utf8_lossy(&answer[..200.min(answer.len())])
    );
    answer
}

/// A year of the first unit, judged by the daemon's own rules; the others have its days.
fn history(store: &Store) {
    let now = clock::now();
    let start = now.plus_millis(-DAYS * DAY);
    let rows: Vec<(UnitId, Reading)> = (0..DAYS * 144)
        .map(|n| start.plus_millis(n * 10 * MINUTE))
        .map(|at| (id(0), reading(at, at.days_since(start) / 4.0)))
        .collect();
    store.load(&rows).expect("room on the disk");
    let job = Job { spec: Arc::new(UnitSpec::new(id(0), 14.0)), latest: None, cadence_millis: None, neighbours: None };
    let made = assess(store, &job, &Constants::default(), now).expect("an assessment");
    let days = store.days(&id(0), None, None).expect("days");
    for unit in 1..UNITS {
        put(store, unit, &rows[rows.len() - 288..], &days, &made.0);
    }
}

fn config_text(port: u16) -> String {
    let unit = |n| {
        let id = id(n);
        format!(
            "[[unit]]\nsite = \"{}\"\nunit = \"{}\"\nset_point.intensity = 14\nreference.intensity = 24\n",
            id.site(),
            id.unit()
        )
    };
    // Nothing listens at the broker's address: the pages need none.
    format!(
        "zone = \"UTC\"\n[broker]\nurl = \"mqtt://127.0.0.1:9\"\n[store]\npath = \"store\"\n[log]\nfilter = \"error\"\n\
         [web]\nlisten = \"127.0.0.1:{port}\"\n"
    ) + &(0..UNITS).map(unit).collect::<String>()
}
