//! Correct: the loop to play with, tuning, the trim and its downloads.

mod detail;
mod play;
mod settings;
mod trim;
mod tune;

use axum::Router;
use axum::response::Response;
use axum::routing::{get, post};
use maud::{Markup, html};
use servo::judge::{Judgement, Verdict};

use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, chosen, judge};

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
    let titles = ["Correct", TITLE];
    let ground = match chosen::ground_or_first(&seen, &asked, Spot::Correct, titles).await? {
        Ok(ground) => ground,
        Err(first) => return Ok(first),
    };
    let run = ground.runs.run().number;
    // First, so that the loop is not simulated anew each time the page that waits asks again.
    let judged = match judge::judged(&seen, &ground, (Spot::Correct, TITLE)).await? {
        Ok(judged) => judged,
        Err(waiting) => return Ok(waiting),
    };
    let (played, trim) = match play::played(&seen, &ground, &asked).await? {
        play::Played::Shown(markup, trim) => (markup, trim),
        play::Played::Waits(share) => {
            return Ok(layout::waiting(&seen, Spot::Correct, TITLE, share));
        }
    };
    let body = html! {
        h1 { (TITLE) }
        (chosen::choice("/correct", &ground.runs, &app))
        (advice(&judged.document.judgement, trim.as_deref()))
        p.onward {
            a.button href={ "/correct/trim?run=" (run) } { "What to type, and files for the controller" }
            " "
            a.button href={ "/correct/tune?run=" (run) } { "Find settings, exposure and cadence too" }
            " "
            a href={ "/judge?run=" (run) } { "Why" }
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

/// What to do, as the verdict has it; then what else could be done.
fn advice(found: &Judgement, trim: Option<&str>) -> Markup {
    let in_controller = |lead: &str| {
        html! { @if let Some(trim) = trim { p { (lead) (trim) } } }
    };
    match found.verdict {
        Verdict::Trim => html! {
            @if let Some(trim) = trim { p.answer { "In the controller: " (trim) } }
            p { (found.sentence) }
        },
        Verdict::LeaveIt => html! {
            p.answer { strong { "Change nothing." } " " (found.sentence) }
            (in_controller("If the controller is being changed anyway: "))
        },
        Verdict::Retune => html! {
            p.answer { (found.sentence) }
            (in_controller("Or in the controller, with the settings as they are: "))
        },
        Verdict::MendTheChain => html! {
            p.answer { (found.sentence) }
            (in_controller("A trim takes away only what is the same for every pulse: "))
        },
        Verdict::MeasureMore => html! {
            p.answer { (found.sentence) }
            (in_controller("Until then, in the controller: "))
        },
    }
}
