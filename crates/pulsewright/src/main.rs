//! Pulsewright: what does your chain do to a pulse?
//!
//! The program's table of contents: it parses the command line, runs one command, and turns an error
//! into a message and exit code 2.

mod cli;
mod cmd;
mod demo;
mod duration;
mod error;
mod figure;
mod gathered;
mod input;
mod json;
mod library;
mod live_run;
mod output;
mod page;
mod progress;
mod reading;
mod recording;
mod report;
mod section;
mod simulate;
mod text;
mod write;

use std::process::ExitCode;

use clap::Parser;

use cli::{Cli, Command};
use error::Error;
use output::Output;

/// Exit code of `check` for a run that does not pass, and of `rig test` for a rig that is not sound.
const FAILED: u8 = 1;
/// Exit code of an error.
const ERROR: u8 = 2;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let output = Output::new(&cli.global);
    match run(&cli, &output) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(FAILED),
        Err(error) if error.is_closed_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            output.error(&error);
            ExitCode::from(ERROR)
        }
    }
}

/// Runs the command; whether what it checks passes.
fn run(cli: &Cli, output: &Output) -> Result<bool, Error> {
    let global = &cli.global;
    match &cli.command {
        Command::Read(args) => cmd::read::run(args, global, output)?,
        Command::Plan(command) => cmd::plan::run(command, global, output)?,
        Command::Rig(command) => return cmd::rig::run(command, output),
        Command::Record(args) => cmd::record::run(args, global, output)?,
        Command::Runs => cmd::runs::run(global, output)?,
        Command::Show(args) => cmd::show::run(args, global, output)?,
        Command::Compare(args) => cmd::compare::run(args, global, output)?,
        Command::Setup(command) => cmd::setup::run(command, global, output)?,
        Command::Judge(args) => cmd::judge::run(args, global, output)?,
        Command::Loop(args) => cmd::closed_loop::run(args, global, output)?,
        Command::Tune(args) => cmd::tune::run(args, global, output)?,
        Command::Trim(args) => cmd::trim::run(args, global, output)?,
        Command::Prove(args) => cmd::prove::run(args, global, output)?,
        Command::Check(args) => return cmd::check::run(args, global, output),
        Command::Report(args) => cmd::report::run(args, global, output)?,
        Command::Forget(args) => cmd::forget::run(args, global, output)?,
        Command::Export(args) => cmd::export::run(args, global, output)?,
        Command::Serve(args) => cmd::serve::run(args, global, output)?,
        Command::Demo(args) => cmd::demo::run(args, global, output)?,
        Command::Completions(args) => cmd::completions::run(args, output)?,
        Command::Man(args) => cmd::man::run(args, output)?,
    }
    Ok(true)
}
