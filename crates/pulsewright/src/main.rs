//! Pulsewright: what does your chain do to a pulse?
//!
//! The program's table of contents: it parses the command line, runs one command, and turns an error
//! into a message and exit code 2.

mod cli;
mod cmd;
mod demo;
mod duration;
mod error;
mod input;
mod json;
mod library;
mod output;
mod reading;
mod text;
mod write;

use std::process::ExitCode;

use clap::Parser;

use cli::{Cli, Command};
use output::Output;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let output = Output::new(&cli.global);
    let done = match &cli.command {
        Command::Read(args) => cmd::read::run(args, &cli.global, &output),
        Command::Runs => cmd::runs::run(&cli.global, &output),
        Command::Show(args) => cmd::show::run(args, &cli.global, &output),
        Command::Compare(args) => cmd::compare::run(args, &cli.global, &output),
        Command::Setup(command) => cmd::setup::run(command, &cli.global, &output),
        Command::Trim(args) => cmd::trim::run(args, &cli.global, &output),
        Command::Prove(args) => cmd::prove::run(args, &cli.global, &output),
        Command::Forget(args) => cmd::forget::run(args, &cli.global, &output),
        Command::Export(args) => cmd::export::run(args, &cli.global, &output),
        Command::Demo(args) => cmd::demo::run(args, &cli.global, &output),
        Command::Completions(args) => cmd::completions::run(args, &output),
        Command::Man(args) => cmd::man::run(args, &output),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if error.is_closed_pipe() => ExitCode::SUCCESS,
        Err(error) => {
            output.error(&error);
            ExitCode::from(2)
        }
    }
}
