//! How text is dressed for the terminal it goes to. Colour only repeats what words already say.

/// What the terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Style {
    /// Whether colours may be used.
    pub colour: bool,
    /// Whether signs beyond ASCII may be used. Names and notes that people wrote are never changed.
    pub unicode: bool,
    /// Characters in a line, at least 60.
    pub width: usize,
}

/// What a coloured word means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// Act now.
    Alarm,
    /// Act soon.
    Heed,
    /// All is well.
    Calm,
    /// A heading.
    Strong,
    /// Beside the point.
    Faint,
}

impl Style {
    /// 80 columns of ASCII without colour: for files and tests.
    pub const PLAIN: Self = Self { colour: false, unicode: false, width: 80 };

    /// `text` in the colour of `tone`.
    pub fn paint(self, tone: Tone, text: &str) -> String {
        if !self.colour {
            return text.to_owned();
        }
        let code = match tone {
            Tone::Alarm => "1;31",
            Tone::Heed => "33",
            Tone::Calm => "32",
            Tone::Strong => "1",
            Tone::Faint => "2",
        };
        format!("\u{1b}[{code}m{text}\u{1b}[0m")
    }

    /// One of two spellings of a sign.
    pub fn sign(self, unicode: &'static str, ascii: &'static str) -> &'static str {
        if self.unicode { unicode } else { ascii }
    }

    /// `text` broken at blanks into lines of at most [`Style::width`], the first after `label` padded to `indent`
    /// characters, the others under it. A word longer than a line stays whole.
    pub fn block(self, label: &str, indent: usize, text: &str) -> String {
        let mut out = String::new();
        let mut line = format!("{label:<indent$}");
        let mut used = line.chars().count().max(indent);
        let mut fresh = true;
        for word in text.split_whitespace() {
            let length = word.chars().count();
            if !fresh && used + 1 + length > self.width {
                out += line.trim_end();
                out.push('\n');
                line = " ".repeat(indent);
                used = indent;
                fresh = true;
            }
            if !fresh {
                line.push(' ');
                used += 1;
            }
            line += word;
            used += length;
            fresh = false;
        }
        out += line.trim_end();
        out.push('\n');
        out
    }
}

/// A text a person or another program wrote, fit for a terminal: no control characters, on one line.
pub fn tame(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_hang_under_their_first_line_and_fit() {
        let style = Style { width: 60, ..Style::PLAIN };
        let text = style.block("Verdict", 10, &"seven letters are here ".repeat(12));
        assert!(text.starts_with("Verdict   seven letters"));
        assert!(text.lines().all(|line| line.chars().count() <= 60), "{text}");
        assert!(
            text.lines().skip(1).all(|line| line.starts_with("          s")
                || line.starts_with("          l")
                || line.starts_with("          a")
                || line.starts_with("          h")),
            "{text}"
        );
        assert_eq!(style.block("a", 4, ""), "a\n");
    }

    #[test]
    fn colour_only_dresses_words() {
        let coloured = Style { colour: true, ..Style::PLAIN };
        assert_eq!(coloured.paint(Tone::Alarm, "SHORT"), "\u{1b}[1;31mSHORT\u{1b}[0m");
        assert_eq!(Style::PLAIN.paint(Tone::Alarm, "SHORT"), "SHORT");
        assert_eq!(tame("a\u{1b}[2Jb\nc"), "a [2Jb c");
    }
}
