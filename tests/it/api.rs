//! The API and the pages over TCP, as programs use them and as an attacker would try them: bytes on a socket, no client
//! that would tidy them up. What a status or a header means is by RFC 9110 (HTTP), RFC 9457 (problems) and the HTML
//! standard (server-sent events).

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};

use fadeline::domain::time::{HOUR, MINUTE};
use fadeline::domain::{Channel, Reading, Timestamp, UnitId};
use fadeline::web::{openapi, route};
use serde_json::Value;

use super::daemon::{Daemon, PATIENCE, wait_for};
use super::export::Place;

/// When the readings of a [`Site`] end.
const LAST: &str = "2026-03-09T12:00:00Z";

/// A daemon with pages, and readings of two sites.
struct Site {
    place: Place,
    daemon: Daemon,
    address: SocketAddr,
}

/// An answer: the head as it came, and the body.
struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn header(&self, name: &str) -> Option<&str> {
        let lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.filter(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, value)| value).next_back()
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }
}

impl Site {
    /// `access`: lines of `fadeline access` to run first; without any, loopback may do everything.
    fn start(access: &[&str]) -> (Self, Vec<String>) {
        Self::start_with(access, |_| String::new())
    }

    /// The same, with further lines under `[web]`.
    fn start_with(access: &[&str], more: impl Fn(&Place) -> String) -> (Self, Vec<String>) {
        let place = Place::new();
        let mut config = fs::read_to_string(place.config()).unwrap();
        config += "[web]\nlisten = \"127.0.0.1:0\"\n";
        config += &more(&place);
        config += if access.is_empty() { "" } else { "access_file = \"access.toml\"\n" };
        fs::write(place.config(), config).unwrap();
        let tokens = access.iter().map(|line| grant(&place, line)).collect();
        fill(&place);
        let daemon = Daemon::start(&place.config());
        let log = daemon.log();
        let shown = log.lines().rfind(|line| line.contains("the pages are on http")).unwrap();
        let shown = shown.split("://").nth(1).unwrap();
        let address = shown.split(|c: char| !c.is_ascii_digit() && c != '.' && c != ':').next().unwrap();
        (Self { address: address.parse().unwrap(), place, daemon }, tokens)
    }

    /// Sends these bytes and reads until the server closes.
    fn raw(&self, bytes: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        // The server may answer and close before it has read everything.
        let _cut = stream.write_all(bytes);
        let mut answer = Vec::new();
        let _reset = stream.read_to_end(&mut answer);
        let end = answer.windows(4).position(|four| four == b"\r\n\r\n").map_or(answer.len(), |at| at + 4);
        let body = answer.split_off(end);
        let head = String::from_utf8(answer).unwrap();
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        let chunked = head.to_ascii_lowercase().contains("transfer-encoding: chunked");
        Answer { status, body: if chunked { unchunked(&body) } else { body }, head }
    }

    fn send(&self, method: &str, path: &str, headers: &[&str], body: &[u8]) -> Answer {
        let host = if headers.iter().any(|header| header.starts_with("Host:")) {
            String::new()
        } else {
            format!("Host: {}\r\n", self.address)
        };
        let mut head =
            format!("{method} {path} HTTP/1.1\r\n{host}Connection: close\r\nContent-Length: {}\r\n", body.len());
        headers.iter().for_each(|header| head += &format!("{header}\r\n"));
        self.raw(&[head.as_bytes(), b"\r\n", body].concat())
    }

    fn get(&self, path: &str, headers: &[&str]) -> Answer {
        self.send("GET", path, headers, b"")
    }
}

/// Runs `fadeline access` with these words; what stands after ` < ` is typed in. What it says: a token, if one is made.
fn grant(place: &Place, line: &str) -> String {
    let (words, typed) = line.split_once(" < ").unwrap_or((line, ""));
    let file = place.path("access.toml");
    let mut command = assert_cmd::Command::cargo_bin("fadeline").unwrap();
    command.args(["access", "--file"]).arg(file).args(words.split(' ')).write_stdin(typed);
    String::from_utf8(command.assert().success().get_output().stdout.clone()).unwrap().trim().to_owned()
}

/// A day of readings for every unit.
fn fill(place: &Place) {
    let store = place.store();
    let last: Timestamp = LAST.parse().unwrap();
    for unit in super::export::UNITS {
        let unit: UnitId = unit.parse().unwrap();
        let reading = |minute: i64| {
            let light = 21.0 - 0.001 * minute as f64;
            (unit.clone(), Reading::new(last.plus_millis((minute - 1_440) * MINUTE)).with(Channel::Intensity, light))
        };
        store.append(&(0..1_440).map(reading).collect::<Vec<_>>()).unwrap();
    }
}

fn unchunked(mut body: &[u8]) -> Vec<u8> {
    let mut whole = Vec::new();
    while let Some(at) = body.windows(2).position(|two| two == b"\r\n") {
        let size = usize::from_str_radix(std::str::from_utf8(&body[..at]).unwrap().trim(), 16).unwrap();
        let start = at + 2;
        whole.extend_from_slice(&body[start..(start + size).min(body.len())]);
        body = body.get(start + size + 2..).unwrap_or_default();
    }
    whole
}

fn bearer(token: &str) -> String {
    format!("Authorization: Bearer {token}")
}

#[test]
fn papers_come_as_pdf_and_only_to_readers_of_the_site() {
    let (site, tokens) = Site::start(&["add-token van --site heron-bight"]);
    let token = bearer(&tokens[0]);
    for path in ["/units/heron-bight/boathouse/sheet.pdf", "/months/heron-bight/2026-03/record.pdf", "/round.pdf"] {
        let answer = site.get(path, &[&token]);
        assert_eq!((answer.status, answer.header("content-type")), (200, Some("application/pdf")), "{path}");
        assert!(answer.body.starts_with(b"%PDF-") && answer.header("content-disposition").unwrap().contains(".pdf"));
    }
    assert_eq!(site.get("/units/north-arm/bakery/sheet.pdf", &[&token]).status, 404);
    assert_eq!(site.get("/months/north-arm/2026-03/record.pdf", &[&token]).status, 404);
    assert_ne!(site.get("/round.pdf", &[]).status, 200, "nobody without a token");
}

#[test]
fn every_described_address_answers_and_says_what_it_is() {
    let (site, _) = Site::start(&[]);
    for (path, method, ..) in openapi::OPERATIONS.iter().filter(|o| o.1 == "get" && o.0 != route::EVENTS) {
        let path = path
            .replace("{site}", "heron-bight")
            .replace("{unit}", "boathouse")
            .replace("{month}", "2026-03")
            .replace("{kind}", "all");
        let answer = site.get(&path, &[]);
        // Nothing has been assessed yet; that too is told as a problem.
        assert!([200, 404].contains(&answer.status), "{method} {path}: {} {}", answer.status, answer.text());
        if answer.status == 404 {
            assert_eq!(answer.header("content-type"), Some("application/problem+json"), "{path}");
            assert!(answer.json()["detail"].is_string() && answer.json()["status"] == 404, "{path}");
        }
        for (name, value) in
            [("x-content-type-options", "nosniff"), ("x-frame-options", "DENY"), ("referrer-policy", "same-origin")]
        {
            assert_eq!(answer.header(name), Some(value), "{path}");
        }
        assert!(answer.header("content-security-policy").unwrap().starts_with("default-src 'none'"), "{path}");
    }
    let document = site.get(route::OPENAPI, &[]).json();
    assert_eq!(document["openapi"], "3.1.0");
    assert_eq!(site.get("/api/v1/nothing", &[]).status, 404);
    let wrong = site.send("DELETE", route::UNITS, &[], b"");
    assert_eq!((wrong.status, wrong.header("allow")), (405, Some("GET,HEAD")));
}

#[test]
fn a_chart_gets_few_points_as_json_or_csv_and_nonsense_is_named() {
    let (site, _) = Site::start(&[]);
    let path = "/api/v1/units/heron-bight/boathouse/readings";
    let series = site.get(&format!("{path}?from=2026-03-08T12:00:00Z&to={LAST}&points=100"), &[]).json();
    let points = series["points"].as_array().unwrap();
    assert!((90..=100).contains(&points.len()) && series["thinned"] == true, "{}", points.len());
    let counted: u64 = points.iter().map(|point| point["count"].as_u64().unwrap()).sum();
    assert_eq!(counted, 1_440, "every reading is behind some point");
    assert_eq!(points[0]["high"], 21.0, "the highest is kept");
    let csv = site.get(&format!("{path}?resolution=raw&from=2026-03-09T11:00:00Z&format=csv"), &[]);
    assert_eq!(csv.header("content-type"), Some("text/csv; charset=utf-8"));
    let text = csv.text();
    assert_eq!((text.lines().next(), text.lines().count()), (Some("time,intensity,low,high,readings"), 61));
    for (query, status, named) in [
        ("from=yesterday", 400, "from"),
        ("points=0", 400, "points 0"),
        ("points=1e9", 400, "points"),
        ("channel=taste", 400, "taste"),
        ("resolution=week", 400, "week"),
        ("colour=red", 400, "colour"),
        ("from=2026-03-09T12:00:00Z&to=2026-03-08T12:00:00Z", 422, "is not before"),
        ("from=1970-01-01T00:00:00Z&resolution=raw", 422, "raw"),
    ] {
        let answer = site.get(&format!("{path}?{query}"), &[]);
        assert_eq!(answer.status, status, "{query}: {}", answer.text());
        assert!(answer.json()["detail"].as_str().unwrap().contains(named), "{query}: {}", answer.text());
    }
}

#[test]
fn tables_come_as_csv_too() {
    let (site, _) = Site::start(&[]);
    let entry = br#"{"time":"2026-03-09T10:00:00Z","action":"sleeve-cleaned","note":"two, \"thick\" coats"}"#;
    assert_eq!(site.send("POST", "/api/v1/units/heron-bight/loon/logbook", &[], entry).status, 201);
    let episodes = "/api/v1/units/heron-bight/loon/episodes";
    wait_for("the first assessment", || (site.get(episodes, &[]).status == 200).then_some(()));
    for (path, rows, holds) in [
        (route::UNITS.to_owned(), 3, "heron-bight,boathouse"),
        ("/api/v1/units/heron-bight/loon/logbook".to_owned(), 1, "sleeve-cleaned,,,\"two, \"\"thick\"\" coats\""),
        ("/api/v1/units/heron-bight/loon/trend".to_owned(), 2, "2026-03-09"),
        ("/api/v1/months/heron-bight/2026-03".to_owned(), 4, "loon"),
        (route::ALERTS.to_owned(), 0, "site,unit,kind,level,state,since,says,first"),
        (route::ROUND.to_owned(), 0, "day,site,unit,name,condition,why,due,to_do,risk,likely_needed"),
        (episodes.to_owned(), 0, "kind,from,to,percent,recovered,likely"),
    ] {
        let answer = site.get(&format!("{path}?format=csv"), &[]);
        let text = answer.text();
        assert_eq!(answer.header("content-type"), Some("text/csv; charset=utf-8"), "{path}: {text}");
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let width = reader.headers().unwrap().len();
        assert!(reader.records().all(|row| row.unwrap().len() == width), "{text}");
        assert!(text.lines().count() > rows && text.contains(holds), "{path}: {text}");
        assert_eq!(site.get(&format!("{path}?format=xml"), &[]).status, 400);
    }
}

#[test]
fn what_has_not_changed_is_not_sent_again_and_text_travels_small() {
    let (site, _) = Site::start(&[]);
    let path = "/api/v1/units/heron-bight/boathouse/readings";
    let whole = site.get(path, &[]);
    let tag = whole.header("etag").unwrap();
    let again = site.get(path, &[&format!("If-None-Match: {tag}")]);
    assert_eq!((again.status, again.body.len()), (304, 0));
    assert_eq!(site.get(path, &["If-None-Match: \"other\""]).status, 200);
    let packed = site.get(path, &["Accept-Encoding: br, gzip"]);
    assert_eq!((packed.header("content-encoding"), packed.header("etag")), (Some("gzip"), Some(tag)));
    let mut text = Vec::new();
    flate2::read::GzDecoder::new(packed.body.as_slice()).read_to_end(&mut text).unwrap();
    assert_eq!(text, whole.body);
    assert!(packed.body.len() * 3 < whole.body.len(), "{} of {}", packed.body.len(), whole.body.len());
    assert_eq!(site.get(path, &["Accept-Encoding: gzip;q=0"]).header("content-encoding"), None);
}

#[test]
fn events_tell_what_changes_and_only_of_ones_own_sites() {
    let (site, tokens) = Site::start(&["add-token wall --site heron-bight", "add-token all --site * --role admin"]);
    let stream = TcpStream::connect(site.address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let head = format!("GET {} HTTP/1.1\r\nHost: x\r\n{}\r\n\r\n", route::EVENTS, bearer(&tokens[0]));
    (&stream).write_all(head.as_bytes()).unwrap();
    let mut lines = BufReader::new(&stream).lines().map(Result::unwrap);
    assert!(lines.any(|line| line.is_empty()), "the head");
    for unit in ["north-arm/bakery", "heron-bight/loon"] {
        let path = format!("/api/v1/units/{unit}/logbook");
        let body = br#"{"time":"2026-03-09T10:00:00Z","action":"sleeve-cleaned"}"#;
        assert_eq!(site.send("POST", &path, &[&bearer(&tokens[1])], body).status, 201);
    }
    // The start has things to tell of too; the bakery's entry came before the loon's and is not this token's to see.
    let told = lines.filter(|line| line.starts_with("data:")).take_while(|line| line != "data: heron-bight/loon");
    assert!(told.into_iter().all(|line| line.starts_with("data: heron-bight/")));
}

#[test]
fn one_sites_token_sees_nothing_of_another() {
    let (site, tokens) = Site::start(&[
        "add-token reader --site heron-bight",
        "add-token hands --site heron-bight --role service",
        "add-token boss --site heron-bight --role admin",
        "add-token everything --site * --role admin",
    ]);
    let [reader, hands, boss, everything] = [0, 1, 2, 3].map(|at| bearer(&tokens[at]));
    let lists = [route::UNITS, route::FLEET, route::ALERTS, route::ROUND, "/", "/round", "/round.ics"];
    for (path, token) in lists.iter().flat_map(|path| [&reader, &hands, &boss].map(|token| (path, token))) {
        let answer = site.get(path, &[token]);
        assert_eq!(answer.status, 200, "{path}");
        let text = answer.text();
        assert!(!text.contains("bakery") && !text.contains("north-arm"), "{path}: {text}");
    }
    assert!(site.get(route::UNITS, &[&everything]).text().contains("bakery"));
    let foreign = [
        "/api/v1/units/north-arm/bakery/assessment",
        "/api/v1/units/north-arm/bakery/logbook",
        "/api/v1/units/north-arm/bakery/readings",
        "/api/v1/units/north-arm/bakery/course",
        "/api/v1/units/north-arm/bakery/dossier",
        "/api/v1/months/north-arm/2026-03",
        "/units/north-arm/bakery",
        "/units/north-arm/bakery/sheet",
        "/units/north-arm/bakery/visit",
        "/months/north-arm/2026-03",
        route::UNKNOWN,
        "/api/v1/archive?everything=true",
        "/api/v1/archive?of=north-arm",
        "/api/v1/check",
        // Ways round.
        "/api/v1/units/heron-bight/../north-arm/bakery/logbook",
        "/api/v1/units/heron-bight%2f..%2fnorth-arm/bakery/logbook",
        "/api/v1/units/heron-bight/..%2f..%2fnorth-arm%2fbakery/logbook",
        "/api/v1/units//north-arm/bakery/logbook",
        "//api/v1/units/north-arm/bakery/logbook",
        "/api/v1/units/north-arm/bakery/logbook/",
        "/api/v1/Units/north-arm/bakery/logbook",
        "/api/v1/units/%6eorth-arm/bakery/logbook",
        "/units/heron-bight/boathouse/../../north-arm/bakery",
        "/assets/../units/north-arm/bakery",
        "/health/../api/v1/units",
        "/login/../units/north-arm/bakery",
    ];
    let nobody = site.get("/api/v1/units/nowhere/nothing/logbook", &[&reader]);
    for (path, token) in foreign.iter().flat_map(|path| [&reader, &hands, &boss].map(|token| (path, token))) {
        let answer = site.get(path, &[token]);
        assert!([400, 404].contains(&answer.status), "{path}: {}", answer.status);
        assert!(
            !answer.text().contains("intensity") && !answer.text().contains("entries"),
            "{path}: {}",
            answer.text()
        );
    }
    let theirs = site.get(foreign[1], &[&reader]);
    assert_eq!((theirs.status, theirs.text()), (nobody.status, nobody.text()), "what is there looks like what is not");
    let entry = br#"{"time":"2026-03-09T10:00:00Z","action":"sleeve-cleaned"}"#;
    let own = "/api/v1/units/heron-bight/boathouse/logbook";
    assert_eq!(site.send("POST", own, &[&reader], entry).status, 403, "a reader records nothing");
    assert_eq!(site.send("POST", own, &[&hands], entry).status, 201);
    assert_eq!(site.send("POST", own, &[&hands], entry).status, 200, "the same again is kept once");
    assert_eq!(site.send("POST", foreign[1], &[&hands], entry).status, 404);
    let order = br#"{"do":"acknowledge","by":"anna"}"#;
    for path in ["/api/v1/alerts/north-arm/bakery/all", "/api/v1/alerts/north-arm/_site/all"] {
        assert_eq!(site.send("POST", path, &[&boss], order).status, 404, "{path}");
    }
    assert_eq!(site.send("POST", "/api/v1/archive", &[&boss], b"x").status, 404, "an archive may hold any site");
}

#[test]
fn without_a_valid_token_nothing_is_told() {
    let (site, tokens) = Site::start(&["add-token wall --site *"]);
    let token = bearer(&tokens[0]);
    assert_eq!(site.get(route::UNITS, &[&token]).status, 200);
    let longer = format!("{token}0");
    for header in [
        "X-None: 1",
        "Authorization: Bearer",
        "Authorization: Bearer 0",
        &token[..token.len() - 1],
        &longer,
        "Cookie: fadeline-session=guess",
        "Authorization: Basic d2FsbDp3YWxs",
    ] {
        let answer = site.get(route::UNITS, &[header]);
        assert_eq!((answer.status, answer.header("www-authenticate")), (401, Some("Bearer")), "{header}");
        assert!(!answer.text().contains("boathouse"));
        let page = site.get("/units/heron-bight/boathouse", &[header]);
        assert_eq!((page.status, page.header("location")), (303, Some("/login?to=/units/heron-bight/boathouse")));
    }
    assert_eq!(site.get("/health", &[]).text(), "ok", "that it lives may be known");
    grant(&site.place, "revoke wall");
    wait_for("the revoked token to end", || (site.get(route::UNITS, &[&token]).status == 401).then_some(()));
}

#[test]
fn who_looks_for_a_page_is_refused_in_words_and_a_program_by_a_problem() {
    let access =
        ["add-user anna --site heron-bight --role read < correct horse battery", "add-token wall --site heron-bight"];
    let (site, tokens) = Site::start(&access);
    let token = bearer(&tokens[1]);
    // What browsers send with an address that was typed in.
    let browser = "Accept: text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
    let says = "there is no such site, or it is not yours";
    for (method, path, status, says) in [
        ("GET", "/units/north-arm/bakery", 404, says),
        ("GET", "/months/north-arm/2026-03", 404, says),
        ("POST", "/units/heron-bight/boathouse/log", 403, "this needs the role service"),
        ("GET", "/nowhere", 404, says),
        ("GET", "/round?visit_minutes=soon", 400, "minutes a visit: `soon` is not a whole number from 0 on"),
    ] {
        let page = site.send(method, path, &[&token, browser], b"");
        assert_eq!((page.status, page.header("content-type")), (status, Some("text/html; charset=utf-8")), "{path}");
        assert!(page.text().contains(says) && page.text().contains("Go back"), "{path}: {}", page.text());
        assert!(page.header("content-security-policy").is_some());
        if status == 400 {
            // Behind the gate the pages speak as pages.
            continue;
        }
        let problem = site.send(method, path, &[&token, "Accept: */*"], b"");
        assert_eq!(problem.header("content-type"), Some("application/problem+json"), "{path}");
        assert_eq!((problem.status, problem.json()["detail"].as_str()), (status, Some(says)), "{path}");
    }
    let api = site.get("/api/v1/units/north-arm/bakery/trend", &[&token, browser]);
    assert_eq!(api.header("content-type"), Some("application/problem+json"), "the API speaks one language");
    let late = site.send("POST", "/units/heron-bight/boathouse/log", &[browser], b"action=note");
    assert!(late.status == 401 && late.text().contains("not logged in any more"), "{}", late.text());
}

#[test]
fn logins_give_a_cookie_that_only_this_browser_can_use_and_guessing_is_slow() {
    let (site, _) = Site::start(&["add-user anna --site heron-bight --role service < correct horse battery"]);
    let form = "Content-Type: application/x-www-form-urlencoded";
    let origin = format!("Origin: http://{}", site.address);
    let enter = |password: &str, to: &str| {
        site.send("POST", "/login", &[form, &origin], format!("name=anna&password={password}&to={to}").as_bytes())
    };
    let welcome = enter("correct+horse+battery", "/round");
    assert_eq!((welcome.status, welcome.header("location")), (303, Some("/round")));
    let cookie = welcome.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    for elsewhere in ["https://evil.example", "//evil.example", "/%5Cevil.example", "javascript:1"] {
        assert_eq!(enter("correct+horse+battery", elsewhere).header("location"), Some("/"), "{elsewhere}");
    }
    let cookie = format!("Cookie: {}", cookie.split(';').next().unwrap());
    let page = site.get("/units/heron-bight/boathouse", &[&cookie]);
    let csrf = page.text().split("name=\"csrf\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert_eq!(csrf.len(), 64);
    let log = "/units/heron-bight/boathouse/log";
    let entry = |csrf: &str| format!("csrf={csrf}&action=sleeve-cleaned&at=2026-03-09T10:00");
    let post = |headers: &[&str], body: String| site.send("POST", log, headers, body.as_bytes()).status;
    assert_eq!(post(&[form, &cookie, &origin], entry("guess")), 403, "a form of another session");
    assert_eq!(post(&[form, &cookie, "Origin: http://evil.example"], entry(&csrf)), 403, "a form of another site");
    assert_eq!(post(&[form, &cookie, "Sec-Fetch-Site: cross-site"], entry(&csrf)), 403);
    assert_eq!(post(&[form, &cookie, &origin], entry(&csrf)), 303);
    let json = br#"{"time":"2026-03-09T11:00:00Z","action":"lamp-replaced"}"#;
    let api = "/api/v1/units/heron-bight/boathouse/logbook";
    assert_eq!(site.send("POST", api, &[&cookie, &origin], json).status, 403, "the API wants the header");
    assert_eq!(site.send("POST", api, &[&cookie, &origin, &format!("X-CSRF: {csrf}")], json).status, 201);
    let gone = site.send("POST", "/logout", &[form, &cookie, &origin], format!("csrf={csrf}").as_bytes());
    assert!(gone.header("set-cookie").unwrap().contains("Max-Age=0"));
    assert_eq!(site.get("/", &[&cookie]).status, 303, "a replayed cookie is worth nothing");
    let tries: Vec<u16> = (0..7).map(|_| enter("wrong", "/").status).collect();
    assert_eq!(tries, [401, 401, 401, 401, 401, 429, 429]);
    assert_eq!(enter("correct+horse+battery", "/").status, 429, "even the right one waits");
}

#[test]
fn with_an_own_certificate_the_pages_speak_tls_only() {
    use rustls::pki_types::ServerName;
    let made = rcgen::generate_simple_self_signed(["fadeline.test".to_owned()]).unwrap();
    let papers = [("cert.pem", made.cert.pem()), ("key.pem", made.signing_key.serialize_pem())];
    let (site, _) = Site::start_with(&["add-user anna --site * < correct horse battery"], |place| {
        papers.iter().for_each(|(name, text)| fs::write(place.path(name), text).unwrap());
        "certificate = \"cert.pem\"\nkey = \"key.pem\"\n".to_owned()
    });
    let client = |trusts: bool| {
        let mut roots = rustls::RootCertStore::empty();
        let other = rcgen::generate_simple_self_signed(["fadeline.test".to_owned()]).unwrap();
        roots.add(if trusts { made.cert.der().clone() } else { other.cert.der().clone() }).unwrap();
        let config = rustls::ClientConfig::builder_with_provider(rustls::crypto::ring::default_provider().into())
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from("fadeline.test").unwrap();
        rustls::ClientConnection::new(config.into(), name).unwrap()
    };
    let body = b"name=anna&password=correct+horse+battery&to=/";
    let head = format!(
        "POST /login HTTP/1.1\r\nHost: fadeline.test\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    let ask = |mut client: rustls::ClientConnection| {
        let mut socket = TcpStream::connect(site.address).unwrap();
        socket.set_read_timeout(Some(PATIENCE)).unwrap();
        let mut stream = rustls::Stream::new(&mut client, &mut socket);
        stream.write_all(&[head.as_bytes(), body].concat())?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).map(|_| String::from_utf8(answer).unwrap())
    };
    let answer = ask(client(true)).unwrap();
    assert!(answer.starts_with("HTTP/1.1 303") && answer.contains("SameSite=Strict; Secure"), "{answer}");
    assert!(ask(client(false)).is_err(), "who does not know the certificate does not go on");
    assert_eq!(site.get("/", &[]).status, 0, "nothing is served in the clear");
}

#[test]
fn papers_that_do_not_fit_are_named() {
    let place = Place::new();
    let mut config = fs::read_to_string(place.config()).unwrap();
    config += "[web]\nlisten = \"127.0.0.1:0\"\ncertificate = \"cert.pem\"\nkey = \"key.pem\"\n";
    fs::write(place.config(), &config).unwrap();
    let (code, _, says) = place.run(&["watch"]);
    assert!(code != 0 && says.contains("cert.pem"), "{says}");
    fs::write(place.path("cert.pem"), "nothing").unwrap();
    let (code, _, says) = place.run(&["watch"]);
    assert!(code != 0 && says.contains("holds no certificate in PEM"), "{says}");
    fs::write(place.config(), config.replace("key = \"key.pem\"\n", "")).unwrap();
    let (code, _, says) = place.run(&["check"]);
    assert!(code != 0 && says.contains("a certificate without its key"), "{says}");
}

#[test]
fn a_page_on_loopback_cannot_be_reached_through_a_foreign_name() {
    let (site, _) = Site::start(&[]);
    assert_eq!(site.get("/", &["Host: localhost:1"]).status, 200);
    assert_eq!(site.get("/", &["Host: rebound.example"]).status, 403);
    let body = br#"{"time":"2026-03-09T10:00:00Z","action":"sleeve-cleaned"}"#;
    let path = "/api/v1/units/heron-bight/boathouse/logbook";
    assert_eq!(site.send("POST", path, &["Origin: https://evil.example"], body).status, 403);
    assert_eq!(site.send("POST", path, &[], body).status, 201);
}

#[test]
fn large_slow_and_broken_requests_harm_nobody() {
    let (mut site, _) = Site::start(&[]);
    let path = "/api/v1/units/heron-bight/boathouse/logbook";
    let large = vec![b' '; 200_000];
    assert_eq!(site.send("POST", path, &[], &large).status, 413);
    let long = site.raw(format!("GET /{} HTTP/1.1\r\nHost: x\r\n\r\n", "a".repeat(100_000)).as_bytes());
    assert!([400, 414, 431].contains(&long.status), "{}", long.status);
    for broken in [
        &b"\x16\x03\x01\x02\x00\x01\x00"[..],
        b"GET / HTTP/9.9\r\n\r\n",
        b"\r\n\r\n\r\n",
        b"GET /\xff\xfe HTTP/1.1\r\nHost: x\r\n\r\n",
    ] {
        let answer = site.raw(broken);
        assert!([0, 400, 404, 505].contains(&answer.status), "{broken:?}: {}", answer.status);
    }
    for body in ["", "{", "[]", "{\"time\":1}", "{\"time\":\"2026-03-09T10:00:00Z\",\"action\":\"polished\"}"] {
        let answer = site.send("POST", path, &[], body.as_bytes());
        assert_eq!(answer.status, 400, "{body}: {}", answer.text());
    }
    let late = br#"{"time":"2100-01-01T00:00:00Z","action":"sleeve-cleaned"}"#;
    assert_eq!(site.send("POST", path, &[], late).status, 422, "a time to come");
    // Clients that never finish their request: others are served beside them.
    let slow: Vec<TcpStream> = (0..100)
        .map(|_| {
            let mut stream = TcpStream::connect(site.address).unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ").unwrap();
            stream
        })
        .collect();
    assert_eq!(site.get(route::UNITS, &[]).status, 200);
    assert!(site.daemon.stop().success(), "and they do not keep the daemon from ending");
    drop(slow);
}

#[test]
fn a_day_of_readings_is_there_by_the_hour() {
    let (site, _) = Site::start(&[]);
    let from = LAST.parse::<Timestamp>().unwrap().plus_millis(-6 * HOUR);
    let path = format!("/api/v1/units/heron-bight/loon/readings?resolution=hour&from={from}&to={LAST}");
    let series = site.get(&path, &[]).json();
    let points = series["points"].as_array().unwrap();
    assert_eq!(points.len(), 6);
    assert!(points.iter().all(|point| point["count"] == 60), "{points:?}");
}
