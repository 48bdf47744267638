//! Measure: a live run, watched and stopped.
//!
//! The run has a thread of its own. What it tells is gathered in bounded memory behind a lock that is
//! held for moments; whether it is to stop is a flag beside it, so that stopping waits for nothing.

mod view;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use maud::{Markup, html};
use rig::record::EdgeSettings;
use rig::session::Event;
use wire::Direction;

use super::layout::{self, Seen, Spot};
use super::{Problem, Shared, aside};
use crate::error::Error;
use crate::gathered::Gathered;
use crate::live_run::{self, CAUTIONS, NOTHING, Order, Outcome, Parts, Ready};
use crate::output::Output;
use crate::recording::{Head, RecordFile};
use crate::section;
use crate::text::plan::duration;

/// Where this place is.
const HERE: &str = "/measure/live";
/// How often a page without script asks again, s.
const AGAIN_S: u32 = 2;

/// The routes of this place.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route(HERE, get(show))
        .route("/measure/live/view", get(shown))
        .route("/measure/live/start", post(start))
        .route("/measure/live/stop", post(stop))
}

/// A live run that the server was started for.
pub struct Live {
    /// What is asked for.
    pub order: Order,
    /// The chain file, for messages.
    pub chain_place: PathBuf,
    /// The rig's port, where it is named.
    pub rig: Option<String>,
    /// The direction of each input.
    pub inputs: Vec<Direction>,
    /// The folder that records are kept in.
    pub folder: PathBuf,
    /// How the terminal wants its messages.
    pub output: Output,
    stop: AtomicBool,
    table: Mutex<Table>,
}

#[derive(Default)]
struct Table {
    gathered: Gathered,
    phase: Phase,
    thread: Option<JoinHandle<()>>,
}

/// How far a run is.
#[derive(Debug, Clone, Default, PartialEq)]
enum Phase {
    /// None was started yet.
    #[default]
    Ready,
    /// It goes on.
    Running,
    /// It ended.
    Ended(End),
}

/// What became of a run.
#[derive(Debug, Clone, PartialEq)]
enum End {
    /// It is run so and so of the lab book; its answer.
    Kept { number: i64, answer: String },
    /// It was stopped, or it failed: what was measured, and how to go on.
    Told { text: String, failed: bool },
}

impl End {
    fn told(&self) -> String {
        match self {
            End::Kept { number, answer } => format!("Kept as run {number}. {answer}"),
            End::Told { text, .. } => text.clone(),
        }
    }
}

impl Live {
    /// A run that can be started.
    pub fn new(
        order: Order,
        chain_place: PathBuf,
        rig: Option<String>,
        inputs: Vec<Direction>,
        folder: PathBuf,
        output: Output,
    ) -> Live {
        Live {
            order,
            chain_place,
            rig,
            inputs,
            folder,
            output,
            stop: AtomicBool::new(false),
            table: Mutex::default(),
        }
    }

    /// Tells a run that goes on to stop at once; what was measured is kept.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::SeqCst);
    }

    /// Stops a run that goes on, and waits until its record is whole; then what is to be said of it.
    pub fn end(&self) -> Option<String> {
        self.stop();
        let thread = {
            let mut table = self.table();
            let goes_on = table.phase == Phase::Running;
            table.thread.take().filter(|_| goes_on)
        };
        // A thread that panicked has ended too, and its record holds what it had told.
        let _ = thread?.join();
        match &self.table().phase {
            Phase::Ended(end) => Some(end.told()),
            Phase::Ready | Phase::Running => None,
        }
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How far it is and what it gave, as it is now.
    fn seen(&self) -> (Phase, Gathered) {
        let table = self.table();
        (table.phase.clone(), table.gathered.clone())
    }
}

/// The live run of this server.
fn of(app: &Shared) -> Result<&Live, Problem> {
    app.live.as_ref().ok_or_else(|| {
        Problem::new(
            StatusCode::CONFLICT,
            "This server was not started for a live run, so that it can move nothing.",
        )
        .with_way_out(HERE, "See how to start it for one")
    })
}

async fn start(State(app): State<Shared>) -> Result<Response, Problem> {
    begin(&app)?;
    Ok(Redirect::to(HERE).into_response())
}

async fn stop(State(app): State<Shared>) -> Result<Response, Problem> {
    of(&app)?.stop();
    Ok(Redirect::to(HERE).into_response())
}

/// Begins a run on a thread of its own.
fn begin(app: &Shared) -> Result<(), Problem> {
    let live = of(app)?;
    let mut table = live.table();
    if table.phase == Phase::Running {
        return Err(Problem::new(
            StatusCode::CONFLICT,
            "A run goes on already, and one goes on at a time; watch it, or stop it first.",
        )
        .with_way_out(HERE, "Watch it"));
    }
    live.stop.store(false, Ordering::SeqCst);
    let runner = app.clone();
    let thread = std::thread::Builder::new()
        .name("live run".into())
        .spawn(move || run(&runner))
        .map_err(|error| {
            Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                format!("The run could not begin ({error}); close other programs, and try again."),
            )
        })?;
    *table = Table {
        gathered: Gathered::default(),
        phase: Phase::Running,
        thread: Some(thread),
    };
    Ok(())
}

/// A run from its start to its end.
fn run(app: &Shared) {
    let Some(live) = &app.live else {
        return;
    };
    // The table is there before anything is told.
    drop(live.table());
    let made = catch_unwind(AssertUnwindSafe(|| made(app, live)));
    let failed = |text: String| End::Told { text, failed: true };
    let end = match made {
        Ok(Ok(end)) => end,
        Ok(Err(error)) => failed(error.to_string()),
        Err(_) => failed(
            "The program failed at this, which is a fault of its own; the terminal that it was started in says more. What was measured is in the record.".into(),
        ),
    };
    live.table().phase = Phase::Ended(end);
}

fn made(app: &Shared, live: &Live) -> Result<End, Error> {
    let (order, chain) = (&live.order, &live.order.chain);
    let edges = EdgeSettings {
        inputs: live.inputs.clone(),
        ..EdgeSettings::default()
    };
    let head = Head::new(&chain.name, &order.chain_text, &[], &edges);
    let parts = Parts::of(chain, &live.chain_place, live.rig.as_deref(), &live.output)?;
    let path = free(&live.folder, &live_run::record_name(&chain.name));
    let file = RecordFile::create(&path, &head)?;
    let ready = Ready {
        plan: &order.plan,
        chain,
        edges,
        entries: &[],
        book: Some(&app.book),
    };
    let mut events = |event: Event| {
        // The page has no lines to follow each pulse by.
        let _ = live.table().gathered.event(&event);
    };
    let end = match live_run::measured(&ready, parts, file, &live.stop, &mut events) {
        Ok(end) => end,
        Err(error) => {
            let after = live_run::after_error(&path).unwrap_or_default();
            return Ok(End::Told {
                text: format!("{error}. {after}"),
                failed: true,
            });
        }
    };
    let told = |text: String, failed| End::Told { text, failed };
    Ok(match live_run::settled(&path, &end, &app.book, app.seed)? {
        Outcome::Nothing => told(NOTHING.to_owned(), false),
        Outcome::Stopped(_) => told(live_run::stopped_text(&path, &end, &chain.name), false),
        Outcome::Unkept(error) => told(
            format!("{error}. {}", live_run::unkept_text(&path, &chain.name)),
            true,
        ),
        Outcome::Kept { number, run, .. } => End::Kept {
            number,
            answer: run.1.summary.answer,
        },
    })
}

/// A name in a folder that no file has: two runs may begin in the same second.
fn free(folder: &Path, name: &Path) -> PathBuf {
    let first = folder.join(name);
    let more = (2..1000).map(|i| first.with_extension(format!("{i}.record")));
    let mut all = std::iter::once(first.clone()).chain(more);
    all.find(|path| !path.exists()).unwrap_or(first)
}

async fn show(seen: Seen) -> Result<Response, Problem> {
    // Off the threads that answer requests, the one to stop among them.
    aside(move || Ok(page(&seen))).await
}

fn page(seen: &Seen) -> Response {
    let title = "A live run";
    let Some(live) = &seen.app.live else {
        let body = html! { h1 { (title) } (how_to_begin()) };
        return layout::page(seen, Spot::Measure, title, &body);
    };
    let (phase, gathered) = live.seen();
    let body = html! {
        h1 { (title) " of " (live.order.chain.name) }
        @match &phase {
            Phase::Ready => (before(live)),
            Phase::Running => (stop_form()),
            Phase::Ended(end) => (after(end)),
        }
        @if phase != Phase::Ready { (view::fragment(&phase, &gathered)) }
        @if phase != Phase::Running { (start_form(&phase)) }
    };
    match phase {
        Phase::Running => {
            let body = html! { (body) (layout::script("live.js")) };
            layout::page_again(seen, Spot::Measure, title, &body, AGAIN_S)
        }
        Phase::Ready | Phase::Ended(_) => layout::page(seen, Spot::Measure, title, &body),
    }
}

async fn shown(State(app): State<Shared>) -> Result<Response, Problem> {
    let text = aside(move || {
        let (phase, gathered) = of(&app)?.seen();
        Ok(view::fragment(&phase, &gathered).into_string())
    })
    .await?;
    Ok(axum::response::Html(text).into_response())
}

fn how_to_begin() -> Markup {
    html! {
        (section::answer("This server was not started for a live run: it moves nothing."))
        p { "A live run asks your chain for pulses by a plan, and a rig times them. Write a plan and a chain file, and start the server with them:" }
        pre { code {
            "pulsewright plan new plan.toml\n"
            "pulsewright record --new-chain chain.toml\n"
            "pulsewright serve --live --plan plan.toml --chain chain.toml"
        } }
        p { "The terminal then says how far the mount may move, and asks. Without hardware: a chain file with a section " code { "[simulated]" } " comes with a simulated rig." }
    }
}

/// What will be asked for, and how far the mount moves.
fn before(live: &Live) -> Markup {
    let plan = &live.order.plan;
    let widths: Vec<String> = plan
        .widths_ms
        .iter()
        .map(|w| chain::significant(*w))
        .collect();
    let directions: Vec<&str> = plan.directions.iter().map(|d| d.name()).collect();
    html! {
        @if live.order.is_simulated() {
            (section::answer("Ready. Chain and rig are simulated: nothing moves."))
        } @else {
            (section::answer(&format!("Ready. {}", live_run::movement(plan, false))))
            p { (CAUTIONS) }
        }
        dl {
            dt { "Widths" } dd { (widths.join(", ")) " ms" }
            dt { "Directions" } dd { (directions.join(", ")) }
            dt { "Pulses" } dd { (chain::count(plan.count() as u64)) " in about " (duration(plan.estimated_s())) }
            dt { "Records" } dd { "in " code { (live.folder.display()) } }
        }
    }
}

fn start_form(phase: &Phase) -> Markup {
    html! {
        form.live-start method="post" action="/measure/live/start" {
            @if *phase != Phase::Ready { p { "The same plan once more, as a new run:" } }
            button.danger { "Start" }
        }
    }
}

/// First on the page, a form of its own: it asks nothing of script or figures.
fn stop_form() -> Markup {
    html! {
        form.live-stop method="post" action="/measure/live/stop" {
            button.danger { "Stop" }
            p.hint { "Ends the pulses at once; what was measured is kept." }
        }
    }
}

fn after(end: &End) -> Markup {
    html! {
        @match end {
            End::Kept { number, answer } => {
                p.done role="status" { "Kept as run " (number) "." }
                (section::answer(answer))
                p { a.button href={ "/measure/run/" (number) } { "See run " (number) } }
            },
            End::Told { text, failed: true } => p.problem role="alert" { (text) },
            End::Told { text, failed: false } => {
                p.done role="status" { (text) }
                p { a href="/measure/upload" { "Upload its record" } " to keep what there is." }
            },
        }
    }
}
