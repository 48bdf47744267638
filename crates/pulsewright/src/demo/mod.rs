//! An invented scenario: four chains at the observatory hut on Larkmere Hill, each with its own fault,
//! as captures in four formats.
//!
//! Everything here is made up, and nothing outside the demo uses it. Each chain was asked for the same
//! pulses; what it does to them is a law of our own with a seed, so that the demo gives the same files
//! on every machine.

mod captures;
mod laws;

use std::path::{Path, PathBuf};

use wire::{ChannelMap, Direction, Settings};

use crate::error::Error;
use crate::reading::ReadSettings;

/// The file whose presence says that a folder is a demo's own.
pub const MARK: &str = "about-this-demo.txt";
/// What it says.
const ABOUT: &str =
    "Made by `pulsewright demo`. The observatory, its four chains and all their pulses are
invented. A later demo in this folder replaces these files.
";
/// The lab book's file.
pub const BOOK: &str = "book.sqlite";

/// The chain whose trim is tried, and the name and file of the run that tries it.
pub const TO_TRIM: &str = laws::ALL[0].name;
const TRIMMED: &str = "attic-laptop-trimmed";
const TRIMMED_FILE: &str = "attic-laptop-trimmed.vcd";
/// The setup of the hut's mount, optics and sky.
pub const SETUP: &str = "setup.toml";
/// Nothing shorter is asked of the trimmed chain, us.
pub const SHORTEST_US: u32 = 20_000;

/// The widths that were asked for, ms.
const WIDTHS_MS: [f64; 3] = [50.0, 250.0, 500.0];
/// Pulses of each width and direction.
const REPEATS: usize = 40;

/// The chain of the live demo, and the files of its run.
pub const LIVE: &str = "pier-board-live";
/// Its plan.
pub const LIVE_PLAN: &str = "plan.toml";
/// How it is asked.
pub const LIVE_CHAIN: &str = "chain.toml";
/// What its run leaves.
pub const LIVE_RECORD: &str = "live.record";

/// One chain of the scenario, as files and the way to read them.
pub struct DemoChain {
    /// Its name.
    pub name: &'static str,
    /// What is known of it.
    pub notes: Vec<(String, String)>,
    /// Its capture.
    pub capture: PathBuf,
    /// Its request log.
    pub requests: PathBuf,
    /// How to read it.
    pub settings: ReadSettings,
    /// The options of `read` that say the same.
    pub options: &'static str,
}

/// A request of the scenario.
#[derive(Debug, Clone, Copy)]
struct Sent {
    direction: Direction,
    requested_ms: f64,
    issued_s: f64,
}

/// A time during which a line's contact is closed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Closed {
    direction: Direction,
    from_s: f64,
    to_s: f64,
}

/// Writes the captures and request logs of the four chains into `folder`.
///
/// # Errors
/// [`Error::File`] where one can't be written.
pub fn write(folder: &Path, seed: u64) -> Result<Vec<DemoChain>, Error> {
    laws::ALL
        .iter()
        .enumerate()
        .map(|(index, chain)| {
            let seed = seed.wrapping_add(1000 * index as u64);
            let as_wanted = |wanted_ms: f64| wanted_ms;
            write_chain(folder, chain, chain.name, chain.file, seed, &as_wanted)
        })
        .collect()
}

/// The first chain again, with `trim` in its controller: the log still holds what was wanted.
///
/// # Errors
/// [`Error::File`] where a file can't be written.
pub fn write_trimmed(folder: &Path, seed: u64, trim: &chain::Trim) -> Result<DemoChain, Error> {
    let trimmed = |wanted_ms: f64| {
        let wanted_us = (wanted_ms * 1000.0).round() as u32;
        f64::from(trim.request_us(wanted_us)) / 1000.0
    };
    // Other pulses than those that the trim was fitted on.
    let seed = seed.wrapping_add(7777);
    write_chain(folder, &laws::ALL[0], TRIMMED, TRIMMED_FILE, seed, &trimmed)
}

fn write_chain(
    folder: &Path,
    chain: &laws::Chain,
    name: &'static str,
    file: &str,
    seed: u64,
    request: &dyn Fn(f64) -> f64,
) -> Result<DemoChain, Error> {
    let mut random = stats::random::Random::new(seed);
    let sent = plan(&mut random);
    let closed = laws::play(chain, &sent, request, &mut random);
    let end_s = sent.last().map_or(0.0, |s| s.issued_s) + 2.0;
    let capture = folder.join(file);
    let bytes = (chain.write)(&closed, end_s, &mut random);
    write_file(&capture, &bytes)?;
    let requests = folder.join(format!("{name}-requests.csv"));
    write_file(&requests, log(&sent, chain.clock_offset_s).as_bytes())?;
    Ok(DemoChain {
        name,
        notes: chain
            .notes
            .iter()
            .map(|(key, value)| ((*key).to_owned(), (*value).to_owned()))
            .collect(),
        capture,
        requests,
        settings: settings(chain, seed),
        options: chain.options,
    })
}

/// The demo's own folder: made where it isn't there, and emptied of an earlier demo.
///
/// # Errors
/// [`Error::Usage`] for a folder with anything else in it; [`Error::File`] as the system answers.
pub fn prepare(folder: &Path) -> Result<(), Error> {
    let at = |error| {
        Error::file(
            folder,
            "preparing the folder",
            error,
            "name another folder for the demo",
        )
    };
    std::fs::create_dir_all(folder).map_err(at)?;
    let empty = std::fs::read_dir(folder).map_err(at)?.next().is_none();
    if !empty && std::fs::read(folder.join(MARK)).ok().as_deref() != Some(ABOUT.as_bytes()) {
        return Err(Error::Usage(format!(
            "{}: found a folder with other files in it, expected a new or an empty one, or an earlier demo's; name another",
            folder.display()
        )));
    }
    refuse_other_runs(&folder.join(BOOK))?;
    let book = ["", "-wal", "-shm"].map(|ending| format!("{BOOK}{ending}"));
    for file in book.iter().map(String::as_str).chain([LIVE_RECORD]) {
        let file = folder.join(file);
        if file.exists() {
            std::fs::remove_file(&file).map_err(at)?;
        }
    }
    write_file(&folder.join(MARK), ABOUT.as_bytes())
}

/// A demo's own lab book may hold runs that somebody has added to it: those are not thrown away.
fn refuse_other_runs(book: &Path) -> Result<(), Error> {
    if !book.exists() {
        return Ok(());
    }
    let runs = book::Book::open(book)?.runs()?;
    let own = |name: &str| {
        name == TRIMMED || name == LIVE || laws::ALL.iter().any(|chain| chain.name == name)
    };
    match runs.iter().find(|run| !own(&run.chain)) {
        Some(run) => Err(Error::Usage(format!(
            "{}: this lab book of an earlier demo holds a run of `{}` too, which a new demo would throw away; name another folder",
            book.display(),
            run.chain
        ))),
        None => Ok(()),
    }
}

fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    std::fs::write(path, bytes)
        .map_err(|error| Error::file(path, "writing", error, "check the folder and the disk"))
}

/// Writes plan and chain file of the live demo into `folder`: a small board at the pier that switches
/// on late and off later, simulated.
///
/// # Errors
/// [`Error::File`] where one can't be written.
pub fn write_live(folder: &Path, seed: u64) -> Result<(rig::plan::Plan, String), Error> {
    let plan = rig::plan::Plan {
        widths_ms: vec![20.0, 100.0, 250.0],
        rounds: 6,
        spacing_s: 0.3,
        random_phase_s: 0.1,
        seed,
        ..rig::plan::Plan::default()
    };
    let chain = format!(
        "# An invented chain, simulated with its rig: pulsewright record --plan {LIVE_PLAN} --chain {LIVE_CHAIN}\nversion = 1\nname = \"{LIVE}\"\n\n[simulated]\nstart_delay_ms = {{ family = \"shifted_gamma\", shift = 3, shape = 2, scale = 2 }}\nwidth_error_ms = {{ family = \"shifted_gamma\", shift = 8, shape = 2, scale = 1.5 }}\nmissing = 0.01\nseed = {seed}\n"
    );
    write_file(&folder.join(LIVE_PLAN), plan.to_toml().as_bytes())?;
    write_file(&folder.join(LIVE_CHAIN), chain.as_bytes())?;
    Ok((plan, chain))
}

/// Writes the setup of Larkmere Hill into `folder`: a steady mount with a fast guide rate under good
/// seeing, where every frame's error is answered.
///
/// # Errors
/// [`Error::File`] where it can't be written.
pub fn write_setup(folder: &Path) -> Result<PathBuf, Error> {
    let mut setup = sky::Setup::default();
    setup.sky.seeing_fwhm_arcsec = 1.6;
    setup.mount.ra_rate = 1.0;
    setup.mount.dec_rate = 1.0;
    setup.mount.periodic_error_arcsec = 5.0;
    setup.mount.ra_gear_noise_arcsec = 0.05;
    setup.mount.dec_gear_noise_arcsec = 0.05;
    setup.mount.polar_error_arcmin = 1.0;
    setup.mount.dec_backlash_ms = 50.0;
    setup.mount.gusts_per_hour = 1.0;
    setup.control.ra_gain = 0.7;
    setup.control.dec_gain = 0.7;
    setup.control.dead_band_arcsec = 0.0;
    setup.control.shortest_ms = 0.0;
    let path = folder.join(SETUP);
    write_file(&path, setup.to_toml().as_bytes())?;
    Ok(path)
}

/// The same pulses for every chain, in random order and at random times.
fn plan(random: &mut stats::random::Random) -> Vec<Sent> {
    let mut pulses = Vec::new();
    for direction in [Direction::RaPlus, Direction::RaMinus] {
        for requested_ms in WIDTHS_MS {
            pulses.extend(std::iter::repeat_n((direction, requested_ms), REPEATS));
        }
    }
    random.shuffle(&mut pulses);
    let mut now_s = 1.0;
    pulses
        .into_iter()
        .map(|(direction, requested_ms)| {
            now_s += 0.3 + 0.4 * random.uniform();
            let issued_s = now_s;
            now_s += requested_ms / 1000.0;
            Sent {
                direction,
                requested_ms,
                issued_s,
            }
        })
        .collect()
}

/// The request log, on a clock that is `offset_s` ahead of the capture's.
fn log(sent: &[Sent], offset_s: f64) -> String {
    let mut text = String::from("direction,requested_ms,issued_s\r\n");
    for s in sent {
        text += &format!(
            "{},{},{:.6}\r\n",
            s.direction,
            s.requested_ms,
            s.issued_s + offset_s
        );
    }
    text
}

fn settings(chain: &laws::Chain, seed: u64) -> ReadSettings {
    let [plus, minus] = chain.channels;
    ReadSettings {
        capture: Settings {
            channels: ChannelMap::mapped(vec![
                (Direction::RaPlus, plus.to_owned()),
                (Direction::RaMinus, minus.to_owned()),
            ]),
            ..Settings::default()
        },
        direction: None,
        requested_ms: Vec::new(),
        shared_clock: chain.clock_offset_s == 0.0,
        max_delay_s: 2.0,
        timebase_ppm: 100.0,
        edge_uncertainty_ms: None,
        seed,
    }
}
