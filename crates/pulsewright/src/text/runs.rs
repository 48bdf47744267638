//! The list of runs.

use book::RunRow;
use chain::{Rounded, count};

use super::table::Table;

/// The list.
pub fn page(runs: &[RunRow]) -> String {
    let mut table = Table::new(&[
        "run",
        "<chain",
        "<stored",
        "pulses",
        "<median error",
        "<captures",
    ]);
    for run in runs {
        table.row(vec![
            run.number.to_string(),
            run.chain.clone(),
            run.stored_at.clone(),
            count(run.pulses),
            median(run),
            run.captures.join(", "),
        ]);
    }
    table.text()
}

/// The median width error of a run with its interval: `12.1 ms (95 % 11.9 to 12.3)`.
pub fn median(run: &RunRow) -> String {
    match (run.median_ms, run.median_ci95) {
        (Some(median), Some(ci)) => {
            let round = Rounded::of_interval(ci);
            format!("{} ms (95 % {})", round.ms(median), round.interval(ci))
        }
        (Some(median), None) => format!("{} ms", Rounded::decimals(1).ms(median)),
        (None, _) => "-".to_owned(),
    }
}
