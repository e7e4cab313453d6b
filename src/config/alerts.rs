//! `[alerts]`: quiet hours and the daily digest, on the clocks of each site.

use jiff::civil::Time;

use super::checked::Context;
use super::mistake::At;
use super::raw;
use super::table::Field;
use crate::alert::quiet::Quiet;

/// Checks the quiet hours and the digest.
pub(super) fn quiet(raw: &Field<raw::Alerts>, context: &mut Context<'_>) -> Quiet {
    let Some(raw) = raw.given() else { return Quiet::default() };
    let mut time = |field: &Field<At<String>>| field.given().and_then(|at| clock_time(at, context));
    let (from, until, digest) = (time(&raw.quiet_from), time(&raw.quiet_until), time(&raw.digest_at));
    for (here, there, other) in
        [(&raw.quiet_from, &raw.quiet_until, "quiet_until"), (&raw.quiet_until, &raw.quiet_from, "quiet_from")]
    {
        if let (Some(at), true) = (here.given(), there.is_absent()) {
            context.out.mistake(&at.place, "quiet hours with one end", format!("add {other} = \"07:00\""));
        }
    }
    let hours = from.zip(until);
    if let (Some((from, until)), Some(at)) = (hours, raw.quiet_from.given())
        && from == until
    {
        context.out.mistake(&at.place, "quiet hours that begin when they end", "write two times, or take both out");
    }
    if let (Some(_), Some(_), Some(at)) = (hours, digest, raw.digest_at.given()) {
        let says = "with a digest, what can wait is told only then: the quiet hours have no effect";
        context.out.warn(&at.place, says, "keep one of the two");
    }
    Quiet { hours, digest }
}

/// A time on a clock, `22:00`.
fn clock_time(at: &At<String>, context: &mut Context<'_>) -> Option<Time> {
    let time = at.value.parse::<Time>().ok().filter(|_| at.value.contains(':'));
    if time.is_none() {
        context.out.mistake(&at.place, "not a time of day", "write one such as \"22:00\"");
    }
    time
}
