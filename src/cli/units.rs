//! `fadeline units`: the fleet, worst first.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use crate::clock;
use crate::domain::{IntensityUnit, UnitId};
use crate::query::{Answer, Query, UnitRow, UnknownUnit};
use crate::report::Style;
use crate::report::fleet::{self, FleetRow, Look};
use crate::web::route;

use super::{ConfigArg, Failure, data, offline, output};

/// Arguments of `units`.
#[derive(Clone, Debug, clap::Args)]
pub struct UnitsArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// JSON: every unit with its assessment
    #[arg(long)]
    json: bool,
    /// Units that send readings but stand in no config
    #[arg(long)]
    unknown: bool,
}

/// Lists the units.
pub fn run(args: &UnitsArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let query = if args.unknown { Query::Unknown } else { Query::Units };
    match data::ask(&config, &query, offline::open)? {
        Answer::Units(units) if args.json => output::print_json(&route::Units { units }),
        Answer::Units(units) => {
            let rows: Vec<FleetRow> = units.into_iter().filter_map(fleet_row).collect();
            let look = Look { columns: style.width, colour: style.colour };
            output::print(&fleet::table(&rows, look, clock::now()))
        }
        Answer::Unknown(unknown) if args.json => output::print_json(&route::Unknown { unknown }),
        Answer::Unknown(unknown) => output::print(&unknown_table(&unknown)),
        _ => Err(data::unexpected()),
    }
}

fn fleet_row(row: UnitRow) -> Option<FleetRow> {
    let percent = row.intensity_unit == IntensityUnit::Percent.symbol();
    Some(FleetRow {
        id: UnitId::new(&row.site, &row.unit).ok()?,
        name: row.name,
        zone: TimeZone::get(&row.zone).unwrap_or(TimeZone::UTC),
        condition: row.condition,
        intensity: row.assessment.as_ref().and_then(|a| a.reading.as_ref()).map(|reading| reading.intensity),
        unit: if percent { IntensityUnit::Percent } else { IntensityUnit::MilliwattPerCm2 },
        set_point: row.set_point,
        assessment: row.assessment,
    })
}

fn unknown_table(unknown: &[UnknownUnit]) -> String {
    if unknown.is_empty() {
        return "every unit that sends readings stands in the config\n".to_owned();
    }
    let mut text = format!("{:<42}{:>10}  last reading\n", "unit", "readings");
    for unit in unknown {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{:<42}{:>10}  {}", unit.unit, unit.readings, unit.last);
    }
    text.push_str("their readings are kept; add them to the config as [[unit]] to have them judged\n");
    text
}
