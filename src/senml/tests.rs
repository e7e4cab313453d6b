use super::*;
use crate::domain::{Channel, IntensityUnit, Reading};

fn now() -> Timestamp {
    "2026-08-14T06:00:00Z".parse().unwrap()
}

fn at(secs: f64) -> Timestamp {
    Timestamp::from_millis((secs * 1_000.0).round() as i64)
}

/// Name, unit, time, value of each record; the pack must have no faults.
fn rows(payload: &str) -> Vec<(String, Option<String>, Timestamp, f64)> {
    let pack = resolve(payload, now()).unwrap();
    assert_eq!(pack.faults, []);
    pack.records
        .iter()
        .map(|r| {
            let Value::Number(value) = r.value else { panic!("{r:?}") };
            (r.name().into_owned(), r.unit.as_deref().map(str::to_owned), r.at, value)
        })
        .collect()
}

/// RFC 8428, section 5.1.1, from memory.
#[test]
fn rfc_single_data_point() {
    let got = rows(r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#);
    assert_eq!(got, [("urn:dev:ow:10e2073a01080063".into(), Some("Cel".into()), now(), 23.1)]);
}

/// RFC 8428, section 5.1.2, second example (read in public test suites).
#[test]
fn rfc_multiple_data_points() {
    let got = rows(
        r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
             "n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#,
    );
    let current =
        |t: f64, v| ("urn:dev:ow:10e2073a0108006:current".into(), Some("A".into()), at(1_276_020_076.001 + t), v);
    let voltage = ("urn:dev:ow:10e2073a0108006:voltage".into(), Some("V".into()), at(1_276_020_076.001), 120.1);
    assert_eq!(
        got,
        [
            current(-5.0, 1.2),
            current(-4.0, 1.3),
            current(-3.0, 1.4),
            current(-2.0, 1.5),
            current(-1.0, 1.6),
            voltage,
            current(0.0, 1.7)
        ],
        "in time order, records of one time in the order of the pack"
    );
}

/// RFC 8428, section 5.1.3 and its resolved form in section 5.1.4 (read in public test suites).
#[test]
fn rfc_resolved_data() {
    let unresolved = r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},
        {"u":"lat","t":60,"v":60.07965},{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},
        {"u":"lat","t":120,"v":60.07966},{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},
        {"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"#;
    let resolved = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
        {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
        {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}]"#;
    assert_eq!(rows(unresolved), rows(resolved));
    assert_eq!(rows(unresolved).len(), 13);
    assert_eq!(rows(unresolved)[3].2, "2011-10-31T13:25:24Z".parse().unwrap(), "1320067524 s, by `date -u -d @…`");
}

/// RFC 8428, section 5.1.5 (multiple data types) and 5.1.7 (sums), from memory.
#[test]
fn rfc_other_values() {
    let pack = resolve(
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"},{"n":"total","bs":100,"s":20}]"#,
        now(),
    )
    .unwrap();
    let values: Vec<_> = pack.records.into_iter().map(|r| r.value).collect();
    assert_eq!(
        values,
        [
            Value::Number(23.1),
            Value::Text("Machine Room".into()),
            Value::Boolean(false),
            Value::Data("aGkgCg".into()),
            Value::Sum(120.0)
        ]
    );
}

/// RFC 8428, section 4.5.3, from memory: below 2^28 a time is relative to now, and 2^28 itself is not.
#[test]
fn small_times_are_relative() {
    let pack = resolve(r#"[{"n":"a","t":-30,"v":1},{"n":"b","t":268435456,"v":1},{"n":"c","v":1}]"#, now()).unwrap();
    let times: Vec<_> = pack.records.iter().map(|r| (r.own.as_ref(), r.at, r.relative)).collect();
    let earlier = now().plus_millis(-30_000);
    assert_eq!(times, [("b", Timestamp::from_secs(268_435_456), false), ("a", earlier, true), ("c", now(), true)]);
}

#[test]
fn base_values_hold_until_replaced() {
    let got = rows(
        r#"[{"bn":"x/","bt":1700000000,"bv":20},{"n":"a","v":1.5},{"bv":0,"bn":"y:","n":"b","v":2},{"n":"c","v":3}]"#,
    );
    let names: Vec<_> = got.iter().map(|(name, _, _, value)| (name.as_str(), *value)).collect();
    assert_eq!(names, [("x/a", 21.5), ("y:b", 2.0), ("y:c", 3.0)]);
}

#[test]
fn names_and_their_ends() {
    let record = |base: &'static str, own: &'static str| Record {
        place: 1,
        base: base.into(),
        own: own.into(),
        unit: None,
        at: now(),
        relative: false,
        value: Value::Number(0.0),
    };
    for (base, own, last) in [
        ("urn:dev:x/", "flow", "flow"),
        ("", "a/b:flow", "flow"),
        ("x/fl", "ow", "flow"),
        ("flow", "", "flow"),
        ("x:flow", "", "flow"),
        ("", "flow", "flow"),
    ] {
        let record = record(base, own);
        assert_eq!(record.last_part(), last);
        assert!(record.is_named(&format!("{base}{own}")));
        assert!(!record.is_named("flo") && !record.is_named("x/flows"));
    }
}

#[test]
fn a_bad_record_leaves_the_others() {
    let pack = resolve(
        r#"[{"bn":"u/","bt":1700000000,"n":"flow","v":"9.5"},{"n":"flow","v":9},7,{"n":"flow"},{"n":"fl ow","v":1},
            {"n":"flow","v":null},{"n":"flow","v":1,"vb":true},{"n":"flow","v":[1]}]"#,
        now(),
    )
    .unwrap();
    assert_eq!(pack.records.len(), 1);
    assert_eq!(pack.records[0].name(), "u/flow", "base fields of a refused record still hold");
    let texts: Vec<_> = pack.faults.iter().map(ToString::to_string).collect();
    assert_eq!(
        texts,
        [
            "record 1: `v` is the text \"9.5\": send the number without quotes",
            "record 3 is a number: send an object with n, v and t",
            "record 4: no value: send one of v, vb or vs",
            "record 5: name `u/fl ow` is not a SenML name: use letters, digits and - : . / _, starting with a letter or digit",
            "record 6: `v` is null: send a number",
            "record 7: more than one of v, vb, vs and vd: send one",
            "record 8: `v` is an array: send a number",
        ]
    );
}

#[test]
fn packs_that_may_not_be_understood() {
    let refused = |payload: &str| resolve(payload, now()).unwrap_err();
    assert!(matches!(refused(r#"[{"n":"a","v":1,"calib_":2}]"#), PackError::MustUnderstand { place: 1, .. }));
    assert!(matches!(refused(r#"[{"bver":11,"n":"a","v":1}]"#), PackError::Version { .. }));
    assert!(matches!(
        refused(r#"[{"bver":5,"n":"a","v":1},{"bver":6,"n":"a","v":1}]"#),
        PackError::Version { place: 2, .. }
    ));
    assert!(matches!(refused(r#"{"n":"a","v":1}"#), PackError::NotAnArray { found: "an object" }));
    assert_eq!(refused("[]"), PackError::Empty);
    let fault = |payload: &str| match refused(payload) {
        PackError::Json(error) => error.fault,
        other => panic!("{other}"),
    };
    assert_eq!(fault(r#"[{"n":"a","v":1},{"n"#), JsonFault::Truncated);
    assert_eq!(fault(r#"[{"n":"a","v":NaN}]"#), JsonFault::NotFinite);
    assert_eq!(fault(r#"[{"n":"a","v":1e999}]"#), JsonFault::NotFinite);
    assert_eq!(fault(r#"[{"n":"a","v":1}] x"#), JsonFault::Syntax);
    assert!(resolve(r#"[{"n":"a","v":1,"unknown":{"x":[1]}}]"#, now()).is_ok(), "other unknown fields are ignored");
}

#[test]
fn encoded_readings_come_back_exactly() {
    let base: Timestamp = "2026-08-14T06:00:00.250Z".parse().unwrap();
    let mut readings = Vec::new();
    // 1.7 mW/cm2 plus one unit in the last place: ten times that, over ten, is another double.
    for (i, intensity) in [21.4, 0.1 + 0.2, 1.7f64.next_up(), 1e-300, -0.5].into_iter().enumerate() {
        readings.push(
            Reading::new(base.plus_millis(i as i64 * 600_007))
                .with(Channel::Intensity, intensity)
                .with(Channel::Flow, 9.87 + i as f64)
                .with(Channel::LampOn, (i % 2) as f64)
                .with(Channel::LampHours, 11_280.125),
        );
    }
    let text = encode(&readings, IntensityUnit::MilliwattPerCm2, "heron-bight/boathouse/");
    assert!(text.contains("\"u\":\"W/m2\",\"v\":214}") && text.contains("\"bt\":1786687200.250"), "{text}");
    assert_eq!(back(&text), readings);
    let percent = [Reading::new(base).with(Channel::Intensity, 78.0)];
    let text = encode(&percent, IntensityUnit::Percent, "x:");
    assert_eq!(text, "[{\"bn\":\"x:\",\"bt\":1786687200.250,\"n\":\"intensity\",\"u\":\"%\",\"v\":78}]");
    assert_eq!(back(&text), percent);
}

/// Independent of the decoder under `mqtt`: only the resolver and the conversions.
fn back(text: &str) -> Vec<Reading> {
    let pack = resolve(text, now()).unwrap();
    assert_eq!(pack.faults, []);
    let mut readings: Vec<Reading> = Vec::new();
    for record in pack.records {
        let channel: Channel = record.last_part().parse().unwrap();
        let value = match record.value {
            Value::Number(value) => value,
            Value::Boolean(value) => f64::from(u8::from(value)),
            other => panic!("{other:?}"),
        };
        let measure = record.unit.as_deref().map(|symbol| crate::domain::Measure::from_symbol(symbol).unwrap());
        let value = measure.map_or(value, |measure| measure.to_inside(channel, value).unwrap());
        match readings.last_mut() {
            Some(reading) if reading.at == record.at => reading.set(channel, value),
            _ => readings.push(Reading::new(record.at).with(channel, value)),
        }
    }
    readings
}

proptest::proptest! {
    #[test]
    fn any_reading_comes_back_exactly(
        rows in proptest::collection::btree_map(1_000_000_000_000i64..2_000_000_000_000, (-1e3f64..1e5, 0.0f64..1e4), 1..40)
    ) {
        let readings: Vec<Reading> = rows
            .into_iter()
            .map(|(at, (a, b))| Reading::new(Timestamp::from_millis(at)).with(Channel::Intensity, a).with(Channel::PressureIn, b))
            .collect();
        assert_eq!(back(&encode(&readings, IntensityUnit::MilliwattPerCm2, "a/")), readings);
    }

    #[test]
    fn no_text_makes_it_panic(text in "[\\[\\]{}\",:a-z0-9_.e+ -]{0,200}") {
        let _outcome = resolve(&text, now());
    }
}
