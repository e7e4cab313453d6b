//! `fadeline alerts`: what wants somebody, and what people say to it.

use std::fmt::Write as _;

use clap::Subcommand;
use jiff::tz::TimeZone;

use crate::alert::site::SITE_SILENT;
use crate::alert::{Kind, Level, Live, Order, OrderKind, Standing};
use crate::clock;
use crate::config::Config;
use crate::domain::{Timestamp, UnitId};
use crate::mqtt::encode::{ALL_KINDS, WHOLE_SITE};
use crate::query::{Answer, OrderQuery, Query};
use crate::report::{Style, words};
use crate::web::route;

use super::{ConfigArg, Exit, Failure, data, log, offline, output};

/// Arguments of `alerts`.
#[derive(Clone, Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct AlertsArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// JSON
    #[arg(long)]
    json: bool,
    #[command(subcommand)]
    order: Option<OrderCommand>,
}

/// What to do with alerts.
#[derive(Clone, Debug, Subcommand)]
pub enum OrderCommand {
    /// Somebody looks after it: nobody is told again unless it gets worse
    Ack(OrderArgs),
    /// Nobody wants to hear of it until a time, unless it gets worse
    Silence(OrderArgs),
    /// Take both back
    Reopen(OrderArgs),
}

/// Which alerts, and what to note.
#[derive(Clone, Debug, clap::Args)]
pub struct OrderArgs {
    /// Which unit; SITE alone for the alert of a silent site
    #[arg(value_name = "SITE/UNIT")]
    target: String,
    /// Which kind of alert [default: every one of the unit]
    kind: Option<Kind>,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Why, or what will be done
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Until when: RFC 3339, the site's own time, or a day (its end is taken)
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    #[command(flatten)]
    config: ConfigArg,
}

/// Lists the alerts, or does what was asked for.
pub fn run(args: &AlertsArgs, style: Style) -> Result<(), Failure> {
    let (what, order) = match &args.order {
        Some(OrderCommand::Ack(order)) => (OrderKind::Acknowledge, order),
        Some(OrderCommand::Silence(order)) => (OrderKind::Silence, order),
        Some(OrderCommand::Reopen(order)) => (OrderKind::Reopen, order),
        None => return list(args, style),
    };
    let config = data::load(&order.config)?;
    let query = query(what, order, &config)?;
    match data::ask(&config, &Query::Order(query), offline::open)? {
        Answer::Ordered(1) => output::print("done: one alert\n"),
        Answer::Ordered(count) => output::print(&format!("done: {count} alerts\n")),
        _ => Err(data::unexpected()),
    }
}

fn query(what: OrderKind, args: &OrderArgs, config: &Config) -> Result<OrderQuery, Failure> {
    let usage = |says: String| Failure::new(Exit::Usage, says);
    let (site, unit, kind) = match args.target.split_once('/') {
        None => (args.target.clone(), WHOLE_SITE.to_owned(), SITE_SILENT.to_owned()),
        Some(_) => {
            let id: UnitId = args.target.parse().map_err(|error| usage(format!("{error}")))?;
            let kind = args.kind.map_or(ALL_KINDS, Kind::name).to_owned();
            (id.site().to_owned(), id.unit().to_owned(), kind)
        }
    };
    let zone = zone_of(&site, config);
    let end_of_day = |day| Some(Timestamp::day_bounds(day, &zone).1);
    let until = args.until.as_deref().map(|text| log::time_or_day("--until", text, &zone, end_of_day));
    let until = until.transpose().map_err(usage)?;
    let order = Order { what, by: args.by.clone(), note: args.note.clone(), until };
    Ok(OrderQuery { site, unit, kind, order })
}

fn zone_of(site: &str, config: &Config) -> TimeZone {
    config.units.iter().find(|spec| spec.id.site() == site).map_or(TimeZone::UTC, |spec| spec.zone.clone())
}

fn list(args: &AlertsArgs, style: Style) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    let Answer::Alerts(alerts) = data::ask(&config, &Query::Alerts, offline::open)? else {
        return Err(data::unexpected());
    };
    if args.json {
        return output::print_json(&route::Alerts { alerts });
    }
    output::print(&text(&alerts, &config, style, clock::now()))
}

/// Every alert with its four sentences.
fn text(alerts: &[Live], config: &Config, style: Style, now: Timestamp) -> String {
    if alerts.is_empty() {
        return "nothing wants you\n".to_owned();
    }
    let mut out = String::new();
    for alert in alerts {
        let (place, title, level, state, since, lines) = match alert {
            Live::Unit(a) => {
                let lines = [&a.says, &a.sure, &a.first, &a.caution];
                (format!("{}/{}", a.site, a.unit), a.kind.title(), a.level, a.state, a.since, lines)
            }
            Live::Site(a) => {
                let lines = [&a.says, &a.sure, &a.first, &a.caution];
                (a.site.clone(), "Site silent", a.level, a.state, a.since, lines)
            }
        };
        let zone = zone_of(place.split('/').next().unwrap_or_default(), config);
        let who = acknowledged_by(alert, now);
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{place}: {title} ({}{}) since {}{who}",
            level_word(level),
            state_word(state),
            words::instant(since, &zone)
        );
        for (label, line) in ["  known:   ", "  sure:    ", "  first:   ", "  caution: "].into_iter().zip(lines) {
            out += &style.block(label, label.len(), line);
        }
    }
    out
}

fn acknowledged_by(alert: &Live, now: Timestamp) -> String {
    let word = match alert {
        Live::Unit(alert) => &alert.acknowledged,
        Live::Site(alert) => &alert.acknowledged,
    };
    word.as_ref()
        .filter(|word| word.counts(now))
        .and_then(|word| word.by.as_ref())
        .map_or_else(String::new, |by| format!(", by {by}"))
}

fn level_word(level: Level) -> &'static str {
    level.name()
}

fn state_word(state: Standing) -> &'static str {
    match state {
        Standing::Raised => "",
        Standing::Acknowledged => ", acknowledged",
        Standing::Silenced => ", silenced",
        Standing::Held => ", held",
    }
}
