//! Prints what a year of alerts of a simulated fleet looks like: how many of each kind a unit has, how many treatment
//! alerts were not true, how far ahead cleaning alerts came, and whether a restart changes anything.
//!
//! `cargo run --release --example fleet_year -- [--units 100] [--seed 60000] [--list]`; single-threaded.
//! `--list` prints every alert, `--kind usual` lives the years of one kind only.

#![expect(clippy::print_stdout, reason = "figures on standard output are what this command is for")]

mod year;

use std::collections::BTreeMap;

use fadeline::alert::{Kind as Alert, What};
use fadeline::scenario::Kind;
use year::{Unit, Year, median};

/// The mix of a hundred units: mostly ordinary ones.
const MIX: [(Kind, u64); 7] = [
    (Kind::Usual, 50),
    (Kind::FastFouling, 10),
    (Kind::Healthy, 10),
    (Kind::NeverCrosses, 10),
    (Kind::LampOnly, 8),
    (Kind::SensorOnly, 6),
    (Kind::WaterOnly, 6),
];

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let value = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1)).cloned();
    let number = |name: &str, usual: u64| value(name).map_or(usual, |text| text.parse().expect("a number"));
    let (units, seed) = (number("--units", 100), number("--seed", 60_000));
    let mut sum = Year::default();
    let (mut lived, mut changed) = (0_u64, Vec::new());
    let (list, only) = (args.iter().any(|a| a == "--list"), value("--kind"));
    for (kind, share) in MIX.into_iter().filter(|(kind, _)| only.as_ref().is_none_or(|only| only == kind.name())) {
        for i in 0..(share * units).div_ceil(100) {
            let mut unit = Unit::new(kind, seed + i);
            let mut year = unit.year();
            let restarted = unit.live(true);
            let news = year.news.iter().filter(|_| list);
            news.for_each(|(alert, what, at)| println!("news: {kind}-{} {at} {alert} {what:?}", seed + i));
            if let Some((with, without)) = restarted.iter().zip(&year.news).find(|(with, without)| with != without) {
                println!("a restart changes: {kind}-{}: {with:?} instead of {without:?}", seed + i);
            }
            if restarted != year.news {
                changed.push(format!("{kind}-{}", seed + i));
            }
            for (at, ratio) in &year.untrue {
                println!("not true: {kind}-{} at {at}, the light at {ratio:.3} of the set point", seed + i);
            }
            for (alert, at) in &year.flaps {
                println!("flaps: {kind}-{} {alert} at {at}", seed + i);
            }
            for date in &year.missed {
                println!("missed: {kind}-{} on {date}", seed + i);
            }
            lived += 1;
            sum.news.append(&mut year.news);
            sum.untrue.append(&mut year.untrue);
            sum.flaps.append(&mut year.flaps);
            sum.leads.append(&mut year.leads);
            sum.missed.append(&mut year.missed);
            sum.needless += year.needless;
            sum.crossings += year.crossings;
            sum.sudden += year.sudden;
            sum.just_lit += year.just_lit;
            sum.by_noise += year.by_noise;
            year.dark.iter().for_each(|(why, count)| *sum.dark.entry(why).or_default() += count);
        }
    }
    print(&sum, lived, &changed);
}

fn print(sum: &Year, units: u64, changed: &[String]) {
    let mut counts: BTreeMap<Alert, usize> = BTreeMap::new();
    for (kind, what, _) in &sum.news {
        *counts.entry(*kind).or_default() += usize::from(*what == What::Raised);
    }
    println!("\n| alert | raised in {units} unit-years | per unit-year |\n|---|---|---|");
    for kind in Alert::ALL {
        let count = counts.get(kind).copied().unwrap_or(0);
        println!("| {kind} | {count} | {:.2} |", count as f64 / units as f64);
    }
    let total: usize = counts.values().sum();
    println!("| all | {total} | {:.2} |", total as f64 / units as f64);
    println!("\nno light was: {:?}", sum.dark);
    println!(
        "treatment alerts not true: {}; by a reading that noise of 3 to 3.9 standard deviations had lowered: {}; true, of a lamp just lit: {}",
        sum.untrue.len(),
        sum.by_noise,
        sum.just_lit
    );
    println!("flaps: {}", sum.flaps.len());
    println!(
        "cleaning alerts: median lead before the true crossing {:?} days ({} with one, {} without within a year)",
        median(sum.leads.clone()),
        sum.leads.len(),
        sum.needless
    );
    println!("true crossings: {} foreseeable, {} missed, {} sudden", sum.crossings, sum.missed.len(), sum.sudden);
    println!("units whose year a restart in the middle changes: {} {changed:?}", changed.len());
}
