//! Scores the assessment on simulated units of every kind, and prints the figures of each.
//!
//! `cargo run --release --example evaluate -- [--kinds usual,hard] [--seeds 0..100] [--cache DIR] [--worst] [--rows]`
//! `[--found] [--cleaned] [--change] [--oracle log,lamp,...]`. Single-threaded. The same seeds give the same units.

#![expect(clippy::print_stdout, reason = "figures on standard output are what this command is for")]

mod change;
mod cleaned;
mod found;
mod oracle;
mod score;
mod unit;

use std::path::PathBuf;

use fadeline::scenario::Kind;
use jiff::civil::Date;

use oracle::Oracle;
use score::Score;
use unit::Unit;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let value = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1)).cloned();
    let given = |name: &str| args.iter().any(|a| a == name);
    let kinds = value("--kinds").map_or(Kind::ALL.to_vec(), |names| {
        Kind::ALL.into_iter().filter(|k| names.split(',').any(|n| n == k.name())).collect()
    });
    let seeds = value("--seeds").unwrap_or_else(|| "0..20".to_owned());
    let (from, to) = seeds.split_once("..").expect("--seeds FROM..TO");
    let seeds = from.parse::<u64>().expect("a number")..to.parse::<u64>().expect("a number");
    let cache = value("--cache").map(PathBuf::from);
    let oracles = value("--oracle").map(|list| Oracle::named(&list)).unwrap_or_default();
    let (only_found, only_cleaned, only_change) = (given("--found"), given("--cleaned"), given("--change"));
    for kind in kinds {
        let mut score = Score::default();
        let mut found = found::Found::default();
        let mut cleaned = cleaned::Cleaned::default();
        let mut change = change::Change::default();
        for seed in seeds.clone() {
            let unit = Unit::new(kind, seed, cache.as_deref(), &oracles);
            if only_found {
                found.score(&unit, given("--worst"), given("--list"));
                continue;
            }
            if only_cleaned {
                cleaned.score(&unit, given("--worst"));
                continue;
            }
            if only_change {
                unit.moments().into_iter().for_each(|(date, _)| change.score(&unit, date));
                continue;
            }
            if given("--show") {
                unit.show();
            }
            if let Some(date) = value("--date") {
                let date: Date = date.parse().expect("a date");
                unit.tell(&unit.assess(unit.after(date)).0, date);
                continue;
            }
            let mut said = Vec::new();
            for (date, horizon) in unit.moments() {
                let (found, took) = unit.assess(unit.after(date));
                if given("--worst") {
                    unit.tell(&found, date);
                }
                if given("--rows") {
                    unit.rows(&found, date, horizon);
                }
                said.push((date, horizon, found, took));
            }
            score.unit(&unit, &said, &unit.assess(unit.plan.to).0);
        }
        if only_found {
            found.print(kind);
        } else if only_cleaned {
            cleaned.print(kind);
        } else if only_change {
            change.print(kind);
        } else {
            score.print(kind);
        }
    }
}
