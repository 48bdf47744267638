//! `demo`: all four questions on an invented scenario.

use std::io::IsTerminal;

use book::Book;
use chain::{Below, Loss, RunPulses};
use clap::Parser;
use servo::tune::{TuneOptions, tune};

use crate::cli::{Cli, Command, DemoArgs, DrawFrom, Global};
use crate::cmd::judge::{self, Judged};
use crate::cmd::{compare, prove, read, record, serve};
use crate::error::Error;
use crate::output::Output;
use crate::progress::with_progress;
use crate::{demo, json, library, reading, simulate, text};

/// Simulated exposures of each case of a verdict: enough for the figure after the point.
const EXPOSURES: u32 = 200;

/// Runs the command. The demo keeps a lab book of its own, so that invented runs never mix with real
/// ones, whatever `--book` says.
///
/// # Errors
/// What the folder, the readers, the book and the simulation say.
pub fn run(args: &DemoArgs, global: &Global, output: &Output) -> Result<(), Error> {
    if args.live {
        return live(args, global, output);
    }
    let folder = &args.folder;
    let seed = global.seed;
    demo::prepare(folder)?;
    output.note(&format!(
        "Making captures of four invented chains in {} ...",
        folder.display()
    ));
    let chains = demo::write(folder, seed)?;
    let setup_file = demo::write_setup(folder)?;
    let setup = library::setup(&setup_file)?.setup;
    let book_path = folder.join(demo::BOOK);
    let mut book = Book::open_or_create(&book_path)?;
    let mut numbers = Vec::new();
    let mut measured = Vec::new();
    for chain in &chains {
        let (number, answer) = keep(&mut book, chain, output)?;
        numbers.push(number);
        measured.push((chain.name, answer));
    }
    let comparison = compare::compare(&book, &numbers)?.comparison;

    let simulated = chains
        .iter()
        .map(|chain| simulate::measured(&book, chain.name, DrawFrom::Pulses))
        .collect::<Result<Vec<_>, _>>()?;
    let mut verdicts = Vec::new();
    for measured in &simulated {
        let trim = judge::fitted(measured, &setup, seed);
        verdicts.push(with_progress(
            "judging",
            output.shows_progress(),
            |progress| {
                judge::judgement(&Judged {
                    setup_file: &setup_file,
                    setup: &setup,
                    measured,
                    trim: trim.as_ref(),
                    exposures: EXPOSURES,
                    seed,
                    warnings: measured.warnings.clone(),
                    progress,
                })
            },
        )?);
    }

    let tuned = {
        let options = TuneOptions {
            seed,
            ..TuneOptions::default()
        };
        with_progress("tuning", output.shows_progress(), |progress| {
            // The first chain is the one to trim.
            tune(&setup, &simulated[0].chain, &options, progress)
        })
        .map_err(|source| Error::servo(&setup_file, source))?
    };
    let (_, summary_before) = library::run(&book, demo::TO_TRIM)?;
    let before = RunPulses {
        observations: &simulated[0].observations,
        summary: Some(&summary_before),
    };
    let shortest = Some(demo::SHORTEST_US);
    let trim = chain::fit_trim(before, Loss::Median, Below::Carry, shortest, seed)?;

    let trimmed = demo::write_trimmed(folder, seed, &trim)?;
    let (number, _) = keep(&mut book, &trimmed, output)?;
    let (_, summary_after) = library::run(&book, trimmed.name)?;
    let after = book.observations(number)?;
    let after = RunPulses {
        observations: &after,
        summary: Some(&summary_after),
    };
    let margin_ms = prove::margin_of(&setup_file)?;
    let proof = chain::prove((demo::TO_TRIM, before), (trimmed.name, after), margin_ms)?;

    let document = json::DemoDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "demo",
        book: book_path.display().to_string(),
        setup: setup_file.display().to_string(),
        files: chains
            .iter()
            .chain([&trimmed])
            .flat_map(|c| [&c.capture, &c.requests])
            .map(|path| path.display().to_string())
            .collect(),
        measure: comparison,
        judge: verdicts,
        tune: tuned,
        trim,
        prove: proof,
    };
    if output.json() {
        return output.print_json(&document);
    }
    output.print(&text::demo::page(
        &document,
        &measured,
        &chains,
        output.quiet(),
    ))?;
    offer_page(&document, output)
}

/// Offers to serve the demo's book, where somebody sits at a terminal to be asked.
fn offer_page(document: &json::DemoDocument, output: &Output) -> Result<(), Error> {
    let somebody = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
    if !somebody || output.quiet() || !library::agreed("Open this lab book in a browser now?")? {
        return Ok(());
    }
    // As the command line would have it, with any port that is free.
    let cli = Cli::parse_from([
        "pulsewright",
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--book",
        &document.book,
        "--setup",
        &document.setup,
    ]);
    match &cli.command {
        Command::Serve(args) => serve::run(args, &cli.global, output),
        _ => Ok(()),
    }
}

/// Runs a plan live with a simulated rig and chain, as `record` does with real ones.
fn live(args: &DemoArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let folder = &args.folder;
    demo::prepare(folder)?;
    let (plan, chain_text) = demo::write_live(folder, global.seed)?;
    let book = folder.join(demo::BOOK);
    let place = folder.join(demo::LIVE_CHAIN);
    output.note(&format!(
        "A simulated rig times what a simulated chain makes of {}, live; nothing moves. Files in {}.",
        chain::plural(plan.count() as u64, "pulse"),
        folder.display()
    ));
    record::run_plan(
        &record::Run {
            plan: &plan,
            chain_text: &chain_text,
            chain_place: &place,
            rig: None,
            inputs: wire::Direction::ALL.to_vec(),
            notes: &[],
            record: &folder.join(demo::LIVE_RECORD),
            book: Some(&book),
        },
        global,
        output,
    )
}

/// Reads a chain's capture as a user's would be read, and stores the run.
fn keep(book: &mut Book, chain: &demo::DemoChain, output: &Output) -> Result<(i64, String), Error> {
    let reading = reading::read(
        std::slice::from_ref(&chain.capture),
        std::slice::from_ref(&chain.requests),
        &chain.settings,
        output.shows_progress(),
    )?;
    let number = read::store(
        book,
        chain.name,
        &chain.notes,
        &library::now(),
        &chain.settings,
        &reading,
    )?;
    Ok((number, reading.summary.answer))
}
