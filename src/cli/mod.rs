//! The commands: one file each. Data on stdout, diagnostics on stderr.

pub mod access;
pub mod alert_test;
pub mod alerts;
mod allocator;
pub mod backup;
pub mod check;
pub mod data;
pub mod demo;
pub mod export;
pub mod grade;
pub mod import;
pub mod interrupt;
pub mod live;
pub mod log;
pub mod logbook;
pub mod month;
pub mod offline;
pub mod out_file;
pub mod output;
pub mod progress;
pub mod restore;
pub mod round;
pub mod sheet;
pub mod study;
pub mod trend;
pub mod unit_files;
pub mod units;
pub mod verify;
pub mod watch;
pub mod way;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{ColorChoice, Parser, Subcommand};

/// Why the light of a small UV unit is fading, when it will be too little, and what to bring.
#[derive(Debug, Parser)]
#[command(name = "fadeline", version, max_term_width = 100, after_help = EXIT_CODES)]
pub struct Cli {
    /// Colour on the terminal (auto: only there, and not with NO_COLOR)
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    color: ColorChoice,
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 ok, 1 failure, 64 usage, 65 bad input data, 69 broker or daemon out of reach, \
                          74 input, output or store, 78 config.\n\nFadeline never says that water is safe to drink. \
                          The papers of the unit and the local authority decide.";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon
    Watch(watch::WatchArgs),
    /// Show an invented fleet at work: nothing to install, nothing to configure
    Demo(demo::DemoArgs),
    /// Find every mistake in the config at once
    Check(check::CheckArgs),
    /// Study one unit's history from a file: what costs it light, and until when it lasts
    Study(study::StudyArgs),
    /// Repeat the study at past dates and score what it then said against what came
    Grade(grade::GradeArgs),
    /// List the units, worst first
    Units(units::UnitsArgs),
    /// Show the days of a unit
    Trend(trend::TrendArgs),
    /// List live alerts; acknowledge, silence or reopen them
    Alerts(alerts::AlertsArgs),
    /// Send a test message through every channel of the config
    AlertTest(alert_test::AlertTestArgs),
    /// Show the service history of a unit
    Logbook(logbook::LogbookArgs),
    /// Record a service action
    Log(log::LogArgs),
    /// Bring readings or service histories in from files
    Import(import::ImportArgs),
    /// Write readings or service histories to a file: CSV, SenML or Parquet
    Export(export::ExportArgs),
    /// Write everything into one file, while the daemon goes on
    Backup(backup::BackupArgs),
    /// Bring a backup back into an empty data directory
    Restore(restore::RestoreArgs),
    /// Read everything that is stored, or a backup, and check it
    Verify(verify::VerifyArgs),
    /// One page about a unit before the trip
    Sheet(sheet::SheetArgs),
    /// The next trip: which sites, on which day, with which parts
    Round(round::RoundArgs),
    /// The monthly record of a site; not a regulatory form
    Month(month::MonthArgs),
    /// Who may open the pages: users and tokens
    Access(access::AccessArgs),
}

/// Where the config is; for the commands that need the daemon's data.
#[derive(Clone, Debug, clap::Args)]
pub struct ConfigArg {
    /// The config [default: FADELINE_CONFIG, else ./fadeline.toml, else /etc/fadeline/fadeline.toml]
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
}

/// Runs the command the program was called with.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version come this way too. A closed pipe is no failure.
            let _ = e.print();
            return if e.use_stderr() { Exit::Usage.into() } else { ExitCode::SUCCESS };
        }
    };
    if matches!(cli.command, Command::Watch(_) | Command::Demo(_)) {
        allocator::settle();
    }
    match dispatch(&cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            output::complain(&failure.text);
            failure.kind.into()
        }
    }
}

fn dispatch(cli: &Cli) -> Result<(), Failure> {
    let style = output::style(cli.color);
    match &cli.command {
        Command::Watch(args) => watch::run(args),
        Command::Demo(args) => demo::run(args, style),
        Command::Check(args) => check::run(args, &live::check),
        Command::Study(args) => study::run(args, style),
        Command::Grade(args) => grade::run(args, style),
        Command::Units(args) => units::run(args, style),
        Command::Trend(args) => trend::run(args, style),
        Command::Alerts(args) => alerts::run(args, style),
        Command::AlertTest(args) => alert_test::run(args),
        Command::Logbook(args) => logbook::run(args, style),
        Command::Log(args) => log::run(args),
        Command::Import(args) => import::run(args),
        Command::Export(args) => export::run(args),
        Command::Backup(args) => backup::run(args),
        Command::Restore(args) => restore::run(args),
        Command::Verify(args) => verify::run(args),
        Command::Sheet(args) => sheet::run(args, style),
        Command::Round(args) => round::run(args),
        Command::Month(args) => month::run(args),
        Command::Access(args) => access::run(args),
    }
}

/// How a command ends other than well: the exit code of the contract and a text for stderr.
#[derive(Debug)]
pub struct Failure {
    /// Which kind.
    pub kind: Exit,
    /// Lower-case fragment (or several lines) that names the value, the place and the remedy.
    pub text: String,
}

/// Exit codes of the contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// A bug or a failure without a better name.
    Failure = 1,
    /// Wrong use of the command.
    Usage = 64,
    /// Bad input data.
    BadData = 65,
    /// Broker or daemon out of reach.
    Unavailable = 69,
    /// Input, output or the store failed.
    Io = 74,
    /// A mistake in the config.
    Config = 78,
}

impl Failure {
    /// A failure with its text.
    pub fn new(kind: Exit, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
