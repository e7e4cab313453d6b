//! The store beside others on the same series in the same run: SQLite (WAL, synchronous FULL, one row a reading) and
//! VictoriaMetrics (a process of its own, skipped if it is not installed). `cargo bench --features beside -- beside`.

use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use fadeline::domain::{Channel, Columns, Reading, Timestamp, UnitId};
use rusqlite::Connection;

use super::store::{Sender, feed, open};
use super::table::Row;
use super::timing::{median, once};

const UNITS: u64 = 50;
const DAYS: usize = 60;
const MINUTES: usize = DAYS * 1_440;
/// Those of the day that is not over.
const OPEN_MINUTES: usize = 1_440;
/// Where a child process of this benchmark keeps its store; see [`child`].
const CHILD: &str = "FADELINE_BENCH_CHILD";
const VICTORIA: &str = "victoria-metrics";
const CHANNELS: [Channel; 3] = [Channel::Intensity, Channel::WaterTemperature, Channel::Flow];
const PATIENCE: Duration = Duration::from_secs(60);

fn row(name: &str, value: f64, unit: &'static str) -> Row {
    Row::new(format!("beside: {name}"), value, unit)
}

/// Everything: some minutes.
pub fn run() -> Result<Vec<Row>, String> {
    let fleet = series();
    let victoria = Victoria::measure(&fleet);
    let mut rows = Vec::new();
    let dir = tempfile::tempdir().expect("a directory");
    for (per_append, appends) in [(100, 1_000), (1_000, 200)] {
        rows.push(ingest(per_append, appends, if per_append == 100 { ">= 3" } else { ">= 1" }));
    }
    let mut sqlite = Sqlite::open(&dir.path().join("sqlite.db"));
    let store = open(&dir.path().join("store"));
    let count = (UNITS as usize * MINUTES) as f64;
    let batch = |id: &UnitId, readings: &[Reading]| -> Vec<(UnitId, Reading)> {
        readings.iter().map(|reading| (id.clone(), *reading)).collect()
    };
    for (id, readings) in &fleet {
        store.load(&batch(id, &readings[..MINUTES - OPEN_MINUTES])).expect("room on the disk");
        sqlite.insert(&batch(id, readings));
    }
    // The last day as it comes: it lies in the journal.
    for minutes in (MINUTES - OPEN_MINUTES..MINUTES).collect::<Vec<_>>().chunks(20) {
        let of = |(id, readings): &(UnitId, Vec<Reading>)| batch(id, &readings[minutes[0]..minutes[0] + minutes.len()]);
        store.append(&fleet.iter().flat_map(of).collect::<Vec<_>>()).expect("room on the disk");
    }
    sqlite.checkpoint();
    let bytes = |path: &str| disk_bytes(&dir.path().join(path)) as f64 / count;
    store.close();
    let (ours, theirs) = (bytes("store") - bytes("store/reserve"), bytes("sqlite.db"));
    rows.push(row("on disk, the last day in the journal", ours, "B/reading").against("SQLite", theirs).goal("<= 1/14"));
    // Days that are rolled up and long over lie in bundles, as in a daemon that runs.
    let store = open(&dir.path().join("store"));
    for (id, _) in &fleet {
        let owed = store.dirty_of(id);
        store.roll_up(id, &[], &owed.days, owed.token).expect("room on the disk");
    }
    store.close();
    rows.extend(scans(&dir.path().join("store"), &dir.path().join("sqlite.db"), &fleet));
    match victoria {
        Some(victoria) => {
            rows.push(
                row("on disk, the last day in the journal", ours, "B/reading")
                    .against("VictoriaMetrics", victoria.bytes / count)
                    .goal("<= 0.40"),
            );
            let ours = peak_of_child()?;
            rows.push(
                row("peak memory, that much ingested", ours, "MB")
                    .against("VictoriaMetrics", victoria.peak)
                    .goal("<= 1/3"),
            );
        }
        None => {
            println!("  beside: VictoriaMetrics is not installed (Debian: apt-get install victoria-metrics): left out");
        }
    }
    Ok(rows)
}

/// Every unit's readings, in order.
fn series() -> Vec<(UnitId, Vec<Reading>)> {
    let of = |mut sender: Sender| {
        let rows: Vec<(UnitId, Reading)> = (0..MINUTES).map(|_| sender.next()).collect();
        (rows[0].0.clone(), rows.into_iter().map(|(_, reading)| reading).collect())
    };
    Sender::fleet(UNITS, 1).into_iter().map(of).collect()
}

/// Durable appends of the same readings in turn, several times; medians.
fn ingest(per_append: usize, appends: usize, goal: &'static str) -> Row {
    let round = || {
        let dir = tempfile::tempdir().expect("a directory");
        let store = open(&dir.path().join("store"));
        let minutes = per_append * appends / UNITS as usize;
        let (sent, spent) = feed(&store, &mut Sender::fleet(UNITS, 1), minutes, per_append);
        let mut sqlite = Sqlite::open(&dir.path().join("sqlite.db"));
        let mut fleet = Sender::fleet(UNITS, 1);
        let all: Vec<(UnitId, Reading)> =
            (0..minutes).flat_map(|_| fleet.iter_mut().map(Sender::next).collect::<Vec<_>>()).collect();
        let ((), theirs) = once(|| all.chunks(per_append).for_each(|batch| sqlite.insert(batch)));
        (sent as f64 / spent.as_secs_f64(), all.len() as f64 / theirs)
    };
    let (ours, theirs): (Vec<f64>, Vec<f64>) = (0..3).map(|_| round()).unzip();
    row(&format!("durable appends of {per_append}"), median(ours), "readings/s")
        .against("SQLite, WAL, synchronous FULL", median(theirs))
        .goal(goal)
}

/// One unit's whole series, decoded: the first scan after opening, and warm; by columns, and as one value a reading with
/// a place for every channel there is.
fn scans(ours: &Path, theirs: &Path, fleet: &[(UnitId, Vec<Reading>)]) -> Vec<Row> {
    let (id, expected) = &fleet[7];
    let [warm, first] = scanned(
        "by columns",
        || open(ours),
        || Sqlite::open(theirs),
        |store| store.columns(id, (Timestamp::MIN, Timestamp::MAX), &CHANNELS).expect("readable"),
        |sqlite| sqlite.columns(id),
        |columns| {
            columns.len() == expected.len()
                && CHANNELS.into_iter().all(|channel| {
                    let expected = expected.iter().filter_map(|row| Some((row.at, row.get(channel)?)));
                    columns.points(channel).eq(expected)
                })
        },
    );
    let as_rows = scanned(
        "as rows of all channels",
        || open(ours),
        || Sqlite::open(theirs),
        |store| store.readings(id, Timestamp::MIN, Timestamp::MAX).expect("readable"),
        |sqlite| sqlite.scan(id),
        |rows| rows == expected,
    );
    [warm.goal("<= 1/6"), first.goal("<= 1")].into_iter().chain(as_rows).collect()
}

fn scanned<T, S>(
    how: &str,
    open_ours: impl Fn() -> S,
    open_theirs: impl Fn() -> Sqlite,
    scan_ours: impl Fn(&S) -> T,
    scan_theirs: impl Fn(&Sqlite) -> T,
    right: impl Fn(&T) -> bool,
) -> [Row; 2] {
    let ms = |seconds: f64| seconds * 1e3;
    let mut first = (Vec::new(), Vec::new());
    let mut warm = (Vec::new(), Vec::new());
    for _ in 0..5 {
        let store = open_ours();
        let (found, seconds) = once(|| scan_ours(&store));
        assert!(right(&found));
        first.0.push(seconds);
        warm.0.extend((0..5).map(|_| once(|| scan_ours(&store)).1));
        drop(store);
        let sqlite = open_theirs();
        let (found, seconds) = once(|| scan_theirs(&sqlite));
        assert!(right(&found));
        first.1.push(seconds);
        warm.1.extend((0..5).map(|_| once(|| scan_theirs(&sqlite)).1));
    }
    let pair = |(ours, theirs): (Vec<f64>, Vec<f64>)| (ms(median(ours)), ms(median(theirs)));
    let ((first_ours, first_theirs), (warm_ours, warm_theirs)) = (pair(first), pair(warm));
    let name = |what: &str| format!("{what} of one unit, {DAYS} days, {how}");
    [
        row(&name("warm scan"), warm_ours, "ms").against("SQLite", warm_theirs),
        row(&name("first scan"), first_ours, "ms").against("SQLite", first_theirs),
    ]
}

/// One row a reading.
struct Sqlite(Connection);

impl Sqlite {
    fn open(path: &Path) -> Self {
        let db = Connection::open(path).expect("a database");
        db.execute_batch(
            "pragma journal_mode = wal; pragma synchronous = full;
             create table if not exists reading (unit text, at integer, intensity real, water_temperature real, flow real,
             primary key (unit, at)) without rowid;",
        )
        .expect("a table");
        Self(db)
    }

    fn insert(&mut self, batch: &[(UnitId, Reading)]) {
        let begun = self.0.transaction().expect("a transaction");
        {
            let mut insert = begun
                .prepare_cached("insert or replace into reading values (?1, ?2, ?3, ?4, ?5)")
                .expect("a statement");
            for (id, reading) in batch {
                let [a, b, c] = CHANNELS.map(|channel| reading.get(channel));
                insert.execute((id.unit(), reading.at.as_millis(), a, b, c)).expect("room on the disk");
            }
        }
        begun.commit().expect("room on the disk");
    }

    fn scan(&self, id: &UnitId) -> Vec<Reading> {
        let mut select = self
            .0
            .prepare_cached("select at, intensity, water_temperature, flow from reading where unit = ?1 order by at")
            .expect("a statement");
        let rows = select.query_map([id.unit()], |row| {
            let mut reading = Reading::new(Timestamp::from_millis(row.get(0)?));
            for (place, channel) in CHANNELS.into_iter().enumerate() {
                if let Some(value) = row.get::<_, Option<f64>>(place + 1)? {
                    reading.set(channel, value);
                }
            }
            Ok(reading)
        });
        rows.expect("rows").collect::<Result<_, _>>().expect("rows")
    }

    fn columns(&self, id: &UnitId) -> Columns {
        let mut select = self
            .0
            .prepare_cached("select at, intensity, water_temperature, flow from reading where unit = ?1 order by at")
            .expect("a statement");
        let mut found = select.query([id.unit()]).expect("rows");
        let (mut times, mut values) = (Vec::new(), [const { Vec::new() }; 3]);
        while let Some(row) = found.next().expect("rows") {
            times.push(Timestamp::from_millis(row.get(0).expect("a time")));
            for (place, values) in values.iter_mut().enumerate() {
                values.push(row.get::<_, Option<f64>>(place + 1).expect("a value").unwrap_or(f64::NAN));
            }
        }
        let mut columns = Columns::default();
        columns.extend_times(times);
        CHANNELS
            .into_iter()
            .zip(values)
            .for_each(|(channel, values)| columns.extend_channel(channel, values.into_iter()));
        columns
    }

    fn checkpoint(&self) {
        self.0.execute_batch("pragma wal_checkpoint(truncate)").expect("room on the disk");
    }
}

/// What VictoriaMetrics takes for the same readings.
struct Victoria {
    bytes: f64,
    peak: f64,
}

impl Victoria {
    /// `None` if it is not installed.
    fn measure(fleet: &[(UnitId, Vec<Reading>)]) -> Option<Self> {
        let dir = tempfile::tempdir().expect("a directory");
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let data = dir.path().join("data");
        let mut child = Command::new(VICTORIA)
            .arg(format!("-storageDataPath={}", data.display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .arg("-retentionPeriod=100y")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .ok()?;
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(begun.elapsed() < PATIENCE, "VictoriaMetrics does not listen");
            std::thread::park_timeout(Duration::from_millis(20));
        }
        for (id, readings) in fleet {
            for day in readings.chunks(1_440) {
                let lines: String = CHANNELS.into_iter().map(|channel| line(id, channel, day)).collect();
                request(port, "POST", "/api/v1/import", &lines);
            }
        }
        request(port, "GET", "/internal/force_flush", "");
        // It merges on its own time; until it is done both the old parts and the new one are there.
        request(port, "GET", "/internal/force_merge", "");
        let (begun, mut before, mut calm) = (Instant::now(), 0, 0);
        while calm < 4 {
            assert!(begun.elapsed() < PATIENCE, "VictoriaMetrics does not end its merge");
            std::thread::park_timeout(Duration::from_millis(500));
            let merging = ["vm_active_force_merges", "vm_active_merges"];
            let metrics = request(port, "GET", "/metrics", "");
            let mut active = metrics.lines().filter(|line| merging.iter().any(|name| line.starts_with(name)));
            let now = disk_bytes(&data);
            calm = if active.all(|line| line.ends_with(" 0")) && now == before { calm + 1 } else { 0 };
            before = now;
        }
        request(port, "GET", "/internal/force_flush", "");
        let peak = peak_mb(child.id());
        assert!(Command::new("kill").arg(child.id().to_string()).status().expect("kill").success());
        child.wait().expect("VictoriaMetrics");
        Some(Self { bytes: disk_bytes(&data) as f64, peak })
    }
}

fn line(id: &UnitId, channel: Channel, readings: &[Reading]) -> String {
    let join = |items: Vec<String>| items.join(",");
    let values = join(readings.iter().filter_map(|r| r.get(channel)).map(|value| value.to_string()).collect());
    let times = join(readings.iter().map(|r| r.at.as_millis().to_string()).collect());
    let unit = id.unit();
    format!(
        "{{\"metric\":{{\"__name__\":\"{channel}\",\"unit\":\"{unit}\"}},\"values\":[{values}],\"timestamps\":[{times}]}}\n"
    )
}

fn request(port: u16, method: &str, path: &str, body: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("VictoriaMetrics");
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body.as_bytes())).expect("VictoriaMetrics");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 2"), "{}", answer.lines().next().unwrap_or_default());
    answer
}

/// The most memory a process has held, MB.
fn peak_mb(pid: u32) -> f64 {
    super::intake::memory_mb(pid, "VmHWM:")
}

/// Bytes of disk, as `du` counts them.
fn disk_bytes(path: &Path) -> u64 {
    use std::os::unix::fs::MetadataExt;
    let about = fs::metadata(path).expect("a file");
    let below = about.is_dir().then(|| {
        let entries = fs::read_dir(path).expect("a directory");
        entries.map(|entry| disk_bytes(&entry.expect("an entry").path())).sum::<u64>()
    });
    if about.is_dir() { below.unwrap_or(0) } else { about.blocks() * 512 }
}

/// The peak of a process that appends the same readings durably, 1,000 at a time, MB.
fn peak_of_child() -> Result<f64, String> {
    let dir = tempfile::tempdir().expect("a directory");
    let program = std::env::current_exe().map_err(|error| error.to_string())?;
    let done =
        Command::new(program).arg("--bench").env(CHILD, dir.path()).output().map_err(|error| error.to_string())?;
    let text = String::from_utf8_lossy(&done.stdout).into_owned();
    text.trim().parse().map_err(|_| format!("the child said `{text}`"))
}

/// Run by [`peak_of_child`] in a process of its own; `false` in every other.
pub fn child() -> bool {
    let Some(dir) = std::env::var_os(CHILD).map(PathBuf::from) else { return false };
    let store = open(&dir.join("store"));
    feed(&store, &mut Sender::fleet(UNITS, 1), MINUTES, 1_000);
    println!("{}", peak_mb(std::process::id()));
    true
}
