//! A simulated unit as the contract's files: text in memory; the caller writes it.

use jiff::civil::Date;
use serde::Deserialize;
use serde_json::{Value, json};
use toml::Table;

use super::plan::FaultKind;
use super::truth::{TruthDay, percent};
use super::{Losses, Simulated};
use crate::domain::{Channel, Reading, ServiceEntry, Timestamp, UnitSpec, WaterSource};

/// Schema of the truth file.
const TRUTH_SCHEMA: &str = "fadeline.truth.v1";

/// READINGS: `time` and every channel that occurs.
pub fn readings_csv(readings: &[Reading]) -> String {
    use std::fmt::Write;
    let channels: Vec<Channel> =
        Channel::ALL.into_iter().filter(|c| readings.iter().any(|r| r.get(*c).is_some())).collect();
    let mut text = String::from("time");
    for channel in &channels {
        text.push(',');
        text.push_str(channel.name());
    }
    text.push('\n');
    for reading in readings {
        // Writing to a String cannot fail.
        let _ = write!(text, "{}", reading.at);
        for channel in &channels {
            text.push(',');
            if let Some(value) = reading.get(*channel) {
                let _ = write!(text, "{value}");
            }
        }
        text.push('\n');
    }
    text
}

/// The service log: `time,action,value,by,note`.
pub fn service_csv(log: &[ServiceEntry]) -> String {
    let mut text = String::from("time,action,value,by,note\n");
    for entry in log {
        let fields = [
            entry.at.to_string(),
            entry.action.to_string(),
            entry.value.map_or_else(String::new, |value| value.to_string()),
            entry.by.clone().unwrap_or_default(),
            entry.note.clone().unwrap_or_default(),
        ];
        text.push_str(&fields.map(|field| quoted(&field)).join(","));
        text.push('\n');
    }
    text
}

/// A field as RFC 4180 wants it.
fn quoted(field: &str) -> String {
    if field.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

/// The unit file. Times are quoted RFC 3339.
pub fn unit_toml(spec: &UnitSpec) -> String {
    let mut unit = Table::new();
    unit.insert("site".into(), spec.id.site().into());
    unit.insert("unit".into(), spec.id.unit().into());
    let water = spec.water.and_then(|water| WaterSource::ALL.into_iter().find(|(source, _)| *source == water));
    let texts =
        [("name", spec.name.as_deref()), ("zone", spec.zone.iana_name()), ("water", water.map(|(_, name)| name))];
    for (key, text) in texts {
        if let Some(text) = text {
            unit.insert(key.into(), text.into());
        }
    }
    let mut section = |name: &str, fields: Vec<(&str, Option<toml::Value>)>| {
        let table: Table = fields.into_iter().filter_map(|(key, value)| Some((key.to_owned(), value?))).collect();
        if !table.is_empty() {
            unit.insert(name.to_owned(), table.into());
        }
    };
    let time = |at: Option<Timestamp>| at.map(|at| toml::Value::from(at.to_string()));
    let number = |value: Option<f64>| value.map(toml::Value::from);
    section("set_point", vec![("intensity", number(Some(spec.set_point)))]);
    section("reference", vec![("intensity", number(spec.reference))]);
    section(
        "lamp",
        vec![
            ("installed", time(spec.lamp.installed)),
            ("hours_at_start", number(spec.lamp.hours_at_start)),
            ("rated_hours", number(Some(spec.lamp.rated_hours))),
        ],
    );
    section("sleeve", vec![("installed", time(spec.sleeve.installed)), ("cleaned", time(spec.sleeve.cleaned))]);
    section(
        "sensor",
        vec![
            ("installed", time(spec.sensor.installed)),
            ("cleaned", time(spec.sensor.cleaned)),
            ("unit", Some(spec.sensor.unit.symbol().into())),
            ("path_cm", number(spec.sensor.path_cm)),
        ],
    );
    unit.to_string()
}

/// The truth: losses in ln by cause, of each day the mean and those at its end, the crossing day from each day, what was
/// done, what of it stands in no log, and what passed. [`read_truth`] reads it back.
pub fn truth_json(sim: &Simulated) -> String {
    let truth = &sim.truth;
    json!({
        "schema": TRUTH_SCHEMA,
        "site": sim.spec.id.site(),
        "unit": sim.spec.id.unit(),
        "set_point": sim.spec.set_point,
        "new_intensity": truth.new_intensity,
        "days": truth.days.iter().map(|day| day_json(sim, day)).collect::<Vec<_>>(),
        "services": truth.services.iter().map(|s| json!({
            "at": s.at, "action": s.work.action(), "logged_at": s.logged.as_ref().map(|entry| entry.at),
        })).collect::<Vec<_>>(),
        "unlogged": truth.unlogged().iter().map(|s| json!({
            "date": s.date, "days": s.days, "ln_size": s.ln_size,
        })).collect::<Vec<_>>(),
        "episodes": truth.episodes.iter().map(|e| json!({
            "from": e.from, "to": e.to, "depth_percent": e.depth_percent,
        })).collect::<Vec<_>>(),
        "water_shifts": truth.shifts.iter().map(|s| json!({
            "at": s.at, "days": s.days, "percent": percent(truth.shift_loss(s)),
        })).collect::<Vec<_>>(),
        "faults": truth.faults.iter().map(|f| json!({
            "kind": fault_name(f.kind), "from": f.from, "to": f.to,
        })).collect::<Vec<_>>(),
    })
    .to_string()
}

fn day_json(sim: &Simulated, day: &TruthDay) -> Value {
    let (truth, losses) = (&sim.truth, &day.losses);
    let (_, end) = Timestamp::day_bounds(day.date, &sim.spec.zone);
    json!({
        "date": day.date, "intensity": day.intensity, "closed": day.closed, "crossing": truth.crossing_from(day.date),
        "sleeve": losses.sleeve, "lamp": losses.lamp, "window": losses.window, "drift": losses.drift,
        "water": losses.water, "episode": losses.episode, "temperature": losses.temperature,
        "leading": losses.leading(), "at_end": truth.losses_at(end),
    })
}

/// What a truth file tells a grader. Fields beyond these are for people.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct TruthFile {
    schema: String,
    /// Site of the unit.
    pub site: String,
    /// The unit.
    pub unit: String,
    /// Every day of the history, ascending.
    pub days: Vec<FileDay>,
    /// Every lasting change of the light that stands in no log.
    pub unlogged: Vec<FileStep>,
    /// Every passing clouding.
    pub episodes: Vec<FileEpisode>,
}

/// A day of a truth file.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub struct FileDay {
    /// Which, in the unit's zone.
    pub date: Date,
    /// Closed for the season all day.
    pub closed: bool,
    /// When the light would be too little if nobody did anything after this day; `None`: not within a year.
    pub crossing: Option<Date>,
    /// Losses at the end of the day, ln.
    pub at_end: Losses,
}

/// A lasting change of the light that stands in no log.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub struct FileStep {
    /// The day it began.
    pub date: Date,
    /// Days it took; 0 for work at the unit.
    pub days: i64,
    /// ln; positive: up.
    pub ln_size: f64,
}

/// A passing clouding of the water.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub struct FileEpisode {
    /// Its first instant.
    pub from: Timestamp,
    /// Its last.
    pub to: Timestamp,
    /// Deepest loss, percent of light.
    pub depth_percent: f64,
}

impl TruthFile {
    /// The day `date`, if it belongs to the history.
    pub fn day(&self, date: Date) -> Option<&FileDay> {
        self.days.binary_search_by_key(&date, |day| day.date).ok().map(|i| &self.days[i])
    }
}

/// Why a text is not a truth file.
#[derive(Debug, thiserror::Error)]
pub enum TruthError {
    /// Not JSON, or a field is missing or of another kind.
    #[error("is not a truth file ({0}); write it again")]
    Shape(#[from] serde_json::Error),
    /// Another schema.
    #[error("has the schema `{0}`; only `fadeline.truth.v1` can be read")]
    Schema(String),
    /// A day does not come after the one before it.
    #[error("{0} does not come after the day before it; list every day once, oldest first")]
    Order(Date),
}

/// Reads what [`truth_json`] wrote.
pub fn read_truth(text: &str) -> Result<TruthFile, TruthError> {
    let read: TruthFile = serde_json::from_str(text)?;
    if read.schema != TRUTH_SCHEMA {
        return Err(TruthError::Schema(read.schema));
    }
    match read.days.windows(2).find(|pair| pair[0].date >= pair[1].date) {
        Some(pair) => Err(TruthError::Order(pair[1].date)),
        None => Ok(read),
    }
}

fn fault_name(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::PowerCut => "power-cut",
        FaultKind::Outage => "outage",
        FaultKind::LampOut => "lamp-out",
        FaultKind::Stuck => "stuck",
        FaultKind::Jump(_) => "sensor-jump",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::ServiceAction;
    use crate::domain::time::{DAY, HOUR};
    use crate::scenario::{Kind, random_plan, simulate};

    #[test]
    fn readings_read_back() {
        let plan = random_plan(Kind::Usual, 4);
        let sim = simulate(&plan, plan.from, plan.from.plus_millis(3 * DAY), HOUR);
        let text = readings_csv(&sim.readings);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let header = reader.headers().unwrap().clone();
        assert_eq!((&header[0], &header[1]), ("time", "intensity"));
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), sim.readings.len());
        for (row, reading) in rows.iter().zip(&sim.readings) {
            let mut read = Reading::new(row[0].parse().unwrap());
            for (name, cell) in header.iter().zip(row).skip(1).filter(|(_, cell)| !cell.is_empty()) {
                read.set(name.parse().unwrap(), cell.parse().unwrap());
            }
            assert_eq!(read, *reading);
        }
    }

    #[test]
    fn notes_with_commas_and_quotes_read_back() {
        let entry = ServiceEntry {
            by: Some("Ines, Tom".into()),
            note: Some("vinegar, \"two hours\"\nand rinsed".into()),
            ..ServiceEntry::new(Timestamp::from_secs(0), ServiceAction::SleeveCleaned)
        };
        let text = service_csv(std::slice::from_ref(&entry));
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let row = reader.records().next().unwrap().unwrap();
        assert_eq!((row[1].to_owned(), row[2].to_owned()), ("sleeve-cleaned".to_owned(), String::new()));
        assert_eq!((Some(row[3].to_owned()), Some(row[4].to_owned())), (entry.by, entry.note));
    }

    #[test]
    fn the_unit_file_says_what_the_papers_say() {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        spec.lamp.hours_at_start = Some(3_500.0);
        spec.sleeve.cleaned = Some(Timestamp::from_secs(0));
        let read: Table = unit_toml(&spec).parse().unwrap();
        assert_eq!(read["site"].as_str(), Some("heron-bight"));
        assert_eq!(read["zone"].as_str(), Some("UTC"));
        assert_eq!(read["set_point"]["intensity"].as_float(), Some(14.0));
        assert_eq!(read["lamp"]["hours_at_start"].as_float(), Some(3_500.0));
        assert_eq!(read["sleeve"]["cleaned"].as_str(), Some("1970-01-01T00:00:00Z"));
        assert_eq!(read["sensor"]["unit"].as_str(), Some("mW/cm2"));
        assert!(!read.contains_key("reference"), "unknown is left out");
    }

    #[test]
    fn the_truth_file_has_every_day() {
        let plan = random_plan(Kind::Usual, 4);
        let to = plan.from.plus_millis(20 * DAY);
        let sim = simulate(&plan, plan.from, to, HOUR);
        let read: Value = serde_json::from_str(&truth_json(&sim)).unwrap();
        assert_eq!(read["days"].as_array().unwrap().len(), sim.truth.days.len());
        let day = &sim.truth.days[7];
        assert_eq!(read["days"][7]["sleeve"].as_f64(), Some(day.losses.sleeve));
        assert_eq!(read["days"][7]["date"].as_str(), Some(day.date.to_string().as_str()));
    }

    #[test]
    fn the_truth_file_reads_back() {
        let plan = random_plan(Kind::Hard, 4);
        let sim = simulate(&plan, plan.from, plan.from.plus_millis(200 * DAY), HOUR);
        let text = truth_json(&sim);
        let read = read_truth(&text).unwrap();
        assert_eq!((read.site.as_str(), read.unit.as_str()), (sim.spec.id.site(), sim.spec.id.unit()));
        for (day, truth) in read.days.iter().zip(&sim.truth.days) {
            let (_, end) = Timestamp::day_bounds(truth.date, &sim.spec.zone);
            assert_eq!((day.date, day.closed), (truth.date, truth.closed));
            assert_eq!(day.crossing, sim.truth.crossing_from(truth.date));
            assert_eq!(day.at_end, sim.truth.losses_at(end));
        }
        assert_eq!(read.days.len(), sim.truth.days.len());
        assert_eq!(read.unlogged.len(), sim.truth.unlogged().len());
        assert_eq!(read.episodes.len(), sim.truth.episodes.len());
        assert!(matches!(read_truth("{"), Err(TruthError::Shape(_))));
        assert!(matches!(read_truth(&text.replace("truth.v1", "truth.v9")), Err(TruthError::Schema(_))));
        let mut twice: Value = serde_json::from_str(&text).unwrap();
        twice["days"][1] = twice["days"][0].clone();
        assert!(matches!(read_truth(&twice.to_string()), Err(TruthError::Order(_))));
    }
}
