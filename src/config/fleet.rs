//! `fleet`: hundreds of units in one CSV file, a line for each.
//!
//! Columns are named in the first line; an empty cell says nothing, and a profile fills it.

use super::checked::Context;
use super::mistake::{At, Place, Shown};
use super::raw;
use super::table::{Field, Texts, did_you_mean};
use super::value::Moment;

/// The columns, in the order of the documentation.
const COLUMNS: [&str; 16] = [
    "site",
    "unit",
    "name",
    "profile",
    "water",
    "set_point",
    "reference",
    "lamp_installed",
    "lamp_hours_at_start",
    "lamp_rated_hours",
    "sleeve_installed",
    "sleeve_cleaned",
    "sensor_installed",
    "sensor_cleaned",
    "sensor_unit",
    "sensor_path_cm",
];

/// Reads the files that `fleet` names.
pub(super) fn read(field: &Field<Texts>, context: &mut Context<'_>) -> Vec<raw::Unit> {
    let mut units = Vec::new();
    for name in field.given().map_or(&[][..], |texts| &texts.0) {
        let path = context.beside(&name.value);
        match context.env.read(&path) {
            Ok(text) => {
                let file = context.out.add_file(&path, &text);
                rows(&text, file, context, &mut units);
            }
            Err(error) => {
                let says = format!("{} cannot be read: {error}", path.display());
                context.out.mistake(&name.place, says, "check its name and permissions");
            }
        }
    }
    units
}

fn rows(text: &str, file: usize, context: &mut Context<'_>, units: &mut Vec<raw::Unit>) {
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let columns: Vec<String> = match reader.headers() {
        Ok(header) => header.iter().map(|name| name.trim_start_matches('\u{feff}').to_owned()).collect(),
        Err(error) => {
            context.out.mistake(&whole(file), format!("not a CSV file: {error}"), "write a first line with columns");
            return;
        }
    };
    let header = Place { file, key: String::new(), span: 0..text.find('\n').unwrap_or(text.len()), shown: Shown::Line };
    for column in columns.iter().filter(|column| !COLUMNS.contains(&column.as_str())) {
        let remedy = did_you_mean(column, COLUMNS).unwrap_or_else(|| format!("the columns are {}", COLUMNS.join(", ")));
        context.out.mistake(&header, format!("unknown column `{column}`"), remedy);
    }
    for needed in ["site", "unit"] {
        if !columns.iter().any(|column| column == needed) {
            context.out.mistake(&header, format!("no column `{needed}`"), "add it to the first line");
            return;
        }
    }
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                context.out.mistake(&whole(file), format!("a line cannot be read: {error}"), "save it as UTF-8 CSV");
                continue;
            }
        };
        let begin = record.position().map_or(0, |at| usize::try_from(at.byte()).unwrap_or(0));
        let end = text.get(begin..).and_then(|rest| rest.find('\n')).map_or(text.len(), |length| begin + length);
        let place = Place { file, key: String::new(), span: begin..end, shown: Shown::Line };
        let mut row = Row { columns: &columns, record: &record, place, context };
        units.push(row.unit());
    }
}

fn whole(file: usize) -> Place {
    Place { file, key: String::new(), span: 0..0, shown: Shown::Nothing }
}

struct Row<'a, 'c, 'e> {
    columns: &'a [String],
    record: &'a csv::StringRecord,
    place: Place,
    context: &'c mut Context<'e>,
}

impl Row<'_, '_, '_> {
    fn cell(&self, column: &str) -> Option<&str> {
        let at = self.columns.iter().position(|name| name == column)?;
        self.record.get(at).filter(|text| !text.is_empty())
    }

    fn read<T>(&mut self, column: &str, what: &str, parse: impl Fn(&str) -> Option<T>) -> Field<At<T>> {
        let Some(text) = self.cell(column).map(str::to_owned) else { return Field::Absent };
        match parse(&text) {
            Some(value) => Field::Given(At { value, place: self.place.clone() }),
            None => {
                let short: String = text.chars().take(40).collect();
                self.context.out.mistake(
                    &self.place,
                    format!("{column} `{short}` is not {what}"),
                    format!("write {what}"),
                );
                Field::Wrong
            }
        }
    }

    fn text(&mut self, column: &str) -> Field<At<String>> {
        let plain = |text: &str| (!text.chars().any(char::is_control)).then(|| text.to_owned());
        self.read(column, "a text in one line", plain)
    }

    fn number(&mut self, column: &str) -> Field<At<f64>> {
        self.read(column, "a number such as 14.0", |text| text.parse().ok().filter(|n: &f64| n.is_finite()))
    }

    fn date(&mut self, column: &str) -> Field<At<Moment>> {
        self.read(column, "a date such as 2025-05-01", Moment::parse)
    }

    fn unit(&mut self) -> raw::Unit {
        let place = self.place.clone();
        let intensity = |number: Field<At<f64>>| match number {
            Field::Absent => Field::Absent,
            intensity => Field::Given(raw::Intensity { place: place.clone(), intensity }),
        };
        let (set_point, reference) = (self.number("set_point"), self.number("reference"));
        let lamp = raw::Lamp {
            place: place.clone(),
            installed: self.date("lamp_installed"),
            hours_at_start: self.number("lamp_hours_at_start"),
            rated_hours: self.number("lamp_rated_hours"),
        };
        let sleeve = raw::Sleeve {
            place: place.clone(),
            installed: self.date("sleeve_installed"),
            cleaned: self.date("sleeve_cleaned"),
        };
        let sensor = raw::Sensor {
            place: place.clone(),
            installed: self.date("sensor_installed"),
            cleaned: self.date("sensor_cleaned"),
            unit: self.text("sensor_unit"),
            path_cm: self.number("sensor_path_cm"),
        };
        raw::Unit {
            site: self.text("site"),
            unit: self.text("unit"),
            name: self.text("name"),
            profile: self.text("profile"),
            zone: Field::Absent,
            water: self.text("water"),
            set_point: intensity(set_point),
            reference: intensity(reference),
            lamp: Field::Given(lamp),
            sleeve: Field::Given(sleeve),
            sensor: Field::Given(sensor),
            analysis: Field::Absent,
            place,
        }
    }
}
