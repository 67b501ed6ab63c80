//! The commands, one file each.

pub(crate) mod check;
pub(crate) mod compact;
pub(crate) mod completions;
pub(crate) mod demo;
pub(crate) mod export;
pub(crate) mod ingest;
pub(crate) mod man;
pub(crate) mod query;
pub(crate) mod report;
pub(crate) mod synthesize;
pub(crate) mod verify;

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
        Command::Export(arguments) => export::run(arguments, common, console),
        Command::Verify(arguments) => verify::run(arguments, console),
        Command::Compact(arguments) => compact::run(arguments, console),
        Command::Completions(arguments) => completions::run(arguments, console),
        Command::Man(arguments) => man::run(arguments, console),
    }
}
