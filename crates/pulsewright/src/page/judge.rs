//! Judge: the verdict under the setup.

use ::book::Book;
use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::html;

use super::chosen::{self, Ground, waited};
use super::form::Asked;
use super::layout::{self, Seen, Spot};
use super::{Problem, Shared};
use crate::cmd::judge;
use crate::error::Error;
use crate::json;
use crate::section::{Place, judgement, star};

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/judge", get(show))
        .route("/judge/json", get(as_json))
}

/// A verdict with what its figures need.
pub struct Judged {
    /// The verdict.
    pub document: json::JudgeDocument,
    long: Vec<sky::Axis>,
}

const TITLE: &str = "Judge: does it matter on my sky?";

async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let titles = ["Judge", TITLE];
    let ground = match chosen::ground_or_first(&seen, &asked, Spot::Judge, titles).await? {
        Ok(ground) => ground,
        Err(first) => return Ok(first),
    };
    let judged = match judged(&seen, &ground, (Spot::Judge, TITLE)).await? {
        Ok(judged) => judged,
        Err(waiting) => return Ok(waiting),
    };
    let view = judgement::View {
        document: &judged.document,
        long: &judged.long,
    };
    let at = Place {
        prefix: "judge",
        level: 2,
        unfolded: false,
    };
    let run = ground.runs.run().number;
    let body = html! {
        h1 { (TITLE) }
        (chosen::choice("/judge", &ground.runs, &app))
        (judgement::section(&view, &at))
        p.onward {
            a.button href={ "/correct?run=" (run) } { "What to change, and to what" }
            " "
            a.button href={ "/judge/json?run=" (run) } download={ "judgement-" (run) ".json" } { "Save as JSON" }
        }
    };
    Ok(layout::page(&seen, Spot::Judge, "Judge", &body))
}

/// What `judge RUN --setup FILE --json` gives.
async fn as_json(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let Ok(ground) = chosen::ground(&seen.app, &asked).await? else {
        return Err(Problem::missing(
            "There is nothing to judge yet: a run and a setup are needed.",
        )
        .with_way_out("/judge", "What to do first"));
    };
    let judged = match judged(&seen, &ground, (Spot::Judge, TITLE)).await? {
        Ok(judged) => judged,
        Err(waiting) => return Ok(waiting),
    };
    let text = json::text(&judged.document)?;
    Ok(([(header::CONTENT_TYPE, "application/json")], text).into_response())
}

/// The verdict on a run, or the page of a place that waits for it.
///
/// # Errors
/// Why there is none.
pub async fn judged(
    seen: &Seen,
    ground: &Ground,
    place: (Spot, &str),
) -> Result<Result<std::sync::Arc<Judged>, Response>, Problem> {
    let app = &seen.app;
    let key = ground.key("judge", app.seed);
    let run = ground.runs.run().number.to_string();
    let reading = ground.known.reading.clone();
    let (book, file, seed) = (app.book.clone(), app.setup.clone(), app.seed);
    waited(seen, place, key, move |progress| {
        let of_run = judge::of_run(&Book::open(&book)?, &run, (&file, &reading), seed, progress)?;
        let measured = &of_run.measured.chain;
        let long = star::long_axes(&reading.setup, measured, of_run.trim.as_ref(), seed)
            .map_err(|source| Error::servo(&file, source))?;
        Ok(Judged {
            document: of_run.document,
            long,
        })
    })
    .await
}
