//! `fadeline log`: record a service action.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::clock;
use crate::domain::{Corrected, ServiceAction, ServiceEntry, Timestamp, UnitId};
use crate::query::{Answer, Query};
use crate::report::words;

use super::{ConfigArg, Exit, Failure, data, offline, output};

/// Arguments of `log`.
#[derive(Clone, Debug, clap::Args)]
pub struct LogArgs {
    /// Which unit
    #[arg(value_name = "SITE/UNIT")]
    unit: UnitId,
    /// What was done
    #[arg(value_parser = action_parser(), hide_possible_values = false)]
    action: ServiceAction,
    /// When: RFC 3339, or the site's own time (2026-08-14T15:30), or a day (noon is taken); default now
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// The measured value: reference-check in mW/cm2 (or percent, as the unit's sensor), transmittance-measured in
    /// percent over 1 cm
    #[arg(long, allow_negative_numbers = true)]
    value: Option<f64>,
    /// Who did it
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// The entry that this one corrects: its time as --at takes it. The original stays in the logbook and counts no
    /// more
    #[arg(long, value_name = "TIME")]
    corrects: Option<String>,
    /// The action of the corrected entry, if it was another
    #[arg(long, requires = "corrects", value_parser = action_parser())]
    corrects_action: Option<ServiceAction>,
    /// Anything worth knowing next time
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    #[command(flatten)]
    config: ConfigArg,
}

fn action_parser() -> impl TypedValueParser<Value = ServiceAction> {
    PossibleValuesParser::new(ServiceAction::ALL.map(ServiceAction::name)).try_map(|name| name.parse::<ServiceAction>())
}

/// Records the action, durably, or says that it stands there already.
pub fn run(args: &LogArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let zone = config.units.iter().find(|spec| spec.id == args.unit).map_or(TimeZone::UTC, |spec| spec.zone.clone());
    let at = match &args.at {
        Some(text) => when(text, &zone).map_err(|says| Failure::new(Exit::Usage, says))?,
        None => clock::now(),
    };
    let text = |text: &Option<String>| text.as_deref().map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
    let entry = ServiceEntry {
        value: args.value,
        by: text(&args.by),
        note: text(&args.note),
        corrects: corrected(args, &zone)?,
        ..ServiceEntry::new(at, args.action)
    };
    match data::ask(&config, &Query::Log { unit: args.unit.clone(), entry }, offline::open)? {
        Answer::Logged(logged) => {
            let verb = if logged.already { "already in the logbook" } else { "recorded" };
            let at = words::instant(logged.entry.at, &zone);
            output::print(&format!("{verb}: {} at {}, {at}\n", logged.entry.action, args.unit))
        }
        _ => Err(data::unexpected()),
    }
}

fn corrected(args: &LogArgs, zone: &TimeZone) -> Result<Option<Corrected>, Failure> {
    let Some(text) = &args.corrects else { return Ok(None) };
    let time = time_or_day("--corrects", text, zone, |day| local(day.at(12, 0, 0, 0), zone));
    let time = time.map_err(|says| Failure::new(Exit::Usage, says))?;
    Ok(Some(Corrected { time, action: args.corrects_action.unwrap_or(args.action) }))
}

/// A time as people give it: with a zone, without one (the site's is meant), or only a day (noon is meant).
fn when(text: &str, zone: &TimeZone) -> Result<Timestamp, String> {
    time_or_day("--at", text, zone, |day| local(day.at(12, 0, 0, 0), zone))
}

/// A time with a zone, a time of the site's clock, or a day of which `of_day` makes a time. `option` is named in the
/// refusal.
pub(super) fn time_or_day(
    option: &str,
    text: &str,
    zone: &TimeZone,
    of_day: impl Fn(Date) -> Option<Timestamp>,
) -> Result<Timestamp, String> {
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let at = match text.trim().parse::<Date>() {
        Ok(day) if text.trim().len() == "2026-08-14".len() => of_day(day),
        _ => text.trim().parse::<DateTime>().ok().and_then(|time| local(time, zone)),
    };
    at.ok_or_else(|| {
        format!("{option} `{text}` is not a time; write 2026-08-14T15:30, 2026-08-14 or 2026-08-14T13:30:00Z")
    })
}

fn local(time: DateTime, zone: &TimeZone) -> Option<Timestamp> {
    time.to_zoned_datetime(zone.clone()).ok().map(|zoned| zoned.timestamp().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_without_a_zone_are_the_sites() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        for (text, utc) in [
            ("2026-08-14T15:30", "2026-08-14T13:30:00Z"),
            ("2026-08-14 15:30", "2026-08-14T13:30:00Z"),
            ("2026-08-14T15:30:00Z", "2026-08-14T15:30:00Z"),
            ("2026-01-14", "2026-01-14T11:00:00Z"),
        ] {
            assert_eq!(when(text, &zone).unwrap().to_string(), utc, "{text}");
        }
        assert!(when("yesterday", &zone).unwrap_err().contains("`yesterday` is not a time"));
    }
}
