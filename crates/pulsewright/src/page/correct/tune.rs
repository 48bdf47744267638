//! The best settings: takes seconds, so that it waits.

use ::book::Book;
use axum::response::Response;
use maud::{Markup, html};
use servo::tune::{Goal, TuneOptions};

use super::settings;
use crate::cli::DrawFrom;
use crate::cmd::judge;
use crate::cmd::tune::{ToTune, recommended, tuned};
use crate::json::TuneDocument;
use crate::page::chosen::{self, Ground, waited};
use crate::page::form::Asked;
use crate::page::layout::{self, Seen, Spot};
use crate::page::{Problem, Shared};
use crate::section::{Place, tuning};
use crate::simulate;

const TITLE: &str = "The best settings";

const GOALS: [(&str, Goal, &str); 3] = [
    ("fwhm", Goal::Fwhm, "the narrowest star"),
    ("rms", Goal::Rms, "the least tracking error"),
    ("elongation", Goal::Elongation, "the roundest star"),
];

/// The best settings for the chain of a run.
pub async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let titles = [TITLE, TITLE];
    let ground = match chosen::ground_or_first(&seen, &asked, Spot::Correct, titles).await? {
        Ok(ground) => ground,
        Err(first) => return Ok(first),
    };
    let name = asked.text("goal").unwrap_or("fwhm");
    let goal = GOALS.into_iter().find(|(known, _, _)| *known == name);
    let (name, goal, _) = goal.ok_or_else(|| {
        Problem::bad("goal: expected fwhm, rms or elongation; go back and choose one.")
    })?;
    let keep_timing = asked.text("keep").is_some();
    let document = match found(&seen, &ground, goal, keep_timing).await? {
        Ok(document) => document,
        Err(waiting) => return Ok(waiting),
    };
    let at = Place {
        prefix: "tune",
        level: 2,
        unfolded: false,
    };
    let body = html! {
        h1 { (TITLE) }
        (form(&app, &ground, name, keep_timing))
        (tuning::section(&document, &at))
        (take(&document, &ground))
        p { a href={ "/correct?run=" (ground.runs.run().number) } { "Back to the loop" } }
    };
    Ok(layout::page(&seen, Spot::Correct, TITLE, &body))
}

async fn found(
    seen: &Seen,
    ground: &Ground,
    goal: Goal,
    keep_timing: bool,
) -> Result<Result<std::sync::Arc<TuneDocument>, Response>, Problem> {
    let app = &seen.app;
    let what = format!("tune for {goal:?}, timing kept: {keep_timing},");
    let key = ground.key(&what, app.seed);
    let run = ground.runs.run().number.to_string();
    let reading = ground.known.reading.clone();
    let (book, file, seed) = (app.book.clone(), app.setup.clone(), app.seed);
    waited(seen, (Spot::Correct, TITLE), key, move |progress| {
        let measured = simulate::measured(&Book::open(&book)?, &run, DrawFrom::Pulses)?;
        let trim = judge::fitted(&measured, &reading.setup, seed);
        tuned(ToTune {
            setup_file: &file,
            setup: &reading.setup,
            measured: Some(&measured),
            trim: trim.as_ref(),
            options: &TuneOptions {
                goal,
                seed,
                timing_and_law: !keep_timing,
                ..TuneOptions::default()
            },
            warnings: [reading.warnings.as_slice(), &measured.warnings].concat(),
            progress,
        })
    })
    .await
}

fn form(app: &Shared, ground: &Ground, goal: &str, keep_timing: bool) -> Markup {
    html! {
        form.controls.choice method="get" action="/correct/tune" {
            (chosen::select(("run", "Run"), &ground.runs.rows, Some(ground.runs.run().number)))
            div.control {
                label for="goal" { "For" }
                select #goal name="goal" {
                    @for (known, _, words) in GOALS {
                        option value=(known) selected[known == goal] { (words) }
                    }
                }
            }
            label {
                input type="checkbox" name="keep" value="yes" checked[keep_timing];
                " keep exposure, cadence and law"
            }
            button { "Find" }
        }
        p.hint {
            "With the setup in " code { (app.setup.display()) } ". " a href="/setup" { "Change the setup" } "."
        }
    }
}

/// The ways to take what was found into the setup.
fn take(document: &TuneDocument, ground: &Ground) -> Markup {
    let setup = &ground.known.reading.setup;
    let stamp = &ground.known.stamp;
    html! {
        div.onward {
            (settings::offer(
                &recommended(&document.untrimmed, setup),
                stamp,
                "Take the settings for the chain as it is into the setup",
            ))
            @if let Some(trimmed) = &document.trimmed {
                (settings::offer(
                    &recommended(trimmed, setup),
                    stamp,
                    "Take the settings for the trimmed chain into the setup",
                ))
            }
        }
    }
}
