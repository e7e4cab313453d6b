//! Papers: the visit sheet, the month and the round as PDF, the chart as a picture that stands alone. PURE: no clock, no
//! I/O; the fonts lie in the binary.
//!
//! A [`Paper`] is a list of [`Block`]s; `lay` breaks it into pages of A4, each an SVG, and `pdf` binds these. So what
//! is printed and what is drawn as a picture go through one renderer.

mod block;
mod font;
mod lay;
mod line;
pub mod month;
mod pdf;
pub mod picture;
pub mod round;
pub mod sheet;

pub use block::{Block, Cell, Column, Paper, Table};
pub use pdf::pdf;

/// Why a paper cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// The fonts in the binary cannot be read: a bug.
    #[error("the built-in fonts cannot be read; this is a bug")]
    Font,
    /// The page that was laid out cannot be drawn: a bug.
    #[error("the page cannot be drawn ({0}); this is a bug")]
    Draw(String),
}

/// The first `max` letters of a text on one line; what is cut off is marked.
fn clip(text: &str, max: usize) -> String {
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if text.chars().count() <= max {
        return text;
    }
    text.chars().take(max.saturating_sub(1)).collect::<String>() + "…"
}

/// The number with one decimal, `-` for nothing.
fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clipped_text_is_one_line_and_says_that_it_is_cut() {
        assert_eq!(clip("a\n b", 9), "a b");
        assert_eq!(clip("übermäßig", 5), "über…");
    }
}
