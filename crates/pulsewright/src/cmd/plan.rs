//! `plan`: which pulses to ask for, in which order, and how far the mount moves for it.

use std::path::Path;

use rig::plan::{Plan, PlanReading, Schedule, StopRule};

use crate::cli::{Global, PlanCommand, PlanNewArgs};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Largest plan or chain file, bytes.
pub const MOST_FILE: u64 = 1 << 20;
/// Widths of a new plan, ms: from a loop's usual corrections to a long one.
const WIDTHS_MS: [f64; 5] = [20.0, 50.0, 100.0, 250.0, 500.0];

/// Runs the command.
///
/// # Errors
/// Every fault in the plan; [`Error::File`] where it can't be read or written.
pub fn run(command: &PlanCommand, global: &Global, output: &Output) -> Result<(), Error> {
    match command {
        PlanCommand::New(args) => new(args, global, output),
        PlanCommand::Check(args) => {
            let document = document(&args.file, false)?;
            if output.json() {
                return output.print_json(&document);
            }
            output.print(&text::plan::page(&document, output.quiet()))
        }
        PlanCommand::Show(args) => {
            let document = document(&args.file, true)?;
            if output.json() {
                return output.print_json(&document);
            }
            output.print(&text::plan::requests(&document))
        }
    }
}

/// A plan in a file.
///
/// # Errors
/// [`Error::File`] where it can't be read, [`Error::Usage`] with every fault in it.
pub fn read(path: &Path) -> Result<PlanReading, Error> {
    let text = library::text_of(
        path,
        MOST_FILE,
        "name a plan; `pulsewright plan new` writes one",
    )?;
    Plan::read(&text).map_err(|error| library::faults(path, &error.faults))
}

fn new(args: &PlanNewArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let mut plan = Plan {
        widths_ms: WIDTHS_MS.to_vec(),
        rounds: args.rounds,
        seed: global.seed,
        ..Plan::default()
    };
    if !args.widths.is_empty() {
        plan.widths_ms.clone_from(&args.widths);
    }
    if !args.directions.is_empty() {
        plan.directions.clone_from(&args.directions);
    }
    if let Some(setup) = &args.setup {
        let mount = library::setup(setup)?.setup.mount;
        (plan.ra_rate, plan.dec_rate) = (mount.ra_rate, mount.dec_rate);
    }
    if let Some(half_width_ms) = args.until {
        plan.stop = StopRule::Precision { half_width_ms };
    }
    // The cap holds the longest request, however fast the mount is.
    let longest_ms = plan.widths_ms.iter().copied().fold(0.0, f64::max);
    let fastest = plan
        .directions
        .iter()
        .map(|d| plan.speed(*d))
        .fold(0.0, f64::max);
    plan.cap_arcsec = plan.cap_arcsec.max((longest_ms / 1000.0 * fastest).ceil());
    plan.check()
        .map_err(|error| library::faults(&args.file, &error.faults))?;
    library::write_new(&args.file, &plan.to_toml())?;
    let file = args.file.display();
    output.note(&format!(
        "{file} is written. See what it does: pulsewright plan check {file}"
    ));
    Ok(())
}

fn document(path: &Path, with_requests: bool) -> Result<json::PlanDocument, Error> {
    let PlanReading { plan, warnings } = read(path)?;
    let schedule = Schedule::new(&plan);
    Ok(json::PlanDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "plan",
        file: path.display().to_string(),
        requests_in_all: plan.count() as u64,
        estimated_s: plan.estimated_s(),
        travel: schedule.travel(&plan).map(|t| json::TravelDocument {
            axis: t.axis.name(),
            total_arcsec: t.total_arcsec,
            furthest_arcsec: t.furthest_arcsec,
            net_arcsec: t.net_arcsec,
        }),
        requests: with_requests.then_some(schedule.requests),
        plan,
        warnings,
    })
}
