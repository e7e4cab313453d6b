//! `fadeline round`: the next trip.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use crate::clock;
use crate::page::{self, Frame};
use crate::paper::{self, Paper};
use crate::query::round::OtherRules;
use crate::query::{Answer, Query};
use crate::report::round;

use super::out_file::write_whole;
use super::{ConfigArg, Exit, Failure, data, offline, output};

/// Arguments of `round`.
#[derive(Clone, Debug, clap::Args)]
pub struct RoundArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// JSON
    #[arg(long)]
    json: bool,
    /// A page to print
    #[arg(long, conflicts_with = "json")]
    html: bool,
    /// iCalendar
    #[arg(long, conflicts_with_all = ["json", "html"])]
    ics: bool,
    /// Pages of A4, to this file (`-`: standard output)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "html", "ics"])]
    pdf: Option<PathBuf>,
}

/// Shows the next trip.
pub fn run(args: &RoundArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let Answer::Round(round) = data::ask(&config, &Query::Round { rules: OtherRules::default() }, offline::open)?
    else {
        return Err(data::unexpected());
    };
    if args.json {
        return output::print_json(&round);
    }
    if let Some(file) = &args.pdf {
        return write_paper(file, &paper::round::round(&round, clock::now()));
    }
    output::print(&if args.html {
        page::round::page(&frame(), &round)
    } else if args.ics {
        round::calendar(&round, clock::now())
    } else {
        round::text(&round)
    })
}

/// Writes a paper as PDF.
pub(super) fn write_paper(file: &Path, paper: &Paper) -> Result<(), Failure> {
    let bytes = paper::pdf(paper).map_err(|e| Failure::new(Exit::Failure, e.to_string()))?;
    write_whole(file, &bytes)
}

/// What a page made by a command knows.
pub(super) fn frame() -> Frame {
    Frame { now: clock::now(), csrf: String::new(), who: None, may_record: false, alone: true }
}

/// The zone of a site in the config.
pub(super) fn zone_of(config: &crate::config::Config, site: &str) -> TimeZone {
    config.units.iter().find(|spec| spec.id.site() == site).map_or(TimeZone::UTC, |spec| spec.zone.clone())
}
