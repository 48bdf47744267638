//! The page of a tuning: what to set, the ranges, the map.

use chain::{Rounded, significant};
use servo::tune::{GoodRange, Tuned};

use super::table::Table;
use super::{answer, faint, heading, star, warnings, wrap};
use crate::json::TuneDocument;

/// The page; the answer alone where `quiet`.
pub fn page(document: &TuneDocument, quiet: bool) -> String {
    if quiet {
        return format!("{}\n", document.answer);
    }
    let mut page = answer(&document.answer);
    if let Some(trimmed) = &document.answer_trimmed {
        page += &format!("{}\n\n", wrap(&format!("With the trim: {trimmed}"), 0));
    }
    page += &heading(&format!("What to set, with {}", document.chain));
    page += &settings(document).text();
    page.push('\n');
    page += &faint(&flatness(&document.untrimmed));
    page.push('\n');
    page += &heading(&format!(
        "{} by gain (both axes) and cadence",
        document.untrimmed.goal.words()
    ));
    page += &map(&document.untrimmed).text();
    page.push('\n');
    page += &warnings(&document.warnings);
    page + &faint(&format!("{} How: docs/method.md.", computed(document)))
}

/// How it was computed.
pub fn computed(document: &TuneDocument) -> String {
    format!(
        "{} settings over {} skies and mounts around the setup, with common random numbers, seed {}.",
        chain::count(document.untrimmed.settings_tried as u64),
        document.skies,
        document.seed
    )
}

/// A row a setting: the best value and those as good.
pub fn settings(document: &TuneDocument) -> Table {
    let mut table = Table::new(&[
        "setting",
        "set",
        "as good from",
        "to",
        "with the trim",
        "as good from",
        "to",
    ]);
    let cells = |range: Option<&GoodRange>| -> [String; 3] {
        range.map_or_else(
            || ["-", "-", "-"].map(str::to_owned),
            |r| [r.best, r.low, r.high].map(|v| significant(rounded(v))),
        )
    };
    for (i, range) in document.untrimmed.ranges.iter().enumerate() {
        let trimmed = document.trimmed.as_ref().map(|t| &t.ranges[i]);
        let mut row = vec![range.setting.replace('_', " ")];
        row.extend(cells(Some(range)));
        row.extend(cells(trimmed));
        table.row(row);
    }
    let law = |tuned: &Tuned| tuned.best.control.law.name().to_owned();
    let mut row = vec!["law".to_owned(), law(&document.untrimmed)];
    row.extend(["", ""].map(str::to_owned));
    row.push(
        document
            .trimmed
            .as_ref()
            .map_or_else(|| "-".to_owned(), law),
    );
    row.extend(["-", "-"].map(str::to_owned));
    table.row(row);
    table
}

/// Half a per cent is beyond any dial.
fn rounded(value: f64) -> f64 {
    Rounded::to_uncertainty(0.02 * value.abs())
        .ms(value)
        .parse()
        .unwrap_or(value)
}

/// How flat the optimum is, and what the present settings give.
pub fn flatness(tuned: &Tuned) -> String {
    let share = |share: Option<f64>| {
        share.map_or_else(
            || "unstable, or the star is lost".to_owned(),
            |s| format!("{} % worse", Rounded::decimals(1).ms(100.0 * s)),
        )
    };
    let [low, high] = tuned.flatness;
    let present = match (&tuned.present_value, &tuned.improvement) {
        (Some(present), Some(gain)) => format!(
            " The present settings give {}, {} more than these (95 % interval {}).",
            star::value(present),
            star::value(gain),
            Rounded::to_uncertainty(gain.half_width()).interval([gain.low, gain.high])
        ),
        _ => String::new(),
    };
    format!(
        "How flat the optimum is: with both gains at 0.7 of these, {}; at 1.35 of these, {}.{present}",
        share(low),
        share(high)
    )
}

/// The goal by cadence and gain.
pub fn map(tuned: &Tuned) -> Table {
    let map = &tuned.map;
    let mut titles = vec!["cadence, s".to_owned()];
    titles.extend(map.gains.iter().map(|g| format!("{g:.2}")));
    let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
    let mut table = Table::new(&titles);
    for (cadence, row) in map.cadences_s.iter().zip(&map.values) {
        let mut cells = vec![significant(*cadence)];
        cells.extend(row.iter().map(|value| {
            value.map_or_else(|| "unstable".to_owned(), |v| Rounded::decimals(2).ms(v))
        }));
        table.row(cells);
    }
    table
}
