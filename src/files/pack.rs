//! Readings as a SenML JSON pack in a file.

use crate::domain::{Channel, Measure, Reading};
use crate::senml::{self, Record, Value};

use super::readings::{Dialect, ReadingsFile};
use super::refusal::{Refusal, Spot, quoted};
use super::{FileError, Source, cell};

/// The readings of a pack, ascending by time. A record belongs to the channel its name ends in, after the last `/` or
/// `:`.
pub(super) fn records(source: &Source, dialect: &Dialect) -> Result<ReadingsFile, FileError> {
    let text = std::str::from_utf8(&source.bytes)
        .map_err(|_| FileError::shape(&source.name, "is not UTF-8 text; save it as UTF-8"))?;
    let pack = senml::resolve(text, dialect.not_after).map_err(|e| FileError::shape(&source.name, e.to_string()))?;
    let mut file = ReadingsFile::new(&source.name);
    file.rows = (pack.records.len() + pack.faults.len()) as u64;
    file.refused.rows = file.rows;
    for fault in &pack.faults {
        let text = fault.to_string();
        // Its text names the record, as the spot does.
        let why = text.strip_prefix(&format!("record {}", fault.place())).unwrap_or(&text);
        let why = why.trim_start_matches(':').trim().to_owned();
        file.refused.push(Refusal { spot: Spot::Record(fault.place() as u64), column: None, why });
    }
    for record in &pack.records {
        let name = record.last_part();
        let channel = match name.parse::<Channel>() {
            Ok(channel) => channel,
            Err(_) if dialect.lenient => {
                if !file.ignored_columns.iter().any(|ignored| *ignored == name) {
                    file.ignored_columns.push(name.into_owned());
                }
                continue;
            }
            Err(_) => {
                let why = cell::unknown_column(&name, Channel::ALL.map(Channel::name));
                refuse(&mut file, record, None, why);
                continue;
            }
        };
        match value(record, channel, dialect) {
            Ok(value) => add(&mut file, record, channel, value),
            Err(why) => refuse(&mut file, record, Some(channel.name().to_owned()), why),
        }
    }
    Ok(file)
}

fn refuse(file: &mut ReadingsFile, record: &Record<'_>, column: Option<String>, why: String) {
    file.refused.push(Refusal { spot: Spot::Record(record.place as u64), column, why });
}

/// Records come in order of time.
fn add(file: &mut ReadingsFile, record: &Record<'_>, channel: Channel, value: f64) {
    match file.readings.last_mut().filter(|last| last.at == record.at) {
        Some(last) => last.set(channel, value),
        None => file.readings.push(Reading::new(record.at).with(channel, value)),
    }
}

pub(super) fn value(record: &Record<'_>, channel: Channel, dialect: &Dialect) -> Result<f64, String> {
    if record.relative {
        return Err("has no absolute time; in a file write t or bt in seconds since 1970".to_owned());
    }
    cell::check_time(record.at, dialect.not_after)?;
    match record.value {
        Value::Boolean(on) if channel == Channel::LampOn => Ok(f64::from(u8::from(on))),
        Value::Number(raw) => cell::inside(channel, raw, measure(record, channel, dialect)?),
        _ => Err("has no number; write v".to_owned()),
    }
}

fn measure(record: &Record<'_>, channel: Channel, dialect: &Dialect) -> Result<Measure, String> {
    let usual = if channel == Channel::Intensity { dialect.intensity } else { cell::own_measure(channel) };
    let Some(symbol) = record.unit.as_deref() else { return Ok(usual) };
    let measure = Measure::from_symbol(symbol)
        .filter(|measure| measure.to_inside(channel, 1.0).is_some())
        .ok_or_else(|| format!("{} is no unit of {channel}; write {}", quoted(symbol), usual.symbol()))?;
    // Percent and an irradiance cannot be turned into each other.
    if channel == Channel::Intensity && (measure == Measure::Percent) != (usual == Measure::Percent) {
        let usual = usual.symbol();
        return Err(format!(
            "{} is not what the unit file says ({usual}); correct `sensor.unit` there",
            quoted(symbol)
        ));
    }
    Ok(measure)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::readings::parse;

    fn read(text: &str, lenient: bool) -> Result<ReadingsFile, FileError> {
        let not_after = "2026-12-01T00:00:00Z".parse().unwrap();
        let dialect = Dialect { intensity: Measure::MilliwattPerCm2, not_after, lenient };
        parse(&Source::read("p.json", text.as_bytes()).unwrap(), &dialect)
    }

    #[test]
    fn records_of_one_instant_are_one_reading_in_inside_units() {
        let text = r#" [{"bn":"urn:dev:mac:00:boathouse/","bt":1786687200,"n":"intensity","u":"W/m2","v":214},
            {"n":"water_temperature","u":"K","v":283.15},{"n":"lamp_on","vb":true},
            {"n":"intensity","t":600,"v":21.3}]"#;
        let file = read(text, false).unwrap();
        assert_eq!((file.readings.len(), file.rows), (2, 4));
        let first = Reading::new("2026-08-14T06:00:00Z".parse().unwrap())
            .with(Channel::Intensity, 21.4)
            .with(Channel::WaterTemperature, 10.0)
            .with(Channel::LampOn, 1.0);
        assert_eq!(file.readings[0], first);
    }

    #[test]
    fn mistakes_are_named_by_record() {
        let with = |record: &str| format!(r#"[{{"bn":"x/","bt":1786687200,"n":"intensity","v":21}},{record}]"#);
        for (record, want) in [
            (r#"{"n":"intensty","v":1}"#, "record 2: column `intensty` is not known; did you mean `intensity`?"),
            (
                r#"{"n":"intensity","u":"%","v":78}"#,
                "record 2, column intensity: `%` is not what the unit file says (mW/cm2)",
            ),
            (r#"{"n":"flow","u":"kPa","v":78}"#, "`kPa` is no unit of flow; write L/min"),
            (r#"{"n":"flow","vs":"much"}"#, "record 2, column flow: has no number"),
            (r#"{"n":"intensity","v":1e308}"#, "is outside -1000 to 100000 mW/cm2"),
            (r#"{"n":"flow"}"#, "record 2: no value"),
            (r#"7"#, "record 2: is a number: send an object"),
        ] {
            let said = read(&with(record), false).unwrap_err().to_string();
            assert!(said.contains(want), "{record}: {said}");
            assert_eq!(read(&with(record), true).unwrap().readings.len(), 1, "{record}");
        }
        assert!(read(r#"[{"n":"intensity","v":1}]"#, false).unwrap_err().to_string().contains("no absolute time"));
        assert!(read("[", false).is_err() && read("[]", false).is_err());
    }
}
