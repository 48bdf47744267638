//! `record`: a plan, run live: the chain is asked for pulses and a rig times them.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use book::Book;
use rig::Clock;
use rig::chain_file::{ChainFile, Way};
use rig::journal::Entry;
use rig::plan::{Plan, Schedule};
use rig::port::Opener;
use rig::record::EdgeSettings;
use rig::sender::{Sender, from_file};
use rig::session::{Ending, Session, SessionEnd, SessionOptions};
use rig::simulated::{RigOptions, SimulatedRig};
use rig::system::SystemClock;

use wire::Direction;

use crate::cli::{Global, RecordArgs};
use crate::cmd::{plan as plans, read, rig as rigs};
use crate::error::Error;
use crate::output::Output;
use crate::reading::{ReadSettings, Reading};
use crate::recording::{self, Head, RecordFile};
use crate::text::live::{Live, Show};
use crate::text::plan::duration;
use crate::{json, library, text};

/// A chain file with every way in it.
const TEMPLATE: &str = include_str!("../chain-template.toml");
/// What a mount may do when it is pulsed.
const CAUTIONS: &str = "Before it begins: low voltage only. The common line of a guide port is not always ground: put a meter on it before you connect anything, never feed it from outside, and opto-isolate when in doubt. The mount will move: clear its path and its cables, and keep a hand on the power. Never point it at or near the Sun.";
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
        let reading = plans::read(&args.plan)?;
        for warning in &reading.warnings {
            output.note(&format!("! {}; {}", warning.text, warning.advice));
        }
        let chain_text = library::text_of(
            &args.chain,
            plans::MOST_FILE,
            "name a chain file; `pulsewright record --new-chain FILE` writes one",
        )?;
        let chain = read_chain(&args.chain, &chain_text)?;
        check_fit(&reading.plan, &chain, &args.chain, &args.inputs)?;
        // A book that can't be opened is told before anything moves.
        library::open_or_create(global)?;
        if !is_simulated(&chain) && !agreed(args, &reading.plan, false, output)? {
            return output.print("Nothing was sent.\n");
        }
        let run = Run {
            plan: &reading.plan,
            chain_text: &chain_text,
            chain_place: &args.chain,
            rig: args.rig.as_deref(),
            inputs: args.inputs.clone(),
            notes: &args.notes,
            record: &place(args, &chain.name),
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
    if !is_simulated(&chain) && !agreed(args, &plan, true, output)? {
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

/// All that a run goes on with.
struct Ready<'a> {
    plan: &'a Plan,
    chain: &'a ChainFile,
    edges: EdgeSettings,
    entries: &'a [Entry],
    book: Option<&'a Path>,
}

fn go_on(
    ready: &Ready<'_>,
    mut parts: Parts,
    mut file: RecordFile,
    mut live: Live,
    global: &Global,
    output: &Output,
) -> Result<(), Error> {
    let chain = ready.chain;
    let options = SessionOptions {
        edges: ready.edges.clone(),
        ..SessionOptions::default()
    };
    let path = file.path().to_owned();
    let ended = Session {
        plan: ready.plan,
        sender: parts.sender.as_mut(),
        opener: parts.opener.as_mut(),
        journal: &mut file,
        clock: parts.clock.as_ref(),
        stop: stop_on_interrupt()?,
        options: &options,
    }
    .run(ready.entries, &mut |event| live.event(&event));
    live.finish();
    drop(file);
    let end = match ended {
        Ok(end) => end,
        Err(error) => {
            after_error(&path, output);
            return Err(error.into());
        }
    };
    conclude(&path, &end, chain, ready.book, global, output)
}

/// Says how to go on after an error; a record in which nothing was asked for is of no use, and goes.
fn after_error(path: &Path, output: &Output) {
    let asked = |entry: &Entry| matches!(entry, Entry::Request { .. });
    match recording::load(path) {
        Ok(loaded) if !loaded.entries.iter().any(asked) => {
            // Left behind it would only be in the way.
            let _ = std::fs::remove_file(path);
        }
        _ => output.note(&format!(
            "What was measured is in {}. Go on with it: pulsewright record --resume {}",
            path.display(),
            path.display()
        )),
    }
}

/// What times and what asks, on one clock.
struct Parts {
    clock: Arc<dyn Clock>,
    opener: Box<dyn Opener>,
    sender: Box<dyn Sender>,
}

impl Parts {
    /// The rig's port and the sender; of a simulated chain, both are simulated.
    fn of(
        chain: &ChainFile,
        place: &Path,
        rig: Option<&str>,
        output: &Output,
    ) -> Result<Parts, Error> {
        let clock: Arc<dyn Clock> = Arc::new(SystemClock::new());
        if let Way::Simulated(law) = &chain.way {
            if rig.is_some() {
                return Err(Error::Usage(format!(
                    "{}: a simulated chain comes with its own rig; leave --rig out, or name another way to ask",
                    place.display()
                )));
            }
            let rig = SimulatedRig::new(RigOptions::default(), *law, Arc::clone(&clock));
            return Ok(Parts {
                opener: Box::new(rig.opener()),
                sender: Box::new(rig.sender()),
                clock,
            });
        }
        let sender = from_file(chain, Arc::clone(&clock)).ok_or_else(|| {
            Error::Usage(format!(
                "{}: this chain can't be asked; name another way",
                place.display()
            ))
        })?;
        Ok(Parts {
            opener: rigs::opener(rig, output)?,
            sender,
            clock,
        })
    }
}

/// Whether plan, chain and inputs fit together: else the mount would move where nobody plans it, or
/// unseen.
fn check_fit(
    plan: &Plan,
    chain: &ChainFile,
    place: &Path,
    inputs: &[Direction],
) -> Result<(), Error> {
    if plan.directions.len() > 1 && !chain.tells_directions() {
        return Err(Error::Usage(format!(
            "{}: found a chain that is asked for every direction in the same words, expected {{direction}} in its template and four names that differ; else the mount would move one way only",
            place.display()
        )));
    }
    let twice = inputs
        .iter()
        .enumerate()
        .find(|(i, d)| inputs[..*i].contains(d));
    if let Some((_, direction)) = twice {
        return Err(Error::Usage(format!(
            "--inputs: found {direction} twice, expected each direction once"
        )));
    }
    match plan.directions.iter().find(|d| !inputs.contains(d)) {
        Some(direction) => Err(Error::Usage(format!(
            "--inputs: found no input for {direction}, which the plan asks for; wire it and name it, or leave it out of the plan"
        ))),
        None => Ok(()),
    }
}

/// Whether nothing moves.
fn is_simulated(chain: &ChainFile) -> bool {
    matches!(chain.way, Way::Simulated(_))
}

/// A chain file, with a name that the lab book takes.
fn read_chain(place: &Path, text: &str) -> Result<ChainFile, Error> {
    let chain = ChainFile::read(text).map_err(|error| library::faults(place, &error.faults))?;
    read::check_name(&chain.name).map_err(|_| {
        Error::Usage(format!(
            "{}: name: found `{}`, which is no name for a chain; expected one such as attic-laptop",
            place.display(),
            chain.name.escape_debug()
        ))
    })?;
    Ok(chain)
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

/// Shows the cautions and the travel, and asks.
fn agreed(args: &RecordArgs, plan: &Plan, resumed: bool, output: &Output) -> Result<bool, Error> {
    let schedule = Schedule::new(plan);
    let [ra, dec] = schedule.travel(plan);
    let text = format!(
        "{CAUTIONS}\n\nThis plan asks for {} in about {}{}. By it the mount moves at most {} arcsec from where it is in right ascension and {} in declination, and ends {}; what the chain adds to each pulse comes on top.",
        chain::plural(schedule.requests.len() as u64, "pulse"),
        duration(plan.estimated_s()),
        if resumed { ", less what was done" } else { "" },
        chain::significant(ra.furthest_arcsec),
        chain::significant(dec.furthest_arcsec),
        if plan.balanced {
            "where it began"
        } else {
            "elsewhere"
        }
    );
    output.note(&text::paragraphs(&text));
    Ok(args.yes || library::agreed("May the mount move now?")?)
}

/// Where a new record is kept.
fn place(args: &RecordArgs, chain: &str) -> PathBuf {
    args.output.clone().unwrap_or_else(|| {
        let plain: String = chain
            .chars()
            .map(|c| if c.is_alphanumeric() { c } else { '-' })
            .collect();
        let time = jiff::Timestamp::now().strftime("%Y%m%d-%H%M%S");
        PathBuf::from(format!("{plain}-{time}.record"))
    })
}

/// Stores a run that is complete, and says what it gave.
fn conclude(
    path: &Path,
    end: &SessionEnd,
    chain: &ChainFile,
    book: Option<&Path>,
    global: &Global,
    output: &Output,
) -> Result<(), Error> {
    let shown = path.display();
    let chain = chain.name.as_str();
    if end.ending == Ending::Stopped && end.done == 0 {
        // Nothing was asked for: the record would only be in the way.
        let _ = std::fs::remove_file(path);
        output.note("Stopped before the first request; nothing was measured.");
        return Ok(());
    }
    if end.ending == Ending::Stopped {
        output.note(&format!(
            "Stopped after {} of {}; what was measured is in {shown}. Go on with it: pulsewright record --resume {shown}; or keep it as it is: pulsewright read {shown} --chain {chain}",
            chain::count(end.done),
            chain::plural(end.of, "request")
        ));
        if end.recorded.requests.is_empty() {
            return Ok(());
        }
    }
    let loaded = recording::load(path)?;
    let reading = loaded.reading(global.seed)?;
    let stored_at = library::now();
    let number = match end.ending {
        Ending::Stopped => None,
        Ending::Complete | Ending::Precise => {
            let kept = keep(&loaded, &reading, &stored_at, book, global);
            if kept.is_err() {
                output.note(&format!(
                    "The run is complete, and its record is {shown}. Keep it, once the lab book can be written: pulsewright read {shown} --chain {chain}"
                ));
            }
            Some(kept?)
        }
    };
    if output.json() {
        let notes: Vec<(String, String)> = loaded.head.notes.clone().into_iter().collect();
        let label = number.map(|number| json::RunLabel {
            number,
            chain,
            stored_at: &stored_at,
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
    if let Some(number) = number {
        page += &text::faint(&format!(
            "Kept as run {number} of {chain}; the record is {shown}. `pulsewright judge {chain}` says whether it matters on your sky."
        ));
    }
    output.print(&page)
}

/// Stores the run in the lab book.
fn keep(
    loaded: &recording::Loaded,
    reading: &Reading,
    stored_at: &str,
    book: Option<&Path>,
    global: &Global,
) -> Result<i64, Error> {
    let mut book = match book {
        Some(path) => Book::open_or_create(path)?,
        None => library::open_or_create(global)?,
    };
    let notes: Vec<(String, String)> = loaded.head.notes.clone().into_iter().collect();
    read::store(
        &mut book,
        &loaded.head.chain,
        &notes,
        stored_at,
        &ReadSettings::of_record(global.seed),
        reading,
    )
}
