//! `fadeline month`: the monthly record of a site.

use std::path::PathBuf;

use crate::clock;
use crate::page;
use crate::paper;
use crate::query::{Answer, Query};
use crate::report::month;

use super::round::{frame, write_paper, zone_of};
use super::{ConfigArg, Failure, data, offline, output};

/// Arguments of `month`.
#[derive(Clone, Debug, clap::Args)]
pub struct MonthArgs {
    /// Which site
    #[arg(value_name = "SITE")]
    site: String,
    /// Which month
    #[arg(value_name = "YYYY-MM")]
    month: String,
    #[command(flatten)]
    config: ConfigArg,
    /// JSON
    #[arg(long)]
    json: bool,
    /// CSV: a row a unit and day
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// A page to print
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    html: bool,
    /// Pages of A4, to this file (`-`: standard output)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["json", "csv", "html"])]
    pdf: Option<PathBuf>,
}

/// Shows the record.
pub fn run(args: &MonthArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let query = Query::Month { site: args.site.clone(), month: args.month.clone() };
    let Answer::Month(record) = data::ask(&config, &query, offline::open)? else {
        return Err(data::unexpected());
    };
    if args.json {
        return output::print_json(&record);
    }
    if args.csv {
        return output::print_with(|out| {
            let mut writer = csv::Writer::from_writer(out);
            writer.write_record(month::CSV_HEADER)?;
            for unit in &record.units {
                unit.days.iter().try_for_each(|day| writer.write_record(month::csv_row(unit, day)))?;
            }
            writer.flush()
        });
    }
    if let Some(file) = &args.pdf {
        return write_paper(file, &paper::month::month(&record, &zone_of(&config, &args.site), clock::now()));
    }
    output::print(&if args.html {
        page::month::page(&frame(), &record, &zone_of(&config, &args.site))
    } else {
        month::text(&record, &zone_of(&config, &args.site))
    })
}
