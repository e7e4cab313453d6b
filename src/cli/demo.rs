//! `fadeline demo`: an invented fleet at work, with an embedded broker and its whole history.

use std::fmt::Write as _;
use std::io::{IsTerminal, stdout};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::{Exit, Failure, output, watch};
use crate::clock;
use crate::demo::{self, DemoError, Frame, Options};
use crate::domain::Condition;
use crate::report::Style;
use crate::report::fleet::{self, FleetRow, Look};

/// Arguments of `demo`.
#[derive(Clone, Debug, clap::Args)]
pub struct DemoArgs {
    /// Keep the data in this folder [default: a temporary one, removed at the end]
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// End as soon as the whole history has been judged
    #[arg(long)]
    once: bool,
}

/// Where the screen cannot be redrawn, the fleet is printed again after this long, or when a condition changes.
const PRINT_EVERY: Duration = Duration::from_secs(60);

/// Runs it until Ctrl-C.
///
/// # Errors
/// A directory or ports that cannot be had.
pub fn run(args: &DemoArgs, style: Style) -> Result<(), Failure> {
    let options = Options { data: args.data.clone(), once: args.once };
    let redraw = stdout().is_terminal() && std::env::var("TERM").is_ok_and(|term| term != "dumb");
    let mut screen = Screen { style, redraw, printed: None };
    screen.begin()?;
    let ended = watch::runtime()?.block_on(async {
        let stop = watch::stop_signal()?;
        demo::run(options, stop, |frame| screen.show(frame)).await.map_err(|error| failure(&error))
    });
    ended?;
    let line = if redraw { "\n" } else { "" };
    output::print(&format!("{line}the demo has ended; its readings were invented\n"))
}

fn failure(error: &DemoError) -> Failure {
    match error {
        DemoError::Start(error) => watch::failure(error),
        DemoError::Place { .. } => Failure::new(Exit::Io, error.to_string()),
        DemoError::Config(_) | DemoError::Fleet(_) => Failure::new(Exit::Failure, error.to_string()),
    }
}

/// What has been shown, and whether it can be drawn over.
struct Screen {
    style: Style,
    redraw: bool,
    printed: Option<(Instant, Vec<Condition>)>,
}

impl Screen {
    fn begin(&self) -> Result<(), Failure> {
        output::print("Heron Bight: an invented fleet. Making 14 months of its history ...\n")
    }

    fn show(&mut self, frame: &Frame) {
        let text = self.text(frame);
        let shown = if self.redraw {
            let rows = terminal_size::terminal_size().map_or(usize::MAX, |(_, height)| usize::from(height.0));
            output::print(&redrawn(&text, self.style.width, rows))
        } else if self.due(frame) {
            output::print(&format!("{text}\n"))
        } else {
            Ok(())
        };
        // A closed pipe or terminal ends the demo by a signal; until then there is nobody to tell.
        let _nobody = shown;
    }

    /// Whether a frame is worth printing below the last one.
    fn due(&mut self, frame: &Frame) -> bool {
        if !frame.judged {
            return false;
        }
        let conditions: Vec<Condition> = frame.rows.iter().map(|row| row.condition).collect();
        let due = match &self.printed {
            None => true,
            Some((at, before)) => *before != conditions || at.elapsed() >= PRINT_EVERY,
        };
        if due {
            self.printed = Some((Instant::now(), conditions));
        }
        due
    }

    fn text(&self, frame: &Frame) -> String {
        let rows: Vec<FleetRow> = frame.rows.iter().cloned().filter_map(FleetRow::of).collect();
        let look = Look { columns: self.style.width, colour: self.style.colour };
        let mut text = String::from("Heron Bight, an invented fleet");
        let progress = frame.progress;
        // Writing to a String cannot fail.
        let _ = match (frame.judged, progress.packs_in_all) {
            (true, _) => writeln!(text, "; live since its 14 months of history were read"),
            (false, 0) => writeln!(text, "; making its history"),
            (false, all) => writeln!(text, "; reading its history: {} of {all} days", progress.packs),
        };
        text.push('\n');
        text.push_str(&fleet::table(&rows, look, clock::now()));
        let (v311, v5) = frame.ports;
        // As it was called: `fadeline` need not stand in the PATH of the terminal beside.
        let program = std::env::args().next().unwrap_or_else(|| "fadeline".to_owned());
        if let Some(pages) = frame.pages {
            let _ = write!(text, "\nPages    http://{pages}/");
        }
        let _ = write!(
            text,
            "\nListen   mosquitto_sub -h 127.0.0.1 -p {v311} -v -t 'fadeline/out/#'\n\
             Ask      export FADELINE_CONFIG={}\n         {program} units\n\
             Record   {program} log heron-bight/boathouse sleeve-cleaned\n\
             End      Ctrl-C (programs with MQTT 5: port {v5})\n",
            frame.config.display()
        );
        text
    }
}

/// A frame over the last one: home, draw, clear what is left. What does not fit `rows` is left out, for a terminal that
/// scrolls shows the frame's end only: the paragraph that explains the columns first, then the end.
fn redrawn(text: &str, columns: usize, rows: usize) -> String {
    let mut paragraphs: Vec<&str> = text.trim_end().split("\n\n").collect();
    let height =
        |paragraphs: &[&str]| paragraphs.join("\n\n").lines().map(|line| rows_of(line, columns)).sum::<usize>();
    if height(&paragraphs) > rows
        && let Some(legend) = paragraphs.iter().position(|paragraph| paragraph.starts_with("The | of the bar"))
    {
        paragraphs.remove(legend);
    }
    let drawn = paragraphs.join("\n\n");
    let mut left = rows;
    let fits = |line: &&str| {
        let taken = rows_of(line, columns);
        let fits = taken <= left;
        left = left.saturating_sub(taken);
        fits
    };
    let lines: Vec<String> = drawn.lines().take_while(fits).map(|line| format!("{line}\x1b[K")).collect();
    // No newline after the last line: on the last row it would scroll.
    format!("\x1b[H{}\x1b[J", lines.join("\r\n"))
}

/// Rows that a line takes on the terminal, which folds what is too long; escapes take none.
fn rows_of(line: &str, columns: usize) -> usize {
    let mut inside = false;
    let shown = line.chars().filter(|c| {
        let escape = inside || *c == '\x1b';
        inside = escape && *c != 'm';
        !escape
    });
    shown.count().div_ceil(columns.max(1)).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_never_scrolls_the_terminal() {
        let table = (1..=10).map(|n| format!("unit {n}\n")).collect::<String>();
        let text = format!("title\n\n{table}\nThe | of the bar\nis this\n\nListen   here\nEnd      Ctrl-C\n");
        let lines = |rows| redrawn(&text, 80, rows).matches('\n').count() + 1;
        // 18 lines with the explanation, 15 without.
        assert_eq!((lines(40), lines(18), lines(17), lines(15), lines(9)), (18, 18, 15, 15, 9));
        assert!(
            redrawn(&text, 80, 40).contains("The | of the bar") && !redrawn(&text, 80, 17).contains("The | of the bar")
        );
        assert!(redrawn(&text, 80, 17).contains("Ctrl-C"), "how to end it is kept");
    }
    #[test]
    fn folded_lines_are_counted_and_escapes_are_not() {
        assert_eq!((rows_of("", 80), rows_of(&"x".repeat(80), 80), rows_of(&"x".repeat(81), 80)), (1, 1, 2));
        assert_eq!(rows_of(&format!("\x1b[1;31m{}\x1b[0m", "x".repeat(80)), 80), 1);
        let text = format!("title\n{}\nEnd      Ctrl-C\n", "x".repeat(200));
        assert!(redrawn(&text, 80, 5).contains("Ctrl-C"));
        assert!(!redrawn(&text, 80, 4).contains("Ctrl-C"), "the long line takes three rows");
    }
}
