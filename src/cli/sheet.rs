//! `fadeline sheet`: one page about a unit before the trip.

use std::path::PathBuf;

use crate::config::Config;
use crate::domain::UnitId;
use crate::query::dossier::Dossier;
use crate::query::series::Series;
use crate::query::{Answer, Query};
use crate::report::{Style, sheet};
use crate::{clock, page, paper};

use super::round::{frame, write_paper, zone_of};
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
    /// One page of A4 with the trend, to this file (`-`: standard output)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["html", "text"])]
    pdf: Option<PathBuf>,
}

/// Shows the sheet.
pub fn run(args: &SheetArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let dossier = dossier(&config, &args.unit)?;
    if let Some(file) = &args.pdf {
        let series = last_year(&config, &args.unit, &dossier)?;
        return write_paper(file, &paper::sheet::sheet(&dossier, &series, clock::now()));
    }
    if args.html {
        let series = last_year(&config, &args.unit, &dossier)?;
        return output::print(&page::sheet::page(&frame(), &dossier, &series));
    }
    let today = clock::now().date_in(&zone_of(&config, args.unit.site()));
    output::print(&sheet::text(&dossier, today, style))
}

/// Everything known of a unit.
pub(super) fn dossier(config: &Config, unit: &UnitId) -> Result<Box<Dossier>, Failure> {
    match data::ask(config, &Query::Dossier { unit: unit.clone() }, offline::open)? {
        Answer::Dossier(dossier) => Ok(dossier),
        _ => Err(data::unexpected()),
    }
}

/// The year up to its latest reading.
pub(super) fn last_year(config: &Config, unit: &UnitId, dossier: &Dossier) -> Result<Box<Series>, Failure> {
    let span = dossier.last_year(clock::now());
    match data::ask(config, &Query::Readings { unit: unit.clone(), span }, offline::open)? {
        Answer::Readings(series) => Ok(series),
        _ => Err(data::unexpected()),
    }
}
