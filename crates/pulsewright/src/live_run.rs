//! A live run as the terminal and the page make it: what is to be done, what it needs, and what becomes of
//! it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use book::Book;
use rig::chain_file::{ChainFile, Way};
use rig::journal::Entry;
use rig::plan::{Plan, Schedule};
use rig::port::Opener;
use rig::record::EdgeSettings;
use rig::sender::{Sender, from_file};
use rig::session::{Ending, Event, Session, SessionEnd, SessionOptions};
use rig::simulated::{RigOptions, SimulatedRig};
use rig::system::SystemClock;
use rig::{Clock, RigError};
use wire::Direction;

use crate::cmd::{plan as plans, read, rig as rigs};
use crate::error::Error;
use crate::output::Output;
use crate::reading::{ReadSettings, Reading};
use crate::recording::{self, Loaded, RecordFile};
use crate::text::plan::duration;
use crate::{library, text};

/// What a mount may do when it is pulsed.
pub const CAUTIONS: &str = "Before it begins: low voltage only. The common line of a guide port is not always ground: put a meter on it before you connect anything, never feed it from outside, and opto-isolate when in doubt. The mount will move: clear its path and its cables, and keep a hand on the power. Never point it at or near the Sun.";
/// What a run is to be: plan and chain, which fit together.
pub struct Order {
    /// The plan.
    pub plan: Plan,
    /// The chain file, as it is.
    pub chain_text: String,
    /// What it says.
    pub chain: ChainFile,
}

/// Reads a plan and a chain file, and says what is unusual about the plan.
///
/// # Errors
/// Every fault of the files; [`Error::Usage`] where they and the rig's inputs don't fit together.
pub fn ordered(
    plan: &Path,
    chain: &Path,
    inputs: &[Direction],
    output: &Output,
) -> Result<Order, Error> {
    let reading = plans::read(plan)?;
    for warning in &reading.warnings {
        output.note(&format!("! {}; {}", warning.text, warning.advice));
    }
    let chain_text = library::text_of(
        chain,
        plans::MOST_FILE,
        "name a chain file; `pulsewright record --new-chain FILE` writes one",
    )?;
    let read = read_chain(chain, &chain_text)?;
    check_fit(&reading.plan, &read, chain, inputs)?;
    Ok(Order {
        plan: reading.plan,
        chain_text,
        chain: read,
    })
}

impl Order {
    /// Whether the user agrees that the mount moves; of a simulated chain nothing moves, and nobody is
    /// asked.
    ///
    /// # Errors
    /// [`Error::Usage`] where nobody can be asked.
    pub fn is_agreed(&self, yes: bool, output: &Output) -> Result<bool, Error> {
        Ok(self.is_simulated() || agreed(&self.plan, false, yes, output)?)
    }

    /// Whether nothing moves.
    pub fn is_simulated(&self) -> bool {
        is_simulated(&self.chain)
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
pub fn is_simulated(chain: &ChainFile) -> bool {
    matches!(chain.way, Way::Simulated(_))
}

/// A chain file, with a name that the lab book takes.
///
/// # Errors
/// Every fault of the file.
pub fn read_chain(place: &Path, text: &str) -> Result<ChainFile, Error> {
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

/// Shows the cautions and the travel, and asks.
///
/// # Errors
/// [`Error::Usage`] where nobody can be asked and `yes` is not set.
pub fn agreed(plan: &Plan, resumed: bool, yes: bool, output: &Output) -> Result<bool, Error> {
    let text = format!("{CAUTIONS}\n\n{}", movement(plan, resumed));
    output.note(&text::paragraphs(&text));
    Ok(yes || library::agreed("May the mount move now?")?)
}

/// What a plan asks for, and how far the mount moves by it.
pub fn movement(plan: &Plan, resumed: bool) -> String {
    let schedule = Schedule::new(plan);
    let [ra, dec] = schedule.travel(plan);
    format!(
        "This plan asks for {} in about {}{}. By it the mount moves at most {} arcsec from where it is in right ascension and {} in declination, and ends {}; what the chain adds to each pulse comes on top.",
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
    )
}

/// What a new record is called, where nobody says.
pub fn record_name(chain: &str) -> PathBuf {
    let plain: String = chain
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .collect();
    let time = jiff::Timestamp::now().strftime("%Y%m%d-%H%M%S");
    PathBuf::from(format!("{plain}-{time}.record"))
}

/// All that a run goes on with.
pub struct Ready<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// The chain.
    pub chain: &'a ChainFile,
    /// How edges are taken.
    pub edges: EdgeSettings,
    /// What was measured before.
    pub entries: &'a [Entry],
    /// A lab book other than the usual one.
    pub book: Option<&'a Path>,
}

/// What times and what asks, on one clock.
pub struct Parts {
    clock: Arc<dyn Clock>,
    opener: Box<dyn Opener>,
    sender: Box<dyn Sender>,
}

impl Parts {
    /// The rig's port and the sender; of a simulated chain, both are simulated.
    ///
    /// # Errors
    /// [`Error::Usage`] where no rig, or no way to ask, is to be had.
    pub fn of(
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

/// Runs a session to its end.
///
/// # Errors
/// Those of [`Session::run`].
pub fn measured(
    ready: &Ready<'_>,
    mut parts: Parts,
    mut file: RecordFile,
    stop: &AtomicBool,
    events: &mut dyn FnMut(Event),
) -> Result<SessionEnd, RigError> {
    let options = SessionOptions {
        edges: ready.edges.clone(),
        ..SessionOptions::default()
    };
    Session {
        plan: ready.plan,
        sender: parts.sender.as_mut(),
        opener: parts.opener.as_mut(),
        journal: &mut file,
        clock: parts.clock.as_ref(),
        stop,
        options: &options,
    }
    .run(ready.entries, events)
}

/// How to go on after an error; a record in which nothing was asked for is of no use, and goes.
pub fn after_error(path: &Path) -> Option<String> {
    let asked = |entry: &Entry| matches!(entry, Entry::Request { .. });
    match recording::load(path) {
        Ok(loaded) if !loaded.entries.iter().any(asked) => {
            // Left behind it would only be in the way.
            let _ = std::fs::remove_file(path);
            None
        }
        _ => Some(format!(
            "What was measured is in {}. Go on with it: pulsewright record --resume {}",
            path.display(),
            path.display()
        )),
    }
}

/// What became of a run that ended.
pub enum Outcome {
    /// Stopped before anything was asked for; its record is gone.
    Nothing,
    /// Stopped on the way; what was measured can be read, where anything was.
    Stopped(Option<Box<(Loaded, Reading)>>),
    /// It is complete, and stored in the lab book.
    Kept {
        /// Its number.
        number: i64,
        /// When, UTC, RFC 3339.
        stored_at: String,
        /// What was measured.
        run: Box<(Loaded, Reading)>,
    },
    /// It is complete, and could not be stored; its record is whole.
    Unkept(Error),
}

/// Reads the record of a run that ended, and stores it where it is complete.
///
/// # Errors
/// What the record and the summary say.
pub fn settled(path: &Path, end: &SessionEnd, book: &Path, seed: u64) -> Result<Outcome, Error> {
    let read = || -> Result<Box<(Loaded, Reading)>, Error> {
        let loaded = recording::load(path)?;
        let reading = loaded.reading(seed)?;
        Ok(Box::new((loaded, reading)))
    };
    match end.ending {
        Ending::Stopped if end.done == 0 => {
            // The record would only be in the way.
            let _ = std::fs::remove_file(path);
            Ok(Outcome::Nothing)
        }
        Ending::Stopped if end.recorded.requests.is_empty() => Ok(Outcome::Stopped(None)),
        Ending::Stopped => Ok(Outcome::Stopped(Some(read()?))),
        Ending::Complete | Ending::Precise => {
            let run = read()?;
            let stored_at = library::now();
            Ok(match keep(&run, &stored_at, book, seed) {
                Ok(number) => Outcome::Kept {
                    number,
                    stored_at,
                    run,
                },
                Err(error) => Outcome::Unkept(error),
            })
        }
    }
}

/// How to go on with a run that was stopped.
pub fn stopped_text(path: &Path, end: &SessionEnd, chain: &str) -> String {
    let shown = path.display();
    format!(
        "Stopped after {} of {}; what was measured is in {shown}. Go on with it: pulsewright record --resume {shown}; or keep it as it is: pulsewright read {shown} --chain {chain}",
        chain::count(end.done),
        chain::plural(end.of, "request")
    )
}

/// What is told of a run before the first request.
pub const NOTHING: &str = "Stopped before the first request; nothing was measured.";

/// What to do with a complete run that could not be stored.
pub fn unkept_text(path: &Path, chain: &str) -> String {
    let shown = path.display();
    format!(
        "The run is complete, and its record is {shown}. Keep it, once the lab book can be written: pulsewright read {shown} --chain {chain}"
    )
}

/// Stores the run in the lab book.
fn keep(
    (loaded, reading): &(Loaded, Reading),
    stored_at: &str,
    book: &Path,
    seed: u64,
) -> Result<i64, Error> {
    let notes: Vec<(String, String)> = loaded.head.notes.clone().into_iter().collect();
    read::store(
        &mut Book::open_or_create(book)?,
        &loaded.head.chain,
        &notes,
        stored_at,
        &ReadSettings::of_record(seed),
        reading,
    )
}
