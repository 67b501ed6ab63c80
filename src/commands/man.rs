//! `man`: the manual page.

use clap::{Args, CommandFactory};
use clap_mangen::Man;

use crate::cli::Cli;
use crate::console::Console;
use crate::failure::Failure;

/// Options of `man`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort man > fitcohort.1
  fitcohort man query > fitcohort-query.1")]
pub(crate) struct Arguments {
    /// The page of one command; the page of the program where none is named
    #[arg(value_name = "COMMAND")]
    pub(crate) command: Option<String>,
}

pub(crate) fn run(arguments: &Arguments, console: &Console) -> Result<(), Failure> {
    let mut program = Cli::command();
    program.build();
    let page = match &arguments.command {
        None => program,
        Some(name) => program.find_subcommand(name).cloned().ok_or_else(|| {
            Failure::usage(
                format!("there is no command {name}"),
                "see `fitcohort --help`",
            )
        })?,
    };
    let mut roff = Vec::new();
    Man::new(page)
        .render(&mut roff)
        .map_err(|error| Failure::ours(format!("cannot make the manual page: {error}")))?;
    console.result(&String::from_utf8_lossy(&roff))
}
