//! The loop to play with: controls, and what the loop does with them, within 200 ms.

use std::collections::HashMap;
use std::sync::Arc;

use ::book::Book;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use chain::{Trim, significant};
use maud::{Markup, html};
use servo::chain_model::Chain;
use servo::loop_sim::LoopCase;
use servo::outcome::outcome;
use servo::run::{PreparedLoop, Trials};
use servo::tune::Settings;
use servo::{DrawnFrom, RunChain, ServoError};
use sky::{Law, Setup};
use wire::Observation;

use crate::cli::DrawFrom;
use crate::cmd::judge;
use crate::error::Error;
use crate::page::chosen::{self, Ground};
use crate::page::form::Asked;
use crate::page::jobs::State;
use crate::page::layout::Seen;
use crate::page::{Problem, aside};
use crate::section::closed_loop::{PLAYED_FRAMES, tracking};
use crate::section::star::{self, Shape};
use crate::section::{Place, answer, shown};
use crate::simulate::{self, few_pulses};
use crate::text;

/// Frames of both axes that are simulated for an answer at most, so that it comes at once.
const MOST_FRAMES: f64 = 40_000.0;
/// Frames of one exposure at most; of a longer one its beginning is taken.
const MOST_SPAN: f64 = 4_000.0;
/// Frames before it at most.
const MOST_WARM: f64 = 1_000.0;
/// Long exposures for an answer.
const EXPOSURES: [f64; 2] = [4.0, 40.0];
/// Pulses of a width and direction that the chain is drawn from at most.
const MOST_PULSES: usize = 1_000;
/// Errors and delays by hand, ms.
const ERROR_MS: [f64; 2] = [-1_000.0, 1_000.0];
const DELAY_MS: [f64; 2] = [0.0, 60_000.0];

/// A control: name of its field in the setup, what it is called, and from where to where a slider goes in
/// which steps.
const CONTROLS: [(&str, &str, &str, [f64; 3]); 7] = [
    (
        "loop.ra_gain",
        "gain in right ascension",
        "",
        [0.0, 1.5, 0.01],
    ),
    ("loop.dec_gain", "gain in declination", "", [0.0, 1.5, 0.01]),
    (
        "loop.dead_band_arcsec",
        "dead band",
        "arcsec",
        [0.0, 2.0, 0.01],
    ),
    ("camera.exposure_s", "guide exposure", "s", [0.1, 10.0, 0.1]),
    ("loop.cadence_s", "cadence", "s", [0.2, 15.0, 0.1]),
    (
        "loop.shortest_ms",
        "shortest pulse",
        "ms",
        [0.0, 300.0, 1.0],
    ),
    (
        "loop.longest_ms",
        "longest pulse",
        "ms",
        [50.0, 5_000.0, 10.0],
    ),
];
const LAW: &str = "loop.law";

/// Which chain is simulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Which {
    /// As measured.
    Measured,
    /// Behind the trim that is fitted on its run.
    Trimmed,
    /// Does as it is told.
    Perfect,
    /// With a width error and a start delay by hand.
    ByHand,
}

impl Which {
    const ALL: [(Which, &'static str, &'static str); 4] = [
        (Which::Measured, "measured", "as measured"),
        (Which::Trimmed, "trimmed", "behind its trim"),
        (Which::Perfect, "perfect", "perfect"),
        (Which::ByHand, "hand", "set by hand"),
    ];

    fn of(asked: &Asked) -> Result<Which, Problem> {
        let Some(name) = asked.text("chain") else {
            return Ok(Which::Measured);
        };
        let found = Which::ALL.into_iter().find(|(_, known, _)| *known == name);
        found.map(|(which, _, _)| which).ok_or_else(|| {
            Problem::bad(
                "chain: expected measured, trimmed, perfect or hand; go back and choose one.",
            )
        })
    }
}

/// What the controls are set to.
#[derive(Debug)]
pub struct Wanted {
    /// The setup with the settings.
    pub setup: Setup,
    /// The chain.
    pub which: Which,
    /// Width error of a chain set by hand, ms.
    pub error_ms: f64,
    /// Start delay of a chain set by hand, ms.
    pub delay_ms: f64,
}

impl Wanted {
    /// What a query says; what it leaves out is as in the setup.
    ///
    /// # Errors
    /// Every value that can't be.
    pub fn of(setup: &Setup, asked: &Asked) -> Result<Wanted, Problem> {
        let [least_error, most_error] = ERROR_MS;
        let [least_delay, most_delay] = DELAY_MS;
        let by_hand = |name: &str, label: &str, range| {
            asked.number(name, "ms", range).map_err(|mut problem| {
                problem.text = problem.text.replacen(name, label, 1);
                problem
            })
        };
        let error_ms = by_hand("error_ms", "width error by hand", least_error..=most_error)?;
        let delay_ms = by_hand("delay_ms", "start delay by hand", least_delay..=most_delay)?;
        Ok(Wanted {
            setup: with_settings(setup, asked)?,
            which: Which::of(asked)?,
            error_ms: error_ms.unwrap_or(0.0),
            delay_ms: delay_ms.unwrap_or(0.0),
        })
    }
}

/// Whether a value of the setup is a setting of the loop.
pub fn settable(name: &str) -> bool {
    name == "camera.exposure_s" || name.starts_with("loop.")
}

/// The setup with the settings that were asked for; the others stay.
///
/// # Errors
/// Every value that can't be.
pub fn with_settings(setup: &Setup, asked: &Asked) -> Result<Setup, Problem> {
    let given: HashMap<&str, &str> = asked
        .pairs()
        .iter()
        .map(|(name, value)| (name.as_str(), value.as_str()))
        .filter(|(name, value)| settable(name) && !value.trim().is_empty())
        .collect();
    let mut typed = setup.typed();
    for (name, value) in &mut typed {
        if let Some(given) = given.get(name.as_str()) {
            (*given).clone_into(value);
        }
    }
    let reading = Setup::from_typed(&typed).map_err(|error| {
        let faults: Vec<String> = error.faults.iter().map(in_words).collect();
        Problem::bad(faults.join("\n"))
    })?;
    Ok(Settings::of(&reading.setup).applied_to(setup))
}

/// A fault with the label of its field in place of its key.
fn in_words(fault: &sky::Fault) -> String {
    let text = fault.to_string();
    match sky::fields().iter().find(|field| field.name() == fault.key) {
        Some(field) => text.replacen(&fault.key, &field.label(), 1),
        None => text,
    }
}

/// A chain in memory, with no more pulses than an answer at once can do with.
struct Kept {
    name: String,
    chain: Chain,
    /// Pulses that it was measured on.
    pulses: usize,
    trim: Option<Trim>,
    warnings: Vec<wire::Warning>,
}

/// What the loop does, or the share that is done of reading the chain.
pub enum Played {
    /// To be shown, with what the trim of the chain says.
    Shown(Markup, Option<String>),
    /// The chain is still being read.
    Waits(f64),
}

/// What the loop does with the settings that were asked for.
///
/// # Errors
/// What the book says, and values that can't be.
pub async fn played(seen: &Seen, ground: &Ground, asked: &Asked) -> Result<Played, Problem> {
    let kept = match kept(seen, ground).await? {
        Ok(kept) => kept,
        Err(share) => return Ok(Played::Waits(share)),
    };
    let trim = kept.trim.as_ref().map(|trim| trim.answer.clone());
    let wanted = match Wanted::of(&ground.known.reading.setup, asked) {
        Ok(wanted) => wanted,
        // Beside the controls that are to be changed.
        Err(problem) => return Ok(Played::Shown(framed(&said(&problem.text)), trim)),
    };
    let seed = seen.app.seed;
    let present = ground.known.reading.setup.clone();
    let stamp = ground.known.stamp.clone();
    let detail = format!("/correct/detail?{}", query(ground, asked));
    aside(move || {
        let shown = match simulated(&kept, &wanted, seed) {
            Ok(markup) => html! {
                (markup)
                div.onward {
                    a.button href=(detail) { "What takes how much of the error, and the spectrum" }
                    (keep(&present, &wanted, &stamp))
                }
            },
            Err(error) => said(&error.to_string()),
        };
        Ok(Played::Shown(framed(&shown), trim))
    })
    .await
}

/// The controls' fields as the query of an address, with the number of the run.
fn query(ground: &Ground, asked: &Asked) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    query.append_pair("run", &ground.runs.run().number.to_string());
    let known = |name: &str| {
        ["chain", "error_ms", "delay_ms", LAW].contains(&name)
            || CONTROLS.iter().any(|(control, ..)| *control == name)
    };
    for (name, value) in asked.pairs().iter().filter(|(name, _)| known(name)) {
        query.append_pair(name, value);
    }
    query.finish()
}

/// The answer alone, for the script.
pub async fn fragment(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let ground = chosen::ground(&seen.app, &asked).await?.map_err(|_| {
        Problem::missing("There is no run or no setup any more; load the page again.")
    })?;
    Ok(match played(&seen, &ground, &asked).await? {
        Played::Shown(markup, _) => Html(markup.into_string()).into_response(),
        Played::Waits(_) => (
            StatusCode::ACCEPTED,
            Html(framed(&said("The pulses of this chain are being read.")).into_string()),
        )
            .into_response(),
    })
}

/// What the script puts in place of the answer before.
fn framed(shown: &Markup) -> Markup {
    html! { div #loop-shown { (shown) } }
}

fn said(text: &str) -> Markup {
    html! {
        @for line in text.lines() { (answer(line)) }
    }
}

/// The chain of the run, thinned, with the trim that is fitted on it.
async fn kept(seen: &Seen, ground: &Ground) -> Result<Result<Arc<Kept>, f64>, Problem> {
    let app = &seen.app;
    let key = ground.key("chain", app.seed);
    let run = ground.runs.run().number.to_string();
    let setup = ground.known.reading.setup.clone();
    let (book, seed) = (app.book.clone(), app.seed);
    let state = app.jobs.get(key, move |_| {
        let measured = simulate::measured(&Book::open(&book)?, &run, DrawFrom::Pulses)?;
        let trim = judge::fitted(&measured, &setup, seed);
        let failed = |source| Error::Servo {
            place: format!("run {run}: "),
            source: Box::new(source),
        };
        let few = thinned(&measured.observations);
        let mut chain = RunChain {
            observations: &few,
            missing: None,
            drawn_from: DrawnFrom::Pulses,
        }
        .chain()
        .map_err(failed)?;
        chain.missing = measured.chain.missing;
        Ok(Kept {
            name: measured.name,
            chain,
            pulses: measured.observations.len(),
            trim,
            warnings: measured.warnings,
        })
    });
    match state.await {
        State::Done(kept) => Ok(Ok(kept)),
        State::Running(share) => Ok(Err(share)),
        State::Failed(text) => Err(Problem::bad(text.to_string())),
    }
}

/// So many pulses of each width and direction at most, evenly taken over the run.
fn thinned(observations: &[Observation]) -> Vec<Observation> {
    let key = |o: &Observation| (o.direction, o.requested_ms.to_bits());
    let mut counts: HashMap<_, usize> = HashMap::new();
    for o in observations {
        *counts.entry(key(o)).or_default() += 1;
    }
    // Where each pulse has a width of its own, the run as a whole is thinned.
    let groups = counts.len().clamp(1, 40);
    let each = observations.len().div_ceil(groups * MOST_PULSES).max(1);
    let mut seen: HashMap<_, usize> = HashMap::new();
    observations
        .iter()
        .enumerate()
        .filter(|(i, o)| {
            let nth = seen.entry(key(o)).or_default();
            *nth += 1;
            let step = counts[&key(o)].div_ceil(MOST_PULSES);
            if counts.len() > groups {
                i % each == 0
            } else {
                (*nth - 1).is_multiple_of(step)
            }
        })
        .map(|(_, o)| *o)
        .collect()
}

/// A case that is simulated at once, with how many exposures, and what was left out for it.
fn case(setup: &Setup, chain: &Chain) -> Result<(LoopCase, usize, Option<String>), ServoError> {
    let mut case = LoopCase::from_setup(setup, chain)?;
    let cadence_s = case.timing.cadence_s;
    let whole_s = case.span_s;
    case.span_s = case.span_s.min(MOST_SPAN * cadence_s);
    case.warm_up_s = case.warm_up_s.min(MOST_WARM * cadence_s);
    let frames = ((case.span_s + case.warm_up_s) / cadence_s).ceil().max(1.0);
    let [least, most] = EXPOSURES;
    let exposures = (MOST_FRAMES / (2.0 * frames)).floor().clamp(least, most) as usize;
    let shortened = (case.span_s < whole_s).then(|| {
        format!(
            "Of each exposure of {} s the first {} s are simulated, to answer at once.",
            significant(whole_s),
            significant(case.span_s)
        )
    });
    Ok((case, exposures, shortened))
}

fn simulated(kept: &Kept, wanted: &Wanted, seed: u64) -> Result<Markup, ServoError> {
    let none = "No trim can be fitted on this run, so the chain is shown as measured.";
    let (chain, name, remark) = match (wanted.which, &kept.trim) {
        (Which::Trimmed, Some(trim)) => (
            simulate::behind(&kept.chain, trim),
            format!("{} behind its trim", kept.name),
            None,
        ),
        (Which::Trimmed, None) => (kept.chain.clone(), kept.name.clone(), Some(none)),
        (Which::Measured, _) => (kept.chain.clone(), kept.name.clone(), None),
        (Which::Perfect, _) => (Chain::perfect(), "a perfect chain".to_owned(), None),
        (Which::ByHand, _) => (
            simulate::by_hand(Some(wanted.error_ms), Some(wanted.delay_ms)),
            "a chain set by hand".to_owned(),
            None,
        ),
    };
    let setup = &wanted.setup;
    let (case, exposures, shortened) = case(setup, &chain)?;
    let trace = PreparedLoop::new(&case)?.trace(seed, 0);
    let at = Place {
        prefix: "loop",
        level: 3,
        unfolded: false,
    };
    let tracking = at.figure(&tracking(&trace, seed, PLAYED_FRAMES));
    let found = match outcome(&case, &Trials::new(seed, exposures)) {
        Ok(found) => found,
        Err(error @ (ServoError::Unstable { .. } | ServoError::StarLost)) => {
            return Ok(html! {
                (answer(&format!("These settings don't hold: {error}.")))
                (tracking)
            });
        }
        Err(error) => return Err(error),
    };
    let thinned = kept.chain.pulses().filter(|n| *n < kept.pulses);
    let measured = matches!(wanted.which, Which::Measured | Which::Trimmed);
    let settings = star::settings(&case, setup);
    let stars = [
        Shape::of(name.clone(), &found),
        star::with_perfect_tracking(&found),
    ];
    Ok(html! {
        (answer(&few_pulses(&chain, found.answer())))
        @if let Some(remark) = remark { p { (remark) } }
        @if let Some(shortened) = shortened { p { (shortened) } }
        (at.figure(&star::drawn("star-played", &stars, &settings)))
        (tracking)
        (shown(&format!("Tracking and pulses, with {name}"), &text::closed_loop::axes(&found)))
        (shown("Stability and small corrections", &text::closed_loop::stability(&found)))
        p.hint {
            (text::sentence(&chain::plural(exposures as u64, "exposure")))
            " alone (seed " (seed) "), to answer at once; Judge and "
            code { "pulsewright loop" } " take 200."
            @if let Some(n) = thinned.filter(|_| measured) {
                " The chain is drawn from " (chain::count(n as u64)) " of its "
                (chain::plural(kept.pulses as u64, "pulse")) "."
            }
        }
        @if measured { (crate::section::warnings(&kept.warnings)) }
    })
}

/// The button that takes the settings into the setup; nothing where they are those of the setup.
fn keep(present: &Setup, wanted: &Wanted, stamp: &str) -> Markup {
    if wanted.setup == *present {
        return html! {};
    }
    super::settings::offer(&wanted.setup, stamp, "Take these settings into the setup")
}

/// The controls, as a form that works without script.
pub fn controls(ground: &Ground, asked: &Asked) -> Markup {
    let setup = &ground.known.reading.setup;
    let present: HashMap<String, String> = setup.typed().into_iter().collect();
    let value = |name: &str| -> String {
        let typed = asked.text(name).map(str::to_owned);
        typed
            .or_else(|| present.get(name).cloned())
            .unwrap_or_default()
    };
    let law = value(LAW);
    let which = Which::of(asked).unwrap_or(Which::Measured);
    let by_hand = |name: &str, label: &str, [least, most]: [f64; 2], slider: [f64; 3]| {
        number(
            name,
            label,
            "ms",
            asked.text(name).unwrap_or("0"),
            (least, most),
            slider,
        )
    };
    html! {
        form.controls #loop-controls method="get" action="/correct" {
            input type="hidden" name="run" value=(ground.runs.run().number);
            fieldset {
                legend { "The loop" }
                @for (name, label, unit, slider) in CONTROLS {
                    (number(name, label, unit, &value(name), limits(name), slider))
                }
                div.control {
                    label for=(LAW) { "control law" }
                    select id=(LAW) name=(LAW) {
                        @for known in Law::ALL {
                            option value=(known.name()) selected[known.name() == law] { (known.name()) }
                        }
                    }
                }
            }
            fieldset {
                legend { "The chain" }
                div.control {
                    label for="chain" { "chain" }
                    select #chain name="chain" {
                        @for (known, name, words) in Which::ALL {
                            option value=(name) selected[known == which] { (words) }
                        }
                    }
                }
                (by_hand("error_ms", "width error by hand", ERROR_MS, [-50.0, 100.0, 0.5]))
                (by_hand("delay_ms", "start delay by hand", DELAY_MS, [0.0, 2_000.0, 5.0]))
            }
            button { "Show" }
            " "
            a.button href={ "/correct?run=" (ground.runs.run().number) } { "Back to the setup's" }
        }
    }
}

/// A number with its unit; the script puts a slider beside it, from and to and in steps of `slider`.
fn number(
    name: &str,
    label: &str,
    unit: &str,
    value: &str,
    (least, most): (f64, f64),
    slider: [f64; 3],
) -> Markup {
    let [low, high, step] = slider;
    html! {
        div.control {
            label for=(name) {
                (label)
                @if !unit.is_empty() { " (" (unit) ")" }
            }
            input type="number" id=(name) name=(name) value=(value) min=(least) max=(most) step="any"
                data-low=(low) data-high=(high) data-step=(step);
        }
    }
}

/// What the setup allows for a field.
fn limits(name: &str) -> (f64, f64) {
    let field = sky::fields().iter().find(|field| field.name() == name);
    match field.map(|field| field.kind) {
        Some(sky::FieldKind::Number { least, most, .. }) => (least, most),
        _ => (0.0, f64::MAX),
    }
}
