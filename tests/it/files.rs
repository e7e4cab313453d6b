//! Every bad file under fixtures/ is refused with the words that stand beside it.

use std::fs;
use std::path::{Path, PathBuf};

use fadeline::domain::{Measure, Timestamp};
use fadeline::files::{Dialect, FileError, Source, readings, service};

fn dialect() -> Dialect {
    let not_after: Timestamp = "2026-12-01T00:00:00Z".parse().unwrap();
    Dialect { intensity: Measure::MilliwattPerCm2, not_after, lenient: false }
}

/// The files of a folder that have an `.expect` beside them, with what must be said of them.
fn cases(folder: &str) -> Vec<(PathBuf, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(folder);
    let mut cases: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension != "expect"))
        .map(|path| {
            let expect = fs::read_to_string(path.with_extension("expect"));
            (path.clone(), expect.unwrap_or_else(|e| panic!("{}: no .expect: {e}", path.display())).trim().to_owned())
        })
        .collect();
    cases.sort();
    cases
}

fn refused_as_expected(folder: &str, read: impl Fn(&Source) -> Result<(), FileError>) -> usize {
    let cases = cases(folder);
    for (path, expected) in &cases {
        let said = match Source::open(path).and_then(|source| read(&source)) {
            Ok(()) => panic!("{} was accepted", path.display()),
            Err(e) => e.to_string(),
        };
        assert!(said.contains(expected.as_str()), "{}:\n{said}\nshould say\n{expected}", path.display());
        assert!(said.contains(&*path.display().to_string()), "the file is not named: {said}");
    }
    cases.len()
}

#[test]
fn bad_readings() {
    assert!(refused_as_expected("readings/bad", |source| readings::parse(source, &dialect()).map(|_| ())) >= 35);
}

#[test]
fn bad_service_logs() {
    assert!(refused_as_expected("service/bad", |source| service::parse(source, &dialect()).map(|_| ())) >= 12);
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let said = Source::open(Path::new("no/such/readings.csv")).unwrap_err();
    assert!(said.is_io() && said.to_string().starts_with("cannot read no/such/readings.csv: "), "{said}");
    let folder = Source::open(Path::new(env!("CARGO_MANIFEST_DIR"))).unwrap_err().to_string();
    assert!(folder.ends_with("is a folder; name a file in it"), "{folder}");
}
