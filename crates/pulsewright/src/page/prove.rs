//! Prove: a run before and a run after a change.

use ::book::{Book, RunRow};
use axum::Router;
use axum::response::Response;
use axum::routing::get;
use maud::{Markup, html};

use super::chosen::{self, Known, Runs, waited};
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared};
use crate::cmd::prove::{Margin, margin_of, proved};
use crate::section::{Place, proof};

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new().route("/prove", get(show))
}

const TITLE: &str = "Prove: did it work?";

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = &seen.app;
    let answer = |body: &Markup| {
        let body = html! { h1 { (TITLE) } (body) };
        layout::page(&seen, Spot::Prove, "Prove", &body)
    };
    // The run before is no run of the usual choice.
    let Some(runs) = chosen::runs(app, &Asked::default()).await? else {
        return Ok(answer(&chosen::no_runs()));
    };
    let known = chosen::setup(app).await?;
    let pair = pair(&runs, &asked)?;
    let margin_ms = chosen::margin_ms(&asked)?;
    let form = form(app, &runs, &asked, pair);
    let Some([before, after]) = pair else {
        return Ok(answer(&html! { (first(&runs)) (form) }));
    };
    let margin = match (margin_ms, &known) {
        (Some(ms), _) => Margin::Given(ms),
        (None, Some(_)) => Margin::Of(app.setup.clone()),
        (None, None) => return Ok(answer(&html! { (no_margin()) (form) })),
    };
    let key = key([before, after], margin_ms, known.as_ref());
    let numbers = [before, after].map(|run| run.number.to_string());
    let path = app.book.clone();
    // The section is kept, and not the pulses that it shows: there may be millions.
    let section = waited(&seen, (Spot::Prove, TITLE), key, move |_| {
        let book = Book::open(&path)?;
        let proved = proved(&book, [&numbers[0], &numbers[1]], &margin)?;
        let [before, after] = proved.numbers.map(|number| book.observations(number));
        let (before, after) = (before?, after?);
        let view = proof::View {
            proof: &proved.proof,
            names: &proved.names,
            observations: [&before, &after],
            margin_from: match &margin {
                Margin::Given(_) => None,
                Margin::Of(file) => Some(file),
            },
        };
        let at = Place {
            prefix: "prove",
            level: 2,
            unfolded: false,
        };
        Ok(proof::section(&view, &at))
    })
    .await?;
    let other = !alike(before, after);
    match section {
        Ok(section) => Ok(answer(&html! {
            (form)
            @if other {
                p.hint {
                    "These are runs of two chains, " (before.chain) " and " (after.chain)
                    ": read \"after\" as \"with the other chain\". "
                    a href={ "/measure/compare?run=" (before.number) "&run=" (after.number) } { "Compare them" } "."
                }
            }
            (section)
        })),
        Err(waiting) => Ok(waiting),
    }
}

fn key(pair: [&RunRow; 2], margin_ms: Option<f64>, known: Option<&Known>) -> String {
    let margin = match (margin_ms, known) {
        (Some(ms), _) => format!("{ms} ms"),
        (None, Some(known)) => known.stamp.clone(),
        (None, None) => String::new(),
    };
    let [before, after] = pair.map(chosen::stamp);
    format!("prove {before}, {after}, within {margin}")
}

/// The runs that were named. By itself the newest run that has an earlier one of its chain, or of a chain
/// whose name begins alike, and that one.
fn pair<'a>(runs: &'a Runs, asked: &Asked) -> Result<Option<[&'a RunRow; 2]>, Problem> {
    let named = |name: &str| -> Result<Option<&'a RunRow>, Problem> {
        let Some(text) = asked.text(name) else {
            return Ok(None);
        };
        runs.named(name, text, "/prove").map(Some)
    };
    if let (Some(before), Some(after)) = (named("before")?, named("after")?) {
        return Ok(Some([before, after]));
    }
    let rows = &runs.rows;
    Ok((0..rows.len()).rev().find_map(|after| {
        let before = rows[..after].iter().rev();
        before
            .into_iter()
            .find(|before| alike(before, &rows[after]))
            .map(|before| [before, &rows[after]])
    }))
}

/// Whether two runs may be one chain before and after a change.
fn alike(before: &RunRow, after: &RunRow) -> bool {
    before.chain == after.chain || after.chain.starts_with(&before.chain)
}

fn form(app: &Shared, runs: &Runs, asked: &Asked, pair: Option<[&RunRow; 2]>) -> Markup {
    let [before, after] = match pair {
        Some(pair) => pair.map(|run| Some(run.number)),
        None => [None, runs.rows.last().map(|run| run.number)],
    };
    // What the setup's margin is, where it can be told.
    let usual = margin_of(&app.setup).ok().map(chain::significant);
    html! {
        form.controls method="get" action="/prove" {
            (chosen::select(("before", "Run before the change"), &runs.rows, before))
            (chosen::select(("after", "Run after it"), &runs.rows, after))
            div.control {
                label for="margin" { "Margin in ms, either side of none" }
                input #margin type="number" name="margin" min="0.001" max=(chosen::MOST_MARGIN_MS) step="any"
                value=[asked.text("margin")] placeholder=[usual.as_deref()] aria-describedby="margin-hint";
            }
            button { "Prove" }
        }
        p.hint #margin-hint {
            "The width error that would not matter. "
            @match usual {
                Some(ms) => {
                    "Left empty it is " (ms) " ms, which moves the star by a tenth of its width in "
                    code { (app.setup.display()) } ". " a href="/setup" { "Change the setup" } "."
                }
                None => {
                    "With a " a href="/setup" { "setup" } " it can be left empty: it is then what moves the \
                     star by a tenth of its width."
                }
            }
        }
    }
}

/// What to do where there is no run after a change.
fn first(runs: &Runs) -> Markup {
    html! {
        p.answer { "There is no run after a change yet." }
        ol.steps {
            li { "Make the change: the trim, the settings, or another chain (" a href={ "/correct?run=" (runs.run().number) } { "what to change" } ")." }
            li { "Record the same requests again, with the same widths and directions." }
            li { a href="/measure/upload" { "Upload the capture" } " under the same name, or one that begins alike." }
            li { "Come back here." }
        }
    }
}

fn no_margin() -> Markup {
    html! {
        p.answer { "Say which width error would not matter." }
        p { "Type a margin, or " a href="/setup" { "fill in the setup" } ", and it is what moves the star by a tenth of its width." }
    }
}
