//! The page of a trim: answer, table, what it leaves, warnings.

use chain::{Loss, Rounded, Trim, count, significant};

use servo::judge::ChainResult;

use super::table::Table;
use super::{answer, faint, heading, star, warnings, wrap};
use crate::json::TrimOnSky;

/// The page, with what trims do for the star where that was asked for.
pub fn page(trim: &Trim, on_sky: Option<&TrimOnSky>) -> String {
    let mut page = answer(&trim.answer);
    if let Some(on_sky) = on_sky {
        page += &format!("{}\n\n", wrap(&on_sky.answer, 0));
    }
    page += &heading("To get, request");
    page += &requests(trim).text();
    page += &faint(&tried(trim));
    page.push('\n');
    page += &heading("How it was fitted");
    page += &format!("  {}\n", wrap(&shape(trim), 2));
    page += &format!("  {}\n\n", wrap(&leaves(trim), 2));
    if let Some(on_sky) = on_sky {
        page += &heading(&format!("What it does for the star, with {}", on_sky.setup));
        page += &star::table(&stars(on_sky)).text();
        page += &residuals(on_sky).text();
        page.push('\n');
    }
    page += &warnings(&trim.warnings);
    page + &faint("For a controller: --as c, --as rust or --as csv.")
}

/// What to request for round wanted widths.
pub fn requests(trim: &Trim) -> Table {
    let mut table = Table::new(&["wanted, ms", "request, ms"]);
    for wanted_ms in [20, 50, 100, 200, 300, 500, 800, 1000, 2000] {
        let request_us = trim.request_us(wanted_ms * 1000);
        table.row(vec![
            wanted_ms.to_string(),
            if request_us == 0 {
                "nothing".to_owned()
            } else {
                Rounded::decimals(2).ms(f64::from(request_us) / 1000.0)
            },
        ]);
    }
    table
}

/// Which widths the fit rests on.
pub fn tried(trim: &Trim) -> String {
    let [low, high] = trim.tried_ms;
    format!(
        "Widths from {} to {} ms were tried; beyond, the curve goes on straight, and is a guess.",
        significant(low),
        significant(high)
    )
}

/// What it brings to zero, and by which curve.
pub fn shape(trim: &Trim) -> String {
    let loss = match trim.loss {
        Loss::Median => "the median".to_owned(),
        Loss::Mean => "the mean".to_owned(),
        Loss::Quantile(p) => format!("the {} % quantile", significant(p * 100.0)),
    };
    let shape = if trim.refined {
        "a line was not enough, so each width tried has a place of its own on the curve".to_owned()
    } else {
        format!(
            "a line: {} ms, and {} ms on top for each second asked",
            Rounded::decimals(2).ms(trim.offset_ms),
            Rounded::decimals(1).ms(trim.scale * 1000.0)
        )
    };
    format!("It brings {loss} of the error to zero; {shape}.")
}

/// What it leaves, by cross-validation.
pub fn leaves(trim: &Trim) -> String {
    let r = &trim.residual;
    let uncertain = r.median_ci95.map_or(0.1, |ci| 0.5 * (ci[1] - ci[0]));
    let round = Rounded::to_uncertainty(uncertain);
    let interval = r
        .median_ci95
        .map_or_else(String::new, |ci| format!(" (95 % {})", round.interval(ci)));
    format!(
        "On pulses that took no part in the fit (5-fold cross-validation, n {}) it leaves a median of {} ms{interval} and a mean of {} ms.",
        count(r.n),
        round.ms(r.median_ms),
        round.ms(r.mean_ms)
    )
}

/// The chains that were weighed, with their names.
pub fn stars(on_sky: &TrimOnSky) -> Vec<(&str, &ChainResult)> {
    on_sky
        .cases
        .iter()
        .map(|case| (case.name.as_str(), &case.star))
        .collect()
}

/// What each trim leaves of the width error, on pulses that it was not fitted on.
pub fn residuals(on_sky: &TrimOnSky) -> Table {
    let mut table = Table::new(&["what it leaves, ms", "median", "mean", "misses by"]);
    for case in &on_sky.cases {
        if let Some(residual) = &case.residual {
            let round = Rounded::decimals(1);
            table.row(vec![
                case.name.clone(),
                round.ms(residual.median_ms),
                round.ms(residual.mean_ms),
                round.ms(residual.mean_distance_after_ms),
            ]);
        }
    }
    table
}
