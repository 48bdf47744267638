//! The loop in detail: what takes how much of the error, and the spectrum; takes seconds, so that it waits.

use ::book::Book;
use axum::response::Response;
use maud::html;
use servo::chain_model::Chain;
use servo::loop_sim::LoopCase;
use servo::outcome::{Outcome, outcome};
use servo::run::{PreparedLoop, Trials};
use servo::trace::Trace;

use super::play::{Wanted, Which};
use crate::cli::DrawFrom;
use crate::cmd::closed_loop::{Simulated, simulated};
use crate::cmd::judge::{self, USUAL_EXPOSURES};
use crate::error::Error;
use crate::json::LoopDocument;
use crate::page::Problem;
use crate::page::chosen::{self, waited};
use crate::page::form::Asked;
use crate::page::layout::{self, Seen, Spot};
use crate::section::{Place, closed_loop};
use crate::simulate;

const TITLE: &str = "The loop in detail";

/// A loop with what its figures need.
struct Detail {
    document: LoopDocument,
    trimmed: Option<Outcome>,
    trace: Trace,
}

/// The loop with the settings and the chain that a query names.
pub async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let titles = [TITLE, TITLE];
    let ground = match chosen::ground_or_first(&seen, &asked, Spot::Correct, titles).await? {
        Ok(ground) => ground,
        Err(first) => return Ok(first),
    };
    let reading = ground.known.reading.clone();
    let wanted = Wanted::of(&reading.setup, &asked)?;
    let key = format!("loop {} seed {}, {wanted:?}", ground.runs.stamp(), app.seed);
    let run = ground.runs.run().number;
    let (book, file, seed) = (app.book.clone(), app.setup.clone(), app.seed);
    let found = waited(&seen, (Spot::Correct, TITLE), key, move |progress| {
        let measured = simulate::measured(&Book::open(&book)?, &run.to_string(), DrawFrom::Pulses)?;
        let fitted = judge::fitted(&measured, &wanted.setup, seed);
        let mut warnings = reading.warnings;
        let of_run = matches!(wanted.which, Which::Measured | Which::Trimmed);
        if of_run {
            warnings.extend(measured.warnings.iter().cloned());
        }
        let (chain, name) = match wanted.which {
            Which::Measured | Which::Trimmed => (measured.chain.clone(), measured.name.as_str()),
            Which::Perfect => (Chain::perfect(), "a chain that does as it is told"),
            Which::ByHand => (
                simulate::by_hand(Some(wanted.error_ms), Some(wanted.delay_ms)),
                "a chain set by hand",
            ),
        };
        let trim = fitted.as_ref();
        let before = trim.filter(|_| wanted.which == Which::Trimmed);
        let failed = |source| Error::servo(&file, source);
        let case = |chain: &Chain| LoopCase::from_setup(&wanted.setup, chain);
        let shown = before.map_or_else(|| chain.clone(), |trim| simulate::behind(&chain, trim));
        let trace = case(&shown)
            .and_then(|case| PreparedLoop::new(&case))
            .map_err(failed)?
            .trace(seed, 0);
        let trials = Trials::new(seed, USUAL_EXPOSURES as usize);
        let trimmed = trim
            .filter(|_| wanted.which == Which::Measured)
            .map(|trim| outcome(&case(&simulate::behind(&chain, trim))?, &trials))
            .transpose()
            .map_err(failed)?;
        let document = simulated(Simulated {
            setup_file: &file,
            setup: &wanted.setup,
            name,
            chain,
            measured: Some(&measured).filter(|_| of_run),
            trim: before,
            exposures: USUAL_EXPOSURES,
            seed,
            warnings,
            progress,
        })?;
        Ok(Detail {
            document,
            trimmed,
            trace,
        })
    })
    .await?;
    let detail = match found {
        Ok(detail) => detail,
        Err(waiting) => return Ok(waiting),
    };
    let view = closed_loop::View {
        document: &detail.document,
        trimmed: detail.trimmed.as_ref(),
        trace: &detail.trace,
    };
    let at = Place {
        prefix: "detail",
        level: 2,
        unfolded: false,
    };
    let query = asked_query(&seen);
    let body = html! {
        h1 { (TITLE) }
        (closed_loop::section(&view, &at))
        p { a href={ "/correct" (query) } { "Back to the controls" } }
    };
    Ok(layout::page(&seen, Spot::Correct, TITLE, &body))
}

/// The query of the address with its question mark, to go back with.
fn asked_query(seen: &Seen) -> &str {
    seen.address.find('?').map_or("", |at| &seen.address[at..])
}
