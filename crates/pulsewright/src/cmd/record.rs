//! `record`: a plan, run live: the chain is asked for pulses and a rig times them.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use rig::plan::Plan;
use rig::record::EdgeSettings;
use rig::session::{Ending, SessionEnd};
use wire::Direction;

use crate::cli::{Global, RecordArgs};
use crate::cmd::read;
use crate::error::Error;
use crate::live_run::{
    NOTHING, Outcome, Parts, Ready, after_error, agreed, is_simulated, measured, ordered,
    read_chain, record_name, settled, stopped_text, unkept_text,
};
use crate::output::Output;
use crate::reading::ReadSettings;
use crate::recording::{self, Head, RecordFile};
use crate::text::live::{Live, Show};
use crate::{json, library, text};

/// A chain file with every way in it.
const TEMPLATE: &str = include_str!("../chain-template.toml");
/// Exit code of a second Ctrl-C: 128 and the number of the signal, as shells count.
const INTERRUPTED: i32 = 130;

/// Runs the command.
///
/// # Errors
/// What the files, the rig, the chain and the book say. What was measured before is kept.
pub fn run(args: &RecordArgs, global: &Global, output: &Output) -> Result<(), Error> {
    if let Some(path) = &args.new_chain {
        library::write_new(path, TEMPLATE)?;
        output.note(&format!(
            "{} is written. Say in it how a pulse is asked of your chain, then: pulsewright record --chain {}",
            path.display(),
            path.display()
        ));
        return Ok(());
    }
    let Some(path) = &args.resume else {
        let order = ordered(&args.plan, &args.chain, &args.inputs, output)?;
        // A book that can't be opened is told before anything moves.
        library::open_or_create(global)?;
        if !order.is_agreed(args.yes, output)? {
            return output.print("Nothing was sent.\n");
        }
        let run = Run {
            plan: &order.plan,
            chain_text: &order.chain_text,
            chain_place: &args.chain,
            rig: args.rig.as_deref(),
            inputs: args.inputs.clone(),
            notes: &args.notes,
            record: &args
                .output
                .clone()
                .unwrap_or_else(|| record_name(&order.chain.name)),
            book: None,
        };
        return run_plan(&run, global, output);
    };
    // Looked at before anything is asked; it is locked and read again when it goes on.
    let loaded = recording::load(path)?;
    let record = loaded.record();
    let plan = record.plan.ok_or_else(|| {
        Error::Usage(format!(
            "{}: found a record that holds no plan yet; begin a new one",
            path.display()
        ))
    })?;
    if record.ended == Some(true) {
        return Err(Error::Usage(format!(
            "{}: this run is complete, so that there is nothing to go on with; `pulsewright read {}` shows it",
            path.display(),
            path.display()
        )));
    }
    plan.check()
        .map_err(|error| library::faults(path, &error.faults))?;
    let chain = read_chain(path, &loaded.head.chain_file)?;
    read::check_name(&loaded.head.chain)?;
    library::open_or_create(global)?;
    if !is_simulated(&chain) && !agreed(&plan, true, args.yes, output)? {
        return output.print("Nothing was sent.\n");
    }
    let parts = Parts::of(&chain, path, args.rig.as_deref(), output)?;
    let (loaded, file) = RecordFile::resume(path)?;
    let edges = loaded.head.edges();
    let mut live = Live::new(&chain.name, how(output));
    if let Ok(matching) = loaded.record().conclude().matching() {
        live.take_over(&matching.observations);
    }
    let ready = Ready {
        plan: &plan,
        chain: &chain,
        edges,
        entries: &loaded.entries,
        book: None,
    };
    go_on(&ready, parts, file, live, global, output)
}

/// A run that begins.
pub struct Run<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// What the chain file says.
    pub chain_text: &'a str,
    /// Where it is, for messages.
    pub chain_place: &'a Path,
    /// The rig's port, where it is named.
    pub rig: Option<&'a str>,
    /// The direction of each input.
    pub inputs: Vec<Direction>,
    /// What is known of the chain.
    pub notes: &'a [(String, String)],
    /// Where the record is kept.
    pub record: &'a Path,
    /// A lab book other than the usual one.
    pub book: Option<&'a Path>,
}

/// Begins a run, and keeps it.
///
/// # Errors
/// What the chain file, the rig, the chain and the book say. What was measured before is kept.
pub fn run_plan(run: &Run<'_>, global: &Global, output: &Output) -> Result<(), Error> {
    let chain = read_chain(run.chain_place, run.chain_text)?;
    let edges = EdgeSettings {
        inputs: run.inputs.clone(),
        ..EdgeSettings::default()
    };
    let head = Head::new(&chain.name, run.chain_text, run.notes, &edges);
    let parts = Parts::of(&chain, run.chain_place, run.rig, output)?;
    let ready = Ready {
        plan: run.plan,
        chain: &chain,
        edges,
        entries: &[],
        book: run.book,
    };
    let file = RecordFile::create(run.record, &head)?;
    let live = Live::new(&chain.name, how(output));
    go_on(&ready, parts, file, live, global, output)
}

fn go_on(
    ready: &Ready<'_>,
    parts: Parts,
    file: RecordFile,
    mut live: Live,
    global: &Global,
    output: &Output,
) -> Result<(), Error> {
    let path = file.path().to_owned();
    let stop = stop_on_interrupt()?;
    let ended = measured(ready, parts, file, stop, &mut |event| live.event(&event));
    live.finish();
    let end = match ended {
        Ok(end) => end,
        Err(error) => {
            if let Some(text) = after_error(&path) {
                output.note(&text);
            }
            return Err(error.into());
        }
    };
    conclude(&path, &end, ready, global, output)
}

/// How the run is shown.
pub fn how(output: &Output) -> Show {
    if output.quiet() {
        Show::Nothing
    } else if output.shows_progress() && std::env::var_os("TERM").is_none_or(|t| t != "dumb") {
        Show::View
    } else {
        Show::Lines
    }
}

/// A flag that Ctrl-C sets; a second Ctrl-C ends the program.
///
/// # Errors
/// [`Error::Usage`] where the system has no such signal.
pub fn stop_on_interrupt() -> Result<&'static AtomicBool, Error> {
    static STOP: AtomicBool = AtomicBool::new(false);
    ctrlc::set_handler(|| {
        if STOP.swap(true, Ordering::SeqCst) {
            // What was shown is on the disk already.
            std::process::exit(INTERRUPTED);
        }
    })
    .map_err(|error| {
        Error::Usage(format!(
            "Ctrl-C can't be watched here ({error}), so the pulses could not be stopped; run this in a terminal"
        ))
    })?;
    Ok(&STOP)
}

/// Stores a run that is complete, and says what it gave.
fn conclude(
    path: &Path,
    end: &SessionEnd,
    ready: &Ready<'_>,
    global: &Global,
    output: &Output,
) -> Result<(), Error> {
    let shown = path.display();
    let chain = ready.chain.name.as_str();
    if end.ending == Ending::Stopped && end.done > 0 {
        output.note(&stopped_text(path, end, chain));
    }
    let book = match ready.book {
        Some(book) => book.to_owned(),
        None => library::path(global)?,
    };
    let (kept, run) = match settled(path, end, &book, global.seed)? {
        Outcome::Nothing => {
            output.note(NOTHING);
            return Ok(());
        }
        Outcome::Unkept(error) => {
            output.note(&unkept_text(path, chain));
            return Err(error);
        }
        Outcome::Stopped(None) => return Ok(()),
        Outcome::Stopped(Some(run)) => (None, run),
        Outcome::Kept {
            number,
            stored_at,
            run,
        } => (Some((number, stored_at)), run),
    };
    let (loaded, reading) = *run;
    if output.json() {
        let notes: Vec<(String, String)> = loaded.head.notes.clone().into_iter().collect();
        let label = kept.as_ref().map(|(number, stored_at)| json::RunLabel {
            number: *number,
            chain,
            stored_at,
            notes: json::notes(&notes),
        });
        return output.print_json(&json::of_reading(
            &reading,
            &ReadSettings::of_record(global.seed),
            label,
        )?);
    }
    if output.quiet() {
        return output.print(&format!("{}\n", reading.summary.answer));
    }
    let mut page = text::run::page(&reading.summary, &reading.captures);
    if let Some((number, _)) = kept {
        page += &text::faint(&format!(
            "Kept as run {number} of {chain}; the record is {shown}. `pulsewright judge {chain}` says whether it matters on your sky."
        ));
    }
    output.print(&page)
}
