//! The next trip on paper, for the van.

use jiff::tz::TimeZone;

use super::block::{Block, Cell, Column, Paper, Table};
use super::clip;
use super::font::readable;
use super::sheet::foot;
use crate::domain::Timestamp;
use crate::query::round::{Because, Call, Round, RoundDay, RoundRules, Stop};
use crate::report::round::{RULE, because, due, hours, likely};
use crate::report::words;

/// Letters of what an owner wrote.
const LETTERS: usize = 240;

/// The trip as of `now`.
pub fn round(round: &Round, now: Timestamp) -> Paper {
    let units: usize = round.days.iter().flat_map(|day| &day.calls).map(|call| call.stops.len()).sum();
    let sites: usize = round.days.iter().map(|day| day.calls.len()).sum();
    let mut blocks = vec![Block::Title {
        text: format!("Round from {}", round.today),
        mark: words::count(round.days.len() as u64, "day"),
        under: format!(
            "{} at {}; {} can wait",
            words::count(units as u64, "unit"),
            words::count(sites as u64, "site"),
            words::count(round.waiting as u64, "unit")
        ),
    }];
    if round.days.is_empty() {
        blocks.push(Block::Said("Nothing calls for a trip before the one after next.".to_owned()));
    }
    for (i, day) in round.days.iter().enumerate() {
        self::day(i, day, round.rules, &mut blocks);
    }
    van(round, &mut blocks);
    blocks.push(Block::Heading("The rule".to_owned()));
    blocks.push(Block::Text(format!("{RULE} {}", figures(round.rules))));
    Paper {
        title: format!("Round from {}", round.today),
        foot: foot(&words::instant(now, &TimeZone::UTC), None),
        scale: 1.0,
        blocks,
    }
}

fn figures(rules: RoundRules) -> String {
    format!(
        "Planned with {} in a day, {} min a visit, {} min of travel one way where a site names none, {} until the trip after \
         this one.",
        hours(rules.day_minutes),
        rules.visit_minutes,
        rules.travel_minutes,
        words::count(rules.interval_days.into(), "day")
    )
}

fn day(i: usize, day: &RoundDay, rules: RoundRules, blocks: &mut Vec<Block>) {
    let over = if day.over { ", more than a day has" } else { "" };
    blocks.push(Block::Heading(format!("Day {}: {}{over}", i + 1, hours(day.minutes))));
    for (k, call) in day.calls.iter().enumerate() {
        blocks.push(Block::Heading(format!(
            "{}.  {}  ({})",
            k + 1,
            readable(&clip(call.site.name.as_deref().unwrap_or(&call.site.id), 90), &call.site.id),
            hours(call.minutes)
        )));
        blocks.push(Block::Table(stops(call)));
        let one_way = call.site.travel_minutes.unwrap_or(rules.travel_minutes);
        blocks.push(Block::Text(way(call, one_way)));
    }
}

/// Where it is, whom to call, how to get in: what is written down.
fn way(call: &Call, one_way: u32) -> String {
    let site = &call.site;
    let mut parts = vec![site.id.clone(), format!("{one_way} min one way")];
    for (label, says) in [("where", &site.address), ("call", &site.contact), ("how to get in", &site.access)] {
        parts.extend(says.as_deref().map(|says| format!("{label}: {}", clip(says, LETTERS))));
    }
    parts.join("; ")
}

fn stops(call: &Call) -> Table {
    let columns = vec![
        Column::words("☐  Unit", 2.6),
        Column::words("State", 0.9),
        Column::words("Why", 1.4),
        Column::words("Due", 1.1),
        Column::numbers("Risk", 0.8),
        Column::words("Likely needed", 2.6),
    ];
    Table { columns, rows: call.stops.iter().map(stop_row).collect() }
}

fn stop_row(stop: &Stop) -> Vec<Cell> {
    let urgent = stop.because == Because::Urgent;
    vec![
        Cell::with_under(
            format!("☐  {}", readable(&clip(stop.name.as_deref().unwrap_or(&stop.unit), 60), &stop.unit)),
            clip(&stop.says, LETTERS),
        ),
        stop.condition.name().into(),
        because(stop.because).into(),
        match due(stop) {
            _ if urgent => "now".to_owned().into(),
            Some((date, to_do)) => Cell::with_under(date.to_string(), to_do),
            None => "-".to_owned().into(),
        },
        if urgent { "-".to_owned() } else { words::probability(stop.risk) }.into(),
        likely(stop).into(),
    ]
}

fn van(round: &Round, blocks: &mut Vec<Block>) {
    if round.parts.is_empty() {
        return;
    }
    blocks.push(Block::Heading("Parts for the van (enough for 9 trips of 10)".to_owned()));
    let rows = round.parts.iter().filter(|part| part.load > 0).map(|part| {
        vec![
            Cell::from(format!("☐  {}", words::part(&part.part))),
            part.load.to_string().into(),
            format!("{:.1}", part.expected).into(),
        ]
    });
    let columns =
        vec![Column::words("Part", 3.0), Column::numbers("Load", 1.0), Column::numbers("Needed on average", 1.4)];
    blocks.push(Block::Table(Table { columns, rows: rows.collect() }));
}
