//! Where a demo keeps its data, and the config it writes for the daemon and for other commands.

use std::fs;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};

use toml::{Table, Value};

use super::DemoError;
use crate::domain::Timestamp;
use crate::scenario::export;
use crate::scenario::heron_bight::Resident;

const CONFIG: &str = "demo.toml";
/// The end of the invented history: the same fleet is invented again at the next start.
const ORIGIN: &str = "origin";
/// There once the whole history has been judged: until then it is told again, which stores nothing twice.
const TOLD: &str = "told";

/// A directory that is there, and what an earlier demo left in it.
#[derive(Debug)]
pub struct Place {
    path: PathBuf,
    /// The config's path.
    pub config: PathBuf,
    /// The end of the invented history.
    pub origin: Timestamp,
    /// Whether no demo here has told the whole history before.
    pub first: bool,
    /// Removes the directory when dropped.
    _temporary: Option<tempfile::TempDir>,
}

impl Place {
    /// Makes the directory, or finds an earlier demo's.
    pub fn prepare(data: Option<&Path>, now: Timestamp) -> Result<Self, DemoError> {
        let refuse = |path: &Path| {
            let path = path.to_owned();
            move |source| DemoError::Place { path, source }
        };
        let (path, temporary) = match data {
            Some(path) => {
                fs::create_dir_all(path).map_err(refuse(path))?;
                (path.canonicalize().map_err(refuse(path))?, None)
            }
            None => {
                let dir = tempfile::Builder::new().prefix("fadeline-demo-").tempdir();
                let dir = dir.map_err(refuse(&std::env::temp_dir()))?;
                (dir.path().to_owned(), Some(dir))
            }
        };
        let file = path.join(ORIGIN);
        let earlier = fs::read_to_string(&file).ok().and_then(|text| text.trim().parse::<Timestamp>().ok());
        let origin = earlier.unwrap_or_else(|| Timestamp::from_secs(now.as_millis() / 1_000));
        if earlier.is_none() {
            fs::write(&file, format!("{origin}\n")).map_err(refuse(&file))?;
        }
        let first = !path.join(TOLD).exists();
        Ok(Self { config: path.join(CONFIG), path, origin, first, _temporary: temporary })
    }

    /// Notes that the whole history has been judged.
    pub fn told(&self) -> Result<(), DemoError> {
        let file = self.path.join(TOLD);
        fs::write(&file, "").map_err(|source| DemoError::Place { path: file, source })
    }

    /// Writes a config with these units and free ports for MQTT 3.1.1 and 5, which are returned.
    pub fn write_config(&self, residents: &[Resident]) -> Result<(u16, u16), DemoError> {
        let refuse = |source| DemoError::Place { path: self.path.clone(), source };
        // Both at once, so that they differ.
        let free = || TcpListener::bind((Ipv4Addr::LOCALHOST, 0));
        let (first, second) = (free().map_err(refuse)?, free().map_err(refuse)?);
        let ports = (first.local_addr().map_err(refuse)?.port(), second.local_addr().map_err(refuse)?.port());
        let text = format!(
            "# Written by `fadeline demo`: the invented Heron Bight fleet.\n{}",
            config(&self.path, residents, ports)
        );
        fs::write(&self.config, text).map_err(refuse)?;
        Ok(ports)
    }
}

fn config(path: &Path, residents: &[Resident], (v311, v5): (u16, u16)) -> Table {
    let text = |text: String| Value::String(text);
    let mut broker = Table::new();
    broker.insert("embedded".into(), Value::Boolean(true));
    broker.insert("listen".into(), text(format!("127.0.0.1:{v5}")));
    broker.insert("listen_311".into(), text(format!("127.0.0.1:{v311}")));
    let mut web = Table::new();
    // A free port, so that two demos and a daemon do not meet.
    web.insert("listen".into(), text("127.0.0.1:0".to_owned()));
    let mut store = Table::new();
    store.insert("path".into(), text(path.join("store").display().to_string()));
    let mut sites: Vec<(&str, &str, Option<&str>)> =
        residents.iter().map(|r| (r.spec.id.site(), r.site_name, r.spec.zone.iana_name())).collect();
    sites.sort_unstable();
    sites.dedup();
    let site = |(id, name, zone): (&str, &str, Option<&str>)| {
        let zone = zone.unwrap_or("UTC").to_owned();
        let fields = [("id", id.to_owned()), ("name", name.to_owned()), ("zone", zone)];
        Value::Table(fields.into_iter().map(|(key, value)| (key.to_owned(), text(value))).collect())
    };
    let unit = |resident: &Resident| {
        // What the simulator wrote is TOML; a unit file's zone is its site's here.
        let mut unit = export::unit_toml(&resident.spec).parse::<Table>().unwrap_or_default();
        unit.remove("zone");
        Value::Table(unit)
    };
    let mut config = Table::new();
    config.insert("broker".into(), broker.into());
    config.insert("store".into(), store.into());
    config.insert("web".into(), web.into());
    config.insert("site".into(), sites.into_iter().map(site).collect::<Vec<_>>().into());
    config.insert("unit".into(), residents.iter().map(unit).collect::<Vec<_>>().into());
    config
}
