//! The trim: what to type into the controller, and the files for it.

use ::book::Book;
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chain::{Below, Loss};
use maud::{Markup, html};

use crate::cli::parse_loss;
use crate::cmd::judge;
use crate::cmd::trim::{Fitted, ToTrim, fitted, in_json};
use crate::page::chosen::{self, Known, Runs, waited};
use crate::page::form::Asked;
use crate::page::layout::{self, Seen, Spot};
use crate::page::{Problem, Shared, aside};
use crate::section::{Place, trim};

const TITLE: &str = "Trim the pulses";

const LOSSES: [(&str, &str); 5] = [
    (
        "median",
        "the median error: as many pulses too long as too short",
    ),
    ("mean", "the mean error: no drift over many corrections"),
    ("p10", "the 10 % quantile: only 1 pulse in 10 too short"),
    ("p25", "the 25 % quantile: only 1 pulse in 4 too short"),
    ("p90", "the 90 % quantile: only 1 pulse in 10 too long"),
];

const BELOWS: [(&str, Below, &str); 3] = [
    (
        "carry",
        Below::Carry,
        "send nothing, and add it to the next",
    ),
    ("skip", Below::Skip, "send nothing"),
    ("floor", Below::Floor, "send the shortest in its place"),
];

/// What is asked for.
struct Wanted {
    loss: Loss,
    loss_name: String,
    below: Below,
    below_name: &'static str,
    /// None takes what the shortest request comes out as.
    shortest_ms: Option<f64>,
}

impl Wanted {
    /// Where no shortest width is named it is what the loop of the setup sends at least.
    fn of(
        asked: &Asked,
        runs: &Runs,
        known: Option<&Known>,
        tried_ms: [f64; 2],
    ) -> Result<Wanted, Problem> {
        let loss_name = asked.text("loss").unwrap_or("median").to_owned();
        let loss = parse_loss(&loss_name)
            .map_err(|error| Problem::bad(format!("loss: {error}; go back and change it.")))?;
        let name = asked.text("below").unwrap_or("carry");
        let below = BELOWS.into_iter().find(|(known, _, _)| *known == name);
        let (below_name, below, _) = below.ok_or_else(|| {
            Problem::bad("below: expected carry, skip or floor; go back and choose one.")
        })?;
        let typed = asked.number(
            "shortest",
            &format!(
                "ms (the longest width that run {} was asked for)",
                runs.run().number
            ),
            0.0..=tried_ms[1],
        )?;
        let usual = || known.map(|known| judge::shortest_ms(&known.reading.setup, tried_ms));
        Ok(Wanted {
            loss,
            loss_name,
            below,
            below_name,
            shortest_ms: typed.or_else(usual),
        })
    }

    /// The same as the query of an address.
    fn query(&self, run: i64) -> String {
        let mut query = form_urlencoded::Serializer::new(String::new());
        query
            .append_pair("run", &run.to_string())
            .append_pair("loss", &self.loss_name)
            .append_pair("below", self.below_name);
        if let Some(ms) = self.shortest_ms {
            query.append_pair("shortest", &ms.to_string());
        }
        query.finish()
    }

    /// The same on the command line.
    fn command(&self, run: i64) -> String {
        let shortest = self
            .shortest_ms
            .map_or_else(String::new, |ms| format!(" --shortest {ms}ms"));
        format!(
            "pulsewright trim {run} --loss {} --below {}{shortest}",
            self.loss_name, self.below_name
        )
    }
}

/// The trim for a run.
pub async fn show(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let Some(runs) = chosen::runs(&app, &asked).await? else {
        let body = html! { h1 { (TITLE) } (chosen::no_runs()) };
        return Ok(layout::page(&seen, Spot::Correct, TITLE, &body));
    };
    let known = chosen::setup(&app).await?;
    let tried_ms = tried_ms(&app, runs.run().number).await?;
    let wanted = Wanted::of(&asked, &runs, known.as_ref(), tried_ms)?;
    let run = runs.run().number;
    let key = format!(
        "trim {} {} seed {}, {}",
        runs.stamp(),
        known.as_ref().map_or("", |known| known.stamp.as_str()),
        app.seed,
        wanted.query(run)
    );
    let setup = known.is_some().then(|| app.setup.clone());
    let (path, seed) = (app.book.clone(), app.seed);
    let (loss, below, shortest_ms) = (wanted.loss, wanted.below, wanted.shortest_ms);
    // The section is kept, and not the pulses that it shows: there may be millions.
    let section = waited(&seen, (Spot::Correct, TITLE), key, move |progress| {
        let book = Book::open(&path)?;
        let fitted = fitted(&ToTrim {
            book: &book,
            run: &run.to_string(),
            loss,
            below,
            shortest_ms,
            direction: None,
            setup: setup.as_deref(),
            seed,
            progress,
        })?;
        let view = trim::View {
            trim: &fitted.trim,
            chain: &fitted.run.chain,
            run,
            observations: &book.observations(run)?,
            on_sky: fitted.on_sky.as_ref(),
        };
        let at = Place {
            prefix: "trim",
            level: 2,
            unfolded: false,
        };
        Ok(trim::section(&view, &at))
    })
    .await?;
    let section = match section {
        Ok(section) => section,
        Err(waiting) => return Ok(waiting),
    };
    let body = html! {
        h1 { (TITLE) }
        (form(&runs, &wanted))
        (section)
        (downloads(&wanted, run))
        @if known.is_none() {
            p { "With a " a href="/setup" { "setup" } " this page says as well what the trim does for the star." }
        }
        p { a href={ "/correct?run=" (run) } { "Back to the loop" } }
    };
    Ok(layout::page(&seen, Spot::Correct, TITLE, &body))
}

/// Shortest and longest width that the run was asked for, ms.
async fn tried_ms(app: &Shared, run: i64) -> Result<[f64; 2], Problem> {
    let path = app.book.clone();
    aside(move || {
        let book = Book::open(&path)?;
        let (_, summary) = crate::library::run(&book, &run.to_string())?;
        Ok(summary.pooled.requested_range_ms)
    })
    .await
}

fn form(runs: &Runs, wanted: &Wanted) -> Markup {
    let other = !LOSSES.iter().any(|(name, _)| *name == wanted.loss_name);
    let shortest = wanted.shortest_ms.map(|ms| ms.to_string());
    html! {
        form.controls method="get" action="/correct/trim" {
            (chosen::select(("run", "Run"), &runs.rows, Some(runs.run().number)))
            div.control {
                label for="loss" { "Bring to zero" }
                select #loss name="loss" {
                    @for (name, words) in LOSSES {
                        option value=(name) selected[name == wanted.loss_name] { (words) }
                    }
                    @if other { option value=(wanted.loss_name) selected { (wanted.loss_name) } }
                }
            }
            div.control {
                label for="below" { "A width that is too short" }
                select #below name="below" {
                    @for (name, _, words) in BELOWS {
                        option value=(name) selected[name == wanted.below_name] { (words) }
                    }
                }
            }
            div.control {
                label for="shortest" { "Shortest width to ask for, ms" }
                input #shortest type="number" name="shortest" min="0" step="any" value=[shortest];
            }
            button { "Fit" }
        }
    }
}

const FILES: [(&str, &str, &str); 4] = [
    ("trim.h", "c", "C header"),
    ("trim.rs", "rust", "Rust module"),
    ("trim.csv", "csv", "Table, every millisecond"),
    ("trim.json", "json", "JSON, for judge and loop"),
];

fn downloads(wanted: &Wanted, run: i64) -> Markup {
    let query = wanted.query(run);
    html! {
        h2 { "Files for the controller" }
        ul.downloads {
            @for (file, _, words) in FILES {
                li { a.button href={ "/correct/" (file) "?" (query) } download=(file) { (words) } " " code { (file) } }
            }
        }
        p.hint {
            "In whole microseconds, the same step by step as this program. The same on the command line: "
            code { (wanted.command(run)) " --as c" } "."
        }
    }
}

/// A file for a controller: the same bytes as the command line gives with these options.
pub async fn download(
    Path(file): Path<String>,
    seen: Seen,
    asked: Asked,
) -> Result<Response, Problem> {
    let app = seen.app;
    let Some((file, format, _)) = FILES.into_iter().find(|(known, _, _)| *known == file) else {
        return Err(Problem::missing("There is nothing at this address.")
            .with_way_out("/correct", "Go to Correct"));
    };
    let runs = chosen::runs(&app, &asked).await?.ok_or_else(|| {
        Problem::missing("There is no run in the book yet.")
            .with_way_out("/measure/upload", "Upload a capture")
    })?;
    let run = runs.run().number;
    let tried_ms = tried_ms(&app, run).await?;
    let wanted = Wanted::of(&asked, &runs, None, tried_ms)?;
    let (path, seed) = (app.book.clone(), app.seed);
    let text = aside(move || {
        let book = Book::open(&path)?;
        let fitted = fitted(&ToTrim {
            book: &book,
            run: &run.to_string(),
            loss: wanted.loss,
            below: wanted.below,
            shortest_ms: wanted.shortest_ms,
            direction: None,
            setup: None,
            seed,
            progress: &|_| {},
        })?;
        Ok(in_format(&fitted, format)?)
    })
    .await?;
    let kind = match format {
        "json" => "application/json",
        "csv" => "text/csv; charset=utf-8",
        _ => "text/plain; charset=utf-8",
    };
    let disposition = format!("attachment; filename=\"{file}\"");
    Ok((
        [
            (header::CONTENT_TYPE, kind),
            (header::CONTENT_DISPOSITION, &disposition),
        ],
        text,
    )
        .into_response())
}

fn in_format(fitted: &Fitted, format: &str) -> Result<String, crate::error::Error> {
    match format {
        "c" => Ok(fitted.trim.to_c(&fitted.about())),
        "rust" => Ok(fitted.trim.to_rust(&fitted.about())),
        "csv" => Ok(fitted.csv()),
        _ => in_json(&fitted.run, &fitted.trim, fitted.on_sky.as_ref()),
    }
}
