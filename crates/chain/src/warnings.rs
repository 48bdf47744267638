//! What may spoil a result, and what to do about it.

use wire::Warning;

use crate::quantity::{Rounded, plural};
use crate::summary::RunSummary;
use crate::uncertainty::{Instrument, Sampling};

/// Fewer pulses than this in a group leave its median uncertain by about half its SD.
const FEW: u64 = 20;
/// A p-value below this is reported.
const SIGNIFICANT: f64 = 0.01;
/// Autocorrelation above this makes the intervals clearly too narrow.
const CORRELATED: f64 = 0.3;
/// Steps of the time stamps above this share of the spread show in the numbers.
const COARSE: f64 = 0.5;

/// Appends the warnings that the numbers call for, in the order of their weight.
pub(crate) fn add(summary: &mut RunSummary, instrument: &Instrument) {
    let mut found = Vec::new();
    outcomes(summary, &mut found);
    tick(summary, &mut found);
    over_time(summary, &mut found);
    precision(summary, instrument, &mut found);
    shape(summary, &mut found);
    summary.warnings.append(&mut found);
}

fn outcomes(summary: &RunSummary, found: &mut Vec<Warning>) {
    let o = &summary.outcomes;
    if let Some((missing, share)) = summary.came_to_nothing().zip(summary.missing_share) {
        let percent = Rounded::decimals(1);
        found.push(Warning::new(
            format!(
                "{missing} ({} %, 95 % {} %)",
                percent.ms(share.share * 100.0),
                percent.interval(share.ci95.map(|v| v * 100.0))
            ),
            "a missing pulse can't be trimmed away: look at the cable, the adapter and the program, and whether short ones are lost more often",
        ));
    }
    if o.extra > 0 {
        found.push(Warning::new(
            format!("{} on the wire that nobody asked for, or of no requested width", plural(o.extra, "pulse")),
            "check that --requested names every width that was sent; if it does, look for noise on the line or a second program",
        ));
    }
    if o.broken > 0 {
        found.push(Warning::new(
            format!("{} came out split by a gap", plural(o.broken, "request")),
            "a contact that opens in mid-pulse: check plug and relay; if it is bounce, raise --bridge above the gap",
        ));
    }
    if o.cut > 0 {
        found.push(Warning::new(
            format!(
                "{} touched an end of the capture and was left out",
                plural(o.cut, "pulse")
            ),
            "start the capture before the first pulse and stop it after the last",
        ));
    }
    let pulses = summary.pooled.n;
    if o.bounces > pulses / 10 && o.bounces > 0 {
        found.push(Warning::new(
            format!(
                "{} were bridged as bounce, in {}",
                plural(o.bounces, "gap"),
                plural(pulses, "pulse")
            ),
            "many bounces: a worn relay or a loose plug, or a threshold in the noise",
        ));
    }
    if o.dropped_short > pulses / 10 && o.dropped_short > 0 {
        found.push(Warning::new(
            format!(
                "{} were dropped as shorter than --min-pulse",
                plural(o.dropped_short, "pulse")
            ),
            "if these are real requests, lower --min-pulse; if not, look for noise on the line",
        ));
    }
}

fn tick(summary: &RunSummary, found: &mut Vec<Warning>) {
    let Some(tick) = summary.tick.as_ref().filter(|tick| tick.found) else {
        return;
    };
    let period = Rounded::to_uncertainty(tick.period_ms * 0.01).ms(tick.period_ms);
    found.push(Warning::new(
        format!("widths keep to a hidden tick of {period} ms (p = {:.1e})", tick.p_value),
        "something in the chain counts time in these steps: ask for multiples of it, and look for a timer of that period in the program, the system or the adapter",
    ));
}

fn over_time(summary: &RunSummary, found: &mut Vec<Warning>) {
    let Some(trend) = &summary.trend else { return };
    if trend.p_value < SIGNIFICANT && trend.over_run_ms.abs() > summary.uncertainty[0].expanded_ms {
        let half = 0.5 * (trend.slope_ci95[1] - trend.slope_ci95[0]);
        let round = Rounded::to_uncertainty(half);
        let per = trend.per.words();
        found.push(Warning::new(
            format!(
                "the error drifts by {} ms {per} (95 % {})",
                round.ms(trend.slope_ms),
                round.interval(trend.slope_ci95)
            ),
            "something warms up or fills up: measure again after an hour's running, and compare",
        ));
    }
    if let Some(r) = trend.lag1_autocorrelation.filter(|r| *r > CORRELATED) {
        found.push(Warning::new(
            format!("successive errors resemble each other (lag-1 autocorrelation {r:.2})"),
            "the intervals are too narrow for this: take pulses in random order, farther apart, or take more",
        ));
    }
}

fn precision(summary: &RunSummary, instrument: &Instrument, found: &mut Vec<Warning>) {
    let few: Vec<&crate::GroupSummary> = summary.groups.iter().filter(|g| g.n < FEW).collect();
    if !few.is_empty() {
        let least = few.iter().map(|g| g.n).min().unwrap_or(0);
        found.push(Warning::new(
            format!(
                "{} of {} hold fewer than {FEW} pulses (the least {least})",
                few.len(),
                plural(summary.groups.len() as u64, "group")
            ),
            "take at least 30 pulses for each width and direction before you act on a group",
        ));
    }
    let [shortest, longest] = summary.pooled.requested_range_ms;
    if shortest == longest {
        found.push(Warning::new(
            "only one width was asked, so an offset can't be told from a scale",
            "add a short and a long width (50 ms and 500 ms, say) to the run",
        ));
    }
    let spread = summary.pooled.width_error_ms.mad_sd;
    let coarse = !matches!(instrument.sampling, Sampling::Interpolated { .. })
        && instrument.resolution_ms > COARSE * spread
        && instrument.resolution_ms > 0.1;
    if coarse {
        found.push(Warning::new(
            format!(
                "the time stamps come in steps of {} ms, against a spread of {spread:.2} ms",
                instrument.resolution_ms
            ),
            "quantiles and shape can't be finer than the step: capture at a higher rate",
        ));
    }
    if instrument.sampling == Sampling::Widths && instrument.edge_ms.is_none() {
        found.push(Warning::new(
            "the widths were measured elsewhere, with an instrument that the file doesn't describe",
            "give --timebase-ppm and --edge-uncertainty of that instrument, or the expanded uncertainty is a guess",
        ));
    }
}

fn shape(summary: &RunSummary, found: &mut Vec<Warning>) {
    if summary.pooled.normality.rejected() {
        found.push(Warning::new(
            "the errors are not normally distributed",
            "trust the median and the quantiles; a mean with a standard deviation describes these pulses badly",
        ));
    }
    let misfits = summary
        .groups
        .iter()
        .filter(|g| g.family.as_ref().is_some_and(|f| f.fits == Some(false)))
        .count();
    if misfits > 0 {
        found.push(Warning::new(
            format!(
                "none of the six families of distributions describes the errors in {misfits} of {}",
                plural(summary.groups.len() as u64, "group")
            ),
            "use the measured pulses themselves, not a fitted family, in anything computed from this run",
        ));
    }
}
