//! The page of a comparison: answer, figure, table, pairs, warnings.

use chain::{Comparison, Rounded, count};

use super::figure::{self, Line};
use super::table::Table;
use super::{answer, faint, heading, warnings, wrap};

/// The page.
pub fn page(comparison: &Comparison) -> String {
    let mut page = answer(&comparison.answer);
    page += &figure(comparison);
    page += &runs(comparison);
    page += &pairs(comparison);
    page += &warnings(&comparison.warnings);
    page
}

fn figure(comparison: &Comparison) -> String {
    let mut page = heading(&format!(
        "Width error at {} (measured minus requested)",
        widths(comparison)
    ));
    let lines: Vec<Line<'_>> = comparison
        .runs
        .iter()
        .map(|run| Line {
            label: run.name.clone(),
            histogram: &run.histogram,
            remark: format!("n {}", count(run.n)),
        })
        .collect();
    page += &figure::histograms(&lines);
    page.push('\n');
    page
}

/// The widths that are compared: `50, 250 ms`.
pub fn widths(comparison: &Comparison) -> String {
    const MOST: usize = 8;
    let all = &comparison.widths_ms;
    let widths: Vec<String> = all.iter().take(MOST).map(|w| w.to_string()).collect();
    let more = if all.len() > MOST { ", ..." } else { "" };
    format!("{}{more} ms", widths.join(", "))
}

/// What the columns of the runs mean.
pub const RUNS_NOTE: &str = "scatter: mean distance from the median. Qn: a robust SD, in which stragglers hardly count. p95: 95 % of the errors lie below.";

/// The runs in ms, a row each, in the digits that the uncertainties allow.
pub fn run_table(comparison: &Comparison) -> Table {
    let mut table = Table::new(&[
        "ms",
        "n",
        "median",
        "95 % interval",
        "scatter",
        "Qn",
        "p95",
        "missing",
    ]);
    for run in &comparison.runs {
        let half = run.median_ci95.map_or(f64::NAN, |ci| 0.5 * (ci[1] - ci[0]));
        let round = Rounded::to_uncertainty(half);
        let spread = Rounded::of_spread(run.mean_distance_ms);
        table.row(vec![
            run.name.clone(),
            count(run.n),
            round.ms(run.median_ms),
            run.median_ci95
                .map_or_else(|| "-".to_owned(), |ci| round.interval(ci)),
            spread.ms(run.mean_distance_ms),
            run.qn_sd_ms
                .map_or_else(|| "-".to_owned(), |qn| spread.ms(qn)),
            spread.ms(run.p95_ms),
            run.missing_share.map_or_else(
                || "unknown".to_owned(),
                |m| format!("{} of {}", count(m.count), count(m.of)),
            ),
        ]);
    }
    table
}

fn runs(comparison: &Comparison) -> String {
    let table = run_table(comparison).text();
    format!("{table}{}\n", faint(RUNS_NOTE))
}

/// How the pairs were compared.
pub fn pairs_note(comparison: &Comparison) -> String {
    let corrected = if comparison.pairs.len() > 1 {
        ", corrected for the number of pairs after Holm"
    } else {
        ""
    };
    format!(
        "Shifts by Hodges-Lehmann; differences in level by Mann-Whitney, in spread by Brown-Forsythe, at 5 %{corrected}."
    )
}

fn pairs(comparison: &Comparison) -> String {
    let mut page = heading("Pair by pair");
    for pair in &comparison.pairs {
        page += &format!("  {}\n", wrap(&pair.answer, 2));
    }
    page += &faint(&pairs_note(comparison));
    page.push('\n');
    page
}
