//! The service history of a unit as a table.

use jiff::tz::TimeZone;

use crate::domain::service::is_corrected;
use crate::domain::{ServiceEntry, UnitId};

use super::style::{Style, Tone, tame};
use super::words;

/// Characters before the note: date, action.
const NOTE_AT: usize = 44;

/// The history, latest last; notes hang under their entry.
pub fn text(unit: &UnitId, entries: &[ServiceEntry], zone: &TimeZone, style: Style) -> String {
    let title = style.paint(Tone::Strong, unit.as_str());
    if entries.is_empty() {
        return format!("{title}: nothing logged yet; `fadeline log {unit} ACTION` records what was done\n");
    }
    let entries_word = if entries.len() == 1 { "entry" } else { "entries" };
    let mut out = format!("{title}: {} {entries_word}\n", entries.len());
    for entry in entries {
        let value = entry.value.map_or_else(String::new, |value| format!(" {value}"));
        let mark = if is_corrected(entry, entries) { " (corrected)" } else { "" };
        let label = format!("{}  {}{value}{mark}", words::instant(entry.at, zone), entry.action);
        let by = entry.by.as_deref().map_or_else(String::new, |by| format!("{}: ", tame(by)));
        let note = entry.note.as_deref().map(tame).unwrap_or_default();
        let tail = format!("{by}{note}");
        out += &style.block(&format!("{label}  "), NOTE_AT, tail.trim_end_matches([' ', ':']));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{ServiceAction, Timestamp};

    #[test]
    fn table() {
        let unit: UnitId = "heron-bight/boathouse".parse().unwrap();
        let at = |secs: i64| Timestamp::from_secs(1_780_000_000 + secs);
        let entries = [
            ServiceEntry { by: Some("Ada".into()), ..ServiceEntry::new(at(0), ServiceAction::SleeveCleaned) },
            ServiceEntry { value: Some(91.5), ..ServiceEntry::new(at(600), ServiceAction::TransmittanceMeasured) },
            ServiceEntry {
                by: Some("Ben".into()),
                note: Some("new O-rings; the old ones were\nflat and one leaked a little at the upper end".into()),
                ..ServiceEntry::new(at(86_400), ServiceAction::LampReplaced)
            },
        ];
        insta::assert_snapshot!(text(&unit, &entries, &TimeZone::UTC, Style::PLAIN));
        assert!(text(&unit, &[], &TimeZone::UTC, Style::PLAIN).contains("nothing logged yet"));
    }
}
