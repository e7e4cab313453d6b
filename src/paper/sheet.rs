//! The visit sheet: one page about a unit before the trip.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::block::{Block, Cell, Column, Paper, Table};
use super::lay::pages;
use super::{clip, picture};
use crate::domain::{Assessment, Condition, ServiceEntry, Timestamp, VerdictCause};
use crate::page::chart::{HEIGHT, WIDTH};
use crate::page::frame::{measure, name, zone_of};
use crate::query::bring::bring;
use crate::query::dossier::Dossier;
use crate::query::series::Series;
use crate::report::words;
use crate::visit::expectations;
use crate::visit::steps::{CAUTIONS, step};

/// How much of what may be long goes on the sheet.
#[derive(Clone, Copy, Debug)]
struct Room {
    /// Entries of the log.
    entries: usize,
    /// Letters of a longer text.
    letters: usize,
    /// Cautions of the assessment.
    cautions: usize,
    /// Size of the letters.
    scale: f64,
}

/// What the lines of the picture are.
const LEGEND: &str = "Line: light by day (median), grey: lowest to highest, dashes: set point, wedge: 8 of 10 courses to come if \
    nobody comes, numbers: service, ring: the latest reading, hatched: cloudy water, ?: a step nobody logged.";

/// From the most to the least; the first that fits on one page is taken.
const ROOMS: [Room; 9] = [
    Room { entries: 10, letters: 600, cautions: 6, scale: 1.0 },
    Room { entries: 8, letters: 300, cautions: 6, scale: 1.0 },
    Room { entries: 8, letters: 260, cautions: 4, scale: 0.96 },
    Room { entries: 6, letters: 240, cautions: 4, scale: 0.94 },
    Room { entries: 6, letters: 200, cautions: 3, scale: 0.9 },
    Room { entries: 4, letters: 170, cautions: 2, scale: 0.88 },
    Room { entries: 3, letters: 140, cautions: 2, scale: 0.84 },
    Room { entries: 2, letters: 100, cautions: 1, scale: 0.8 },
    Room { entries: 1, letters: 80, cautions: 1, scale: 0.76 },
];

/// The sheet as of `now`. `series`: the chart's.
pub fn sheet(dossier: &Dossier, series: &Series, now: Timestamp) -> Paper {
    let mut paper = fitted(dossier, series, now, ROOMS[0]);
    for room in &ROOMS[1..] {
        if pages(&paper).len() == 1 {
            break;
        }
        paper = fitted(dossier, series, now, *room);
    }
    paper
}

fn fitted(dossier: &Dossier, series: &Series, now: Timestamp, room: Room) -> Paper {
    let row = &dossier.row;
    let zone = zone_of(row);
    let said = row.assessment.as_deref();
    let site = dossier.site.name.as_deref().unwrap_or(&row.site);
    let mut blocks = vec![
        Block::Title {
            text: clip(&name(row), 80),
            mark: row.condition.name().to_owned(),
            under: format!("{}, {}/{}. Visit sheet", clip(site, 80), row.site, row.unit),
        },
        Block::Facts(facts(dossier, &zone)),
        Block::Said(verdict(row.condition, said, room)),
    ];
    blocks.extend(trend(dossier, series, &zone));
    blocks.extend([
        Block::Side(to_bring(dossier, now.date_in(&zone)), steps_and_parts(dossier, said)),
        Block::Side(before(), around(dossier, said, &zone, room)),
    ]);
    if let Some(cautions) = cautions(said, room) {
        blocks.push(cautions);
    }
    Paper {
        title: format!("Visit sheet: {}", name(row)),
        foot: foot(&words::instant(now, &zone), None),
        scale: room.scale,
        blocks,
    }
}

fn trend(dossier: &Dossier, series: &Series, zone: &TimeZone) -> Vec<Block> {
    if series.points.is_empty() {
        return vec![Block::Text("There is no reading of the last year to draw.".to_owned())];
    }
    let svg = picture::for_paper(&picture::chart(dossier, series, zone));
    vec![Block::Picture { svg, shape: WIDTH / HEIGHT }, Block::Small(LEGEND.to_owned())]
}

/// The words under every page.
pub(super) fn foot(made: &str, more: Option<&str>) -> Vec<String> {
    let mut foot = vec![
        "Fadeline never says that water is safe. Under the set point treatment is not assured.".to_owned(),
        format!("The unit's papers, local codes and the health authority decide. Made {made}."),
    ];
    foot.extend(more.map(str::to_owned));
    foot
}

fn facts(dossier: &Dossier, zone: &TimeZone) -> Vec<(String, String)> {
    let row = &dossier.row;
    let unit = measure(&row.intensity_unit);
    let mut facts = Vec::new();
    let mut add = |label: &str, says: String| facts.push((label.to_owned(), says));
    match &row.reading {
        Some(reading) => {
            add("Light now", format!("{:.1} {unit}", reading.intensity));
            add("Read", words::instant(reading.at, zone));
        }
        None => add("Light now", "no reading".to_owned()),
    }
    add("Set point", format!("{} {unit}", row.set_point));
    if let Some(percent) = row.reading.as_ref().and_then(|reading| reading.percent_of_reference) {
        add("Against new", format!("{percent:.0} %"));
    }
    let Some(forecast) = row.assessment.as_deref().map(|said| &said.forecast) else { return facts };
    for (label, date) in
        [("Clean by", forecast.clean_by), ("Lamp by", forecast.lamp_by), ("Sensor by", forecast.sensor_by)]
    {
        if let Some(date) = date {
            add(label, date.to_string());
        }
    }
    if let Some(when) = words::going_short(row.condition, &forecast.crossing) {
        let label = if words::needs_light(row.condition) { "Short" } else { "Short, if nobody comes (8 of 10)" };
        add(label, when);
    }
    facts
}

fn verdict(condition: Condition, said: Option<&Assessment>, room: Room) -> String {
    let mut text = match condition {
        Condition::Dark | Condition::Short | Condition::Silent => format!("Now: {}. ", words::condition(condition)),
        _ => String::new(),
    };
    let Some(said) = said else {
        return text + "Nothing is known yet: an opinion needs some days of readings.";
    };
    text += &clip(&said.verdict.says, room.letters);
    if let Some(p) = said.verdict.probability {
        let open = said.verdict.cause == VerdictCause::Unsettled;
        let of = if open { "The likeliest cause has" } else { "Probability" };
        text += &format!(" {of} {}.", words::probability(p));
    }
    if let Some(settle) = &said.verdict.settle_with {
        text += &format!(" What would settle it: {}.", words::to_do(settle.action));
    }
    text
}

fn to_bring(dossier: &Dossier, today: Date) -> Vec<Block> {
    let rows = bring(&dossier.row, today).into_iter().map(|part| {
        vec![
            Cell::from("☐"),
            Cell::with_under(words::part(&part.part), part.why),
            words::probability(part.probability).into(),
        ]
    });
    let columns = vec![Column::words("", 0.09), Column::words("Part", 0.66), Column::numbers("Needed with", 0.25)];
    vec![Block::Heading("Bring".to_owned()), Block::Table(Table { columns, rows: rows.collect() })]
}

fn steps_and_parts(dossier: &Dossier, said: Option<&Assessment>) -> Vec<Block> {
    let row = &dossier.row;
    let unit = measure(&row.intensity_unit);
    // Without light a step's gain has nothing to grow from.
    let dark = row.condition == Condition::Dark;
    let now = row.reading.as_ref().map(|reading| reading.intensity).filter(|_| !dark);
    let steps: Vec<Vec<Cell>> = said
        .map(expectations)
        .unwrap_or_default()
        .iter()
        .map(|e| {
            let after = |gain: f64| now.map(|now| now * (1.0 + gain / 100.0));
            let expected = match (after(e.gain), after(e.low), after(e.high)) {
                (Some(middle), Some(low), Some(high)) => format!("{middle:.1} ({low:.1} to {high:.1})"),
                _ => format!("{:+.1} % ({:+.1} to {:+.1})", e.gain, e.low, e.high),
            };
            vec![step(e.action).map_or("", |step| step.title).into(), expected.into(), "".into()]
        })
        .collect();
    let mut blocks = vec![Block::Heading("Expect after each step alone".to_owned())];
    if steps.is_empty() {
        blocks.push(Block::Text(
            "Nothing can be expected yet. Write the reading down before and after every step.".to_owned(),
        ));
    } else {
        let columns = vec![
            Column::words("Step", 0.43),
            Column::words(
                &if now.is_some() { format!("Reading, {unit}") } else { "Gain once it burns".to_owned() },
                0.38,
            ),
            Column::words("Read then", 0.19),
        ];
        blocks.push(Block::Table(Table { columns, rows: steps }));
    }
    blocks.push(Block::Heading("Parts".to_owned()));
    let parts = said.map_or(&[][..], |said| &said.parts);
    if parts.is_empty() {
        blocks.push(Block::Text("Ages are not known.".to_owned()));
        return blocks;
    }
    let rows = parts.iter().map(|part| {
        let age = part.age_days.map_or_else(|| "not known".to_owned(), words::days);
        let hours = part.age_hours.map_or_else(String::new, |hours| format!("{hours:.0} h burnt"));
        vec![
            Cell::from(words::plain(&part.part)),
            Cell::with_under(age, hours),
            part.due.map_or_else(|| "not known".to_owned(), |date| date.to_string()).into(),
        ]
    });
    let columns = vec![Column::words("Part", 0.36), Column::words("Age", 0.32), Column::words("Due", 0.32)];
    blocks.push(Block::Table(Table { columns, rows: rows.collect() }));
    blocks
}

fn before() -> Vec<Block> {
    let boxes = CAUTIONS.iter().map(|caution| (*caution).to_owned()).collect();
    vec![Block::Heading("Confirm before you open it".to_owned()), Block::Boxes(boxes)]
}

/// How to get there and what was done before.
fn around(dossier: &Dossier, said: Option<&Assessment>, zone: &TimeZone, room: Room) -> Vec<Block> {
    let site = &dossier.site;
    let mut blocks = vec![Block::Heading("The way".to_owned())];
    for (label, says) in [("Where", &site.address), ("Whom to call", &site.contact), ("How to get in", &site.access)] {
        let says = says.as_deref().map_or_else(|| "not written down".to_owned(), |says| clip(says, room.letters));
        blocks.push(Block::Text(format!("{label}: {says}")));
    }
    if let Some(minutes) = site.travel_minutes {
        blocks.push(Block::Text(format!("Travel: {minutes} min one way")));
    }
    blocks.push(Block::Heading("History".to_owned()));
    let log = &dossier.trend.log;
    let shown = &log[log.len().saturating_sub(room.entries)..];
    if shown.is_empty() {
        blocks.push(Block::Text("Nothing has been recorded yet.".to_owned()));
    } else {
        let rows = shown
            .iter()
            .rev()
            .map(|entry| vec![Cell::from(entry.at.date_in(zone).to_string()), entry_cell(entry, room.letters / 6)]);
        let columns = vec![Column::words("Day", 0.27), Column::words("What", 0.73)];
        blocks.push(Block::Table(Table { columns, rows: rows.collect() }));
        if log.len() > shown.len() {
            blocks.push(Block::Text(format!("{} earlier in the logbook.", log.len() - shown.len())));
        }
    }
    let asked = said.map_or(0, |said| said.unlogged.len());
    if asked > 0 {
        blocks.push(Block::Text(format!(
            "Ask on the spot: {} that nobody logged, marked ? above.",
            words::count(asked as u64, "step")
        )));
    }
    blocks
}

/// An entry of the log: what, the value, by whom; the note under it.
pub(super) fn entry_cell(entry: &ServiceEntry, letters: usize) -> Cell {
    let mut text = words::plain(entry.action.name());
    if let Some(value) = entry.value {
        text += &format!(" {value}");
    }
    if let Some(by) = entry.by.as_deref().filter(|by| !by.trim().is_empty()) {
        text += &format!(", {}", clip(by, letters.min(40)));
    }
    Cell::with_under(text, entry.note.as_deref().map_or_else(String::new, |note| clip(note, letters)))
}

fn cautions(said: Option<&Assessment>, room: Room) -> Option<Block> {
    let cautions = &said?.cautions;
    if cautions.is_empty() {
        return None;
    }
    let shown: Vec<String> =
        cautions.iter().take(room.cautions).map(|caution| clip(caution, room.letters / 2)).collect();
    let more = cautions.len() - shown.len();
    let more = if more > 0 { format!(" And {more} more on the unit's page.") } else { String::new() };
    Some(Block::Text(format!("Beware: {}{more}", shown.join(" "))))
}
