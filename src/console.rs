//! What the program says: results on standard output, everything else on standard error.

use std::io::{IsTerminal, Write};

use fitcohort_pipeline::ingest::Progress;
use fitcohort_pipeline::store::WaitingFor;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::cli::Common;
use crate::failure::Failure;

/// Where and how much is said.
pub(crate) struct Console {
    quiet: bool,
    json: bool,
}

impl Console {
    pub(crate) fn new(common: &Common) -> Self {
        Self {
            quiet: common.quiet,
            json: common.json,
        }
    }

    /// Whether results are said as JSON.
    pub(crate) fn json(&self) -> bool {
        self.json
    }

    /// A result: it is what the command is for, so `--quiet` does not silence it.
    pub(crate) fn result(&self, text: &str) -> Result<(), Failure> {
        let mut out = std::io::stdout().lock();
        match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
            Ok(()) => Ok(()),
            // The reader has seen enough.
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            Err(error) => Err(Failure::write(
                std::path::Path::new("standard output"),
                &error,
            )),
        }
    }

    /// A summary for a person: words, or JSON where that was asked for; nothing under `--quiet`.
    pub(crate) fn summary(&self, words: &str, json: &serde_json::Value) -> Result<(), Failure> {
        if self.json {
            self.result(&format!("{json:#}\n"))
        } else if self.quiet {
            Ok(())
        } else {
            self.result(words)
        }
    }

    /// That another process has to end first, on standard error: a person wonders why nothing happens, a program does not.
    pub(crate) fn waiting(&self, whom: WaitingFor) {
        if self.quiet || self.json {
            return;
        }
        let text = match whom {
            WaitingFor::Writer => "waiting for another process that writes to the cohort\n",
            WaitingFor::Readers => "waiting for other processes that read the cohort\n",
        };
        // With standard error gone there is nobody left to tell.
        let _ = std::io::stderr().lock().write_all(text.as_bytes());
    }

    /// A failure, on standard error.
    pub(crate) fn failure(&self, failure: &Failure) {
        let text = if self.json {
            let value = serde_json::json!({
                "error": failure.sentence(),
                "advice": failure.advice(),
                "exit_code": failure.code(),
            });
            format!("{value:#}\n")
        } else {
            format!(
                "error: {}\n  what to do: {}\n",
                failure.sentence(),
                failure.advice()
            )
        };
        // With standard error gone there is nobody left to tell.
        let _ = std::io::stderr().lock().write_all(text.as_bytes());
    }

    /// A progress bar on a terminal; a hidden one otherwise.
    pub(crate) fn bar(&self, what: &'static str, length: u64) -> ProgressBar {
        let visible = std::io::stderr().is_terminal() && !self.quiet && !self.json;
        let target = if visible {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let style = ProgressStyle::with_template("{msg:>12} [{bar:30}] {percent:>3} %")
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .progress_chars("=> ");
        ProgressBar::with_draw_target(Some(length), target)
            .with_style(style)
            .with_message(what)
    }
}

/// Shows reading and writing one after the other on bars of their own.
pub(crate) struct IngestBars<'a> {
    console: &'a Console,
    reading: ProgressBar,
    writing: ProgressBar,
}

impl<'a> IngestBars<'a> {
    pub(crate) fn new(console: &'a Console) -> Self {
        Self {
            console,
            reading: console.bar("reading", 0),
            writing: console.bar("writing", 0),
        }
    }

    pub(crate) fn update(&self, progress: Progress) {
        match progress {
            Progress::Waiting(whom) => self.reading.suspend(|| self.console.waiting(whom)),
            Progress::Reading(bytes) => self.reading.set_length(bytes),
            Progress::Read(bytes) => self.reading.inc(bytes),
            Progress::Writing(rows) => {
                self.reading.finish_and_clear();
                self.writing.set_length(rows);
            }
            Progress::Written(rows) => self.writing.inc(rows),
        }
    }

    pub(crate) fn finish(&self) {
        self.reading.finish_and_clear();
        self.writing.finish_and_clear();
    }
}
