//! The report, made from the page.

use std::sync::Arc;

use ::book::{Book, RunRow};
use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::{Markup, html};

use super::chosen::{self, Ground, waited};
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared};
use crate::library;
use crate::report::{self, Made};

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/report", get(show))
        .route("/report/file", get(file))
}

const TITLE: &str = "Report: one file to print or to send";
/// Runs of one report: each takes some seconds.
const MOST_RUNS: usize = 12;

/// What a report is asked for.
struct Wanted {
    runs: Vec<RunRow>,
    after: Option<RunRow>,
    margin_ms: Option<f64>,
}

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let answer = |body: &Markup| {
        let body = html! { h1 { (TITLE) } (body) };
        layout::page(&seen, Spot::Report, "Report", &body)
    };
    let ground = match chosen::ground(&seen.app, &Asked::default()).await? {
        Ok(ground) => ground,
        Err(first) => return Ok(answer(&first)),
    };
    let wanted = wanted(&ground, &asked)?;
    let form = form(&ground, &wanted, &asked);
    if wanted.runs.is_empty() {
        let unticked = wanted.after.is_some();
        return Ok(answer(&html! {
            @if unticked { p.answer { "No run is ticked yet: tick the run before the change." } }
            (form)
        }));
    }
    let made = match made(&seen, &ground, &wanted).await? {
        Ok(made) => made,
        Err(waiting) => return Ok(waiting),
    };
    Ok(answer(&html! {
        p.answer {
            "The report is made: " (chain::count(made.html.len().div_ceil(1000) as u64)) " kB, with every figure in it."
        }
        p {
            a.button href={ "/report/file?" (query(&wanted)) } download=(name(&wanted)) { "Save the report" }
        }
        p.hint {
            "It opens in any browser without this program or a network, and prints with nothing folded or cut. "
            "It names the files of its captures, as they were given: look at them before you send it."
        }
        dl.answers {
            @for answer in &made.answers {
                dt { (answer.question) ": " (answer.about) }
                dd { (answer.sentence) }
            }
        }
        (form)
    }))
}

async fn file(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let missing = || {
        Problem::missing("No run was chosen for a report, or there is no setup yet.")
            .with_way_out("/report", "Choose the runs")
    };
    let Ok(ground) = chosen::ground(&seen.app, &Asked::default()).await? else {
        return Err(missing());
    };
    let wanted = wanted(&ground, &asked)?;
    if wanted.runs.is_empty() {
        return Err(missing());
    }
    let made = match made(&seen, &ground, &wanted).await? {
        Ok(made) => made,
        Err(waiting) => return Ok(waiting),
    };
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"{}\"", name(&wanted)),
        ),
    ];
    Ok((headers, made.html.clone()).into_response())
}

/// A name for the file, of runs alone: a chain's may hold anything.
fn name(wanted: &Wanted) -> String {
    let numbers: Vec<String> = wanted
        .runs
        .iter()
        .chain(&wanted.after)
        .map(|row| row.number.to_string())
        .collect();
    format!("report-{}.html", numbers.join("-"))
}

fn query(wanted: &Wanted) -> String {
    let mut pairs = form_urlencoded::Serializer::new(String::new());
    for row in &wanted.runs {
        pairs.append_pair("run", &row.number.to_string());
    }
    if let Some(row) = &wanted.after {
        pairs.append_pair("after", &row.number.to_string());
    }
    if let Some(ms) = wanted.margin_ms {
        pairs.append_pair("margin", &ms.to_string());
    }
    pairs.finish()
}

fn wanted(ground: &Ground, asked: &Asked) -> Result<Wanted, Problem> {
    let named = |field, text| ground.runs.named(field, text, "/report").cloned();
    let mut runs: Vec<RunRow> = Vec::new();
    for text in asked.all("run") {
        let row = named("run", text)?;
        if runs.iter().all(|known| known.number != row.number) {
            runs.push(row);
        }
    }
    // The oldest is the one before a change.
    runs.sort_by_key(|row| row.number);
    if runs.len() > MOST_RUNS {
        return Err(Problem::bad(format!(
            "Found {} runs, expected at most {MOST_RUNS} for a report made here, since each takes some seconds; choose fewer, or use `pulsewright report` in a terminal.",
            runs.len()
        ))
        .with_way_out("/report", "Choose the runs"));
    }
    let after = match asked.text("after") {
        Some(text) => Some(named("after", text)?),
        None => None,
    };
    if let (Some(after), Some(before)) = (&after, runs.first())
        && after.number == before.number
    {
        return Err(Problem::bad(
            "The run after the change is the same as the run before it; choose two.",
        )
        .with_way_out("/report", "Choose the runs"));
    }
    Ok(Wanted {
        runs,
        after,
        margin_ms: chosen::margin_ms(asked)?,
    })
}

async fn made(
    seen: &Seen,
    ground: &Ground,
    wanted: &Wanted,
) -> Result<Result<Arc<Made>, Response>, Problem> {
    let app = &seen.app;
    let stamps: Vec<String> = wanted
        .runs
        .iter()
        .chain(&wanted.after)
        .map(chosen::stamp)
        .collect();
    let key = format!(
        "report {} after {} within {:?} {} seed {}",
        stamps.join(", "),
        wanted.after.is_some(),
        wanted.margin_ms,
        ground.known.stamp,
        app.seed
    );
    let (path, setup, seed) = (app.book.clone(), app.setup.clone(), app.seed);
    let runs: Vec<String> = wanted.runs.iter().map(|r| r.number.to_string()).collect();
    let after = wanted.after.as_ref().map(|row| row.number.to_string());
    let margin_ms = wanted.margin_ms;
    waited(seen, (Spot::Report, TITLE), key, move |progress| {
        report::make(&report::Asked {
            book: &Book::open(&path)?,
            runs: &runs,
            after: after.as_deref(),
            margin_ms,
            setup: &setup,
            seed,
            made_at: &library::now(),
            progress,
        })
    })
    .await
}

fn form(ground: &Ground, wanted: &Wanted, asked: &Asked) -> Markup {
    let rows = &ground.runs.rows;
    let ticked = |row: &RunRow| wanted.runs.iter().any(|run| run.number == row.number);
    let after = wanted.after.as_ref().map(|row| row.number);
    html! {
        form.controls.wide method="get" action="/report" {
            fieldset {
                legend { "The runs it is about" }
                @for row in rows.iter().rev() {
                    label.choice {
                        input type="checkbox" name="run" value=(row.number) checked[ticked(row)];
                        " " (row.number) ": " (row.chain) ", " (chain::plural(row.pulses, "pulse"))
                    }
                }
            }
            label for="after" { "The run after a change, if there is one; the oldest run ticked above is then the one before" }
            select #after name="after" {
                option value="" selected[after.is_none()] { "none" }
                @for row in rows.iter().rev() {
                    option value=(row.number) selected[after == Some(row.number)] {
                        (row.number) ": " (row.chain)
                    }
                }
            }
            label for="margin" { "Margin of the proof in ms, either side of none; empty takes a tenth of the star's width" }
            input #margin type="number" name="margin" min="0.001" max=(chosen::MOST_MARGIN_MS) step="any" value=[asked.text("margin")];
            button { "Make the report" }
        }
    }
}
