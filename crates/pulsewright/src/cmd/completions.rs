//! `completions`: for a shell.

use clap::CommandFactory;

use crate::cli::{Cli, CompletionsArgs};
use crate::error::Error;
use crate::output::Output;

/// Runs the command.
///
/// # Errors
/// [`Error::Output`] where standard output can't be written.
pub fn run(args: &CompletionsArgs, output: &Output) -> Result<(), Error> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "pulsewright", &mut script);
    output.print_raw(&script)
}
