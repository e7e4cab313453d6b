//! The config from outside: shipped files, good and bad ones, secrets.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use super::*;
use crate::domain::Timestamp;

/// The real files, a given environment and a given time.
struct Fake {
    variables: BTreeMap<&'static str, &'static str>,
    files: BTreeMap<PathBuf, &'static str>,
}

impl Fake {
    fn new() -> Self {
        let variables = BTreeMap::from([("FADELINE_TEST_PASSWORD", "correct horse"), ("FADELINE_TEST_EMPTY", "")]);
        Self { variables, files: BTreeMap::new() }
    }
}

impl Environment for Fake {
    fn variable(&self, name: &str) -> Option<String> {
        self.variables.get(name).map(|value| (*value).to_owned())
    }

    fn read(&self, path: &Path) -> io::Result<String> {
        self.files.get(path).map_or_else(|| Machine.read(path), |text| Ok((*text).to_owned()))
    }

    fn open_to_all(&self, path: &Path) -> bool {
        path.ends_with("open.password")
    }

    fn list(&self, directory: &Path) -> io::Result<Vec<String>> {
        Machine.list(directory)
    }

    fn now(&self) -> Timestamp {
        "2026-08-14T06:00:00Z".parse().unwrap()
    }
}

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read_file(path: &Path) -> Result<Loaded, Mistakes> {
    read(&std::fs::read_to_string(path).unwrap(), path, &Fake::new())
}

fn toml_files(directory: &str) -> Vec<PathBuf> {
    let mut files: Vec<_> = std::fs::read_dir(root(directory))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "toml"))
        .collect();
    files.sort();
    files
}

/// A line of an `.expect` file: `12: substring` or `file.toml:12: substring`; 0 for the file as a whole.
fn fits(expected: &str, file: &Path, found: &Mistake) -> bool {
    let (place, part) = expected.split_once(": ").unwrap();
    let (name, line) = place.rsplit_once(':').unwrap_or((file.to_str().unwrap(), place));
    found.file.ends_with(name) && found.line == line.parse::<usize>().unwrap() && found.to_string().contains(part)
}

/// Every expected line is found, and nothing else.
fn agree(path: &Path, found: &[Mistake], expected: &str) -> Result<(), String> {
    let expected: Vec<&str> = expected.lines().filter(|line| !line.is_empty()).collect();
    let missing: Vec<_> = expected.iter().filter(|line| !found.iter().any(|m| fits(line, path, m))).collect();
    let surplus: Vec<_> = found.iter().filter(|m| !expected.iter().any(|line| fits(line, path, m))).collect();
    if missing.is_empty() && surplus.is_empty() {
        return Ok(());
    }
    let surplus: Vec<_> = surplus.iter().map(ToString::to_string).collect();
    Err(format!("{}:\n  missing {missing:#?}\n  surplus {surplus:#?}", path.display()))
}

#[test]
fn every_bad_config_gives_all_its_mistakes() {
    let files = toml_files("fixtures/config/bad");
    let mut wrong = Vec::new();
    for path in files {
        let expected = std::fs::read_to_string(path.with_extension("expect")).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let is_unit = path.file_name().unwrap().to_str().unwrap().starts_with("unit-file");
        let mistakes = if is_unit {
            read_unit(&text, &path, &Fake::new()).map(|_| ()).unwrap_err()
        } else {
            read(&text, &path, &Fake::new()).map(|_| ()).unwrap_err()
        };
        wrong.extend(agree(&path, &mistakes.0, &expected).err());
        for mistake in &mistakes.0 {
            assert!(!mistake.to_string().contains("hunter2"), "a password is shown: {mistake}");
            assert!(!mistake.says.is_empty() && !mistake.remedy.is_empty(), "{mistake:?}");
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Good configs load; those with a `.expect` beside them give just these warnings, the others none.
#[test]
fn every_good_config_loads_with_its_warnings() {
    let mut wrong = Vec::new();
    for path in toml_files("fixtures/config/good") {
        let expected = std::fs::read_to_string(path.with_extension("expect")).unwrap_or_default();
        match read_file(&path) {
            Ok(loaded) => wrong.extend(agree(&path, &loaded.warnings, &expected).err()),
            Err(mistakes) => wrong.push(mistakes.to_string()),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_shipped_config_is_good_without_warnings() {
    let files = toml_files("config");
    assert!(files.len() >= 3);
    for path in files {
        let loaded = load(&path).unwrap_or_else(|mistakes| panic!("{mistakes}"));
        assert_eq!(loaded.warnings, [], "{}", path.display());
    }
}

/// The example with every setting that is off switched on: `#key = ...` and `#[table]`, by its own convention.
#[test]
fn the_example_has_every_key_and_each_is_of_its_type() {
    let example = std::fs::read_to_string(root("config/example.toml")).unwrap();
    let on: Vec<&str> = example
        .lines()
        .map(|line| match line.strip_prefix('#') {
            Some(rest) if rest.starts_with(|c: char| c == '[' || c.is_ascii_lowercase()) => rest,
            _ => line,
        })
        .collect();
    let on = on.join("\n");
    let mut findings = mistake::Findings::default();
    let file = findings.add_file(Path::new("example.toml"), &on);
    let parsed: Option<raw::File> = table::parse(&on, file, &mut findings);
    let (mistakes, _) = findings.finish();
    assert!(parsed.is_some() && mistakes.is_empty(), "{}", Mistakes(mistakes));

    let mut written = std::collections::BTreeSet::new();
    collect("", toml::de::DeTable::parse(&on).unwrap().get_ref(), &mut written);
    let mut missing = Vec::new();
    <raw::File as table::Read>::keys("", &mut |key| {
        // A unit's own zone exists only in a unit file.
        if !written.contains(key) && key != "unit.zone" {
            missing.push(key.to_owned());
        }
    });
    assert_eq!(missing, Vec::<String>::new(), "keys the example does not explain");
}

fn collect(path: &str, table: &toml::de::DeTable<'_>, keys: &mut std::collections::BTreeSet<String>) {
    for (key, value) in table {
        let path = table::join(path, key.get_ref());
        keys.insert(path.clone());
        match value.get_ref() {
            toml::de::DeValue::Table(inner) => collect(&path, inner, keys),
            toml::de::DeValue::Array(items) => {
                for item in items {
                    if let toml::de::DeValue::Table(inner) = item.get_ref() {
                        collect(&path, inner, keys);
                    }
                }
            }
            _ => {}
        }
    }
}
