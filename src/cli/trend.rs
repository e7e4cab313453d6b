//! `fadeline trend`: the days of a unit.

use jiff::tz::TimeZone;

use crate::domain::{Assessment, UnitId};
use crate::query::{Answer, Query, Trend};
use crate::report::Style;
use crate::report::trend::{CSV_HEADER, TrendDay, TrendPage, csv_row};

use super::{ConfigArg, Failure, data, offline, output};

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
}

/// Shows the days.
pub fn run(args: &TrendArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
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
