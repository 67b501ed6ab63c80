//! The commands, one file each.

pub(crate) mod check;
pub(crate) mod completions;
pub(crate) mod demo;
pub(crate) mod identity;
pub(crate) mod ingest;
pub(crate) mod man;
pub(crate) mod query;
pub(crate) mod report;
pub(crate) mod synthesize;

use crate::cli::{Cli, Command};
use crate::console::Console;
use crate::failure::Failure;

/// Does what was asked for.
pub(crate) fn run(cli: &Cli, console: &Console) -> Result<(), Failure> {
    let common = &cli.common;
    match &cli.command {
        Command::Demo(arguments) => demo::run(arguments, common, console),
        Command::Synthesize(arguments) => synthesize::run(arguments, common, console),
        Command::Check(arguments) => check::run(arguments, common, console),
        Command::Ingest(arguments) => ingest::run(arguments, common, console),
        Command::Report(arguments) => report::run(arguments, common, console),
        Command::Query(arguments) => query::run(arguments, common, console),
        Command::Completions(arguments) => completions::run(arguments, console),
        Command::Man(arguments) => man::run(arguments, console),
    }
}
