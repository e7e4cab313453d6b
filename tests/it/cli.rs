//! The commands as a user meets them: exit codes of the contract, words on the right stream, nothing else.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};

use assert_cmd::Command;
use fadeline::domain::{Assessment, Cause, VerdictCause};
use fadeline::store::Store;
use fadeline::store::settings::StoreSettings;

fn fadeline() -> Command {
    let mut command = Command::cargo_bin("fadeline").unwrap();
    for variable in ["FADELINE_CONFIG", "NO_COLOR", "LC_ALL", "LC_CTYPE", "LANG", "COLUMNS"] {
        command.env_remove(variable);
    }
    command
}

fn fixture(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name).display().to_string()
}

fn study(arguments: &[&str]) -> Output {
    let unit = fixture("study/unit.toml");
    fadeline().arg("study").args(arguments).args(["--unit", &unit]).output().unwrap()
}

#[track_caller]
fn ended(output: &Output, code: i32, stderr: &str) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{said}");
    assert!(said.contains(stderr), "{said}");
    if code != 0 {
        assert_eq!(String::from_utf8_lossy(&output.stdout), "", "data after a failure");
    }
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn json(output: &Output) -> Assessment {
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn usage_errors_are_64_and_help_is_0() {
    for arguments in
        [&["studdy"][..], &[], &["study"], &["log", "heron-bight/boathouse", "painted"], &["trend", "Boat House"]]
    {
        let output = fadeline().args(arguments).output().unwrap();
        ended(&output, 64, "--help");
    }
    ended(
        &fadeline().args(["log", "heron-bight/boathouse", "sleeve-cleand"]).output().unwrap(),
        64,
        "'sleeve-cleaned'",
    );
    for arguments in [&["--help"][..], &["--version"], &["log", "--help"]] {
        let output = fadeline().args(arguments).output().unwrap();
        ended(&output, 0, "");
        assert!(text(&output).contains("fadeline"), "{}", text(&output));
    }
}

#[test]
fn a_study_names_the_cause_and_the_day() {
    let (readings, service) = (fixture("study/readings.csv"), fixture("study/service.csv"));
    let output = study(&[&readings, "--service", &service]);
    ended(&output, 0, "");
    let page = text(&output);
    assert!(page.is_ascii(), "no UTF-8 locale was announced: {page}");
    assert!(page.lines().all(|line| line.len() <= 80), "{page}");
    for want in ["Verdict     dirt on the sleeve", "Clean by    2026-", "c sleeve cleaned"] {
        assert!(page.contains(want), "{page}");
    }
    let assessment = json(&study(&[&readings, "--service", &service, "--json"]));
    assert_eq!(assessment.verdict.cause, VerdictCause::SleeveFouling);
    let sleeve = assessment.loss.unwrap().causes.into_iter().find(|c| c.cause == Cause::SleeveFouling).unwrap();
    assert!(sleeve.low < sleeve.percent && sleeve.percent < sleeve.high);
}

#[test]
fn packed_piped_and_senml_readings_are_the_same_readings() {
    let (path, service) = (fixture("study/readings.csv"), fixture("study/service.csv"));
    let plain = study(&[&path, "--service", &service, "--json"]);
    let bytes = fs::read(&path).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let packed = folder.path().join("readings.any-name");
    let mut gzip = flate2::write::GzEncoder::new(fs::File::create(&packed).unwrap(), flate2::Compression::fast());
    gzip.write_all(&bytes).unwrap();
    gzip.finish().unwrap();
    let from_gzip = study(&[packed.to_str().unwrap(), "--service", &service, "--json"]);
    let unit = fixture("study/unit.toml");
    let mut piped = fadeline();
    piped.args(["study", "-", "--unit", &unit, "--service", &service, "--json"]);
    let from_pipe = piped.write_stdin(zstd::stream::encode_all(bytes.as_slice(), 1).unwrap()).output().unwrap();
    assert_eq!(text(&from_gzip), text(&plain));
    assert_eq!(text(&from_pipe), text(&plain));
}

#[test]
fn nothing_later_changes_an_assessment() {
    let (path, service) = (fixture("study/readings.csv"), fixture("study/service.csv"));
    let as_of = "2026-03-01T12:00:00Z";
    let whole = study(&[&path, "--service", &service, "--as-of", as_of, "--json"]);
    ended(&whole, 0, "");
    let folder = tempfile::tempdir().unwrap();
    let cut = |name: &str, path: &str| {
        let all = fs::read_to_string(path).unwrap();
        let kept: Vec<&str> =
            all.lines().filter(|line| line.starts_with("time") || &line[..as_of.len()] <= as_of).collect();
        let cut = folder.path().join(name);
        fs::write(&cut, kept.join("\n") + "\n").unwrap();
        cut.display().to_string()
    };
    let (path, service) = (cut("r.csv", &path), cut("s.csv", &service));
    assert_eq!(text(&study(&[&path, "--service", &service, "--as-of", as_of, "--json"])), text(&whole));
}

#[test]
fn odd_but_readable_files_get_a_sound_answer() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, rows: &str| {
        let path = folder.path().join(name);
        fs::write(&path, format!("time,intensity,lamp_hours\n{rows}")).unwrap();
        path.display().to_string()
    };
    let days = |value: &dyn Fn(usize) -> String| -> String {
        (0..60 * 24)
            .map(|i| format!("2026-0{}-{:02}T{:02}:00:00Z,{},\n", 4 + i / 720, i / 24 % 30 + 1, i % 24, value(i)))
            .collect()
    };
    let cases = [
        write("one-row.csv", "2026-08-14T06:00:00Z,21.4,\n"),
        write("one-day.csv", &(0..24).map(|h| format!("2026-08-14T{h:02}:00:00Z,21.4,\n")).collect::<String>()),
        write("constant.csv", &days(&|_| "21.4".into())),
        write("zeros.csv", &days(&|_| "0".into())),
        write("negative.csv", &days(&|i| format!("-{}", i % 7))),
        write("gap.csv", "2025-06-01T06:00:00Z,21.4,\n2026-08-14T06:00:00Z,20.9,\n"),
        write("lamp-hours-backwards.csv", "2026-08-14T06:00:00Z,21.4,9000\n2026-08-14T07:00:00Z,24.1,0\n"),
    ];
    let unit = folder.path().join("unit.toml");
    fs::write(&unit, "site = \"heron-bight\"\nunit = \"boathouse\"\nset_point.intensity = 14.0\n").unwrap();
    for path in cases {
        let study = |more: &[&str]| {
            let mut command = fadeline();
            command.args(["study", &path, "--as-of", "2026-08-14T12:00:00Z", "--unit"]).arg(&unit).args(more);
            command.output().unwrap()
        };
        let output = study(&["--json"]);
        ended(&output, 0, "");
        let assessment = json(&output);
        assert!(assessment.forecast.clean_by.is_none(), "{path}: a date from nothing: {assessment:?}");
        let page = text(&study(&[]));
        assert!(!page.contains("NaN") && !page.contains("inf"), "{path}: {page}");
    }
}

#[test]
fn bad_data_is_65_and_can_be_passed_over() {
    let bad = fixture("readings/bad/many-mistakes.csv");
    let output = study(&[&bad]);
    ended(&output, 65, "30 of 30 rows cannot be used");
    ended(&output, 65, "line 2, column intensity: `x0` is not a number");
    assert!(String::from_utf8_lossy(&output.stderr).starts_with("fadeline: "));
    let folder = tempfile::tempdir().unwrap();
    let mixed = folder.path().join("mixed.csv");
    fs::write(&mixed, "time,intensity,colour\n2026-08-14T06:00:00Z,21.4,red\n2026-08-14T06:10:00Z,much,red\n").unwrap();
    let mixed = mixed.to_str().unwrap();
    ended(&study(&[mixed]), 65, "column `colour` is not known");
    let lenient = study(&[mixed, "--lenient"]);
    ended(&lenient, 0, "passed over the columns colour");
    ended(&lenient, 0, "1 of 2 rows cannot be used");
    ended(&study(&[mixed, "--lenient", "--as-of", "2020-01-01T00:00:00Z"]), 65, "give a later --as-of");
}

#[test]
fn a_unit_file_in_another_unit_gives_the_same_answer() {
    let folder = tempfile::tempdir().unwrap();
    let readings = fs::read_to_string(fixture("study/readings.csv")).unwrap();
    let tenfold: String = readings
        .lines()
        .map(|line| {
            let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
            if let Ok(value) = cells[1].parse::<f64>() {
                cells[1] = format!("{:.4}", value * 10.0);
            }
            cells.join(",") + "\n"
        })
        .collect();
    let unit = fs::read_to_string(fixture("study/unit.toml")).unwrap();
    let unit = unit.replace("= 19.0", "= 190").replace("= 28.6", "= 286").replace("mW/cm2", "W/m2");
    let (readings_path, unit_path) = (folder.path().join("r.csv"), folder.path().join("u.toml"));
    fs::write(&readings_path, tenfold).unwrap();
    fs::write(&unit_path, unit).unwrap();
    let mut command = fadeline();
    command.arg("study").arg(&readings_path).arg("--unit").arg(&unit_path).arg("--json");
    let other = json(&command.output().unwrap());
    let same = json(&study(&[&fixture("study/readings.csv"), "--json"]));
    assert_eq!(other.reading, same.reading);
    assert_eq!(other.forecast.crossing, same.forecast.crossing);
}

#[test]
fn missing_files_are_74_and_a_bad_unit_file_is_78() {
    ended(&study(&["no/such.csv"]), 74, "cannot read no/such.csv");
    let folder = tempfile::tempdir().unwrap();
    let unit = folder.path().join("unit.toml");
    fs::write(&unit, "site = \"a\"\nunit = \"b\"\nset_pont.intensity = 14\n").unwrap();
    let readings = fixture("study/readings.csv");
    let mut command = fadeline();
    command.args(["study", &readings, "--unit"]).arg(&unit);
    ended(&command.output().unwrap(), 78, "set_pont");
}

#[test]
fn a_reader_that_leaves_is_no_failure() {
    let (readings, unit) = (fixture("study/readings.csv"), fixture("study/unit.toml"));
    let program = assert_cmd::cargo::cargo_bin("fadeline");
    let mut child = std::process::Command::new(program)
        .args(["study", &readings, "--unit", &unit])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut said = String::new();
    child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert_eq!((child.wait().unwrap().code(), said.as_str()), (Some(0), ""));
}

#[test]
fn colour_is_for_terminals_or_on_request() {
    let readings = fixture("study/readings.csv");
    assert!(!text(&study(&[&readings])).contains('\u{1b}'));
    assert!(text(&study(&[&readings, "--color", "always"])).contains('\u{1b}'));
}

#[test]
fn a_grade_scores_what_the_study_said_at_past_dates() {
    let (readings, service) = (fixture("study/readings.csv"), fixture("study/service.csv"));
    // With a higher set point than its own the light does get there before somebody comes.
    let folder = tempfile::tempdir().unwrap();
    let unit = folder.path().join("unit.toml");
    let papers = fs::read_to_string(fixture("study/unit.toml")).unwrap();
    fs::write(&unit, papers.replace("intensity = 19.0", "intensity = 23.0")).unwrap();
    let unit = unit.to_str().unwrap();
    let grade = |more: &[&str]| {
        let mut command = fadeline();
        command.args(["grade", &readings, "--unit", unit, "--service", &service]).args(more);
        command.output().unwrap()
    };
    let output = grade(&[]);
    ended(&output, 0, "");
    let page = text(&output);
    assert!(page.is_ascii() && page.lines().all(|line| line.len() <= 80), "{page}");
    assert!(page.starts_with("heron-bight/boathouse: 1 unit, "), "{page}");
    assert!(page.contains("80 % range holds") && !page.contains("NaN"), "{page}");
    let json: serde_json::Value = serde_json::from_slice(&grade(&["--json"]).stdout).unwrap();
    assert_eq!(json["schema"], "fadeline.grade.v1");
    let scores = &json["scored"][0];
    assert_eq!((scores["of"].as_str(), scores["units"].as_u64()), (Some("heron-bight/boathouse"), Some(1)));
    assert_eq!(scores["dates"]["ahead"][1]["days"], 30);
    assert!(scores["dates"]["ahead"][1]["count"].as_u64() >= Some(1), "a crossing was approached: {scores}");
    assert!(scores["dates"]["ahead"][1]["mean_error"].as_f64().unwrap() <= 30.0, "{scores}");
    assert!(scores["verdict"].is_null(), "nobody knows the causes of a real unit: {scores}");
}

#[test]
fn bad_input_to_a_grade_ends_as_with_a_study() {
    let unit = fixture("study/unit.toml");
    let grade = |arguments: &[&str]| fadeline().arg("grade").args(arguments).output().unwrap();
    let bad = fixture("readings/bad/many-mistakes.csv");
    ended(&grade(&[&bad, "--unit", &unit]), 65, "line 2, column intensity: `x0` is not a number");
    ended(&grade(&["no/such.csv", "--unit", &unit]), 74, "cannot read no/such.csv");
    ended(&grade(&[&bad]), 64, "--unit");
    ended(&grade(&["--simulated", "healthy"]), 64, "--seeds");
    ended(&grade(&["--simulated", "helthy", "--seeds", "1..3"]), 64, "'healthy'");
    ended(&grade(&["--simulated", "healthy", "--seeds", "3..3"]), 64, "holds no seed");
    let folder = tempfile::tempdir().unwrap();
    let one = folder.path().join("one.csv");
    fs::write(&one, "time,intensity\n2026-08-14T06:00:00Z,21.4\n").unwrap();
    let output = grade(&[one.to_str().unwrap(), "--unit", &unit]);
    ended(&output, 0, "");
    assert!(text(&output).contains("Nothing to grade"), "{}", text(&output));
}

#[test]
fn simulated_units_are_graded_against_their_truth() {
    let arguments = ["grade", "--simulated", "healthy", "--seeds", "1..3", "--every", "90"];
    let page = text(&fadeline().args(arguments).output().unwrap());
    assert!(page.contains("recall") && page.lines().all(|line| line.len() <= 80), "{page}");
    let output = fadeline().args(arguments).arg("--json").output().unwrap();
    ended(&output, 0, "");
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let scores = &json["scored"][0];
    assert_eq!((scores["of"].as_str(), scores["units"].as_u64()), (Some("healthy, seeds 1..3"), Some(2)));
    // A healthy unit never crosses, by the simulator's own definition.
    assert_eq!(scores["dates"]["runs"], 0);
    assert_eq!(scores["dates"]["never"], scores["verdict"]["count"]);
    assert!(scores["assessments"].as_u64() >= Some(8), "{scores}");
}

#[test]
fn a_written_simulated_unit_can_be_studied() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = fadeline();
    command.args(["grade", "--simulated", "healthy", "--seeds", "1..2", "--write"]).arg(folder.path());
    ended(&command.output().unwrap(), 0, "");
    let file = |name: &str| folder.path().join("healthy-1").join(name);
    assert!(serde_json::from_slice::<serde_json::Value>(&fs::read(file("truth.json")).unwrap()).is_ok());
    let mut command = fadeline();
    command.arg("study").arg(file("readings.csv")).arg("--unit").arg(file("unit.toml"));
    command.arg("--service").arg(file("service.csv")).arg("--json");
    let output = command.output().unwrap();
    ended(&output, 0, "");
    assert_eq!(json(&output).forecast.crossing.p50, None, "healthy");
}

/// A config in a folder of its own, with one unit, and no daemon.
struct Home {
    folder: tempfile::TempDir,
}

impl Home {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = "zone = \"Europe/Vienna\"\n[broker]\nurl = \"mqtt://localhost:1\"\n[store]\npath = \"data\"\n[[unit]]\nsite = \"heron-bight\"\nunit = \"boathouse\"\n\
                      set_point.intensity = 14.0\nreference.intensity = 27.4\n";
        fs::write(folder.path().join("fadeline.toml"), config).unwrap();
        Self { folder }
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    fn make_store(&self) -> Store {
        Store::open(&StoreSettings { path: self.store(), cache_bytes: 8 << 20 }).unwrap()
    }

    fn run(&self, arguments: &[&str]) -> Output {
        fadeline().current_dir(self.folder.path()).args(arguments).output().unwrap()
    }
}

#[test]
fn without_a_daemon_the_commands_open_the_store_themselves() {
    let home = Home::new();
    ended(&home.run(&["units"]), 69, "start one with `fadeline watch`");
    assert!(!home.store().exists(), "a question leaves no store behind");
    drop(home.make_store());
    let unit = "heron-bight/boathouse";
    ended(&home.run(&["log", "heron-bight/boathose", "sleeve-cleaned"]), 64, "did you mean `heron-bight/boathouse`?");
    ended(&home.run(&["log", unit, "reference-check"]), 65, "reference-check needs a value");
    ended(&home.run(&["log", unit, "note", "--at", "2099-01-01"]), 65, "is in the future");
    ended(&home.run(&["log", unit, "note", "--at", "soon"]), 64, "`soon` is not a time");
    let log =
        ["log", unit, "sleeve-cleaned", "--at", "2026-05-08T15:15", "--by", "Ines", "--note", "vinegar, one hour"];
    for said in
        ["recorded: sleeve-cleaned at heron-bight/boathouse, 2026-05-08 15:15 CEST\n", "already in the logbook: "]
    {
        let output = home.run(&log);
        ended(&output, 0, "");
        assert!(text(&output).starts_with(said), "{}", text(&output));
    }
    assert!(text(&home.run(&["logbook", unit])).contains("Ines: vinegar, one hour"));
    let csv = text(&home.run(&["logbook", unit, "--csv"]));
    assert_eq!(csv, "time,action,value,by,note\n2026-05-08T13:15:00Z,sleeve-cleaned,,Ines,\"vinegar, one hour\"\n");
    let units: serde_json::Value = serde_json::from_slice(&home.run(&["units", "--json"]).stdout).unwrap();
    assert_eq!(units["units"][0]["condition"], "silent");
    assert!(text(&home.run(&["units"])).contains("boathouse"));
    assert!(text(&home.run(&["trend", unit])).contains("no readings yet"));
    assert!(text(&home.run(&["trend", unit, "--csv"])).starts_with("date,intensity,"));
}

#[test]
fn a_store_that_stays_locked_is_said_after_a_while() {
    let home = Home::new();
    let _held = home.make_store();
    ended(&home.run(&["units"]), 69, "no daemon answers on");
}

#[test]
fn without_a_config_there_is_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    ended(&fadeline().current_dir(folder.path()).arg("units").output().unwrap(), 78, "--config");
}
