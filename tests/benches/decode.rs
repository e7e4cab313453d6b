//! Payloads into readings, against serde_json building a `Value` of the same bytes.

use std::hint::black_box;

use fadeline::domain::intake::Source;
use fadeline::domain::time::MINUTE;
use fadeline::domain::{Channel, IntensityUnit, Reading, Timestamp, UnitId};
use fadeline::mqtt::decode::{Decoded, decode};
use fadeline::senml;

use super::table::Row;
use super::timing::pair;

const TOPIC: &str = "fadeline/in/heron-bight/boathouse";
const OBJECT: &str =
    r#"{"time":"2026-08-14T06:00:00.250Z","intensity":21.43,"water_temperature":8.9,"flow":6.2,"lamp_hours":4711}"#;
/// Readings of a day at one every ten minutes.
const DAY_READINGS: usize = 144;

/// A bare number, an object of four channels, a day of one unit as a SenML pack.
pub fn run() -> Vec<Row> {
    let day = senml::encode(&day(), IntensityUnit::MilliwattPerCm2, "heron-bight/boathouse/");
    [
        ("decode: bare number", "21.43".to_owned(), 1),
        ("decode: JSON object, 4 channels", OBJECT.to_owned(), 1),
        ("decode: SenML pack, 144 readings of 4 channels", day, DAY_READINGS),
    ]
    .into_iter()
    .flat_map(|(name, payload, readings)| rows(name, payload.as_bytes(), readings))
    .collect()
}

fn rows(name: &str, payload: &[u8], readings: usize) -> Vec<Row> {
    let source = Source::contract("fadeline");
    let received: Timestamp = "2026-08-15T06:00:00Z".parse().expect("a time");
    let lookup = |_: &UnitId| Some(IntensityUnit::MilliwattPerCm2);
    let ours = || -> Decoded { decode(&source, TOPIC, black_box(payload), received, false, &lookup) };
    let decoded = ours();
    assert_eq!((decoded.readings.len(), decoded.refused.len()), (readings, 0), "{name}: every reading is understood");
    let value = || serde_json::from_slice::<serde_json::Value>(black_box(payload)).expect("JSON");
    let (ours, value) = pair(ours, value);
    let mut rows = vec![
        Row::new(format!("{name}, {} bytes", payload.len()), ours * 1e6, "us/message")
            .against("serde_json::Value of the same bytes", value * 1e6),
    ];
    if readings > 1 {
        let each = 1e9 / readings as f64;
        rows.push(
            Row::new("  the same for one of its readings", ours * each, "ns/reading").against("the same", value * each),
        );
    }
    rows
}

/// A day in which all four channels move.
fn day() -> Vec<Reading> {
    let start: Timestamp = "2026-08-14T00:00:00Z".parse().expect("a time");
    let reading = |i: usize| {
        let phase = i as f64 / DAY_READINGS as f64 * std::f64::consts::TAU;
        let rounded = |value: f64, steps: f64| (value * steps).round() / steps;
        Reading::new(start.plus_millis(i as i64 * 10 * MINUTE))
            .with(Channel::Intensity, rounded(21.0 + phase.sin(), 100.0))
            .with(Channel::WaterTemperature, rounded(9.0 - phase.cos(), 10.0))
            .with(Channel::Flow, rounded(3.0 + 3.0 * (5.0 * phase).sin(), 10.0))
            .with(Channel::LampHours, rounded(4711.0 + i as f64 / 6.0, 10.0))
    };
    (0..DAY_READINGS).map(reading).collect()
}
