//! Lists as tables for spreadsheets: a header, then a row each.

use crate::domain::assessment::{Episode, UnloggedStep};
use crate::domain::{ServiceAction, ServiceEntry};
use crate::query::UnitRow;
use crate::query::round::Round;
use crate::report::round::{because, likely};

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
    let said = row.assessment.as_deref();
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

/// The header of [`episode()`] and [`step()`].
pub const EPISODES: [&str; 6] = ["kind", "from", "to", "percent", "recovered", "likely"];

/// A time of cloudy water.
pub fn episode(episode: &Episode) -> Row<6> {
    [
        episode.kind.name().to_owned(),
        episode.from.to_string(),
        episode.to.to_string(),
        format!("{:.2}", episode.depth_percent),
        episode.recovered.to_string(),
        String::new(),
    ]
}

/// A step that nobody logged; it has no end, and what it lost or gained is its percent.
pub fn step(step: &UnloggedStep) -> Row<6> {
    let percent = step.loss_percent.or(step.gain_percent);
    [
        step.kind.name().to_owned(),
        step.at.to_string(),
        String::new(),
        text(percent.map(|percent| format!("{percent:.2}"))),
        String::new(),
        step.likely.name().to_owned(),
    ]
}

/// The header of [`round()`].
pub const ROUND: [&str; 10] =
    ["day", "site", "unit", "name", "condition", "why", "due", "to_do", "risk", "likely_needed"];

/// The stops of the next trip, in order.
pub fn round(round: &Round) -> impl Iterator<Item = Row<10>> {
    let days = (1..).zip(&round.days);
    let calls = days.flat_map(|(day, calls)| calls.calls.iter().map(move |call| (day, call)));
    calls.flat_map(|(day, call)| call.stops.iter().map(move |stop| (day, call, stop))).map(|(day, call, stop)| {
        let day: usize = day;
        [
            day.to_string(),
            call.site.id.clone(),
            stop.unit.clone(),
            text(stop.name.as_ref()),
            stop.condition.name().to_owned(),
            because(stop.because).to_owned(),
            text(stop.due),
            text(stop.to_do.map(ServiceAction::name)),
            format!("{:.3}", stop.risk),
            likely(stop),
        ]
    })
}

fn text(value: Option<impl ToString>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::assessment::{Likely, StepKind};

    #[test]
    fn a_step_has_a_cell_for_each_head() {
        let lost = UnloggedStep {
            kind: StepKind::StepDown,
            at: jiff::civil::date(2026, 8, 14),
            gain_percent: None,
            loss_percent: Some(5.125),
            likely: Likely::WaterChanged,
        };
        let row = step(&lost).join(",");
        assert_eq!(row, "step-down,2026-08-14,,5.12,,water-changed");
    }
}
