//! A grade as a page of text: the scores in one table, each with what it means, and what was said against what came.

use std::fmt::Write as _;

use serde::Serialize;

use crate::analysis::hindcast::{CauseScore, DateScore, DetectionScore, HindcastConstants, Scores, VerdictScore};
use crate::domain::Cause;

use super::style::{Style, Tone};
use super::words;

/// Characters of the names of the scores.
const LABEL: usize = 24;
/// Characters of all the values in a line together.
const VALUES: usize = 18;
/// Days on either axis of the chart.
const CHART_DAYS: f64 = 90.0;
/// Days of a column of the chart.
const BIN_DAYS: f64 = 5.0;
/// Columns of the chart.
const BINS: usize = 18;
/// Characters of a column of the chart.
const BIN_WIDTH: usize = 3;
/// Rows of the chart.
const ROWS: usize = 13;

/// One unit's grade, or that of a number of units together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scored {
    /// Which: `SITE/UNIT`, or a kind with its seeds.
    pub of: String,
    /// How it did.
    #[serde(flatten)]
    pub scores: Scores,
    /// Days truly left to a crossing and the days the middle date gave (`None`: beyond the horizon), for the chart.
    #[serde(skip)]
    pub forecasts: Vec<(f64, Option<f64>)>,
}

impl Scored {
    /// The page.
    pub fn render(&self, c: &HindcastConstants, style: Style) -> String {
        let scores = &self.scores;
        let head = format!(
            "{}: {}, {}, one every {}",
            style.paint(Tone::Strong, &self.of),
            words::count(scores.units as u64, "unit"),
            words::count(scores.assessments.into(), "assessment"),
            words::count(c.every_days.unsigned_abs(), "day"),
        );
        if scores.assessments == 0 {
            let days = c.first_after_days;
            let says = format!(
                "Nothing to grade: the first assessment comes {days} days after the first light in the readings."
            );
            return format!("{head}\n") + &style.block("", 0, &says);
        }
        let mut page = format!("{head}\n\n");
        if scores.dates.runs > 0 {
            page += &ahead(&scores.dates);
            page += &approaches(&scores.dates, c);
        }
        page += &no_crossings(&scores.dates);
        page += &scores.verdict.as_ref().map_or_else(String::new, |v| verdicts(v, c));
        page += &detections(scores);
        page += &causes(&scores.causes);
        if scores.verdict.is_none() {
            let says = "Only its readings say what came to a real unit: its causes, its unlogged work and its cloudy \
                        water cannot be graded. Where the truth is known they can: `fadeline grade --simulated` and \
                        `fadeline grade --folder`.";
            page += "\n";
            page += &style.block("", 0, says);
        }
        page + "\n" + &chart(&self.forecasts, style)
    }
}

/// A line of the table: what, its values, and what that means.
fn row(label: &str, values: &[String], means: &str) -> String {
    let width = VALUES / values.len().max(1);
    let values: String = values.iter().map(|value| format!("{value:>width$}")).collect();
    format!("  {label:<width$}{values}  {means}", width = LABEL - 2).trim_end().to_owned() + "\n"
}

fn number(value: Option<f64>, digits: usize) -> String {
    match value {
        None => "-".to_owned(),
        Some(value) if digits == 1 => words::tenths(value),
        Some(value) => format!("{value:.digits$}"),
    }
}

fn percent(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |share| format!("{:.0} %", 100.0 * share))
}

fn ahead(dates: &DateScore) -> String {
    let of = |cell: &dyn Fn(&crate::analysis::hindcast::AheadScore) -> String| -> Vec<String> {
        dates.ahead.iter().map(cell).collect()
    };
    let mut out = row("", &of(&|a| format!("{} d", a.days)), "before the crossing");
    out += &row("assessments", &of(&|a| a.count.to_string()), "made that far ahead");
    out += &row("without a date", &of(&|a| a.without_date.to_string()), "saw no crossing within a year");
    out += &row("mean error, days", &of(&|a| number(a.mean_error, 1)), "off, early or late, on average");
    out += &row("median error, days", &of(&|a| number(a.median_error, 1)), "half of them were off by less");
    out += &row("bias, days", &of(&|a| number(a.bias, 1)), "mean; positive: said too late");
    out += &row("80 % range holds", &of(&|a| percent(a.coverage)), "came between the 10 and 90 % dates");
    out += &row("the same, if steep", &of(&|a| percent(a.coverage_steep)), "in the steepest third of the falls");
    out += &row("CRPS, days", &of(&|a| number(a.crps, 1)), "error of all three dates; 0 is best");
    out += &row("pinball, days", &of(&|a| number(a.pinball_p10, 1)), "10 % date; too late counts 9-fold");
    out + &row("interval score, days", &of(&|a| number(a.interval_score, 0)), "80 % range's width; misses 10-fold")
}

fn approaches(dates: &DateScore, c: &HindcastConstants) -> String {
    let mut out = row("crossings approached", &[dates.runs.to_string()], "with assessments on the way");
    let stays = format!("right to {:.0} d from then on, median", c.band_days);
    out += &row("prognostic horizon", &[format!("{} d", number(dates.prognostic_horizon_days, 0))], &stays);
    let near = format!("half-way, right to {:.0} % of the rest", 100.0 * c.alpha);
    out += &row("alpha-lambda", &[percent(dates.alpha_lambda)], &near);
    out + &row("relative accuracy", &[number(dates.relative_accuracy, 2)], "1 less error over days left, median")
}

fn no_crossings(dates: &DateScore) -> String {
    let one = |value: usize| [value.to_string()];
    let mut out = row("nothing to come", &one(dates.never), "assessments; no crossing in a year");
    out += &row("  dated all the same", &one(dates.never_dated), "of them, within half a year");
    out += &row("work came first", &one(dates.open), "assessments; nobody knows the date");
    out + &row("  refuted", &one(dates.open_contradicted), "of them: 90 % date passed before it")
}

fn verdicts(v: &VerdictScore, c: &HindcastConstants) -> String {
    let mut out = row("verdicts", &[v.count.to_string()], "judged");
    out += &row("  settled", &[v.settled.to_string()], "of them named a cause, or none");
    out += &row("  right", &[percent(v.right)], "of the settled");
    out += &row("  sure", &[v.sure.to_string()], &format!("said with {:.0} % or more", 100.0 * c.sure));
    out += &row("  right when sure", &[percent(v.sure_right)], "of the sure");
    out + &row("  Brier score", &[number(v.brier, 3)], "squared error; 0 is best")
}

fn detections(scores: &Scores) -> String {
    let (Some(steps), Some(water)) = (&scores.unlogged, &scores.episodes) else { return String::new() };
    let both = |cell: &dyn Fn(&DetectionScore) -> String| [cell(steps), cell(water)];
    let mut out = row("found in the readings", &["steps".to_owned(), "water".to_owned()], "");
    out += &row("  reported", &both(&|d| d.claims.to_string()), "by the last assessment");
    out += &row("  precision", &both(&|d| percent(d.precision)), "of those, there really were");
    out += &row("  there to be found", &both(&|d| d.truths.to_string()), "unlogged; cloudy, 3 % and more");
    out += &row("  recall", &both(&|d| percent(d.recall)), "of those, were reported");
    out + &row("  delay, days", &both(&|d| number(d.delay_days, 0)), "until first reported, median")
}

fn causes(causes: &[CauseScore]) -> String {
    if causes.is_empty() {
        return String::new();
    }
    let head = ["median", "bias", "80 %"].map(str::to_owned);
    let mut out = row("loss, points", &head, "error; said too much; range holds");
    for score in causes {
        let name = match score.cause {
            // The full words are too long for the table.
            Some(Cause::LampOrSensor) => "lamp and sensor",
            Some(cause) => words::cause(cause),
            None => "all together",
        };
        let values = [number(score.median_error, 1), number(score.bias, 1), percent(score.coverage)];
        out += &row(name, &values, "");
    }
    out
}

/// What was said (up) by how far off the crossing truly was (across, nearer to the right).
fn chart(forecasts: &[(f64, Option<f64>)], style: Style) -> String {
    let bins = binned(forecasts);
    if bins.iter().all(Vec::is_empty) {
        let says = "No crossing came within 90 days of an assessment while nobody worked there: the dates cannot be \
                    judged, and a chart of them has nothing to show.";
        return style.block("", 0, says);
    }
    let mut cells = vec![vec![' '; BINS * BIN_WIDTH]; ROWS];
    let came = if style.unicode { '·' } else { '.' };
    (0..BINS * BIN_WIDTH).for_each(|column| {
        let left = CHART_DAYS - (column as f64 + 0.5) * BIN_DAYS / BIN_WIDTH as f64;
        cells[chart_row(left)][column] = came;
    });
    for (bin, said) in bins.iter().enumerate().filter(|(_, said)| !said.is_empty()) {
        let column = (BINS - 1 - bin) * BIN_WIDTH + BIN_WIDTH / 2;
        let at = |share: f64| chart_row(said[(share * (said.len() - 1) as f64).round() as usize]);
        for line in &mut cells[at(0.9)..=at(0.1)] {
            line[column] = if style.unicode { '│' } else { '|' };
        }
        cells[at(0.5)][column] = if style.unicode { '●' } else { 'o' };
    }
    let mut out = "Days to the crossing: what was said (up) against what came (across)\n".to_owned();
    for (row, line) in cells.iter().enumerate() {
        let label = match row {
            0 => "90 or more",
            _ if row == ROWS / 2 => "45",
            _ if row == ROWS - 1 => "0",
            _ => "",
        };
        let line: String = line.iter().collect();
        let _ = writeln!(out, "{}", format!("{label:>10} {} {line}", style.sign("┤", "|")).trim_end());
    }
    let gap = BINS * BIN_WIDTH - "90 days before".len() - 1;
    let _ = writeln!(out, "{:13}90 days before{}0", "", " ".repeat(gap));
    let (middle, range, came) = (style.sign("●", "o"), style.sign("│", "|"), style.sign("·", "."));
    out + &style.block(
        "",
        13,
        &format!("{middle} middle of what was said,  {range} 8 in 10 of it,  {came} what came: the nearer the better"),
    )
}

/// What was said, ascending, by bins of the days left.
fn binned(forecasts: &[(f64, Option<f64>)]) -> Vec<Vec<f64>> {
    let mut bins = vec![Vec::new(); BINS];
    for (left, said) in forecasts.iter().filter(|(left, _)| (1.0..=CHART_DAYS).contains(left)) {
        let bin = (((left - 1.0) / BIN_DAYS) as usize).min(BINS - 1);
        bins[bin].push(said.unwrap_or(f64::INFINITY).clamp(0.0, CHART_DAYS));
    }
    bins.iter_mut().for_each(|said| said.sort_unstable_by(f64::total_cmp));
    bins
}

/// The row of a number of days, from the top.
fn chart_row(days: f64) -> usize {
    let down = (CHART_DAYS - days.clamp(0.0, CHART_DAYS)) / CHART_DAYS;
    (down * (ROWS - 1) as f64).round() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_said_right_lies_on_the_line_and_what_was_said_late_above_it() {
        let right: Vec<(f64, Option<f64>)> = (1..=90).map(|d| (f64::from(d), Some(f64::from(d)))).collect();
        let late: Vec<(f64, Option<f64>)> = (1..=90).map(|d| (f64::from(d), None)).collect();
        let rows = |forecasts: &[(f64, Option<f64>)]| -> Vec<usize> {
            let page = chart(forecasts, Style::PLAIN);
            page.lines()
                .skip(1)
                .take(ROWS)
                .map(|line| line.get(12..).unwrap_or_default().matches('o').count())
                .collect()
        };
        let (on_line, above) = (rows(&right), rows(&late));
        assert!(on_line.iter().all(|n| (1..=2).contains(n)), "a straight diagonal: {on_line:?}");
        assert_eq!((above[0], above[1..].iter().sum::<usize>()), (BINS, 0), "{above:?}");
        assert!(chart(&[(200.0, Some(3.0))], Style::PLAIN).contains("cannot be judged"));
    }
}
