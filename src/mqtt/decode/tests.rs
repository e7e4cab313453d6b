use super::*;
use crate::domain::intake::{ChannelMap, Scaling, Template, TemplatePart};

fn now() -> Timestamp {
    "2026-08-14T06:00:00Z".parse().unwrap()
}

fn unit() -> UnitId {
    "heron-bight/boathouse".parse().unwrap()
}

fn run(source: &Source, payload: &str) -> Decoded {
    let absolute = |_: &UnitId| Some(IntensityUnit::MilliwattPerCm2);
    decode(source, "gateway/7/uv", payload.as_bytes(), now(), false, &absolute)
}

fn mapped(shape: Shape, channels: Vec<ChannelMap>) -> Source {
    Source { filter: "gateway/+/uv".into(), target: Target::Unit(unit()), shape, time: None, channels }
}

fn map(channel: Channel, from: Selector) -> ChannelMap {
    ChannelMap { channel, from, scaling: Scaling::default(), measure: None }
}

fn pointer(text: &str) -> Selector {
    Selector::Pointer(text.to_owned())
}

fn only(decoded: &Decoded) -> Reading {
    assert_eq!(decoded.refused, []);
    assert_eq!(decoded.readings.len(), 1, "{decoded:?}");
    decoded.readings[0]
}

#[test]
fn pointers_factors_and_units() {
    let source = mapped(
        Shape::Object,
        vec![
            ChannelMap { measure: Some(Measure::MicrowattPerCm2), ..map(Channel::Intensity, pointer("/uv/raw")) },
            ChannelMap {
                scaling: Scaling::Linear { factor: 0.1, offset: -5.0 },
                ..map(Channel::WaterTemperature, pointer("/probes/1"))
            },
            map(Channel::LampOn, pointer("/relay")),
            map(Channel::Flow, pointer("/not/there")),
        ],
    );
    let reading = only(&run(&source, r#"{"uv":{"raw":21400},"probes":[1,162],"relay":true,"rssi":-70}"#));
    let expected = Reading::new(now())
        .with(Channel::Intensity, 21.4)
        .with(Channel::WaterTemperature, 162.0 * 0.1 - 5.0)
        .with(Channel::LampOn, 1.0);
    assert_eq!(reading, expected, "what is not mapped is not looked at, what is not there is not measured");
}

#[test]
fn times_by_pointer() {
    let payloads = [
        (TimeFormat::Rfc3339, r#"{"m":{"at":"2026-08-14T07:59:00+02:00"},"intensity":21.4}"#),
        (TimeFormat::UnixSeconds, r#"{"m":{"at":1786687140},"intensity":21.4}"#),
        (TimeFormat::UnixMillis, r#"{"m":{"at":1786687140000},"intensity":21.4}"#),
    ];
    for (format, payload) in payloads {
        let time = Some(TimeField { pointer: "/m/at".into(), format });
        let plain = Source { time, ..mapped(Shape::Any, Vec::new()) };
        assert_eq!(only(&run(&plain, payload)).at, now().plus_millis(-60_000), "{format:?}");
        let source = Source { channels: vec![map(Channel::Intensity, pointer("/intensity"))], ..plain };
        assert_eq!(only(&run(&source, payload)).at, now().plus_millis(-60_000));
        assert_eq!(only(&run(&source, r#"{"intensity":21.4}"#)).at, now(), "without its own time it is live");
        let wrong = run(&source, r#"{"m":{"at":true},"intensity":21.4}"#);
        assert_eq!(wrong.refused[0].first.reason(), Reason::BadTime);
        assert!(wrong.readings.is_empty());
    }
}

/// Limits of NAMUR NE 43, from memory: 4 mA is the start of the span, 3.8 to 20.5 mA is a measurement.
#[test]
fn current_loops() {
    let loop_map = |channel, at_20_ma| ChannelMap {
        scaling: Scaling::CurrentLoop { at_4_ma: 0.0, at_20_ma },
        ..map(channel, Selector::Whole)
    };
    let source = mapped(Shape::Number, vec![loop_map(Channel::Intensity, 40.0)]);
    for (current, intensity) in
        [(4.0, Some(0.0)), (12.0, Some(20.0)), (20.0, Some(40.0)), (3.7, None), (3.5, None), (21.4, None)]
    {
        let reading = only(&run(&source, &current.to_string()));
        assert_eq!(reading.get(Channel::Intensity), intensity, "{current} mA");
        assert_eq!(reading.get(Channel::LoopCurrent), Some(current), "kept beside: it says why there is no intensity");
    }
    let absurd = run(&source, "400");
    assert!(absurd.readings.is_empty() && absurd.refused[0].first.reason() == Reason::Implausible, "{absurd:?}");

    let flow = mapped(Shape::Number, vec![loop_map(Channel::Flow, 60.0)]);
    assert_eq!(only(&run(&flow, "12")), Reading::new(now()).with(Channel::Flow, 30.0));
    let broken = run(&flow, "2.5");
    let text = broken.refused[0].first.to_string();
    assert_eq!(text, "the payload is a loop current of 2.5 mA, outside 3.8 to 20.5: check the wiring of flow");
    assert!(broken.readings.is_empty());
}

#[test]
fn records_by_name_or_by_the_end_of_their_name() {
    let source = mapped(
        Shape::Senml,
        vec![
            map(Channel::Intensity, Selector::Record("urn:dev:a:uv".into())),
            ChannelMap { measure: Some(Measure::Psi), ..map(Channel::PressureIn, Selector::Record("p".into())) },
            map(Channel::Flow, Selector::Record("uv".into())),
        ],
    );
    let payload = r#"[{"bn":"urn:dev:a:","n":"uv","u":"W/m2","v":214},{"n":"p","u":"Pa","v":10},{"bn":"urn:dev:b:","n":"uv","v":9},{"n":"x","v":1}]"#;
    let expected = Reading::new(now())
        .with(Channel::Intensity, 21.4)
        .with(Channel::PressureIn, 68.947_57)
        .with(Channel::Flow, 9.0);
    assert_eq!(
        only(&run(&source, payload)),
        expected,
        "an exact name wins; the config's measure wins over the record's"
    );
}

#[test]
fn one_source_for_many_topics() {
    let level = TemplatePart::Level(2);
    let target = Target::Topic {
        site: Template(vec![TemplatePart::Text("heron-bight".into())]),
        unit: Template(vec![TemplatePart::Text("unit-".into()), level]),
    };
    let source = Source { target, ..mapped(Shape::Any, Vec::new()) };
    assert_eq!(run(&source, "21.4").unit, Some("heron-bight/unit-7".parse().unwrap()));
}

#[test]
fn refusals_are_counted_by_reason() {
    let source = mapped(Shape::Any, Vec::new());
    let decoded = run(&source, r#"{"a":1,"b":2,"intensity":"x","flow":9}"#);
    let counts: Vec<_> = decoded.refused.iter().map(|r| (r.first.reason().name(), r.count)).collect();
    assert_eq!(counts, [("unknown-channel", 2), ("not-a-number", 1)]);
    assert_eq!(decoded.readings, [Reading::new(now()).with(Channel::Flow, 9.0)]);
}

#[test]
fn what_the_gateway_encodes_is_decoded_exactly() {
    let readings: Vec<Reading> = (0..144)
        .map(|i| {
            Reading::new(now().plus_millis(-i * 600_000 + 7))
                .with(Channel::Intensity, 20.0 + (i as f64 * 0.7).sin())
                .with(Channel::Flow, i as f64 / 7.0)
                .with(Channel::LampOn, (i % 2) as f64)
                .with(Channel::LoopCurrent, 12.345_678_9)
        })
        .rev()
        .collect();
    let pack = senml::encode(&readings, IntensityUnit::MilliwattPerCm2, "heron-bight/boathouse/");
    let decoded = run(&mapped(Shape::Any, Vec::new()), &pack);
    assert_eq!((decoded.readings, decoded.refused), (readings, vec![]));
}

proptest::proptest! {
    /// Any bytes: no panic, and whatever comes out is plausible, dated and in order.
    #[test]
    fn mutated_payloads_are_decoded_or_refused(
        seed in 0usize..4,
        changes in proptest::collection::vec((proptest::num::usize::ANY, proptest::num::u8::ANY), 0..6),
        cut in proptest::option::of(0usize..200),
    ) {
        let seeds = [
            r#"{"time":"2026-08-14T05:59:00Z","intensity":21.4,"flow":9.5,"lamp_on":true}"#,
            r#"[{"bn":"u/","bt":1786687200,"n":"intensity","u":"W/m2","v":214},{"n":"flow","t":-60,"v":9}]"#,
            "21.4",
            r#"{"a":{"b":[1,2,{"c":null}]},"intensity":1e3}"#,
        ];
        let mut payload = seeds[seed].as_bytes().to_vec();
        for (place, byte) in changes {
            let place = place % payload.len();
            payload[place] = byte;
        }
        payload.truncate(cut.unwrap_or(payload.len()));
        let source = Source::contract("fadeline");
        let known = |_: &UnitId| Some(IntensityUnit::MilliwattPerCm2);
        let decoded = decode(&source, "fadeline/in/heron-bight/boathouse", &payload, now(), false, &known);
        assert!(!decoded.readings.is_empty() || !decoded.refused.is_empty(), "nothing goes without a word");
        assert!(decoded.readings.windows(2).all(|pair| pair[0].at < pair[1].at));
        for reading in &decoded.readings {
            assert!(!reading.is_empty() && reading.at.as_millis() >= EARLIEST);
            for (channel, value) in reading.channels() {
                let (low, high) = channel.plausible();
                assert!((low..=high).contains(&value), "{reading:?}");
            }
        }
        for refused in &decoded.refused {
            assert!(refused.first.to_string().len() < 400, "texts stay short: {}", refused.first);
        }
    }
}
