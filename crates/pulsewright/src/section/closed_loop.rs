//! The simulated loop: the star, the tracking with its pulses, and what takes how much of the error.

mod figures;

use figures::MOST_FRAMES;
pub use figures::{PLAYED_FRAMES, budget, spectra, tracking};

use maud::{Markup, html};
use servo::outcome::Outcome;
use servo::trace::Trace;

use super::star::{self, Shape};
use super::{Place, answer, shown, warnings};
use crate::figure::Figure;
use crate::json::LoopDocument;
use crate::text;

/// What a simulated loop is shown from.
pub struct View<'a> {
    /// The loop.
    pub document: &'a LoopDocument,
    /// The same behind a trim, where there is one to compare it with.
    pub trimmed: Option<&'a Outcome>,
    /// One long exposure of `document`, as it went.
    pub trace: &'a Trace,
}

/// The loop with all that is told of it.
pub fn section(view: &View<'_>, at: &Place<'_>) -> Markup {
    let document = view.document;
    let outcome = &document.outcome;
    let [tracking, stars, spectra, budget] = figures(view);
    html! {
        (answer(&document.answer))
        (warnings(&outcome.warnings))
        (at.figure(&stars))
        (at.figure(&tracking))
        (axes(document))
        (at.figure(&budget))
        (shown("What takes how much of the tracking error", &text::closed_loop::causes(&document.causes)))
        (at.figure(&spectra))
        (stability(outcome))
        (at.fold("How this was computed", &html! {
            p { (text::closed_loop::computed(document)) }
            p {
                "The setup is " code { (document.setup) } ". Each axis runs in continuous time between frames: the \
                 true error is the disturbance minus the correction, a frame measures its mean over the exposure \
                 with seeing and centroid noise, and the chain draws a start delay and a width for every pulse. A \
                 cause takes what the square of the error falls by when it is switched off, with the same random \
                 numbers. The formulas stand in docs/method.md."
            }
        }))
    }
}

/// Tracking and pulses, the stars, the spectra, the causes.
pub fn figures(view: &View<'_>) -> [Figure; 4] {
    let document = view.document;
    let computed = text::closed_loop::computed(document);
    let mut shapes = vec![Shape::of(document.chain.clone(), &document.outcome)];
    let mut outcomes = vec![("", &document.outcome)];
    if let Some(trimmed) = view.trimmed {
        shapes.push(Shape::of("behind the trim", trimmed));
        outcomes.push((", behind the trim", trimmed));
    }
    shapes.push(star::with_perfect_tracking(&document.outcome));
    [
        tracking(view.trace, document.seed, MOST_FRAMES),
        star::drawn("star-shapes-loop", &shapes, &computed),
        spectra(&outcomes, &computed),
        budget(&document.causes, &computed),
    ]
}

/// Tracking and pulses of both axes as a table.
pub fn axes(document: &LoopDocument) -> Markup {
    let behind = match &document.trim {
        Some(_) => " behind the trim",
        None => "",
    };
    shown(
        &format!("Tracking and pulses, with {}{behind}", document.chain),
        &text::closed_loop::axes(&document.outcome),
    )
}

/// Stability, small corrections, and a swing where there is one.
pub fn stability(outcome: &Outcome) -> Markup {
    html! {
        (shown("Stability and small corrections", &text::closed_loop::stability(outcome)))
        p { (text::closed_loop::STABILITY) }
        @for (axis, name) in outcome.axes.iter().zip(["right ascension", "declination"]) {
            @if let Some(swing) = &axis.oscillation {
                p {
                    strong { "The loop swings in " (name) }
                    " with a period of " (chain::significant(swing.period_s)) " s, which holds "
                    (text::closed_loop::percent(swing.share)) " of the error's square: " (swing.cause) "."
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cmd::closed_loop::{Simulated, simulated};
    use crate::simulate;
    use servo::loop_sim::LoopCase;
    use servo::run::PreparedLoop;
    use std::path::Path;

    #[test]
    fn the_section_holds_the_numbers_of_its_document() {
        let mut setup = sky::Setup::default();
        setup.imaging.exposure_s = 60.0;
        let chain = simulate::by_hand(Some(12.0), Some(30.0));
        let document = simulated(Simulated {
            setup_file: Path::new("setup.toml"),
            setup: &setup,
            name: "a chain & its <name>",
            chain: chain.clone(),
            measured: None,
            trim: None,
            exposures: 10,
            seed: 3,
            warnings: Vec::new(),
            progress: &|_| {},
        })
        .unwrap();
        let case = LoopCase::from_setup(&setup, &chain).unwrap();
        let trace = PreparedLoop::new(&case).unwrap().trace(3, 0);
        let view = View {
            document: &document,
            trimmed: None,
            trace: &trace,
        };
        let at = Place {
            prefix: "x",
            level: 3,
            unfolded: true,
        };
        let html = section(&view, &at).into_string();
        assert!(html.contains(&document.answer));
        assert!(html.contains("a chain &amp; its &lt;name&gt;") && !html.contains("<name>"));
        for axis in &document.outcome.axes {
            assert!(html.contains(&text::star::value(&axis.rms_arcsec)));
            assert!(html.contains(&chain::significant(axis.pulses.per_min)));
            let margin = axis.margins.gain_margin.unwrap();
            assert!(html.contains(&chain::significant(margin)));
        }
        for share in &document.causes.causes {
            assert!(html.contains(share.cause.name()));
        }
        let [tracking, _, spectra, budget] = figures(&view);
        assert_eq!(tracking.panels.len(), 2);
        assert_eq!(spectra.panels[0].series.len(), 2);
        assert_eq!(budget.panels[0].series.len(), 5);
    }
}
