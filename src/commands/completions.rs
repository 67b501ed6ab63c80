//! `completions`: completions for a shell.

use clap::{Args, CommandFactory, ValueEnum};
use clap_complete::{Shell, generate};

use crate::cli::Cli;
use crate::console::Console;
use crate::failure::Failure;

/// A shell.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum ShellName {
    /// Bash
    Bash,
    /// Elvish
    Elvish,
    /// Fish
    Fish,
    /// `PowerShell`
    Powershell,
    /// Zsh
    Zsh,
}

/// Options of `completions`.
#[derive(Args, Debug)]
#[command(after_help = "\
Examples:
  fitcohort completions bash > ~/.local/share/bash-completion/completions/fitcohort
  fitcohort completions fish > ~/.config/fish/completions/fitcohort.fish")]
pub(crate) struct Arguments {
    /// The shell
    #[arg(value_enum)]
    pub(crate) shell: ShellName,
}

pub(crate) fn run(arguments: &Arguments, console: &Console) -> Result<(), Failure> {
    let shell = match arguments.shell {
        ShellName::Bash => Shell::Bash,
        ShellName::Elvish => Shell::Elvish,
        ShellName::Fish => Shell::Fish,
        ShellName::Powershell => Shell::PowerShell,
        ShellName::Zsh => Shell::Zsh,
    };
    let mut script = Vec::new();
    generate(shell, &mut Cli::command(), "fitcohort", &mut script);
    console.result(&String::from_utf8_lossy(&script))
}
