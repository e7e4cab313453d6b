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
            self.causes(style),
            self.verdict(style),
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
            (Some(percent), Some(reference)) => format!(", {percent:.0} % of {reference} when new"),
            (Some(percent), None) => format!(", {percent:.0} % of the light when new"),
            _ => String::new(),
        };
        let at = words::instant(reading.at, &self.spec.zone);
        format!("{:.1} {} at {at}{of_reference}", reading.intensity, reading.unit)
    }

    fn causes(&self, style: Style) -> String {
        let Some(loss) = &self.assessment.loss else { return String::new() };
        let since = loss.since.date_in(&self.spec.zone);
        let total = share(&loss.total);
        let mut out = format!("Light lost since {since}: {total}\n");
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
            let text = format!("{}: {}", words::plain(settle.action.name()), settle.says);
            out += &style.block("Settled by", LABEL, &sentence(&text));
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
        out += &style.block("Set point", LABEL, &self.crossing());
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
            (Some(early), Some(middle), Some(late)) if early == late => {
                format!("reached on {middle} if nobody does anything")
            }
            (Some(early), Some(middle), Some(late)) => {
                format!("reached between {early} and {late}, most likely about {middle}, if nobody does anything")
            }
            (Some(early), Some(middle), None) => {
                format!(
                    "reached about {middle}, hardly before {early}, if nobody does anything; perhaps not within the horizon"
                )
            }
            (Some(early), None, _) => {
                format!("hardly reached before {early}; as likely as not it is not reached within the horizon")
            }
            _ if self.assessment.condition == Condition::Learning => {
                "not enough data yet to say when it is reached".to_owned()
            }
            _ => "not reached within the horizon, as far as the readings tell".to_owned(),
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
    let range = format!("{:.1} to {:.1}", loss.low, loss.high);
    let rate = loss.rate_percent_per_day.map_or_else(String::new, |rate| format!("{rate:.2}"));
    let line = format!("  {name:<26}{:>7.1}   {range:<16}{rate:>9}", loss.percent);
    let line = line.trim_end();
    if sum { format!("{}\n", style.paint(Tone::Faint, line)) } else { format!("{line}\n") }
}

fn share(share: &Share) -> String {
    format!("{:.1} % ({:.1} to {:.1})", share.percent, share.low, share.high)
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
