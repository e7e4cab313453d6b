//! The fleet as a table for a terminal: worst first, one line a unit, or a block a unit where the terminal is narrow.
//!
//! Plain ASCII, no cursor movement. Colour only repeats what the condition's word says.

use std::cmp::Ordering;
use std::fmt::Write;
use std::sync::Arc;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::domain::{Assessment, Cause, Condition, IntensityUnit, ServiceAction, Timestamp, UnitId, VerdictCause};
use crate::query::UnitRow;

/// Under this many columns a unit gets a block of its own.
pub const NARROW_COLUMNS: usize = 60;
/// The least columns for a unit's id; with fewer left over, blocks.
const UNIT_LEAST: usize = 14;
/// Cells of the bar on either side of the set point.
const BAR_SIDE: usize = 4;
const GAP: &str = "  ";

/// One unit of the table.
#[derive(Clone, Debug)]
pub struct FleetRow {
    /// Which unit.
    pub id: UnitId,
    /// Its name for people.
    pub name: Option<String>,
    /// Its site's zone: dates and "today" are meant in it.
    pub zone: TimeZone,
    /// Its condition now.
    pub condition: Condition,
    /// What was last said of it.
    pub assessment: Option<Arc<Assessment>>,
    /// Its latest intensity, in `unit`.
    pub intensity: Option<f64>,
    /// The unit of intensity and set point.
    pub unit: IntensityUnit,
    /// Intensity at or under which treatment is not assured.
    pub set_point: f64,
}

impl FleetRow {
    /// From the answer about a unit; `None` if its ids are not ids.
    pub fn of(row: UnitRow) -> Option<Self> {
        let percent = row.intensity_unit == IntensityUnit::Percent.symbol();
        Some(Self {
            id: UnitId::new(&row.site, &row.unit).ok()?,
            name: row.name,
            zone: TimeZone::get(&row.zone).unwrap_or(TimeZone::UTC),
            condition: row.condition,
            assessment: row.assessment,
            intensity: row.reading.map(|reading| reading.intensity),
            unit: if percent { IntensityUnit::Percent } else { IntensityUnit::MilliwattPerCm2 },
            set_point: row.set_point,
        })
    }
}

/// How the table is to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Columns of the terminal.
    pub columns: usize,
    /// Whether ANSI colours may be used.
    pub colour: bool,
}

/// The fleet, worst first, as lines that end with a newline and fit `look.columns`.
pub fn table(rows: &[FleetRow], look: Look, now: Timestamp) -> String {
    if rows.is_empty() {
        return "no units yet: list them in the config, or send a reading\n".to_owned();
    }
    let mut rows: Vec<&FleetRow> = rows.iter().collect();
    rows.sort_by(|a, b| worse(a, b));
    let lines: Vec<Line> = rows.iter().map(|row| Line::of(row, now)).collect();
    let mut text = wrapped(&summary(&rows), look.columns);
    text.push('\n');
    match Widths::fitting(&lines, look.columns) {
        Some(widths) => widths.table(&lines, look, &mut text),
        None => {
            let blocks = lines.iter().zip(&rows).map(|(line, row)| line.block(row, look));
            text.push_str(&blocks.collect::<Vec<_>>().join("\n"));
        }
    }
    text.push('\n');
    text.push_str(&wrapped(LEGEND, look.columns));
    if let Some(warning) = warning(&rows) {
        text.push('\n');
        text.push_str(&wrapped(&warning, look.columns));
    }
    text
}

fn worse(a: &FleetRow, b: &FleetRow) -> Ordering {
    let by =
        |row: &FleetRow| row.assessment.as_deref().and_then(Assessment::first_due).map_or(Date::MAX, |(date, _)| date);
    a.condition
        .cmp(&b.condition)
        .then_with(|| by(a).cmp(&by(b)))
        .then_with(|| ratio(a).unwrap_or(f64::INFINITY).total_cmp(&ratio(b).unwrap_or(f64::INFINITY)))
        .then_with(|| a.id.cmp(&b.id))
}

fn ratio(row: &FleetRow) -> Option<f64> {
    row.intensity.filter(|_| row.set_point > 0.0).map(|intensity| intensity / row.set_point)
}

fn summary(rows: &[&FleetRow]) -> String {
    let counts: Vec<String> = Condition::ALL
        .iter()
        .map(|condition| (condition, rows.iter().filter(|row| row.condition == *condition).count()))
        .filter(|(_, count)| *count > 0)
        .map(|(condition, count)| format!("{count} {condition}"))
        .collect();
    format!("{}: {}", units(rows.len()), counts.join(", "))
}

fn units(count: usize) -> String {
    if count == 1 { "1 unit".to_owned() } else { format!("{count} units") }
}

fn warning(rows: &[&FleetRow]) -> Option<String> {
    let count = rows.iter().filter(|row| matches!(row.condition, Condition::Dark | Condition::Short)).count();
    let verb = if count == 1 { "is" } else { "are" };
    (count > 0).then(|| {
        format!(
            "{} {verb} dark or short: treatment is not assured there. Before anyone drinks that water, ask the local \
             health authority what to do.",
            units(count)
        )
    })
}

/// The texts of one row.
struct Line {
    site: String,
    unit: String,
    condition: Condition,
    light: String,
    cause: String,
    by: String,
}

impl Line {
    fn of(row: &FleetRow, now: Timestamp) -> Self {
        let today = now.date_in(&row.zone);
        let said = row.assessment.as_deref();
        Self {
            site: row.id.site().to_owned(),
            unit: row.id.unit().to_owned(),
            condition: row.condition,
            light: light(row),
            cause: match (row.condition, said) {
                // What cost light before says nothing about why there is none now.
                (Condition::Dark, _) => "lamp/power?".to_owned(),
                (_, said) => said.map_or_else(|| "-".to_owned(), cause),
            },
            by: match (row.condition, said) {
                (Condition::Dark, _) => "visit now".to_owned(),
                (Condition::Closed, _) | (_, None) => "-".to_owned(),
                (_, Some(said)) => by(said, today),
            },
        }
    }

    /// The unit's id in at most `width` columns: the site gives way, for the unit's own part tells units apart.
    fn id(&self, width: usize) -> String {
        let whole = format!("{}/{}", self.site, self.unit);
        if whole.len() <= width {
            return whole;
        }
        match width.checked_sub(self.unit.len() + 2) {
            Some(room) => format!("{}~/{}", &self.site[..room.min(self.site.len())], self.unit),
            None => format!("{}~", &self.unit[..width.saturating_sub(1).min(self.unit.len())]),
        }
    }

    /// The line as a block of its own, for a narrow terminal.
    fn block(&self, row: &FleetRow, look: Look) -> String {
        let mut block = wrapped(&self.id(look.columns), look.columns);
        if let Some(name) = &row.name {
            block.push_str(&wrapped(&format!("  {}", name.replace(char::is_control, " ")), look.columns));
        }
        // Not wrapped, because its escapes take no columns.
        let _ = writeln!(block, "  {:<8} {}", "is", coloured(self.condition, self.condition.name(), look.colour));
        let digits = if row.unit == IntensityUnit::Percent { 0 } else { 2 };
        let reading = row.intensity.map_or_else(|| "none".to_owned(), |intensity| format!("{intensity:.digits$}"));
        let reading = format!("{reading}, set point {:.digits$} {}", row.set_point, row.unit.symbol());
        for (label, value) in
            [("light", &self.light), ("reading", &reading), ("costs", &self.cause), ("act by", &self.by)]
        {
            block.push_str(&wrapped(&format!("  {label:<8} {value}"), look.columns));
        }
        block
    }
}

/// A bar in which the set point always stands in the middle, and the reading over the set point:
/// `####|##.. 1.52`. Full to the right is twice the set point or more.
fn light(row: &FleetRow) -> String {
    let Some(ratio) = ratio(row) else { return format!("{}|{}    -", ".".repeat(BAR_SIDE), ".".repeat(BAR_SIDE)) };
    // Rounded down, so that the right side is empty at the set point and the left one short under it.
    let filled = (ratio * BAR_SIDE as f64 + 1e-9).floor().clamp(0.0, 2.0 * BAR_SIDE as f64) as usize;
    let cells = |n: usize| format!("{}{}", "#".repeat(n), ".".repeat(BAR_SIDE - n));
    let (left, right) = (cells(filled.min(BAR_SIDE)), cells(filled.saturating_sub(BAR_SIDE)));
    // To the side of the set point that is true: 0.998 is not 1.00.
    let shown = if ratio <= 1.0 { (ratio * 100.0).floor() } else { (ratio * 100.0).ceil() } / 100.0;
    format!("{left}|{right} {:>4.2}", shown.min(99.99))
}

fn cause(said: &Assessment) -> String {
    let (word, cause) = match said.verdict.cause {
        VerdictCause::SleeveFouling => ("sleeve", Cause::SleeveFouling),
        VerdictCause::LampAgeing => ("lamp", Cause::LampAgeing),
        VerdictCause::SensorDrift => ("sensor", Cause::SensorDrift),
        VerdictCause::LampOrSensor => ("lamp/sensor", Cause::LampOrSensor),
        VerdictCause::WaterQuality => ("water", Cause::WaterQuality),
        VerdictCause::Unexplained => ("unexplained", Cause::Unexplained),
        VerdictCause::None => return "nothing".to_owned(),
        VerdictCause::Unsettled => return "not settled".to_owned(),
    };
    let loss = said.loss.as_ref().and_then(|loss| loss.causes.iter().find(|loss| loss.cause == cause));
    loss.map_or_else(|| word.to_owned(), |loss| format!("{word} {:.0}%", loss.percent.max(0.0)))
}

/// What to do by when: the earliest of the dates that the verdict does not speak against; for a cleaning with the
/// spread of the crossing behind it.
fn by(said: &Assessment, today: Date) -> String {
    match (said.first_due(), said.forecast.crossing.p10, &said.loss) {
        (Some((date, ServiceAction::SleeveCleaned)), ..) => clean_by(date, said.forecast.crossing.p90, today),
        (Some((date, action)), ..) => format!("{} {}", part(action, said.verdict.cause), day(date, today)),
        (None, Some(date), _) => format!("short {}", day(date, today)),
        (None, None, Some(_)) => "not in sight".to_owned(),
        (None, None, None) => "-".to_owned(),
    }
}

/// The part that an action is about, in few columns.
fn part(action: ServiceAction, cause: VerdictCause) -> &'static str {
    match (action, cause) {
        (ServiceAction::LampReplaced, _) => "lamp",
        (ServiceAction::SensorReplaced, _) => "sensor",
        // What tells the two apart.
        (_, VerdictCause::LampOrSensor) => "lamp/sensor",
        _ => "sensor",
    }
}

fn clean_by(clean_by: Date, late: Option<Date>, today: Date) -> String {
    match late {
        // The year once where it is the same.
        Some(late) if late > clean_by && clean_by > today && clean_by.year() == late.year() => {
            format!("{}-{}", day_and_month(clean_by), day(late, today))
        }
        Some(late) if late > clean_by.max(today) => format!("{}-{}", day(clean_by, today), day(late, today)),
        Some(_) if clean_by <= today => "clean now".to_owned(),
        Some(_) => day(clean_by, today),
        None => format!("from {}", day(clean_by, today)),
    }
}

/// A date in few columns: `now` when it has come, the year only when it is not this one.
fn day(date: Date, today: Date) -> String {
    if date <= today {
        "now".to_owned()
    } else if date.year() == today.year() {
        day_and_month(date)
    } else {
        format!("{} {:02}", day_and_month(date), date.year().rem_euclid(100))
    }
}

fn day_and_month(date: Date) -> String {
    date.strftime("%-d %b").to_string()
}

/// Widths of the table's columns.
struct Widths {
    unit: usize,
    condition: usize,
    light: usize,
    cause: usize,
    by: usize,
}

const HEADINGS: [&str; 5] = ["UNIT", "IS", "VS SET POINT", "COSTS LIGHT", "ACT BY"];
const LEGEND: &str = "The | of the bar is the set point, the figure is reading / set point. ACT BY: with the name of a \
                      part, the day to see to it by; without one, clean the sleeve between the day on which the risk \
                      of being short reaches 10 % and the day on which it reaches 90 %.";

impl Widths {
    /// As wide as the texts ask for, the unit taking what is left; `None` where that is too little.
    fn fitting(lines: &[Line], columns: usize) -> Option<Self> {
        let widest =
            |heading: &str, of: &dyn Fn(&Line) -> usize| lines.iter().map(of).max().unwrap_or(0).max(heading.len());
        let condition = widest(HEADINGS[1], &|line| line.condition.name().len());
        let light = widest(HEADINGS[2], &|line| line.light.len());
        let cause = widest(HEADINGS[3], &|line| line.cause.len());
        let by = widest(HEADINGS[4], &|line| line.by.len());
        let taken = condition + light + cause + by + 4 * GAP.len();
        let whole = widest(HEADINGS[0], &|line| line.site.len() + 1 + line.unit.len());
        let unit = columns.checked_sub(taken)?.min(whole);
        (columns >= NARROW_COLUMNS && unit >= UNIT_LEAST.min(whole)).then_some(Self {
            unit,
            condition,
            light,
            cause,
            by,
        })
    }

    fn table(&self, lines: &[Line], look: Look, text: &mut String) {
        self.row(HEADINGS.map(str::to_owned), None, text);
        for line in lines {
            let cells = [
                line.id(self.unit),
                line.condition.name().to_owned(),
                line.light.clone(),
                line.cause.clone(),
                line.by.clone(),
            ];
            self.row(cells, look.colour.then_some(line.condition), text);
        }
    }

    fn row(&self, cells: [String; 5], colour: Option<Condition>, text: &mut String) {
        let widths = [self.unit, self.condition, self.light, self.cause, self.by];
        let mut line = String::new();
        for (i, (cell, width)) in cells.iter().zip(widths).enumerate() {
            // Padded first and coloured then: escapes take no columns.
            let padded = format!("{cell:<width$}");
            let cell = match colour {
                Some(condition) if i == 1 => coloured(condition, &padded, true),
                _ => padded,
            };
            line.push_str(if i == 0 { "" } else { GAP });
            line.push_str(&cell);
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
}

/// `text` in the colour of a condition. The colour says no more than the word.
fn coloured(condition: Condition, text: &str, colour: bool) -> String {
    let code = match condition {
        Condition::Dark | Condition::Short => "1;31",
        Condition::Silent | Condition::Due => "33",
        Condition::Steady => "32",
        Condition::Fading | Condition::Learning | Condition::InService | Condition::Closed => "",
    };
    if colour && !code.is_empty() { format!("\u{1b}[{code}m{text}\u{1b}[0m") } else { text.to_owned() }
}

/// `text` in lines of at most `columns`, broken at spaces; later lines keep the first one's indent. A word that is
/// longer than a line is left whole.
fn wrapped(text: &str, columns: usize) -> String {
    let indent = text.len() - text.trim_start().len();
    let mut all = String::new();
    let mut line = text[..indent].to_owned();
    let mut empty = true;
    for word in text.trim_start().split(' ') {
        if !empty && line.chars().count() + 1 + word.chars().count() > columns {
            all.push_str(line.trim_end());
            all.push('\n');
            line = " ".repeat(indent);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    all.push_str(line.trim_end());
    all.push('\n');
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::assessment::Forecast;
    use crate::domain::assessment::{CauseLoss, Crossing, Loss, Share};

    fn now() -> Timestamp {
        "2026-11-20T15:07:30Z".parse().unwrap()
    }

    fn row(id: &str, condition: Condition, intensity: Option<f64>, set_point: f64) -> FleetRow {
        FleetRow {
            id: id.parse().unwrap(),
            name: None,
            zone: TimeZone::UTC,
            condition,
            assessment: None,
            intensity,
            unit: IntensityUnit::MilliwattPerCm2,
            set_point,
        }
    }

    /// The contract's example, with another verdict, share and dates.
    fn said(
        cause: VerdictCause,
        loss: Option<(Cause, f64)>,
        change: impl FnOnce(&mut Forecast),
    ) -> Option<Arc<Assessment>> {
        let text = include_str!("../../fixtures/assessment/contract.json");
        let mut said: Assessment = serde_json::from_str(text).unwrap();
        said.verdict.cause = cause;
        let total = Share { percent: 20.0, low: 19.0, high: 21.0 };
        said.loss = loss.map(|(cause, percent)| Loss {
            since: now(),
            total,
            causes: vec![CauseLoss { cause, percent, low: percent, high: percent, rate_percent_per_day: None }],
        });
        said.forecast.crossing = Crossing::default();
        (said.forecast.clean_by, said.forecast.lamp_by, said.forecast.sensor_by) = (None, None, None);
        change(&mut said.forecast);
        Some(said.into())
    }

    fn date(text: &str) -> Option<Date> {
        Some(text.parse().unwrap())
    }

    fn fleet() -> Vec<FleetRow> {
        let clean = |by: &str, late: Option<&str>| {
            let (by, late) = (date(by), late.and_then(date));
            move |f: &mut Forecast| (f.clean_by, f.crossing.p10, f.crossing.p90) = (by, by, late)
        };
        let sleeve = |percent| (VerdictCause::SleeveFouling, Some((Cause::SleeveFouling, percent)));
        let with = |row: FleetRow, (cause, loss): (VerdictCause, Option<(Cause, f64)>), f: &dyn Fn(&mut Forecast)| {
            FleetRow { assessment: said(cause, loss, f), ..row }
        };
        let none = |_: &mut Forecast| {};
        let lamp = |f: &mut Forecast| f.lamp_by = date("2027-02-11");
        vec![
            with(
                row("heron-bight/heron-house", Condition::Steady, Some(32.4), 20.0),
                (VerdictCause::None, Some((Cause::LampAgeing, 0.4))),
                &none,
            ),
            with(
                row("heron-bight/boathouse", Condition::Fading, Some(21.4), 17.6),
                sleeve(15.2),
                &clean("2026-12-28", Some("2027-01-19")),
            ),
            with(
                row("heron-bight/kingfisher", Condition::Due, Some(19.9), 19.1),
                sleeve(18.7),
                &clean("2026-12-01", Some("2026-12-19")),
            ),
            with(
                row("heron-bight/loon", Condition::Fading, Some(18.8), 17.5),
                (VerdictCause::LampOrSensor, Some((Cause::LampOrSensor, 27.0))),
                &lamp,
            ),
            with(
                row("osprey-landing/wash-house", Condition::Fading, Some(20.4), 18.0),
                (VerdictCause::Unsettled, None),
                &none,
            ),
            FleetRow {
                unit: IntensityUnit::Percent,
                ..row("mill-cove/ferry-cottage", Condition::Dark, Some(0.0), 50.0)
            },
            with(
                row("mill-cove/smithy", Condition::Short, Some(19.0), 19.04),
                sleeve(30.1),
                &clean("2026-11-02", Some("2026-11-13")),
            ),
            row("mill-cove/teal", Condition::Closed, None, 15.0),
        ]
    }

    #[test]
    fn a_wide_terminal() {
        insta::assert_snapshot!(table(&fleet(), Look { columns: 100, colour: false }, now()));
    }

    #[test]
    fn eighty_columns() {
        insta::assert_snapshot!(table(&fleet(), Look { columns: 80, colour: false }, now()));
    }

    #[test]
    fn a_narrow_terminal() {
        insta::assert_snapshot!(table(&fleet(), Look { columns: 44, colour: false }, now()));
    }

    #[test]
    fn every_width_is_kept_in_ascii() {
        for columns in 30..140 {
            let text = table(&fleet(), Look { columns, colour: false }, now());
            assert!(text.is_ascii() && !text.contains('\u{1b}'));
            for line in text.lines() {
                assert!(line.len() <= columns, "{columns}: {line}");
                assert!(!line.ends_with(' '), "{line:?}");
            }
            for row in fleet() {
                assert!(text.contains(row.id.unit()), "the unit's own part is never cut: {columns} {}", row.id);
            }
        }
    }

    #[test]
    fn colour_adds_escapes_and_nothing_else() {
        for columns in [44, 80] {
            let plain = table(&fleet(), Look { columns, colour: false }, now());
            let coloured = table(&fleet(), Look { columns, colour: true }, now());
            assert_ne!(plain, coloured);
            let mut stripped = coloured;
            for code in ["\u{1b}[1;31m", "\u{1b}[33m", "\u{1b}[32m", "\u{1b}[0m"] {
                stripped = stripped.replace(code, "");
            }
            assert!(!stripped.contains('\u{1b}'), "no other escape");
            let trimmed = |text: &str| text.lines().map(str::trim_end).collect::<Vec<_>>().join("\n");
            assert_eq!(trimmed(&stripped), trimmed(&plain));
        }
    }

    #[test]
    fn worst_first_whatever_the_order() {
        let mut rows = fleet();
        let look = Look { columns: 80, colour: false };
        let text = table(&rows, look, now());
        rows.reverse();
        assert_eq!(table(&rows, look, now()), text);
        let place = |unit: &str| text.find(unit).unwrap();
        let order = ["ferry-cottage", "smithy", "kingfisher", "boathouse", "loon", "wash-house", "heron-house", "teal"];
        assert!(order.windows(2).all(|pair| place(pair[0]) < place(pair[1])), "{text}");
    }

    #[test]
    fn the_bar_never_hides_a_short_unit() {
        let bar = |intensity| light(&row("a/b", Condition::Short, Some(intensity), 10.0));
        assert_eq!(bar(9.99), "###.|.... 0.99");
        assert_eq!(bar(10.0), "####|.... 1.00");
        assert_eq!(bar(10.01), "####|.... 1.01");
        assert_eq!(bar(15.0), "####|##.. 1.50");
        assert_eq!(bar(55.0), "####|#### 5.50");
        assert_eq!(bar(0.0), "....|.... 0.00");
        assert_eq!(bar(-0.4), "....|.... -0.04");
        assert_eq!(light(&row("a/b", Condition::Silent, None, 10.0)), "....|....    -");
    }

    #[test]
    fn what_to_do_by_when() {
        let today: Date = "2026-11-20".parse().unwrap();
        let says = |f: &dyn Fn(&mut Forecast)| {
            by(&said(VerdictCause::None, Some((Cause::LampAgeing, 3.0)), f).unwrap(), today)
        };
        assert_eq!(says(&|f| f.clean_by = date("2026-12-01")), "from 1 Dec");
        assert_eq!(says(&|f| (f.clean_by, f.crossing.p90) = (date("2026-11-20"), date("2026-11-20"))), "clean now");
        assert_eq!(says(&|f| (f.clean_by, f.crossing.p90) = (date("2026-11-01"), date("2027-01-03"))), "now-3 Jan 27");
        assert_eq!(
            says(&|f| (f.clean_by, f.crossing.p90) = (date("2027-02-06"), date("2027-02-25"))),
            "6 Feb-25 Feb 27"
        );
        assert_eq!(
            says(&|f| (f.clean_by, f.crossing.p90) = (date("2027-01-01"), date("2027-01-09"))),
            "1 Jan-9 Jan 27"
        );
        assert_eq!(says(&|f| (f.lamp_by, f.sensor_by) = (date("2027-05-01"), date("2027-03-01"))), "sensor 1 Mar 27");
        assert_eq!(says(&|f| f.crossing.p10 = date("2026-12-24")), "short 24 Dec");
        assert_eq!(says(&|_| {}), "not in sight");
        assert_eq!(by(&said(VerdictCause::Unsettled, None, |_| {}).unwrap(), today), "-");
    }

    #[test]
    fn nobody_is_sent_to_clean_for_a_lamp_or_a_sensor() {
        let today: Date = "2026-11-20".parse().unwrap();
        let dates = |f: &mut Forecast| {
            (f.clean_by, f.crossing.p10, f.crossing.p90) = (date("2027-02-17"), date("2027-02-17"), date("2027-03-22"));
            (f.lamp_by, f.sensor_by) = (date("2027-07-05"), date("2030-07-05"));
        };
        let says = |cause| by(&said(cause, Some((Cause::LampAgeing, 20.0)), dates).unwrap(), today);
        assert_eq!(says(VerdictCause::SleeveFouling), "17 Feb-22 Mar 27");
        assert_eq!(says(VerdictCause::LampAgeing), "lamp 17 Feb 27");
        assert_eq!(says(VerdictCause::SensorDrift), "sensor 17 Feb 27");
        assert_eq!(says(VerdictCause::LampOrSensor), "lamp/sensor 17 Feb 27");
        let overdue = |f: &mut Forecast| {
            dates(f);
            f.lamp_by = date("2026-09-08");
        };
        assert_eq!(by(&said(VerdictCause::SleeveFouling, None, overdue).unwrap(), today), "lamp now");
    }

    #[test]
    fn a_dark_unit_is_not_blamed_on_what_cost_it_light_before() {
        let row = FleetRow {
            assessment: said(VerdictCause::SleeveFouling, Some((Cause::SleeveFouling, 14.0)), |_| {}),
            ..row("a/b", Condition::Dark, Some(0.0), 10.0)
        };
        let text = table(&[row], Look { columns: 80, colour: false }, now());
        assert!(text.contains("lamp/power?") && !text.contains("sleeve 14%"), "{text}");
    }

    #[test]
    fn no_units() {
        assert!(table(&[], Look { columns: 80, colour: true }, now()).starts_with("no units yet"));
    }

    #[test]
    fn a_name_cannot_steer_the_terminal() {
        let row =
            FleetRow { name: Some("Boat\u{1b}[2Jhouse".into()), ..row("a/b", Condition::Steady, Some(20.0), 10.0) };
        assert!(!table(&[row], Look { columns: 40, colour: false }, now()).contains('\u{1b}'));
    }
}
