//! What a unit file says about the files beside it. Everything else in it is the config's business.

use crate::domain::Measure;

/// The unit of measurement of the `intensity` column that belongs to a unit file: its `sensor.unit`, mW/cm2 where it
/// names none. `text` has been checked by the config's reader of unit files, which keeps set point and reference already
/// converted and so no longer tells.
pub fn intensity_measure(text: &str) -> Measure {
    let table: toml::Table = text.parse().unwrap_or_default();
    let symbol = table.get("sensor").and_then(|sensor| sensor.get("unit")).and_then(toml::Value::as_str);
    symbol.and_then(Measure::from_symbol).unwrap_or(Measure::MilliwattPerCm2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sensors_unit_in_every_spelling_of_the_table() {
        for (text, measure) in [
            ("site = \"a\"", Measure::MilliwattPerCm2),
            ("sensor.unit = \"W/m2\"", Measure::WattPerM2),
            ("[sensor]\nunit = \"uW/cm2\"", Measure::MicrowattPerCm2),
            ("sensor = { unit = \"percent\" }", Measure::Percent),
        ] {
            assert_eq!(intensity_measure(text), measure, "{text}");
        }
    }
}
