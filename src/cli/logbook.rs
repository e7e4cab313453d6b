//! `fadeline logbook`: the service history of a unit.

use jiff::tz::TimeZone;

use crate::domain::UnitId;
use crate::files;
use crate::query::{Answer, Query};
use crate::report::{self, Style};
use crate::web::route;

use super::{ConfigArg, Failure, data, offline, output};

/// Arguments of `logbook`.
#[derive(Clone, Debug, clap::Args)]
pub struct LogbookArgs {
    /// Which unit
    #[arg(value_name = "SITE/UNIT")]
    unit: UnitId,
    #[command(flatten)]
    config: ConfigArg,
    /// JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// CSV that `study --service` understands
    #[arg(long)]
    csv: bool,
}

/// Shows the history.
pub fn run(args: &LogbookArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let Answer::Logbook(entries) = data::ask(&config, &Query::Logbook { unit: args.unit.clone() }, offline::open)?
    else {
        return Err(data::unexpected());
    };
    if args.json {
        return output::print_json(&route::Logbook { entries });
    }
    if args.csv {
        return output::print_with(|out| files::service::write(&entries, out));
    }
    let zone = config.units.iter().find(|spec| spec.id == args.unit).map_or(TimeZone::UTC, |spec| spec.zone.clone());
    output::print(&report::logbook::text(&args.unit, &entries, &zone, style))
}
