//! `man`: the manual page, as roff.

use clap::CommandFactory;

use crate::cli::{Cli, ManArgs};
use crate::error::Error;
use crate::output::Output;

/// Runs the command.
///
/// # Errors
/// [`Error::Usage`] for a command that isn't; [`Error::Output`] where standard output can't be
/// written.
pub fn run(args: &ManArgs, output: &Output) -> Result<(), Error> {
    let mut program = Cli::command();
    program.build();
    let command = match &args.command {
        None => program,
        Some(name) => match program.find_subcommand(name) {
            Some(command) => command.clone().display_name(format!("pulsewright-{name}")),
            None => {
                let known: Vec<&str> = program.get_subcommands().map(|c| c.get_name()).collect();
                return Err(Error::Usage(format!(
                    "found no command `{name}`, expected one of {}",
                    known.join(", ")
                )));
            }
        },
    };
    let mut page = Vec::new();
    clap_mangen::Man::new(command)
        .render(&mut page)
        .map_err(Error::Output)?;
    output.print_raw(&page)
}
