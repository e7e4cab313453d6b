//! `fadeline trend`: the days of a unit.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use crate::config::Config;
use crate::domain::{Assessment, UnitId};
use crate::page::chart::Chart;
use crate::page::frame::zone_of;
use crate::paper::picture;
use crate::query::{Answer, Query, Trend};
use crate::report::Style;
use crate::report::trend::{CSV_HEADER, TrendDay, TrendPage, csv_row};

use super::out_file::write_whole;
use super::sheet::{dossier, last_year};
use super::{ConfigArg, Exit, Failure, data, offline, output};

/// Arguments of `trend`.
#[derive(Clone, Debug, clap::Args)]
pub struct TrendArgs {
    /// Which unit
    #[arg(value_name = "SITE/UNIT")]
    unit: UnitId,
    #[command(flatten)]
    config: ConfigArg,
    /// JSON: the days with everything known about them, and the service log
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// CSV: a row a day
    #[arg(long)]
    csv: bool,
    /// SVG: the chart of the last year, with its legend
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    svg: bool,
    /// The same as PNG, to this file (`-`: standard output)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "csv", "svg"])]
    png: Option<PathBuf>,
}

/// Shows the days.
pub fn run(args: &TrendArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    if args.svg {
        return output::print(&(picture(&config, &args.unit)? + "\n"));
    }
    if let Some(file) = &args.png {
        let png = picture::png(&picture(&config, &args.unit)?);
        return write_whole(file, &png.map_err(|e| Failure::new(Exit::Failure, e.to_string()))?);
    }
    let Answer::Trend(trend) = data::ask(&config, &Query::Trend { unit: args.unit.clone() }, offline::open)? else {
        return Err(data::unexpected());
    };
    if args.json {
        return output::print_json(&trend);
    }
    if args.csv {
        return print_csv(&trend);
    }
    // A unit without an assessment still has days to show.
    let assessment = match data::ask(&config, &Query::Assessment { unit: args.unit.clone() }, offline::open) {
        Ok(Answer::Assessment(assessment)) => Some(assessment),
        _ => None,
    };
    let zone = config.units.iter().find(|spec| spec.id == args.unit).map_or(TimeZone::UTC, |spec| spec.zone.clone());
    output::print(&page(&trend, assessment.as_deref(), &zone).render(style))
}

/// The chart of the last year, as the unit's page shows it.
fn picture(config: &Config, unit: &UnitId) -> Result<String, Failure> {
    let dossier = dossier(config, unit)?;
    let series = last_year(config, unit, &dossier)?;
    let Answer::Course(past) = data::ask(config, &Query::Course { unit: unit.clone() }, offline::open)? else {
        return Err(data::unexpected());
    };
    let zone = zone_of(&dossier.row);
    let chart = Chart { past: &past, ..picture::chart(&dossier, &series, &zone) };
    Ok(picture::svg(&dossier, &chart))
}

fn page<'a>(trend: &'a Trend, assessment: Option<&'a Assessment>, zone: &'a TimeZone) -> TrendPage<'a> {
    TrendPage {
        site: &trend.site,
        unit: &trend.unit,
        intensity_unit: &trend.intensity_unit,
        set_point: trend.set_point,
        days: &trend.days,
        log: &trend.log,
        unlogged: assessment.map_or(&[], |a| &a.unlogged),
        episodes: assessment.map_or(&[], |a| &a.episodes),
        zone,
    }
}

fn print_csv(trend: &Trend) -> Result<(), Failure> {
    output::print_with(|out| {
        let mut writer = csv::Writer::from_writer(out);
        writer.write_record(CSV_HEADER)?;
        for day in &trend.days {
            writer.write_record(csv_row(&TrendDay::from(day)))?;
        }
        writer.flush()
    })
}
