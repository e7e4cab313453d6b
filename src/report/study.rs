//! One assessment as a page of text: where the unit stands, what costs its light, what to do and by when.

use std::fmt::Write as _;

use jiff::civil::Date;

use crate::domain::assessment::{
    AfterCleaning, Assessment, CauseLoss, Episode, LatestReading, LogDoubt, Loss, PartLife, Share, StepKind,
    UnloggedStep,
};
use crate::domain::{Cause, Condition, DaySummary, ServiceEntry, SetAside, UnitSpec, VerdictCause};

use super::chart::Chart;
use super::style::{Style, Tone, tame};
use super::words;

/// Characters of the labels on the left.
const LABEL: usize = 12;
/// At most so many of the latest episodes, steps and doubts are shown; all are in the JSON.
const LISTED_MAX: usize = 6;

/// What a page is made of.
#[derive(Clone, Copy, Debug)]
pub struct Study<'a> {
    /// The unit's papers.
    pub spec: &'a UnitSpec,
    /// What is said about it.
    pub assessment: &'a Assessment,
    /// Its days, for the chart.
    pub days: &'a [DaySummary],
    /// Its service log, for the chart's marks.
    pub log: &'a [ServiceEntry],
}

impl Study<'_> {
    /// The page.
    pub fn render(&self, style: Style) -> String {
        let parts = [
            self.heading(style),
            self.light(style),
            self.verdict(style),
            self.causes(style),
            self.chart(style),
            self.dates(style),
            self.questions(style),
            self.parts(style),
            self.basis(style),
        ];
        let mut page = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("\n");
        page.push_str(&cautions(&self.assessment.cautions, style));
        page
    }

    fn today(&self) -> Date {
        self.assessment.as_of.date_in(&self.spec.zone)
    }

    fn heading(&self, style: Style) -> String {
        let a = self.assessment;
        let name = self.spec.name.as_deref().map_or_else(String::new, |name| format!(" ({})", tame(name)));
        let title = format!("{}/{}{name}", a.site, a.unit);
        let as_of = format!("as of {}", words::instant(a.as_of, &self.spec.zone));
        let gap = style.width.saturating_sub(title.chars().count() + as_of.chars().count()).max(2);
        let word = a.condition.name().to_uppercase();
        let mut out = format!("{}{}{as_of}\n", style.paint(Tone::Strong, &title), " ".repeat(gap));
        let _ = writeln!(out, "{}: {}", style.paint(words::tone(a.condition), &word), words::condition(a.condition));
        out
    }

    fn light(&self, style: Style) -> String {
        let set_point = self.assessment.forecast.set_point;
        let unit = self.spec.sensor.unit.symbol();
        let Some(reading) = &self.assessment.reading else {
            return style.block("Reading", LABEL, "none yet")
                + &style.block("Set point", LABEL, &format!("{set_point} {unit}"));
        };
        let mut out = style.block("Reading", LABEL, &self.reading(reading));
        let ratio = reading.intensity / set_point;
        let set_point = format!("{set_point} {}", reading.unit);
        let says = if ratio > 1.0 {
            format!("{set_point}; the reading is {:.0} % above it", (ratio - 1.0) * 100.0)
        } else {
            format!(
                "{set_point}; the reading is at or under it: treatment is not assured, ask the local health authority what to do with the water"
            )
        };
        out += &style.block("Set point", LABEL, &says);
        out
    }

    fn reading(&self, reading: &LatestReading) -> String {
        let of_reference = match (reading.percent_of_reference, self.spec.reference) {
            (Some(percent), Some(reference)) => format!(", {percent:.0} % of the {reference} when new"),
            (Some(percent), None) => format!(", {percent:.0} % of the light when new"),
            _ => String::new(),
        };
        let at = words::instant(reading.at, &self.spec.zone);
        format!("{:.1} {} at {at}{of_reference}", reading.intensity, reading.unit)
    }

    fn causes(&self, style: Style) -> String {
        let Some(loss) = &self.assessment.loss else { return String::new() };
        let since = loss.since.date_in(&self.spec.zone);
        let mut out = match loss.gain() {
            Some(gain) => format!("More than when new, by the sensor, since {since}: {}\n", share(&gain)),
            None => format!("Light lost since {since}: {}\n", share(&loss.total)),
        };
        let _ = writeln!(out, "  {:<26}{:>7}   {:<16}{:>9}", "what costs it", "percent", "80 % range", "a day");
        for cause in shown_causes(loss) {
            out += &cause_line(cause, style);
        }
        out
    }

    fn verdict(&self, style: Style) -> String {
        let verdict = &self.assessment.verdict;
        let how_sure = match (verdict.cause, verdict.probability) {
            (VerdictCause::Unsettled, Some(p)) => format!("; the likeliest stands at {}", words::probability(p)),
            (_, Some(p)) => format!(", {} sure", words::probability(p)),
            _ => String::new(),
        };
        let head = format!("{}{how_sure}", words::verdict(verdict.cause));
        let mut out = style.block("Verdict", LABEL, &head);
        if !verdict.says.is_empty() {
            out += &style.block("", LABEL, &sentence(&verdict.says));
        }
        if let Some(settle) = &verdict.settle_with {
            let action = sentence(&words::to_do(settle.action));
            out += &style.block("Settled by", LABEL, &format!("{action} {}", sentence(&settle.says)));
        }
        out
    }

    fn chart(&self, style: Style) -> String {
        let a = self.assessment;
        let today = self.today();
        let known = self.days.partition_point(|day| day.date <= today);
        let logged = self.log.partition_point(|entry| entry.at <= a.as_of);
        let chart = Chart {
            days: &self.days[..known],
            log: &self.log[..logged],
            unlogged: &a.unlogged,
            episodes: &a.episodes,
            set_point: a.forecast.set_point,
            unit: self.spec.sensor.unit.symbol(),
            zone: &self.spec.zone,
        };
        chart.render(style)
    }

    fn dates(&self, style: Style) -> String {
        let forecast = &self.assessment.forecast;
        let today = self.today();
        let date = |date: Option<Date>, why_not: &str| match date {
            Some(date) => format!("{date}, {}", words::how_far(date, today)),
            None => format!("no date: {why_not}"),
        };
        let mut out = style.block("Clean by", LABEL, &date(forecast.clean_by, self.why_no_cleaning()));
        out += &style.block("Lamp by", LABEL, &date(forecast.lamp_by, self.why_no_part("lamp")));
        out += &style.block("Sensor by", LABEL, &date(forecast.sensor_by, self.why_no_part("sensor")));
        out += &style.block("If left", LABEL, &self.crossing());
        if let Some(after) = &forecast.after_cleaning {
            out += &style.block("If cleaned", LABEL, &self.after_cleaning(after));
        }
        out
    }

    fn why_no_cleaning(&self) -> &'static str {
        match (self.assessment.condition, self.assessment.verdict.cause) {
            (Condition::Learning, _) => "not enough data yet",
            (Condition::Closed, _) => "the unit is shut",
            (Condition::Dark | Condition::Short, _) => "the light is too little already",
            (_, VerdictCause::None) => "nothing is fading towards the set point",
            (_, VerdictCause::SleeveFouling) => "at this rate the set point is not reached within the horizon",
            (_, VerdictCause::Unsettled) => "whether cleaning would help is not settled",
            _ => "cleaning is not what would help",
        }
    }

    fn why_no_part(&self, part: &str) -> &'static str {
        let age_known = self.assessment.parts.iter().any(|p| p.part == part && p.age_days.is_some());
        match (self.assessment.condition, age_known) {
            (Condition::Learning, true) => "not enough data yet",
            (_, true) => "neither its light nor its age asks for one",
            (_, false) => "its age is not known (`installed` in the unit file) and the readings do not ask for one",
        }
    }

    fn crossing(&self) -> String {
        let crossing = &self.assessment.forecast.crossing;
        match (crossing.p10, crossing.p50, crossing.p90) {
            (Some(early), Some(_), Some(late)) if early == late => format!("the set point is reached on {early}"),
            (Some(early), Some(middle), Some(late)) => {
                format!("the set point is reached between {early} and {late}, most likely about {middle}")
            }
            (Some(early), Some(middle), None) => {
                format!(
                    "the set point is reached about {middle}, hardly before {early}, perhaps not within the horizon"
                )
            }
            (Some(early), None, _) => {
                format!("the set point is hardly reached before {early}, and likely not within the horizon")
            }
            _ if self.assessment.condition == Condition::Learning => {
                "not enough data yet to say when the set point is reached".to_owned()
            }
            _ => "the set point is not reached within the horizon, as far as the readings tell".to_owned(),
        }
    }

    fn after_cleaning(&self, after: &AfterCleaning) -> String {
        let unit = self.spec.sensor.unit.symbol();
        let AfterCleaning { intensity, low, high, enough } = *after;
        let enough = if enough { "enough" } else { "that may not be enough: bring more than a rag" };
        format!("{intensity:.1} {unit} to be expected ({low:.1} to {high:.1}): {enough}")
    }

    /// What the readings show and the log does not, and the other way round.
    fn questions(&self, style: Style) -> String {
        let a = self.assessment;
        let mut out = String::new();
        for step in latest(&a.unlogged) {
            out += &style.block("Not logged", LABEL, &step_question(step));
        }
        for doubt in latest(&a.log_doubts) {
            out += &style.block("Log", LABEL, &self.doubt(doubt));
        }
        for episode in latest(&a.episodes) {
            out += &style.block("Water", LABEL, &self.episode(episode));
        }
        let hidden = [a.unlogged.len(), a.log_doubts.len(), a.episodes.len()]
            .iter()
            .map(|n| n.saturating_sub(LISTED_MAX))
            .sum::<usize>();
        if hidden > 0 {
            out += &style.block("", LABEL, &format!("and {hidden} earlier ones (--json has them all)"));
        }
        out
    }

    fn doubt(&self, doubt: &LogDoubt) -> String {
        let used = doubt.used.map_or_else(String::new, |date| format!("; taken as of {date}"));
        let day = doubt.at.date_in(&self.spec.zone);
        format!("{} of {day}: {}{used}", words::plain(doubt.action.name()), doubt.says)
    }

    fn episode(&self, episode: &Episode) -> String {
        let (from, to) = (episode.from.date_in(&self.spec.zone), episode.to.date_in(&self.spec.zone));
        let end = if episode.recovered { format!("to {to}, then clear again") } else { "and still so".to_owned() };
        format!("{:.0} % less light from {from} {end}", episode.depth_percent)
    }

    fn parts(&self, style: Style) -> String {
        let today = self.today();
        let mut out = String::new();
        for (i, part) in self.assessment.parts.iter().enumerate() {
            let label = if i == 0 { "Parts" } else { "" };
            out += &style.block(label, LABEL, &part_line(part, today));
        }
        out
    }

    fn basis(&self, style: Style) -> String {
        let counts = &self.assessment.readings;
        if counts.total == 0 {
            return String::new();
        }
        let aside = counts.set_aside.total();
        let mut text = format!(
            "{} from {} with light to judge",
            words::count(counts.total, "reading"),
            words::count(counts.days.into(), "day")
        );
        if aside > 0 {
            let _ = write!(text, "; {aside} set aside: {}", set_aside(&counts.set_aside));
        }
        style.block("Based on", LABEL, &text)
    }
}

fn cautions(cautions: &[String], style: Style) -> String {
    let mut out = String::new();
    for (i, caution) in cautions.iter().enumerate() {
        if i == 0 {
            out.push('\n');
        }
        out += &style.block(if i == 0 { "Beware" } else { "" }, LABEL, &sentence(caution));
    }
    out
}

fn latest<T>(list: &[T]) -> &[T] {
    &list[list.len().saturating_sub(LISTED_MAX)..]
}

/// The separate causes by size, then lamp and sensor together, which is their sum and not another loss.
fn shown_causes(loss: &Loss) -> Vec<&CauseLoss> {
    let mut causes: Vec<&CauseLoss> = loss.causes.iter().collect();
    causes.sort_by(|a, b| {
        (a.cause == Cause::LampOrSensor).cmp(&(b.cause == Cause::LampOrSensor)).then(b.percent.total_cmp(&a.percent))
    });
    causes
}

fn cause_line(loss: &CauseLoss, style: Style) -> String {
    let sum = loss.cause == Cause::LampOrSensor;
    let name = if sum { format!("({})", words::cause(loss.cause)) } else { words::cause(loss.cause).to_owned() };
    let range = format!("{} to {}", words::tenths(loss.low), words::tenths(loss.high));
    let rate = loss.rate_percent_per_day.filter(|rate| rate.abs() >= 0.005);
    let rate = rate.map_or_else(String::new, |rate| format!("{rate:.2}"));
    let line = format!("  {name:<26}{:>7}   {range:<16}{rate:>9}", words::tenths(loss.percent));
    let line = line.trim_end();
    if sum { format!("{}\n", style.paint(Tone::Faint, line)) } else { format!("{line}\n") }
}

fn share(share: &Share) -> String {
    let Share { percent, low, high } = share;
    format!("{} % ({} to {})", words::tenths(*percent), words::tenths(*low), words::tenths(*high))
}

fn step_question(step: &UnloggedStep) -> String {
    let (size, verb) = match step.kind {
        StepKind::StepUp => (step.gain_percent, "rose"),
        StepKind::StepDown => (step.loss_percent, "fell"),
    };
    let size = size.map_or_else(String::new, |percent| format!(" by {percent:.1} %"));
    let likely = match step.likely.name() {
        "unknown" => "what was done?".to_owned(),
        name => format!("{}? What was done?", words::plain(name)),
    };
    format!("on {} the light {verb}{size}: {likely} (`fadeline log` keeps the answer)", step.at)
}

fn part_line(part: &PartLife, today: Date) -> String {
    let mut text = words::plain(&part.part);
    match part.age_days {
        Some(days) => {
            let _ = write!(text, ", {} old", words::count(days.unsigned_abs(), "day"));
        }
        None => text.push_str(", age not known"),
    }
    if let Some(hours) = part.age_hours {
        let _ = write!(text, ", {hours:.0} h burnt");
    }
    let _ = write!(text, "; limit {}", part.limit);
    if let Some(due) = part.due {
        let _ = write!(text, ": {due}, {}", words::how_far(due, today));
    }
    text
}

/// The reasons with their counts, largest first.
fn set_aside(counts: &SetAside) -> String {
    let SetAside { warm_up, lamp_off, dry, dark, stuck, out_of_range, visit, closed, outlier } = *counts;
    let mut reasons = [
        (warm_up, "warming up"),
        (lamp_off, "lamp off"),
        (dry, "dry"),
        (dark, "dark"),
        (stuck, "stuck sensor"),
        (out_of_range, "signal out of range"),
        (visit, "during a visit"),
        (closed, "while shut"),
        (outlier, "outliers"),
    ];
    reasons.sort_by_key(|(count, _)| std::cmp::Reverse(*count));
    let shown: Vec<String> =
        reasons.iter().filter(|(count, _)| *count > 0).map(|(count, word)| format!("{count} {word}")).collect();
    shown.join(", ")
}

/// First letter large, a stop at the end.
fn sentence(text: &str) -> String {
    let text = tame(text.trim());
    let mut chars = text.chars();
    let Some(first) = chars.next() else { return String::new() };
    let stop = if text.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{}{}{stop}", first.to_uppercase(), chars.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::assessment::{AfterCleaning, Crossing, ReadingCounts, SettleWith};
    use crate::domain::{LnSummary, ServiceAction};

    fn contract() -> Assessment {
        serde_json::from_str(include_str!("../../fixtures/assessment/contract.json")).unwrap()
    }

    fn spec() -> UnitSpec {
        let mut spec = UnitSpec::new("heron-bight/boathouse".parse().unwrap(), 14.0);
        spec.zone = jiff::tz::TimeZone::get("America/Toronto").unwrap();
        spec.name = Some("Boathouse".into());
        spec.reference = Some(27.4);
        spec
    }

    /// A steady fall of the sleeve, cleaned twice.
    fn days() -> Vec<DaySummary> {
        let first = jiff::civil::date(2025, 12, 1);
        let day = |(i, date): (usize, Date)| DaySummary {
            intensity: Some(LnSummary { median: (26.0 - 0.05 * (i % 100) as f64).ln(), spread: 0.01, count: 144 }),
            readings: 144,
            ..DaySummary::empty(date)
        };
        first.series(jiff::Span::new().days(1)).take(300).enumerate().map(day).collect()
    }

    fn render(assessment: &Assessment, style: Style) -> String {
        let at = |text: &str| text.parse().unwrap();
        let log = [
            ServiceEntry::new(at("2026-06-19T14:00:00Z"), ServiceAction::SleeveCleaned),
            ServiceEntry::new(at("2026-09-19T14:00:00Z"), ServiceAction::LampReplaced),
        ];
        let text = Study { spec: &spec(), assessment, days: &days(), log: &log }.render(style);
        let plain = Style { colour: false, ..style };
        let bare = Study { spec: &spec(), assessment, days: &days(), log: &log }.render(plain);
        assert!(bare.lines().all(|line| line.chars().count() <= style.width), "{bare}");
        text
    }

    #[test]
    fn the_contracts_example() {
        let mut assessment = contract();
        assessment.readings = ReadingCounts {
            days: 257,
            total: 37_000,
            set_aside: SetAside { warm_up: 40, lamp_off: 310, outlier: 3, ..SetAside::default() },
        };
        assessment.log_doubts = vec![LogDoubt {
            action: ServiceAction::SleeveCleaned,
            at: "2026-06-21T14:00:00Z".parse().unwrap(),
            used: Some(jiff::civil::date(2026, 6, 19)),
            says: "the light rose two days earlier".into(),
        }];
        insta::assert_snapshot!("contract_ascii", render(&assessment, Style::PLAIN));
        insta::assert_snapshot!("contract_unicode", render(&assessment, Style { unicode: true, ..Style::PLAIN }));
    }

    #[test]
    fn more_light_than_when_new_is_no_negative_loss() {
        let mut found = contract();
        found.loss.as_mut().unwrap().total = Share { percent: -38.1, low: -41.9, high: -33.8 };
        let text = render(&found, Style::PLAIN);
        assert!(text.contains("More than when new, by the sensor, since 2025-04-30: 38.1 % (33.8 to 41.9)"), "{text}");
    }

    #[test]
    fn a_unit_that_is_still_learning_has_reasons_instead_of_dates() {
        let mut assessment = contract();
        assessment.condition = Condition::Learning;
        assessment.loss = None;
        assessment.verdict.cause = VerdictCause::Unsettled;
        assessment.verdict.probability = None;
        assessment.verdict.says = "4 days with readings, needs 14".into();
        assessment.verdict.settle_with = None;
        assessment.forecast.crossing = Crossing::default();
        (assessment.forecast.clean_by, assessment.forecast.lamp_by, assessment.forecast.after_cleaning) =
            (None, None, None);
        (assessment.episodes, assessment.unlogged) = (Vec::new(), Vec::new());
        let study = Study { spec: &spec(), assessment: &assessment, days: &days()[..1], log: &[] };
        insta::assert_snapshot!("learning", study.render(Style::PLAIN));
    }

    #[test]
    fn too_little_light_is_said_in_words() {
        let mut assessment = contract();
        assessment.condition = Condition::Short;
        assessment.reading = Some(LatestReading {
            intensity: 13.2,
            unit: "mW/cm2".into(),
            at: assessment.as_of,
            percent_of_reference: Some(48.2),
        });
        assessment.forecast.after_cleaning =
            Some(AfterCleaning { intensity: 15.0, low: 13.8, high: 16.1, enough: false });
        assessment.verdict.settle_with =
            Some(SettleWith { action: ServiceAction::SleeveCleaned, says: "it brings back most of the light".into() });
        let text = render(&assessment, Style::PLAIN);
        for want in [
            "SHORT: at or under the set point: treatment is not assured",
            "local health authority",
            "may not be enough",
        ] {
            assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains(want), "{text}");
        }
        let coloured = render(&assessment, Style { colour: true, ..Style::PLAIN });
        assert!(
            coloured.contains("\u{1b}[1;31mSHORT\u{1b}[0m: at or under"),
            "the word stands with and without colour"
        );
    }

    #[test]
    fn what_others_wrote_cannot_command_the_terminal() {
        let mut assessment = contract();
        assessment.verdict.says = "a\u{1b}[2Jb".into();
        let mut spec = spec();
        spec.name = Some("x\u{1b}]0;y\u{7}".into());
        let text = Study { spec: &spec, assessment: &assessment, days: &[], log: &[] }.render(Style::PLAIN);
        assert!(!text.contains(|c: char| c.is_control() && c != '\n'), "{text:?}");
    }
}
