//! The benchmarks: `cargo bench`, or some of them: `cargo bench -- decode study outside intake store fleet pages`; with SQLite and
//! VictoriaMetrics beside the store: `cargo bench --features beside`.
//!
//! One table from one run, so that the ratios compare what met the same machine at the same time.

#![expect(clippy::print_stdout, reason = "printing the table is what it is for")]

#[cfg(feature = "beside")]
mod beside;
mod decode;
mod fleet;
mod intake;
mod outside;
mod pages;
mod store;
mod study;
mod table;
mod timing;

use std::time::Instant;

use table::Row;

/// What one part has measured, or why it could not.
type Part = fn() -> Result<Vec<Row>, String>;

fn main() {
    #[cfg(feature = "beside")]
    if beside::child() {
        return;
    }
    let args: Vec<String> = std::env::args().skip(1).collect();
    if !args.iter().any(|arg| arg == "--bench") {
        println!("nothing is measured in a test run; use cargo bench");
        return;
    }
    let named: Vec<&str> = args.iter().map(String::as_str).filter(|arg| !arg.starts_with('-')).collect();
    let wanted = |name: &str| named.is_empty() || named.contains(&name);
    let begun = Instant::now();
    println!("{}", table::head());
    let parts: &[(&str, Part)] = &[
        ("decode", || Ok(decode::run())),
        ("study", || Ok(study::run())),
        ("outside", outside::run),
        ("intake", intake::run),
        ("store", || Ok(store::run())),
        ("fleet", fleet::run),
        ("pages", pages::run),
        #[cfg(feature = "beside")]
        ("beside", beside::run),
    ];
    for (name, run) in parts.iter().filter(|(name, _)| wanted(name)) {
        match run() {
            Ok(rows) => rows.iter().for_each(|row| println!("{row}")),
            Err(why) => println!("  {name}: {why}"),
        }
    }
    println!(
        "  {:.0} s in all; decode, study, intake: medians of several runs, store: one run; {}",
        begun.elapsed().as_secs_f64(),
        machine()
    );
}

fn machine() -> String {
    let cores = std::thread::available_parallelism().map_or(0, std::num::NonZero::get);
    format!("{cores} cores, {} {}", std::env::consts::OS, std::env::consts::ARCH)
}
