//! Correct: the loop to play with, tuning, the trim and its downloads.

mod detail;
mod play;
mod settings;
mod trim;
mod tune;

use axum::Router;
use axum::response::Response;
use axum::routing::{get, post};
use maud::html;

use super::chosen;
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared};

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/correct", get(show))
        .route("/correct/loop", get(play::fragment))
        .route("/correct/detail", get(detail::show))
        .route("/correct/tune", get(tune::show))
        .route("/correct/settings", post(settings::take))
        .route("/correct/trim", get(trim::show))
        .route("/correct/{file}", get(trim::download))
}

const TITLE: &str = "Correct: what should I change, and to what?";

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let ground = match chosen::ground(&app, &asked).await? {
        Ok(ground) => ground,
        Err(first) => {
            let body = html! { h1 { (TITLE) } (first) };
            return Ok(layout::page(&seen, Spot::Correct, "Correct", &body));
        }
    };
    let run = ground.runs.run().number;
    let (played, trim) = match play::played(&seen, &ground, &asked).await? {
        play::Played::Shown(markup, trim) => (markup, trim),
        play::Played::Waits(share) => {
            return Ok(layout::waiting(&seen, Spot::Correct, TITLE, share));
        }
    };
    let body = html! {
        h1 { (TITLE) }
        (chosen::choice("/correct", &ground.runs, &app))
        @if let Some(trim) = trim {
            p.answer { "In the controller: " (trim) }
        }
        p {
            "Where the controller can't be changed, the settings can: let the program find the best, or try some by hand."
        }
        p.onward {
            a.button href={ "/correct/trim?run=" (run) } { "What to type, and files for the controller" }
            " "
            a.button href={ "/correct/tune?run=" (run) } { "Find the best settings" }
        }
        h2 #try { "Try settings by hand" }
        div.play {
            (play::controls(&ground, &asked))
            (played)
        }
        (layout::script("loop.js"))
    };
    Ok(layout::page(&seen, Spot::Correct, "Correct", &body))
}
