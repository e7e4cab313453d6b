//! `grade --folder`: units with known truth on disk.

use std::fs;
use std::path::Path;
use std::process::Output;

use assert_cmd::Command;

fn grade(arguments: &[&str], folder: Option<&Path>) -> Output {
    let mut command = Command::cargo_bin("fadeline").unwrap();
    command.arg("grade").args(arguments).args(folder).output().unwrap()
}

fn scores(output: &Output) -> serde_json::Value {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let mut json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    json["scored"][0].take()
}

#[track_caller]
fn refused(output: &Output, code: i32, stderr: &str) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{said}");
    assert!(said.contains(stderr), "{said}");
    assert!(output.stdout.is_empty(), "data after a failure");
}

/// Nothing is lost on the way through the contract's files: to the last digit.
#[test]
fn a_folder_is_graded_like_the_units_it_was_written_from() {
    for (kind, seeds) in [("usual", "9..11"), ("hard", "5..6")] {
        let units = ["--simulated", kind, "--seeds", seeds];
        let folder = tempfile::tempdir().unwrap();
        let written = grade(&[&units[..], &["--write"]].concat(), Some(folder.path()));
        assert_eq!(written.status.code(), Some(0), "{}", String::from_utf8_lossy(&written.stderr));
        let mut in_memory = scores(&grade(&[&units[..], &["--every", "45", "--json"]].concat(), None));
        let mut on_disk = scores(&grade(&["--every", "45", "--json", "--folder"], Some(folder.path())));
        assert_eq!(on_disk["of"], folder.path().display().to_string());
        in_memory["of"] = on_disk["of"].take();
        on_disk["of"] = in_memory["of"].clone();
        assert_eq!(on_disk, in_memory, "{kind}");
        assert!(on_disk["verdict"]["count"].as_u64() > Some(4), "{on_disk}");
        let page = grade(&["--every", "45", "--folder"], Some(folder.path()));
        let page = String::from_utf8(page.stdout).unwrap();
        assert!(page.contains("recall") && page.lines().all(|line| line.chars().count() <= 80), "{page}");
    }
}

#[test]
fn a_bad_folder_says_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let graded = || grade(&["--folder"], Some(folder.path()));
    refused(&grade(&["--folder", "no/such/folder"], None), 74, "cannot read the folder no/such/folder");
    refused(&grade(&["--folder", ".", "--simulated", "usual", "--seeds", "1..2"], None), 64, "cannot be used with");
    refused(&graded(), 65, "holds no unit");
    let written = grade(&["--simulated", "healthy", "--seeds", "1..2", "--write"], Some(folder.path()));
    assert_eq!(written.status.code(), Some(0));
    let unit = folder.path().join("healthy-1");
    let with = |name: &str, change: &dyn Fn(&str) -> Option<String>, code: i32, says: &str| {
        let path = unit.join(name);
        let before = fs::read_to_string(&path).unwrap();
        match change(&before) {
            Some(text) => fs::write(&path, text).unwrap(),
            None => fs::remove_file(&path).unwrap(),
        }
        refused(&graded(), code, says);
        fs::write(&path, before).unwrap();
    };
    with("truth.json", &|_| None, 65, "healthy-1: has no truth.json; without the truth grade the unit alone");
    with("unit.toml", &|_| None, 65, "healthy-1: has no unit.toml");
    with("readings.csv", &|_| None, 65, "healthy-1: has no readings.csv");
    with("truth.json", &|text| Some(text[..200].to_owned()), 65, "truth.json: is not a truth file");
    with("truth.json", &|text| Some(text.replace("truth.v1", "truth.v2")), 65, "has the schema `fadeline.truth.v2`");
    let other = |text: &str| Some(text.replace("\"unit\":\"healthy-1\"", "\"unit\":\"other\""));
    with("truth.json", &other, 65, "is the truth about drawn/other, but the unit.toml beside it is of drawn/healthy-1");
    with("unit.toml", &|text| Some(text.replace("set_point", "set_pint")), 78, "set_pint");
    let broken = |text: &str| Some(text.replacen(",1\n", ",x\n", 1));
    with("readings.csv", &broken, 65, "readings.csv");
    let elsewhen = |text: &str| {
        let head = text.lines().next()?;
        Some(format!("{head}\n2004-01-01T00:00:00Z{}\n", ",1".repeat(head.matches(',').count())))
    };
    with("readings.csv", &elsewhen, 65, "does not cover the days of its readings");
}
