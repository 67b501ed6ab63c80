//! The command line of fitcohort: a thin layer over the library crates.
//!
//! Each command has its options and its work in one file of `commands`; errors become one sentence, the place and what
//! to do in [`failure`]; what is said goes through [`console`].

mod cli;
mod commands;
mod console;
mod failure;
mod intake;
mod threads;

use std::process::ExitCode;

use clap::Parser;

use cli::Cli;
use console::Console;
use failure::Failure;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let console = Console::new(&cli.common);
    // A panic is a fault of ours and is said as such, once; one inside a decoder is caught where the file is known.
    std::panic::set_hook(Box::new(|_| {}));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        threads::limit(&cli.common).and_then(|()| commands::run(&cli, &console))
    }));
    match outcome.unwrap_or_else(|payload| Err(Failure::panicked(payload.as_ref()))) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            console.failure(&failure);
            ExitCode::from(failure.code())
        }
    }
}
