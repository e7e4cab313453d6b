//! `fadeline sheet`: one page about a unit before the trip.

use crate::clock;
use crate::domain::UnitId;
use crate::domain::time::DAY;
use crate::page;
use crate::query::series::Span;
use crate::query::{Answer, Query};
use crate::report::{Style, sheet};

use super::round::{frame, zone_of};
use super::{ConfigArg, Failure, data, offline, output};

/// Arguments of `sheet`.
#[derive(Clone, Debug, clap::Args)]
pub struct SheetArgs {
    /// Which unit
    #[arg(value_name = "SITE/UNIT")]
    unit: UnitId,
    #[command(flatten)]
    config: ConfigArg,
    /// A page to print, with the trend
    #[arg(long)]
    html: bool,
    /// Text (the default)
    #[arg(long, conflicts_with = "html")]
    text: bool,
}

/// Shows the sheet.
pub fn run(args: &SheetArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let unit = args.unit.clone();
    let Answer::Dossier(dossier) = data::ask(&config, &Query::Dossier { unit: unit.clone() }, offline::open)? else {
        return Err(data::unexpected());
    };
    if !args.html {
        let today = clock::now().date_in(&zone_of(&config, unit.site()));
        return output::print(&sheet::text(&dossier, today, style));
    }
    let to = dossier.row.reading.as_ref().map_or_else(clock::now, |reading| reading.at).plus_millis(1);
    let span = Span { from: Some(to.plus_millis(-365 * DAY)), to: Some(to), ..Span::default() };
    let Answer::Readings(series) = data::ask(&config, &Query::Readings { unit, span }, offline::open)? else {
        return Err(data::unexpected());
    };
    output::print(&page::sheet::page(&frame(), &dossier, &series))
}
