//! The page of a plan: how many requests, how long, how far the mount moves.

use chain::{Rounded, count, significant};
use rig::plan::StopRule;

use super::table::Table;
use super::{answer, faint, warnings};
use crate::json::PlanDocument;

/// A time in words: `4 min 30 s`, `1 h 20 min`.
pub fn duration(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    match s {
        0..60 => format!("{s} s"),
        60..3600 => format!("{} min {} s", s / 60, s % 60),
        _ => format!("{} h {} min", s / 3600, s % 3600 / 60),
    }
}

/// What rounding leaves of none is none.
fn arcsec(value: f64) -> String {
    significant(if value.abs() < 1e-6 { 0.0 } else { value })
}

/// What it does, in a sentence.
pub fn sentence(document: &PlanDocument) -> String {
    let plan = &document.plan;
    let [ra, dec] = &document.travel;
    let until = match plan.stop {
        StopRule::Count => String::new(),
        StopRule::Precision { half_width_ms } => format!(
            ", or less: until each median is known to {} ms either side",
            significant(half_width_ms)
        ),
    };
    format!(
        "{} requests in about {}{until}; the mount moves at most {} arcsec from where it is in right ascension and {} in declination, and ends {}.",
        count(document.requests_in_all),
        duration(document.estimated_s),
        significant(ra.furthest_arcsec),
        significant(dec.furthest_arcsec),
        if plan.balanced {
            "where it began, but for what the chain adds to each pulse".to_owned()
        } else {
            format!(
                "{} and {} arcsec away",
                arcsec(ra.net_arcsec),
                arcsec(dec.net_arcsec)
            )
        }
    )
}

/// The page; the answer alone where `quiet`.
pub fn page(document: &PlanDocument, quiet: bool) -> String {
    let sentence = sentence(document);
    if quiet {
        return format!("{sentence}\n");
    }
    let plan = &document.plan;
    let mut page = answer(&sentence);
    let widths: Vec<String> = plan.widths_ms.iter().map(|w| significant(*w)).collect();
    let directions: Vec<String> = plan.directions.iter().map(ToString::to_string).collect();
    page += &format!(
        "  {} ms, in {}, {} times each; pauses of {} s and up to {} s of chance; {} order; seed {}\n\n",
        widths.join(", "),
        directions.join(", "),
        count(u64::from(plan.rounds)),
        significant(plan.spacing_s),
        significant(plan.random_phase_s),
        if plan.random_order { "random" } else { "fixed" },
        plan.seed
    );
    page += &warnings(&document.warnings);
    page + &faint("pulsewright plan show lists every request; pulsewright record runs it.")
}

/// Every request in its order.
pub fn requests(document: &PlanDocument) -> String {
    let mut table = Table::new(&["request", "<direction", "width, ms", "pause before, s"]);
    for (place, request) in document.requests.iter().flatten().enumerate() {
        table.row(vec![
            (place + 1).to_string(),
            request.direction.to_string(),
            significant(request.width_ms),
            Rounded::decimals(3).ms(request.pause_s),
        ]);
    }
    table.text()
}
