//! The fonts of the papers and how wide their letters are.

use std::collections::BTreeSet;
use std::sync::{Arc, OnceLock};

use svg2pdf::usvg::fontdb::Database;
use svg2pdf::usvg::{Options, Tree};
use ttf_parser::Face;

use super::PaperError;

/// The family by its name in the font files; of it only the condensed faces are there.
pub const FAMILY: &str = "DejaVu Sans";

/// Where there is no font, this is what a letter takes, in ems.
const UNKNOWN_EM: f64 = 0.6;
/// Stands for a letter that the fonts lack.
pub const STAND_IN: char = '□';

/// Which face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Of running text.
    Plain,
    /// Of headings.
    Bold,
}

struct Fonts {
    plain: Face<'static>,
    bold: Face<'static>,
    database: Arc<Database>,
}

fn fonts() -> Option<&'static Fonts> {
    static FONTS: OnceLock<Option<Fonts>> = OnceLock::new();
    let load = || {
        let (plain, bold) = (dejavu::sans_condensed::regular(), dejavu::sans_condensed::bold());
        let mut database = Database::new();
        database.load_font_data(plain.to_vec());
        database.load_font_data(bold.to_vec());
        database.set_sans_serif_family(FAMILY);
        Some(Fonts {
            plain: Face::parse(plain, 0).ok()?,
            bold: Face::parse(bold, 0).ok()?,
            database: Arc::new(database),
        })
    };
    FONTS.get_or_init(load).as_ref()
}

/// How wide a line is, points, set in `size` points. Kerning is left out: it makes lines a little narrower.
pub fn width(text: &str, size: f64, weight: Weight) -> f64 {
    let Some(fonts) = fonts() else { return size * UNKNOWN_EM * text.chars().count() as f64 };
    let face = if weight == Weight::Bold { &fonts.bold } else { &fonts.plain };
    let em = f64::from(face.units_per_em());
    let advance = |c: char| {
        let glyph = face.glyph_index(c).or_else(|| face.glyph_index(STAND_IN));
        let advance = glyph.and_then(|glyph| face.glyph_hor_advance(glyph));
        advance.map_or(UNKNOWN_EM, |advance| f64::from(advance) / em)
    };
    size * text.chars().map(advance).sum::<f64>()
}

/// Whether both faces have the letter; blanks and what only steers text are nothing to draw.
fn printable(c: char) -> bool {
    let nothing = c.is_whitespace() || c.is_control() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{fe00}'..='\u{fe0f}');
    let has = |fonts: &Fonts| [&fonts.plain, &fonts.bold].iter().all(|face| face.glyph_index(c).is_some());
    nothing || fonts().is_none_or(has)
}

/// The letters of a text that the papers cannot show.
pub fn missing(text: &str) -> BTreeSet<char> {
    text.chars().filter(|c| !printable(*c)).collect()
}

/// The text as it is printed: [`STAND_IN`] for each letter that the fonts lack.
pub fn printed(text: &str) -> String {
    text.chars().map(|c| if printable(c) { c } else { STAND_IN }).collect()
}

/// A name as the papers can show it: with the id behind it where the fonts lack a letter.
pub fn readable(name: &str, id: &str) -> String {
    if missing(name).is_empty() { name.to_owned() } else { format!("{name} ({id})") }
}

/// The text in lines of at most `room` points. A word that is wider than a line is broken.
pub fn lines(text: &str, size: f64, weight: Weight, room: f64) -> Vec<String> {
    let mut done = Vec::new();
    for paragraph in text.lines() {
        let mut line = String::new();
        for word in paragraph.split_whitespace() {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if width(&longer, size, weight) <= room {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                done.push(std::mem::take(&mut line));
            }
            line = broken(word, size, weight, room, &mut done);
        }
        done.push(line);
    }
    done
}

/// Breaks a word; what is left for the last line is returned.
fn broken(word: &str, size: f64, weight: Weight, room: f64, done: &mut Vec<String>) -> String {
    let mut line = String::new();
    let mut used = 0.0;
    for c in word.chars() {
        let wide = width(c.encode_utf8(&mut [0; 4]), size, weight);
        if used + wide > room && !line.is_empty() {
            done.push(std::mem::take(&mut line));
            used = 0.0;
        }
        line.push(c);
        used += wide;
    }
    line
}

/// An SVG as a tree, its text set in the fonts of the binary.
pub fn tree(svg: &str) -> Result<Tree, PaperError> {
    let fonts = fonts().ok_or(PaperError::Font)?;
    let options = Options { fontdb: Arc::clone(&fonts.database), font_family: FAMILY.to_owned(), ..Options::default() };
    Tree::from_str(svg, &options).map_err(|e| PaperError::Draw(e.to_string()))
}

/// Text that may stand in XML: what no document may hold becomes a blank.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_of_the_papers_is_in_both_faces() {
        let fonts = fonts().unwrap();
        for c in "□☐²°µ±…–äöüßéèçñøåžłÇİ€%".chars() {
            assert!(fonts.plain.glyph_index(c).is_some() && fonts.bold.glyph_index(c).is_some(), "{c}");
        }
    }

    #[test]
    fn no_line_is_wider_than_its_room() {
        let text = "Take the key from the box at the gate, then Donaudampfschifffahrtsgesellschaftskapitän 名前の無い小屋 \n\nx";
        let broken = lines(text, 9.0, Weight::Plain, 60.0);
        assert!(broken.iter().all(|line| width(line, 9.0, Weight::Plain) <= 60.0), "{broken:?}");
        let letters = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
        assert_eq!(letters(&broken.concat()), letters(text));
    }

    #[test]
    fn a_name_without_letters_in_the_font_has_its_id() {
        assert_eq!(readable("Žofie, Дача", "lake/z"), "Žofie, Дача");
        assert_eq!(readable("小屋", "lake/z"), "小屋 (lake/z)");
        assert_eq!(printed("小屋 3\u{200d}"), "□□ 3\u{200d}");
        assert_eq!(missing("小屋, 小 Ž").len(), 2);
    }

    #[test]
    fn no_text_breaks_the_xml() {
        let odd = "a & b <c> \"d\" \u{7}\u{0}\u{fffe} 例 שלום";
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"9\" height=\"9\"><text>{}</text></svg>",
            escape(odd)
        );
        assert!(tree(&svg).is_ok());
    }
}
