//! Papers and pictures, looked at by readers that are not ours: lopdf and poppler for PDF (ISO 32000), usvg for SVG, the
//! signature of the PNG specification, the icalendar crate for RFC 5545. Poppler's part is skipped where it is missing.

use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

use fadeline::domain::time::DAY;
use fadeline::domain::{Assessment, Condition, ServiceAction, ServiceEntry, Timestamp, UnitSpec};
use fadeline::paper::{Paper, month, pdf, round, sheet};
use fadeline::query::dossier::{Dossier, FleetLine, SiteCard};
use fadeline::query::month::{bounds, unit_month};
use fadeline::query::round::{Round, RoundRules, plan};
use fadeline::query::series::{Point, Resolution, Series};
use fadeline::query::{Live, Trend, UnitRow};
use fadeline::report::round::calendar;
use icalendar::{Calendar, CalendarComponent, Component};
use jiff::tz::TimeZone;
use lopdf::{Document, Object};

use super::export::{Place, fill};

const NOW: &str = "2026-08-14T12:00:00Z";

fn now() -> Timestamp {
    NOW.parse().unwrap()
}

fn said() -> Assessment {
    serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap()
}

fn spec(unit: &str, name: &str) -> UnitSpec {
    UnitSpec { name: Some(name.to_owned()), ..UnitSpec::new(unit.parse().unwrap(), 14.0) }
}

fn row(spec: &UnitSpec, said: Option<Assessment>) -> UnitRow {
    let condition = said.as_ref().map_or(Condition::Learning, |said| said.condition);
    UnitRow::new(
        spec,
        Live { condition, reading: said.as_ref().and_then(|said| said.reading.clone()) },
        said.map(Into::into),
    )
}

fn dossier(spec: &UnitSpec, site: SiteCard, said: Option<Assessment>, log: Vec<ServiceEntry>) -> Dossier {
    let trend = Trend {
        site: spec.id.site().to_owned(),
        unit: spec.id.unit().to_owned(),
        intensity_unit: "mW/cm2".to_owned(),
        set_point: 14.0,
        reference: None,
        days: Vec::new(),
        log,
    };
    Dossier { site, row: row(spec, said), trend, recent: Vec::new() }
}

fn series(days: i64) -> Series {
    let point = |day: i64| Point {
        at: now().plus_millis((day - days) * DAY),
        value: 24.0 - 0.02 * day as f64,
        low: 23.6 - 0.02 * day as f64,
        high: 24.3 - 0.02 * day as f64,
        count: 144,
    };
    Series {
        site: "heron-bight".to_owned(),
        unit: "boathouse".to_owned(),
        channel: "intensity".to_owned(),
        measure: "mW/cm2".to_owned(),
        resolution: Resolution::Day,
        thinned: false,
        from: now().plus_millis(-days.max(1) * DAY),
        to: now(),
        points: (0..days).map(point).collect(),
    }
}

fn card(text: &str) -> SiteCard {
    let text = Some(text.to_owned());
    SiteCard {
        id: "heron-bight".to_owned(),
        name: text.clone(),
        address: text.clone(),
        contact: text.clone(),
        access: text,
        travel_minutes: Some(55),
        ..SiteCard::default()
    }
}

/// What lopdf finds: the pages, the embedded fonts' names; every font must be embedded and know its letters.
#[track_caller]
fn read(bytes: &[u8]) -> (usize, BTreeSet<String>) {
    let file = Document::load_mem(bytes).unwrap();
    let text = |object: &Object| object.as_name().map(|name| String::from_utf8_lossy(name).into_owned());
    let mut fonts = BTreeSet::new();
    let mut letters = 0;
    for dict in file.objects.values().filter_map(|object| object.as_dict().ok()) {
        let kind = dict.get(b"Type").and_then(text).unwrap_or_default();
        if kind == "FontDescriptor" {
            let (_, data) = file.dereference(dict.get(b"FontFile2").unwrap()).unwrap();
            assert!(data.as_stream().unwrap().content.len() > 1_000, "an empty font");
            fonts.insert(text(dict.get(b"FontName").unwrap()).unwrap());
        } else if kind == "Font" && dict.get(b"Subtype").and_then(text).is_ok_and(|subtype| subtype == "Type0") {
            assert!(dict.has(b"ToUnicode"), "text that cannot be selected");
            letters += 1;
        }
    }
    assert!(letters > 0 && letters >= fonts.len(), "{fonts:?}");
    for (_, id) in file.get_pages() {
        let sheet = file.get_dictionary(id).unwrap().get(b"MediaBox").unwrap().as_array().unwrap();
        // A4 by ISO 216, 210 mm x 297 mm, in points of 1/72 inch.
        let size: Vec<f32> = sheet.iter().map(|side| side.as_float().unwrap()).collect();
        assert!((size[2] - 595.28).abs() < 0.1 && (size[3] - 841.89).abs() < 0.1, "{size:?}");
    }
    (file.get_pages().len(), fonts)
}

/// The words as poppler reads them, blanks and line breaks taken as one; `None` where it is not installed.
#[expect(clippy::print_stderr, reason = "a test that is skipped says so")]
fn words(bytes: &[u8]) -> Option<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("paper.pdf");
    fs::write(&path, bytes).unwrap();
    let Ok(output) = Command::new("pdftotext").arg("-raw").arg(&path).arg("-").output() else {
        eprintln!("skipped: pdftotext is not installed (Debian: poppler-utils)");
        return None;
    };
    assert!(output.status.success() && output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(String::from_utf8(output.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" "))
}

#[track_caller]
fn says(paper: &Paper, pages: usize, wanted: &[&str]) {
    let bytes = pdf(paper).unwrap();
    let (found, fonts) = read(&bytes);
    assert_eq!(found, pages);
    assert!(fonts.iter().all(|font| font.contains("+DejaVuSans")), "subsets of ours: {fonts:?}");
    let Some(text) = words(&bytes) else { return };
    for word in wanted {
        assert!(text.contains(word), "{word:?} is not in: {text}");
    }
    assert!(text.contains("Under the set point treatment is not assured"), "{text}");
}

#[test]
fn the_sheet_is_one_page_with_what_the_trip_needs() {
    let at = now().plus_millis(-30 * DAY);
    let log = vec![ServiceEntry { by: Some("Zoë".to_owned()), ..ServiceEntry::new(at, ServiceAction::LampReplaced) }];
    let spec = spec("heron-bight/boathouse", "Bootshaus Żółć & Söhne <Nord>");
    let dossier = dossier(&spec, card("Key under the third stone, 20 °C at least"), Some(said()), log);
    let clean = format!("{:.0} %", 100.0 * said().verdict.probability.unwrap());
    says(
        &sheet::sheet(&dossier, &series(365), now()),
        1,
        &[
            "Bootshaus Żółć & Söhne <Nord>",
            "heron-bight/boathouse",
            "mW/cm²",
            "20 °C",
            "☐",
            "set point 14",
            &clean,
            "Clean the sleeve",
            "O-rings",
            "lamp replaced, Zoë",
            "Key under the third stone",
            "55 min one way",
            "Lamp cooled down",
            "mercury",
            "1 of 1",
        ],
    );
}

#[test]
fn a_dark_unit_is_not_promised_a_reading() {
    let spec = spec("heron-bight/boathouse", "Bootshaus");
    let mut dossier = dossier(&spec, SiteCard::default(), Some(said()), Vec::new());
    dossier.row.condition = Condition::Dark;
    says(
        &sheet::sheet(&dossier, &series(9), now()),
        1,
        &["Now: ", "Gain once it burns", "How to get in: not written down"],
    );
}

#[test]
fn the_sheet_stays_one_page_whatever_there_is() {
    let long = "Donaudampfschifffahrtsgesellschaft ".repeat(60);
    let wide = "W".repeat(400);
    let note = |i: i64| ServiceEntry {
        by: Some(wide.clone()),
        note: Some(long.clone()),
        ..ServiceEntry::new(now().plus_millis(-i * DAY), ServiceAction::TransmittanceMeasured)
    };
    let mut much = said();
    much.verdict.says = long.clone();
    much.cautions = vec![long.clone(); 40];
    let parts = much.parts.clone();
    much.parts.extend(parts.iter().cycle().take(6).cloned());
    for name in [&wide[..80], "湖畔の小屋 שלום Дача \u{7}\u{0}🌊", "x", ""] {
        for (said, log, days) in [
            (None, vec![], 0),
            (Some(much.clone()), (0..60).rev().map(note).collect::<Vec<_>>(), 365),
            (Some(said()), vec![], 1),
        ] {
            let entries = log.len();
            let dossier = dossier(&spec("heron-bight/boathouse", name), card(&long), said, log);
            let paper = sheet::sheet(&dossier, &series(days), now());
            let wanted = if entries > 0 { &["earlier in the logbook"][..] } else { &["Nothing has been recorded yet"] };
            says(&paper, 1, wanted);
        }
    }
}

#[test]
fn the_month_has_a_page_for_each_unit_and_can_be_signed() {
    let zone = TimeZone::UTC;
    let span = bounds("2026-07").unwrap();
    let first = Timestamp::day_start(span.0, &zone);
    let readings: Vec<_> = (0..31 * 144)
        .map(|i| {
            // A day under the set point, and two hours of the third without light.
            let light = if i < 144 {
                10.0
            } else if (288..300).contains(&i) {
                0.1
            } else {
                20.0
            };
            fadeline::domain::Reading::new(first.plus_millis(i * DAY / 144))
                .with(fadeline::domain::Channel::Intensity, light)
                .with(fadeline::domain::Channel::Flow, 2.0)
        })
        .collect();
    let check = ServiceEntry {
        value: Some(16.0),
        ..ServiceEntry::new(first.plus_millis(5 * DAY), ServiceAction::ReferenceCheck)
    };
    let unit = |name: &str, readings: &[_], log: &[ServiceEntry]| {
        unit_month(&spec("heron-bight/boathouse", name), span, readings, log, now())
    };
    let mut record = fadeline::query::month::MonthRecord {
        site: "heron-bight".to_owned(),
        name: Some("Reiherbucht".to_owned()),
        month: "2026-07".to_owned(),
        units: vec![unit("Bootshaus", &readings, &[check]), unit("Leer", &[], &[])],
    };
    // 26 h of 31 days under the set point of 14: 26 / 744 = 3.49 %; 20 / 16 = 1.25, over 1.2.
    let wanted = [
        "Bootshaus",
        "Reiherbucht, heron-bight/boathouse",
        "26.0 h, 3.49 % of the time",
        "2026-07-03 00:00 UTC 2026-07-03 02:00 UTC 2.0 no light at the sensor",
        "Not known: there are no readings.",
        "Of the volume",
        "Thu 2026-07-30",
        "1.25",
        "over",
        "reference check 16",
        "None recorded this month",
        "not known, no readings",
        "744.0",
        "Read and signed:",
        "Not a regulatory form; follow your authority's.",
        "2 of 2",
    ];
    says(&month::month(&record, &zone, now()), 2, &wanted);
    record.units.clear();
    says(&month::month(&record, &zone, now()), 1, &["no unit to report on", "Reiherbucht (heron-bight)"]);
}

#[test]
fn letters_that_the_font_lacks_are_named() {
    // U+6E56 and U+7554, by the Unicode charts; the font has Cyrillic and Polish letters.
    let spec = spec("heron-bight/boathouse", "Żółw Дача 湖畔湖");
    let dossier = dossier(&spec, card("Дача"), Some(said()), Vec::new());
    let wanted = ["Żółw Дача □□□", "□ stands for a letter that is not in this paper's font (U+6E56 U+7554)"];
    says(&sheet::sheet(&dossier, &series(90), now()), 1, &wanted);
}

fn a_round(name: &str) -> Round {
    let line = |site: &str, unit: &str, condition| {
        let mut said = said();
        said.condition = condition;
        said.forecast.clean_by = Some(jiff::civil::date(2026, 8, 20));
        FleetLine {
            site: SiteCard { id: site.to_owned(), ..card(name) },
            row: row(&spec(&format!("{site}/{unit}"), name), Some(said)),
            course: Vec::new(),
        }
    };
    let lines = [
        line("heron-bight", "boathouse", Condition::Dark),
        line("heron-bight", "loon", Condition::Due),
        line("north-arm", "bakery", Condition::Due),
    ];
    plan(&lines, RoundRules::default(), jiff::civil::date(2026, 8, 14))
}

#[test]
fn the_round_goes_into_the_van() {
    let planned = a_round("Bucht, Nord; \\ „Süd“");
    assert_eq!(planned.days.iter().map(|day| day.calls.len()).sum::<usize>(), 2);
    let wanted = [
        "Round from 2026-08-14",
        "3 units at 2 sites",
        "Bucht, Nord; \\ „Süd“",
        "dark now now",
        "due before the next trip",
        "55 min one way",
        "Parts for the van",
        "O-rings",
        "A unit that is dark, short or silent always goes, first.",
        "60 min a visit",
    ];
    says(&round::round(&planned, now()), 1, &wanted);
    let none = plan(&[], RoundRules::default(), jiff::civil::date(2026, 8, 14));
    says(&round::round(&none, now()), 1, &["Nothing calls for a trip"]);
}

#[test]
fn another_library_reads_the_calendar() {
    let name = "Bucht, Nord; \\ „Süd“ mit einem langen Namen, der über fünfundsiebzig Oktette hinausgeht";
    let planned = a_round(name);
    let text = calendar(&planned, now());
    // RFC 5545, 3.1: lines end with CRLF and have at most 75 octets without it.
    assert!(text.ends_with("\r\n") && text.replace("\r\n", "").chars().all(|c| !c.is_control()), "{text:?}");
    assert!(text.split("\r\n").all(|line| line.len() <= 75), "{text}");
    let read: Calendar = text.parse().unwrap();
    let events: Vec<_> = read
        .components
        .iter()
        .filter_map(|component| if let CalendarComponent::Event(event) = component { Some(event) } else { None })
        .collect();
    assert_eq!(events.len(), 2);
    let uids = |text: &str| -> BTreeSet<String> {
        text.lines().filter_map(|line| line.strip_prefix("UID:")).map(str::to_owned).collect()
    };
    for event in &events {
        assert_eq!(event.get_summary(), Some(format!("UV visit: {name}").as_str()));
        assert!(event.get_description().unwrap().contains("how to get in"), "{event:?}");
        assert_eq!(event.property_value("DTSTAMP"), Some("20260814T120000Z"));
        assert!(event.get_uid().is_some());
        let (start, end) = (event.property_value("DTSTART").unwrap(), event.property_value("DTEND").unwrap());
        // 3.6.1: the end of an all-day event is the day after it.
        assert!(start.len() == 8 && end.parse::<u32>().unwrap() == start.parse::<u32>().unwrap() + 1, "{start} {end}");
    }
    let later = calendar(&planned, now().plus_millis(DAY));
    assert_eq!(uids(&text).len(), 2, "each its own");
    assert_eq!(uids(&text), uids(&later), "the same visit keeps its name");
}

#[test]
fn the_commands_write_papers_and_pictures() {
    let place = Place::new();
    fill(&place.store());
    let at = |name: &str| fs::read(place.path(name)).unwrap();
    place.done(&["sheet", "heron-bight/boathouse", "--pdf", "sheet.pdf"]);
    assert_eq!(read(&at("sheet.pdf")).0, 1);
    let this_month = fadeline::clock::now().date_in(&TimeZone::UTC).strftime("%Y-%m").to_string();
    place.done(&["month", "heron-bight", &this_month, "--pdf", "month.pdf"]);
    assert!(read(&at("month.pdf")).0 >= 2, "two units");
    place.done(&["round", "--pdf", "round.pdf"]);
    assert!(read(&at("round.pdf")).0 >= 1);
    let svg = place.done(&["trend", "heron-bight/boathouse", "--svg"]);
    let tree = svg2pdf::usvg::Tree::from_str(&svg, &svg2pdf::usvg::Options::default()).unwrap();
    assert!(tree.size().width() > 900.0 && svg.contains(">set point 14<"));
    let elsewhere = svg.replace("http://www.w3.org/2000/svg", "");
    assert!(svg.contains("<style>") && !elsewhere.contains("http") && !svg.contains("href"), "it needs nothing else");
    place.done(&["trend", "heron-bight/boathouse", "--png", "trend.png"]);
    let png = at("trend.png");
    // PNG specification, 5.2 and 11.2.2: the signature, then IHDR with width and height.
    assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
    let size = |from: usize| u32::from_be_bytes(png[from..from + 4].try_into().unwrap());
    assert_eq!(f64::from(size(16)), f64::from(tree.size().width()) * 2.0);
    assert_eq!(f64::from(size(20)), (f64::from(tree.size().height()) * 2.0).ceil());
    let (code, _, err) = place.run(&["sheet", "heron-bight/boathouse", "--pdf", "nowhere/sheet.pdf"]);
    assert!(code == 74 && err.contains("nowhere/sheet.pdf"), "{code} {err}");
    let (code, _, err) = place.run(&["sheet", "heron-bight/nobody", "--pdf", "nobody.pdf"]);
    assert!(code == 64 && !err.is_empty() && !place.names().contains(&"nobody.pdf".to_owned()), "{code} {err}");
}
