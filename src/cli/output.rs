//! Standard output and standard error, and what the terminal behind them can show.

use std::env;
use std::io::{self, ErrorKind, IsTerminal, Write};

use clap::ColorChoice;

use crate::report::Style;

use super::{Exit, Failure};

/// Lines are never wider than this: long lines are hard to read.
const WIDTH_MAX: usize = 100;
/// Nor narrower: a table would fall apart.
const WIDTH_MIN: usize = 60;
/// Where the width is not known.
const WIDTH_USUAL: usize = 80;

/// Writes data to standard output. Nobody listening any more (`| head`) is a quiet end, not a failure.
pub fn print(text: &str) -> Result<(), Failure> {
    print_with(|out| out.write_all(text.as_bytes()))
}

/// The same for what writes itself.
pub fn print_with(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Failure> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    match write(&mut out).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::new(Exit::Io, format!("cannot write to standard output: {e}")))
        }
        _ => Ok(()),
    }
}

/// Writes a value as one line of JSON to standard output.
pub fn print_json(value: &impl serde::Serialize) -> Result<(), Failure> {
    let text =
        serde_json::to_string(value).map_err(|e| Failure::new(Exit::Failure, format!("cannot write JSON: {e}")))?;
    print(&(text + "\n"))
}

/// Writes a diagnostic to standard error.
pub fn complain(text: &str) {
    // With standard error gone there is nobody to tell.
    let _ = writeln!(io::stderr().lock(), "fadeline: {text}");
}

/// Says on standard error how something went.
pub fn note(text: &str) {
    // With standard error gone there is nobody to tell.
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// Draws on standard error, as it is.
pub fn draw(text: &str) {
    // With standard error gone there is nobody to show it to.
    let _ = io::stderr().lock().write_all(text.as_bytes());
}

/// What standard output can show.
pub fn style(choice: ColorChoice) -> Style {
    let terminal = io::stdout().is_terminal();
    let variable = |name: &str| env::var(name).unwrap_or_default();
    let colour = match choice {
        ColorChoice::Always => true,
        ColorChoice::Never => false,
        ColorChoice::Auto => terminal && variable("NO_COLOR").is_empty() && variable("TERM") != "dumb",
    };
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().map(variable).find(|value| !value.is_empty());
    let unicode = is_utf8(&locale.unwrap_or_default()) && variable("TERM") != "dumb";
    let width = if terminal { terminal_size::terminal_size().map(|(width, _)| usize::from(width.0)) } else { None };
    let width = width.or_else(|| variable("COLUMNS").parse().ok()).unwrap_or(WIDTH_USUAL);
    Style { colour, unicode, width: width.clamp(WIDTH_MIN, WIDTH_MAX) }
}

fn is_utf8(locale: &str) -> bool {
    let locale = locale.to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}
