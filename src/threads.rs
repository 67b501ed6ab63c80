//! Limits the number of threads. Our own pool is set here; the query engine reads its number from the environment when
//! it first runs, and the environment of a running process is not ours to change safely. So a limited run starts the
//! same program again with the variable set.

use std::process::Command;

use crate::cli::Common;
use crate::failure::Failure;

/// The variable from which the query engine takes its number of threads.
const VARIABLE: &str = "POLARS_MAX_THREADS";

/// Puts `--threads` in force.
pub(crate) fn limit(common: &Common) -> Result<(), Failure> {
    let Some(threads) = common.threads else {
        return Ok(());
    };
    let wanted = threads.to_string();
    if std::env::var(VARIABLE).is_ok_and(|set| set == wanted) {
        return rayon::ThreadPoolBuilder::new()
            .num_threads(threads.into())
            .build_global()
            .map_err(|error| Failure::ours(format!("cannot start {threads} threads: {error}")));
    }
    let failed = |error: std::io::Error| {
        Failure::ours(format!(
            "cannot start again with {threads} threads: {error}"
        ))
    };
    let mut again = Command::new(std::env::current_exe().map_err(failed)?);
    again
        .args(std::env::args_os().skip(1))
        .env(VARIABLE, wanted);
    start(&mut again)
}

#[cfg(unix)]
fn start(again: &mut Command) -> Result<(), Failure> {
    use std::os::unix::process::CommandExt;
    // The program is replaced; this returns only where it could not be.
    Err(Failure::ours(format!(
        "cannot start again: {}",
        again.exec()
    )))
}

#[cfg(not(unix))]
fn start(again: &mut Command) -> Result<(), Failure> {
    let status = again
        .status()
        .map_err(|error| Failure::ours(format!("cannot start again: {error}")))?;
    std::process::exit(status.code().unwrap_or(70));
}
