//! Measure: runs, chains, a run, runs beside each other.

use std::collections::BTreeMap;

use ::book::{Book, RunRow, StoredRun};
use axum::Router;
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use chain::{RunSummary, count, plural};
use maud::{Markup, html};

use super::chosen::waited;
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, aside, chosen, upload};
use crate::cmd::{compare, export};
use crate::figure::{Along, Axis, Figure, Hue, Interval, Mark, Panel, Series};
use crate::section::{Column, Place, cell, comparison, run, table};
use crate::{json, library, text};

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/measure", get(show))
        .route("/measure/run/{name}", get(show_run))
        .route("/measure/run/{name}/pulses.csv", get(as_csv))
        .route("/measure/run/{name}/run.json", get(as_json))
        .route("/measure/compare", get(show_comparison))
}

const TITLE: &str = "Measure: what does the chain do to a pulse?";
/// So many runs are compared at most: each with each makes 66 pairs.
const MOST_COMPARED: usize = 12;
/// So many chains have a place in the overview.
const MOST_IN_OVERVIEW: usize = 24;

async fn show(seen: Seen) -> Result<Response, Problem> {
    let runs = chosen::runs(&seen.app, &Asked::default()).await?;
    let body = html! {
        h1 { (TITLE) }
        @match &runs {
            Some(runs) => (list(&runs.rows, seen.app.live.is_some())),
            None => (first()),
        }
    };
    Ok(layout::page(&seen, Spot::Measure, "Measure", &body))
}

/// What to do where there is no run yet.
fn first() -> Markup {
    html! {
        p.answer { "This lab book holds no run yet. Begin with one of these." }
        ol.steps {
            li {
                a href="/measure/upload" { "Upload a capture" }
                " of the guide port, from a logic analyser, an oscilloscope or a sound card, and say which widths were asked for."
            }
            li {
                a href="/measure/live" { "Take a run live" }
                ": a rig times the wire while the chain is asked for pulses."
            }
            li {
                "Or look around first: " code { "pulsewright demo" }
                " makes a lab book of invented chains, with no hardware, and says how to open it."
            }
        }
    }
}

/// Every chain with its newest answer and its runs.
fn list(rows: &[RunRow], live: bool) -> Markup {
    let mut by_name: BTreeMap<&str, Vec<&RunRow>> = BTreeMap::new();
    for row in rows {
        by_name.entry(&row.chain).or_default().push(row);
    }
    // In the order in which they came into the book.
    let mut chains: Vec<(&str, Vec<&RunRow>)> = by_name.into_iter().collect();
    chains.sort_by_key(|(_, runs)| runs.first().map(|run| run.number));
    let newest: Vec<&RunRow> = chains
        .iter()
        .filter_map(|(_, runs)| runs.last().copied())
        .collect();
    let at = Place {
        prefix: "measure",
        level: 2,
        unfolded: false,
    };
    html! {
        p {
            (plural(chains.len() as u64, "chain")) ", " (plural(rows.len() as u64, "run")) ". "
            a.button href="/measure/upload" { "Upload a capture" } " "
            @if live {
                a.button href="/measure/live" { "Live run" }
            } @else {
                a href="/measure/live" { "How to take a run live" }
            }
        }
        @if newest.len() > 1 { (at.figure(&overview(&newest))) }
        form method="get" action="/measure/compare" {
            @for (name, runs) in &chains { (chain_of(name, runs)) }
            @if rows.len() > 1 {
                p {
                    "Tick two runs or more, up to " (MOST_COMPARED) ": "
                    button { "Compare the ticked runs" }
                }
            }
        }
    }
}

fn chain_of(name: &str, runs: &[&RunRow]) -> Markup {
    let columns = [
        Column::Words("run"),
        Column::Words("compare"),
        Column::Numbers("pulses"),
        Column::Words("median error"),
        Column::Words("stored"),
        Column::Words("captures"),
    ];
    let rows: Vec<Vec<Markup>> = runs
        .iter()
        .rev()
        .map(|run| {
            let n = run.number;
            vec![
                html! { a href={ "/measure/run/" (n) } { "Run " (n) } },
                html! { input type="checkbox" name="run" value=(n) aria-label={ "Compare run " (n) " of " (name) }; },
                cell(count(run.pulses)),
                cell(text::runs::median(run)),
                cell(&run.stored_at),
                cell(names_of(&run.captures)),
            ]
        })
        .collect();
    html! {
        section {
            h2 { (name) }
            @if let Some(answer) = runs.last().and_then(|run| run.answer.as_ref()) { p { (answer) } }
            (table(&format!("Runs of {name}, the newest first"), &columns, &rows))
        }
    }
}

/// The files' own names, without their folders; of those that are kept under their checksum its beginning.
fn names_of(paths: &[String]) -> String {
    let names = paths.iter().map(|path| {
        let name = path.rsplit(['/', '\\']).next().unwrap_or(path);
        match name.split_once('.') {
            Some((stem, extension)) if upload::is_checksum(stem) => {
                format!("uploaded, {}.{extension}", &stem[..8])
            }
            _ => name.to_owned(),
        }
    });
    names.collect::<Vec<_>>().join(", ")
}

/// The median of the newest run of each chain.
fn overview(newest: &[&RunRow]) -> Figure {
    let shown = &newest[..newest.len().min(MOST_IN_OVERVIEW)];
    let items = shown.iter().enumerate().filter_map(|(place, run)| {
        let value = run.median_ms?;
        let [low, high] = run.median_ci95.unwrap_or([value; 2]);
        Some(Interval {
            at: place as f64,
            low,
            value,
            high,
        })
    });
    let medians = Mark::Intervals {
        items: items.collect(),
        along: Along::X,
    };
    let requested = Mark::Rule {
        at: 0.0,
        along: Along::X,
    };
    let rest = newest.len() - shown.len();
    let more = if rest > 0 {
        format!(" {} more are not shown.", count(rest as u64))
    } else {
        String::new()
    };
    Figure {
        id: "overview".into(),
        title: "How much too long are their pulses?".into(),
        caption: format!(
            "Median width error with its 95 % interval: all pulses of the newest run of each chain, whatever was asked.{more} How far they scatter about it stands with each run."
        ),
        panels: vec![Panel {
            x: Axis::linear("median width error", "ms"),
            y: Axis::names("", shown.iter().map(|run| run.chain.clone()).collect()),
            series: vec![
                Series::new("as requested", Hue::Requested, requested),
                Series::new("median", Hue::Measured, medians),
            ],
            aspect: (0.05 * shown.len() as f64 + 0.1).min(1.0),
        }],
    }
}

/// A run that an address names by its number or its chain, with its summary.
async fn stored(app: &Shared, name: String) -> Result<(StoredRun, RunSummary), Problem> {
    let path = app.book.clone();
    aside(move || Ok(library::run(&Book::open(&path)?, &name)?)).await
}

async fn show_run(seen: Seen, Path(name): Path<String>) -> Result<Response, Problem> {
    let by_number = name.parse::<i64>().is_ok();
    let (stored, summary) = stored(&seen.app, name).await?;
    let n = stored.number;
    if !by_number {
        return Ok(Redirect::to(&format!("/measure/run/{n}")).into_response());
    }
    let title = format!("Run {n} of {}", stored.chain);
    let notes = format!("{:?}", stored.notes);
    let key = format!("run {n} of {}, notes {notes}", stored.stored_at);
    let path = seen.app.book.clone();
    let heading = (title.clone(), links(n, &stored.chain));
    // The section is kept, and not the pulses that it shows: there may be millions.
    let section = waited(&seen, (Spot::Measure, &title), key, move |_| {
        let (settings, captures) = json::stored_reading(&stored)?;
        let observations = Book::open(&path)?.observations(n)?;
        let view = run::View {
            run: &stored,
            summary: &summary,
            captures: &captures,
            settings: &settings,
            observations: &observations,
        };
        let prefix = format!("run-{n}");
        let at = Place {
            prefix: &prefix,
            level: 2,
            unfolded: false,
        };
        Ok(run::section(&view, &at))
    })
    .await?;
    let section = match section {
        Ok(section) => section,
        Err(waiting) => return Ok(waiting),
    };
    let (title, links) = heading;
    let body = html! { h1 { (title) } (links) (section) };
    Ok(layout::page(&seen, Spot::Measure, &title, &body))
}

/// What to do with a run.
fn links(n: i64, chain: &str) -> Markup {
    html! {
        p.onward {
            a.button.first href={ "/judge?run=" (n) } { "Judge this run" } " "
            a.button href={ "/correct?run=" (n) } { "Correct" } " "
            a.button href={ "/report?run=" (n) } { "Report" } " "
            a.button href={ "/measure/run/" (n) "/pulses.csv" } download { "Save pulses as CSV" } " "
            a.button href={ "/measure/run/" (n) "/run.json" } download { "Save all as JSON" }
        }
        p.hint { a href="/measure" { "All runs" } ", among them others of " (chain) " to compare it with." }
    }
}

async fn as_csv(seen: Seen, Path(name): Path<String>) -> Result<Response, Problem> {
    exported(
        &seen.app,
        name,
        "text/csv; charset=utf-8",
        "pulses.csv",
        |_, _, pulses| Ok(export::csv(pulses)),
    )
    .await
}

async fn as_json(seen: Seen, Path(name): Path<String>) -> Result<Response, Problem> {
    exported(
        &seen.app,
        name,
        "application/json",
        "run.json",
        |run, summary, pulses| Ok(json::text(&json::of_stored(run, summary, Some(pulses))?)?),
    )
    .await
}

/// The bytes that `export` writes, as a file to save.
async fn exported(
    app: &Shared,
    name: String,
    kind: &'static str,
    file: &str,
    text_of: fn(&StoredRun, &RunSummary, &[wire::Observation]) -> Result<String, Problem>,
) -> Result<Response, Problem> {
    let path = app.book.clone();
    let (n, text) = aside(move || {
        let book = Book::open(&path)?;
        let (run, summary) = library::run(&book, &name)?;
        let pulses = book.observations(run.number)?;
        Ok((run.number, text_of(&run, &summary, &pulses)?))
    })
    .await?;
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"run-{n}-{file}\""),
        ),
    ];
    Ok((headers, text).into_response())
}

async fn show_comparison(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = &seen.app;
    let names: Vec<String> = asked.all("run").map(str::to_owned).collect();
    let path = app.book.clone();
    let rows = aside(move || {
        let book = Book::open(&path)?;
        let rows = book.runs()?;
        let mut picked: Vec<RunRow> = Vec::new();
        for name in &names {
            let number = library::number_of(&book, name)?;
            if picked.iter().any(|row| row.number == number) {
                continue;
            }
            let row = rows.iter().find(|row| row.number == number);
            match row {
                Some(row) => picked.push(row.clone()),
                // The book's own words for a run that is not there.
                None => drop(book.run(number)?),
            }
        }
        Ok(picked)
    })
    .await?;
    if !(2..=MOST_COMPARED).contains(&rows.len()) {
        return Err(Problem::bad(format!(
            "Found {} to compare, expected 2 to {MOST_COMPARED} different ones; tick them in the list of runs.",
            plural(rows.len() as u64, "run")
        ))
        .with_way_out("/measure", "See the runs"));
    }
    let stamps: Vec<String> = rows.iter().map(chosen::stamp).collect();
    let numbers: Vec<i64> = rows.iter().map(|row| row.number).collect();
    let path = app.book.clone();
    let title = "Chains side by side";
    let key = format!("compare {}", stamps.join(", "));
    let section = waited(&seen, (Spot::Measure, title), key, move |_| {
        let compared = compare::compare(&Book::open(&path)?, &numbers)?;
        let at = Place {
            prefix: "compare",
            level: 2,
            unfolded: false,
        };
        Ok(comparison::section(&compared, &at))
    })
    .await?;
    let section = match section {
        Ok(section) => section,
        Err(waiting) => return Ok(waiting),
    };
    let body = html! {
        h1 { (title) }
        p.onward {
            @for row in &rows {
                a.button href={ "/measure/run/" (row.number) } { (row.chain) ", run " (row.number) } " "
            }
            a href="/measure" { "Choose others" }
        }
        (section)
    };
    Ok(layout::page(&seen, Spot::Measure, title, &body))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(number: i64, chain: &str) -> RunRow {
        RunRow {
            number,
            chain: chain.into(),
            stored_at: "2026-01-01T00:00:00Z".into(),
            pulses: 120,
            median_ms: Some(12.0 + number as f64),
            median_ci95: Some([11.0, 14.0 + number as f64]),
            answer: Some(format!("Run {number} says so.")),
            captures: vec![r"C:\captures\port <x>.vcd".into(), "a/b.csv".into()],
        }
    }

    #[test]
    fn each_chain_shows_its_newest_answer_and_names_are_escaped() {
        let rows = [row(1, "attic"), row(2, "pier & <b>"), row(3, "attic")];
        let page = list(&rows, false).into_string();
        assert!(page.contains("Run 3 says so.") && !page.contains("Run 1 says so."));
        assert!(page.contains("port &lt;x&gt;.vcd, b.csv"), "{page}");
        assert!(page.contains("pier &amp; &lt;b&gt;") && !page.contains("<b>"));
        assert_eq!(page.matches("type=\"checkbox\"").count(), 3);
    }

    #[test]
    fn the_overview_holds_the_medians_of_the_list() {
        let rows: Vec<RunRow> = (0..30).map(|n| row(n, &format!("chain {n}"))).collect();
        let newest: Vec<&RunRow> = rows.iter().collect();
        let figure = overview(&newest);
        let Mark::Intervals { items, .. } = &figure.panels[0].series[1].mark else {
            panic!("no intervals");
        };
        assert_eq!(items.len(), MOST_IN_OVERVIEW);
        assert_eq!(Some(items[3].value), rows[3].median_ms);
        assert_eq!(Some([items[3].low, items[3].high]), rows[3].median_ci95);
        assert!(figure.caption.contains("6 more are not shown"));
    }
}
