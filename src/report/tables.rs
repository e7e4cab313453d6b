//! Lists as tables for spreadsheets: a header, then a row each.

use crate::domain::ServiceEntry;
use crate::query::UnitRow;

/// A row of text, with as many cells as its header.
pub type Row<const N: usize> = [String; N];

/// The header of [`unit()`].
pub const UNITS: [&str; 16] = [
    "site",
    "unit",
    "name",
    "condition",
    "time",
    "intensity",
    "intensity_unit",
    "set_point",
    "cause",
    "probability",
    "clean_by",
    "crossing_p10",
    "crossing_p50",
    "crossing_p90",
    "lamp_by",
    "sensor_by",
];

/// A unit of the fleet; what is not known is an empty cell.
pub fn unit(row: &UnitRow) -> Row<16> {
    let said = row.assessment.as_ref();
    let forecast = said.map(|said| &said.forecast);
    let crossing = forecast.map(|forecast| forecast.crossing);
    [
        row.site.clone(),
        row.unit.clone(),
        text(row.name.as_ref()),
        row.condition.name().to_owned(),
        text(row.reading.as_ref().map(|reading| reading.at)),
        text(row.reading.as_ref().map(|reading| reading.intensity)),
        row.intensity_unit.clone(),
        row.set_point.to_string(),
        text(said.map(|said| said.verdict.cause.name())),
        text(said.and_then(|said| said.verdict.probability).map(|p| format!("{p:.3}"))),
        text(forecast.and_then(|forecast| forecast.clean_by)),
        text(crossing.and_then(|crossing| crossing.p10)),
        text(crossing.and_then(|crossing| crossing.p50)),
        text(crossing.and_then(|crossing| crossing.p90)),
        text(forecast.and_then(|forecast| forecast.lamp_by)),
        text(forecast.and_then(|forecast| forecast.sensor_by)),
    ]
}

/// The header of [`entry()`]: the columns that `import` reads, and when an entry was recorded.
pub const ENTRIES: [&str; 6] = ["time", "action", "value", "by", "note", "recorded"];

/// An entry of a logbook.
pub fn entry(entry: &ServiceEntry) -> Row<6> {
    [
        entry.at.to_string(),
        entry.action.name().to_owned(),
        text(entry.value),
        text(entry.by.as_ref()),
        text(entry.note.as_ref()),
        text(entry.recorded),
    ]
}

fn text(value: Option<impl ToString>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}
