//! Archives round-trip; whatever is done to their bytes is noticed, with the place.

use std::sync::OnceLock;

use proptest::prelude::*;

use super::*;
use crate::domain::{Channel, Reading, ServiceAction, ServiceEntry, Timestamp, UnitId};

fn unit() -> UnitId {
    "heron-bight/boathouse".parse().unwrap()
}

fn head() -> Head {
    Head {
        made: "2026-08-14T06:00:00Z".parse().unwrap(),
        by: "0.1.0".to_owned(),
        holds: Holds::Backup,
        epoch: Some("00ff".to_owned()),
        units: 1,
        readings: 3,
    }
}

fn sections() -> Vec<Section> {
    let at = |minutes: i64| Reading::new(Timestamp::from_secs(1_786_687_200 + 60 * minutes));
    let rows: Vec<Reading> = (0..3).map(|i| at(i).with(Channel::Intensity, 21.4 - i as f64 / 100.0)).collect();
    let contract = include_str!("../../fixtures/assessment/contract.json");
    let entry = ServiceEntry {
        note: Some("wiped — twice".to_owned()),
        ..ServiceEntry::new(at(0).at, ServiceAction::SleeveCleaned)
    };
    vec![
        Section::Unit(UnitHead { unit: unit(), readings: 3 }),
        Section::Owed { unit: unit(), days: vec![20_679, 20_680] },
        Section::Rows { unit: unit(), rows: rows.clone() },
        Section::Hours { unit: unit(), hours: crate::domain::hour::hours(&rows) },
        Section::Logbook { unit: unit(), entries: vec![entry] },
        Section::Assessment { unit: unit(), assessment: serde_json::from_str(contract).unwrap() },
        Section::Mail(vec![Letter {
            topic: "a/b".to_owned(),
            payload: vec![0, 255],
            retain: true,
            ..Letter::default()
        }]),
        Section::GivenUp {
            unit: unit(),
            channels: vec![GivenUp { channel: "flow".to_owned(), raw: Some(20_000), hours: None, days: Some(-3) }],
        },
        Section::Junk(vec![Junk {
            at: Timestamp::from_millis(1_760_000_000_000),
            topic: "fadeline/in/heron-bight/boathouse".to_owned(),
            payload: vec![0, 255, b'{'],
            payload_len: 70_000,
            reason: "not JSON".to_owned(),
        }]),
        Section::Keepsakes(vec![Keepsake { name: "alerts".to_owned(), value: vec![1, 2, 3] }]),
    ]
}

/// An archive, and where each of its sections begins.
fn written(sections: &[Section]) -> (Vec<u8>, Vec<usize>) {
    let mut writer = Writer::new(Vec::new()).unwrap();
    writer.put(&Section::Head(head())).unwrap();
    sections.iter().for_each(|section| writer.put(section).unwrap());
    let (bytes, _) = writer.finish().unwrap();
    let mut begins = vec![MAGIC.len() + 4];
    while let Some(stored) = bytes.get(begins[begins.len() - 1] + 8..).and_then(|rest| rest.first_chunk::<4>()) {
        begins.push(begins[begins.len() - 1] + SECTION_HEAD_BYTES + u32::from_le_bytes(*stored) as usize);
    }
    assert_eq!(begins.pop(), Some(bytes.len()));
    (bytes, begins)
}

fn read(bytes: &[u8]) -> Result<(Head, Vec<Section>), ArchiveError> {
    let mut reader = Reader::new(bytes)?;
    let mut sections = Vec::new();
    while let Some(section) = reader.next()? {
        sections.push(section);
    }
    Ok((reader.head().clone(), sections))
}

/// One archive for the tests that spoil it.
fn sample() -> &'static (Vec<u8>, Vec<usize>) {
    static SAMPLE: OnceLock<(Vec<u8>, Vec<usize>)> = OnceLock::new();
    SAMPLE.get_or_init(|| written(&sections()))
}

#[test]
fn what_is_written_reads_back() {
    assert_eq!(read(&sample().0).unwrap(), (head(), sections()));
}

#[test]
fn an_archive_cut_at_any_byte_is_refused_and_names_the_place() {
    let (bytes, begins) = sample();
    for cut in 0..bytes.len() {
        let error = read(&bytes[..cut]).unwrap_err();
        match &error {
            ArchiveError::Foreign { .. } => assert_eq!(cut, 0),
            ArchiveError::Truncated { offset, .. } => assert!(*offset as usize <= cut, "{cut}: {error}"),
            other => panic!("{cut}: {other}"),
        }
        if begins.contains(&cut) {
            assert!(error.to_string().starts_with(&format!("byte {cut}: ends where 20 bytes of section ")), "{error}");
        }
    }
}

#[test]
fn foreign_newer_and_lengthened_files_are_refused() {
    let (bytes, begins) = sample();
    let said = |bytes: &[u8]| read(bytes).unwrap_err().to_string();
    assert!(said(b"").starts_with("byte 0: is not a Fadeline archive (it starts with nothing)"));
    assert!(said(b"time,intensity\n2026").starts_with("byte 0: is not a Fadeline archive (it starts with `time,int`)"));
    let mut newer = bytes.clone();
    newer[8] = 2;
    assert!(said(&newer).starts_with("byte 8: is of version 2, this program knows up to 1"));
    let longer = [bytes.as_slice(), b"x"].concat();
    let trailing = format!("byte {}: section {} is damaged: something follows the end", bytes.len(), begins.len());
    assert!(said(&longer).contains(&trailing), "{}", said(&longer));
    let text_mode = String::from_utf8_lossy(bytes).replace("\r\n", "\n");
    assert!(said(text_mode.as_bytes()).contains("is not a Fadeline archive"));
}

#[test]
fn sections_that_are_missing_moved_or_twice_are_noticed() {
    let (bytes, begins) = sample();
    let part = |i: usize| &bytes[begins[i]..begins.get(i + 1).copied().unwrap_or(bytes.len())];
    let count = begins.len();
    let orders: [Vec<usize>; 4] = [
        (0..count).filter(|i| *i != 3).collect(),
        (0..count).flat_map(|i| if i == 3 { vec![3, 3] } else { vec![i] }).collect(),
        [0, 1, 3, 2].into_iter().chain(4..count).collect(),
        (1..count).collect(),
    ];
    for order in orders {
        let spoilt: Vec<u8> =
            bytes[..begins[0]].iter().copied().chain(order.iter().flat_map(|i| part(*i)).copied()).collect();
        let said = read(&spoilt).unwrap_err().to_string();
        assert!(said.contains("stands in its place"), "{order:?}: {said}");
    }
}

#[test]
fn a_part_of_another_archive_does_not_fit_in() {
    // The same place, a valid section, other contents.
    let (bytes, begins) = sample();
    let mut others = sections();
    others[1] = Section::Owed { unit: unit(), days: vec![1] };
    let (other, other_begins) = written(&others);
    let spliced = [&bytes[..begins[2]], &other[other_begins[2]..other_begins[3]], &bytes[begins[3]..]].concat();
    let said = read(&spliced).unwrap_err().to_string();
    assert!(said.contains("what it counts is not what came before it"), "{said}");
}

#[test]
fn a_writer_that_had_to_stop_says_why() {
    let mut writer = Writer::new(Vec::new()).unwrap();
    writer.put(&Section::Head(head())).unwrap();
    writer.put(&Section::Fail("the disk is gone".to_owned())).unwrap();
    let (bytes, _) = writer.finish().unwrap();
    assert_eq!(read(&bytes).unwrap_err().to_string(), "it was not finished: the disk is gone");
}

fn any_rows() -> impl Strategy<Value = Vec<Reading>> {
    // Decimals as sensors report them, and doubles of any kind.
    let value = prop_oneof![
        (-99_999i64..99_999, 0..4u32).prop_map(|(n, p)| n as f64 / f64::from(10_u32.pow(p))),
        any::<f64>().prop_filter("finite", |value| value.is_finite()),
        Just(-0.0),
    ];
    let cells = proptest::array::uniform11(proptest::option::of(value));
    proptest::collection::btree_map(any::<i64>().prop_map(Timestamp::from_millis), cells, 1..40).prop_map(|rows| {
        let row = |(at, cells): (Timestamp, [Option<f64>; 11])| {
            let mut row = Reading::new(at);
            Channel::ALL.into_iter().zip(cells).for_each(|(channel, cell)| {
                cell.into_iter().for_each(|value| row.set(channel, value));
            });
            row
        };
        rows.into_iter().map(row).collect()
    })
}

proptest! {
    #[test]
    fn readings_come_back_bit_for_bit(rows in any_rows()) {
        let (_, back) = read(&written(&[Section::Rows { unit: unit(), rows: rows.clone() }]).0).unwrap();
        let bits = |rows: &[Reading]| -> Vec<_> {
            let cells = |row: &Reading| row.channels().map(|(c, v)| (c, v.to_bits())).collect::<Vec<_>>();
            rows.iter().map(|row| (row.at, cells(row))).collect()
        };
        let [Section::Rows { rows: back, .. }] = &back[..] else { panic!("{back:?}") };
        prop_assert_eq!(bits(back), bits(&rows));
    }

    #[test]
    fn a_flipped_bit_anywhere_is_noticed(at in any::<prop::sample::Index>(), bit in 0..8) {
        let mut bytes = sample().0.clone();
        let at = at.index(bytes.len());
        bytes[at] ^= 1_u8 << bit;
        let error = read(&bytes).unwrap_err();
        // The section is named in which it is, unless a length before it misleads.
        if let ArchiveError::Damaged { offset, .. } = error {
            prop_assert!(offset as usize <= at, "{}: {}", at, error);
        }
    }

    #[test]
    fn any_body_is_readings_or_a_reason(body in proptest::collection::vec(any::<u8>(), 0..200)) {
        if let Ok((_, rows)) = rows::decode(&body) {
            prop_assert!(!rows.is_empty());
        }
    }
}
