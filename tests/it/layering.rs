//! The direction of the code, as a table: which module may name which, and which may not touch the outside world.

use std::fs;
use std::path::{Path, PathBuf};

/// What code outside `src/` may do is free; inside, each top-level module may name itself and these.
const MAY_NAME: &[(&str, &[&str])] = &[
    ("alert", &["domain"]),
    ("analysis", &["domain"]),
    ("archive", &["domain"]),
    (
        "cli",
        &[
            "alert", "analysis", "archive", "clock", "config", "daemon", "demo", "domain", "files", "mqtt", "notify",
            "page", "paper", "query", "report", "scenario", "senml", "store", "web",
        ],
    ),
    ("clock", &["domain"]),
    // Which numbers of the analysis there are, and within which bounds.
    (
        "config",
        &[
            "alert::quiet",
            "analysis::tuning",
            "clock",
            "domain",
            "mqtt::settings",
            "notify::settings",
            "store::settings",
        ],
    ),
    (
        "daemon",
        &[
            "alert", "analysis", "archive", "clock", "config", "domain", "engine", "mqtt", "notify", "query", "store",
            "web",
        ],
    ),
    ("demo", &["clock", "config", "daemon", "domain", "mqtt", "query", "report", "scenario", "senml", "store", "web"]),
    ("domain", &[]),
    ("engine", &["alert", "analysis", "domain"]),
    ("files", &["domain", "senml"]),
    ("mqtt", &["clock", "domain", "senml"]),
    ("notify", &["alert", "clock", "domain", "engine", "mqtt::settings", "mqtt::tls", "store"]),
    ("page", &["domain", "query", "report", "visit"]),
    // A paper shows the page's chart.
    ("paper", &["domain", "page", "query", "report", "visit"]),
    // What no light is, and what a log says about a moment, is decided once.
    ("query", &["alert", "analysis::condition", "domain"]),
    ("report", &["analysis::hindcast", "domain", "query", "visit"]),
    ("scenario", &["domain"]),
    ("senml", &["domain"]),
    ("store", &["domain"]),
    ("visit", &["domain", "query"]),
    // The web serves pages and papers; it makes none itself.
    ("web", &["alert", "archive", "clock", "domain", "page", "paper", "query", "report", "visit"]),
];

/// Modules and files that decide: values in, values out.
const PURE: &[&str] = &[
    "src/alert",
    "src/analysis",
    "src/archive",
    "src/domain",
    "src/engine",
    "src/mqtt/decode.rs",
    "src/mqtt/discovery",
    "src/mqtt/encode.rs",
    "src/mqtt/settings.rs",
    "src/notify/message.rs",
    "src/notify/queue.rs",
    "src/page",
    "src/paper",
    "src/query",
    "src/report",
    "src/scenario",
    "src/senml.rs",
    "src/store/codec.rs",
    "src/visit",
];

/// What a pure file must not name, and why.
const OUTSIDE: &[(&str, &str)] = &[
    ("tokio", "async belongs to the shell"),
    ("rumqtt", "only mqtt's session and embedded broker talk to brokers"),
    ("sled", "only the store knows how data is kept"),
    ("tracing", "a decision is returned, not logged"),
    ("std::fs", "files belong to the shell"),
    ("std::net", "sockets belong to the shell"),
    ("std::env", "the environment belongs to the shell"),
    ("std::process", "processes belong to the shell"),
    ("std::thread", "threads belong to the shell"),
    ("clock::", "time is an argument"),
    ("SystemTime", "time is an argument"),
    ("Instant::now", "time is an argument"),
];

/// Names that only these files may use.
const ONLY_IN: &[(&str, &str)] = &[("sled::", "src/store"), ("rumqttc::", "src/mqtt"), ("rumqttd::", "src/mqtt")];

/// A breach, as `file:line: why`.
fn breaches(path: &str, text: &str) -> Vec<String> {
    let module = path.trim_start_matches("src/").split(['/', '.']).next().unwrap();
    let may = MAY_NAME.iter().find(|(name, _)| *name == module).map(|(_, may)| *may);
    let pure = PURE.iter().any(|p| path.starts_with(p)) && path != "src/mqtt/settings.rs";
    let mut found = Vec::new();
    for (index, line) in text.lines().enumerate() {
        if line.trim() == "#[cfg(test)]" && text.lines().nth(index + 1).is_some_and(|next| next.starts_with("mod ")) {
            break; // a module's tests may use more
        }
        let code = line.split("//").next().unwrap();
        let mut breach = |why: String| found.push(format!("{path}:{}: {why}: {}", index + 1, line.trim()));
        if pure {
            for (name, why) in OUTSIDE.iter().filter(|(name, _)| code.contains(name)) {
                breach(format!("a pure file names {name} ({why})"));
            }
        }
        for (name, place) in ONLY_IN.iter().filter(|(name, place)| code.contains(name) && !path.starts_with(place)) {
            breach(format!("only {place} may name {name}"));
        }
        for named in code.split("crate::").skip(1) {
            let names = |allowed: &str| {
                named
                    .strip_prefix(allowed)
                    .is_some_and(|rest| !rest.starts_with(|c: char| c.is_alphanumeric() || c == '_'))
            };
            if let Some(may) = may
                && !names(module)
                && !may.iter().any(|allowed| names(allowed))
            {
                breach(format!("{module} may not name this module"));
            }
        }
    }
    found
}

fn sources(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn every_module_names_only_what_it_may() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    sources(&root.join("src"), &mut files);
    assert!(files.len() > 10);
    let mut found = Vec::new();
    for file in files {
        let relative = file.strip_prefix(root).unwrap().to_str().unwrap().to_owned();
        let module = relative.trim_start_matches("src/").split(['/', '.']).next().unwrap().to_owned();
        assert!(
            ["lib", "main"].contains(&&*module) || MAY_NAME.iter().any(|(name, _)| *name == module),
            "{relative}: add the module to the table"
        );
        found.extend(breaches(&relative, &fs::read_to_string(&file).unwrap()));
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn a_planted_violation_is_found() {
    let cases = [
        ("src/analysis/fit.rs", "use crate::store::Store;"),
        ("src/analysis/fit.rs", "fn f() { let x = crate::scenario::simulate(); }"),
        ("src/analysis/fit.rs", "let now = std::time::Instant::now();"),
        ("src/report/study.rs", "use std::fs;"),
        ("src/mqtt/decode.rs", "tracing::warn!()"),
        ("src/mqtt/session.rs", "use crate::store::Store;"),
        ("src/config/checked.rs", "use crate::mqtt::session::Session;"),
        ("src/daemon/mod.rs", "let db = sled::open(path);"),
    ];
    for (path, text) in cases {
        assert_eq!(breaches(path, text).len(), 1, "{path}: {text}: {:?}", breaches(path, text));
    }
    for (path, text) in [
        ("src/config/checked.rs", "use crate::mqtt::settings::Broker;"),
        ("src/analysis/fit.rs", "use crate::domain::Reading; // not tokio"),
        ("src/analysis/fit.rs", "#[cfg(test)]\nmod tests { use crate::scenario; }"),
        ("src/store/tree.rs", "use sled::Db;"),
    ] {
        assert_eq!(breaches(path, text), Vec::<String>::new(), "{path}: {text}");
    }
}
