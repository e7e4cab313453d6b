//! What a person at a terminal meets: the binary under `script` (util-linux), which gives a program a terminal.

use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use assert_cmd::cargo::cargo_bin;

/// How long a prompt may take.
const PATIENCE: Duration = Duration::from_secs(20);
/// After a prompt, until the terminal no longer shows what is typed: no person is faster.
const BEFORE_TYPING: Duration = Duration::from_millis(300);

/// Runs the binary with `arguments` and types a line after each prompt. The exit code, and everything that was shown.
fn at_terminal(arguments: &str, typed: &[(&str, &str)]) -> (Option<i32>, String) {
    let command = format!("{} {arguments}", cargo_bin("fadeline").display());
    let mut child = Command::new("script")
        .args(["-qec", &command, "/dev/null"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let shown = Arc::new(Mutex::new(Vec::new()));
    let mut screen = child.stdout.take().unwrap();
    let reader = thread::spawn({
        let shown = Arc::clone(&shown);
        move || {
            let mut bytes = [0; 1024];
            while let Ok(n @ 1..) = screen.read(&mut bytes) {
                shown.lock().unwrap().extend_from_slice(&bytes[..n]);
            }
        }
    });
    let text = || String::from_utf8_lossy(&shown.lock().unwrap()).into_owned();
    let mut keys = child.stdin.take().unwrap();
    for (prompt, line) in typed {
        let started = Instant::now();
        while !text().contains(prompt) {
            assert!(started.elapsed() < PATIENCE, "no `{prompt}`: {}", text());
            thread::sleep(Duration::from_millis(20));
        }
        thread::sleep(BEFORE_TYPING);
        writeln!(keys, "{line}").unwrap();
    }
    let code = child.wait().unwrap().code();
    reader.join().unwrap();
    (code, text())
}

const PROMPTS: [&str; 2] = ["password (not shown): ", "once more: "];

#[test]
fn a_password_is_asked_for_twice_and_never_shown() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("access.toml");
    let add = format!("access --file {} add-user loon --site heron-bight", file.display());
    let say = |first, second| at_terminal(&add, &[(PROMPTS[0], first), (PROMPTS[1], second)]);

    let (code, shown) = say("over-the-still-water", "over-the-still-waters");
    assert_eq!(code, Some(64), "{shown}");
    assert!(shown.contains("the two passwords differ; nothing was changed") && !file.exists(), "{shown}");
    let (code, shown) = say("short", "short");
    assert_eq!(code, Some(64), "{shown}");
    assert!(shown.contains("at least 10 characters") && !file.exists(), "{shown}");

    let (code, shown) = say("over-the-still-water", "over-the-still-water");
    assert_eq!(code, Some(0), "{shown}");
    assert!(shown.contains("loon may log in") && !shown.contains("still-water"), "{shown}");
    let kept = std::fs::read_to_string(&file).unwrap();
    assert!(kept.contains("$argon2id$") && !kept.contains("still-water"), "{kept}");
}
