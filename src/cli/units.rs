//! `fadeline units`: the fleet, worst first.

use std::fmt::Write as _;

use crate::clock;
use crate::query::{Answer, Query, UnknownUnit};
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
            let rows: Vec<FleetRow> = units.into_iter().filter_map(FleetRow::of).collect();
            let look = Look { columns: style.width, colour: style.colour };
            output::print(&fleet::table(&rows, look, clock::now()))
        }
        Answer::Unknown(unknown) if args.json => output::print_json(&route::Unknown { unknown }),
        Answer::Unknown(unknown) => output::print(&unknown_table(&unknown)),
        _ => Err(data::unexpected()),
    }
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
    text.push_str("their readings are not kept; add them to the config as [[unit]] and they are from then on\n");
    text
}
