//! The command line of fitcohort: a thin layer over the library crates.
//!
//! Each command has its options and its work in one file of `commands`; errors become one sentence, the place and what
//! to do in [`failure`]; what is said goes through [`console`].

mod cli;
mod commands;
mod console;
mod failure;
mod intake;
mod selection;
mod threads;

use std::process::ExitCode;
use std::sync::Mutex;

use clap::Parser;

use cli::Cli;
use console::Console;
use failure::Failure;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let console = Console::new(&cli.common);
    // A panic is a fault of ours and is said as such, once; one inside a decoder is caught where the file is known.
    std::panic::set_hook(Box::new(remember_place));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        threads::limit(&cli.common).and_then(|()| commands::run(&cli, &console))
    }));
    let outcome = outcome.unwrap_or_else(|_| Err(Failure::panicked(last_place().as_deref())));
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            console.failure(&failure);
            ExitCode::from(failure.code())
        }
    }
}

/// Where the program gave up last.
static PLACE: Mutex<Option<String>> = Mutex::new(None);

/// Keeps the place in our source; the reason may hold what was delivered.
fn remember_place(info: &std::panic::PanicHookInfo<'_>) {
    if let (Some(place), Ok(mut kept)) = (info.location(), PLACE.lock()) {
        *kept = Some(format!("{}:{}", place.file(), place.line()));
    }
}

fn last_place() -> Option<String> {
    PLACE.lock().ok().and_then(|place| place.clone())
}

/// Where some work gives up.
#[cfg(test)]
fn place_of<T>(work: impl FnOnce() -> T) -> Option<String> {
    std::panic::set_hook(Box::new(remember_place));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
    let _ = std::panic::take_hook();
    outcome.err().and_then(|_| last_place())
}
