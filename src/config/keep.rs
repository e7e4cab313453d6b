//! How long what is kept: `[store]` keep_raw, keep_hours, keep_days, and `[[store.keep]]` for single channels.

use super::checked::Context;
use super::mistake::At;
use super::raw;
use super::table::{Field, did_you_mean};
use crate::domain::Channel;
use crate::domain::reading::CHANNELS;
use crate::store::settings::{KEEP_RAW_DAYS, Keep, KeepDays};

/// The analysis looks back at most a day over the day it summarises; a week lets a late gateway catch up.
const RAW_DAYS_LEAST: u32 = 7;
/// A cabin may be off line for weeks, and what it then sends is older than this.
const RAW_DAYS_FOOLISH: u32 = 60;
/// The fits look back a year and a season is one.
const DAYS_LEAST: u32 = 731;

/// The settings as written, or the defaults.
pub(super) fn check(raw: &raw::File, context: &mut Context<'_>) -> Keep {
    let mut keep = Keep::default();
    let Some(store) = raw.store.given() else { return keep };
    for (field, resolution, least) in [
        (&store.keep_raw, &mut keep.raw, RAW_DAYS_LEAST),
        (&store.keep_hours, &mut keep.hours, RAW_DAYS_LEAST),
        (&store.keep_days, &mut keep.days, DAYS_LEAST),
    ] {
        if let Some(days) = days(field, least, context) {
            *resolution = [days; CHANNELS];
        }
    }
    warn_short(&store.keep_raw, keep.raw[0], context);
    let mut seen = Vec::new();
    for row in store.keep.all() {
        let Some(channel) = channel(row, &mut seen, context) else { continue };
        for (field, resolution, least) in [
            (&row.raw, &mut keep.raw, RAW_DAYS_LEAST),
            (&row.hours, &mut keep.hours, RAW_DAYS_LEAST),
            (&row.days, &mut keep.days, DAYS_LEAST),
        ] {
            if let Some(days) = days(field, least, context) {
                resolution[channel as usize] = days;
            }
        }
        if channel == Channel::Intensity {
            warn_short(&row.raw, keep.raw[channel as usize], context);
        }
    }
    keep
}

fn channel(row: &raw::Keep, seen: &mut Vec<Channel>, context: &mut Context<'_>) -> Option<Channel> {
    let at = context.required(&row.channel, &row.place, "channel", "\"flow\"")?;
    let Ok(channel) = at.value.parse::<Channel>() else {
        let remedy = did_you_mean(&at.value, Channel::ALL.map(Channel::name))
            .unwrap_or_else(|| format!("write one of {}", Channel::ALL.map(Channel::name).join(", ")));
        context.out.mistake(&at.place, "not a channel", remedy);
        return None;
    };
    if seen.contains(&channel) {
        context.out.mistake(&at.place, "a second table for this channel", "put all its settings into one");
        return None;
    }
    seen.push(channel);
    Some(channel)
}

/// The days of a text, `Some(None)` for ever; nothing if the key is not there or wrong.
fn days(field: &Field<At<String>>, least: u32, context: &mut Context<'_>) -> Option<Option<u32>> {
    let at = field.given()?;
    let Some(days) = parse(&at.value) else {
        let remedy = "write a text such as \"90 days\", \"6 months\", \"2 years\" or \"for ever\"";
        context.out.mistake(&at.place, "not a time to keep data", remedy);
        return None;
    };
    if days.is_some_and(|days| days < least) {
        let remedy = format!("write at least \"{least} days\", or \"for ever\"");
        context.out.mistake(&at.place, "too short for the analysis to do its work", remedy);
        return None;
    }
    Some(days)
}

fn warn_short(field: &Field<At<String>>, days: Option<u32>, context: &mut Context<'_>) {
    if let Some(at) = field.given()
        && days.is_some_and(|days| days < RAW_DAYS_FOOLISH)
    {
        let says = "readings that come late from a unit that was off line may be given up soon after";
        context.out.warn(&at.place, says, format!("write at least \"{RAW_DAYS_FOOLISH} days\""));
    }
}

/// `Some(None)`: for ever. A month has 30 days here, a year 365.25, rounded up.
fn parse(text: &str) -> Option<Option<u32>> {
    let text = text.trim().to_lowercase();
    if ["for ever", "forever", "ever"].contains(&text.as_str()) {
        return Some(None);
    }
    let (number, unit) = text.split_at(text.find(|c: char| !c.is_ascii_digit())?);
    let number: u32 = number.parse().ok()?;
    let days = match unit.trim().trim_end_matches('s') {
        "d" | "day" => number.checked_mul(1),
        "w" | "week" => number.checked_mul(7),
        "month" => number.checked_mul(30),
        "y" | "year" => number.checked_mul(1_461).map(|quarters| quarters.div_ceil(4)),
        _ => None,
    }?;
    (1..=100_000).contains(&days).then_some(Some(days))
}

/// What is kept how long, in a few words.
pub fn words(keep: &Keep) -> String {
    let whole = |days: &KeepDays| span(days[Channel::Turbidity as usize]);
    let (hours, days) = (whole(&keep.hours), whole(&keep.days));
    let rollups = if hours == days { format!("hours and days {hours}") } else { format!("hours {hours}, days {days}") };
    let same = |days: &KeepDays| days.iter().all(|other| *other == days[0]);
    let but = if [&keep.raw, &keep.hours, &keep.days].into_iter().all(same) { "" } else { "; single channels differ" };
    format!("keeps readings {}, {rollups}{but}", whole(&keep.raw))
}

fn span(days: Option<u32>) -> String {
    match days {
        None => "for ever".to_owned(),
        Some(KEEP_RAW_DAYS) => "2 years".to_owned(),
        Some(days) => format!("{days} days"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_to_keep_data() {
        for (text, days) in [
            ("for ever", None),
            ("90 days", Some(90)),
            ("1 week", Some(7)),
            ("6 months", Some(180)),
            ("2 years", Some(KEEP_RAW_DAYS)),
            ("1y", Some(366)),
        ] {
            assert_eq!(parse(text), Some(days), "{text}");
        }
        for bad in ["", "0 days", "two years", "5", "9999999999 days", "4000000000 years", "-1 day", "3 h"] {
            assert_eq!(parse(bad), None, "{bad}");
        }
    }
}
