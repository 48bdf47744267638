//! The verdict: the sentence, the star in each case, the rule that led to it.

use maud::{Markup, html};
use servo::judge::Verdict;
use sky::Axis;

use super::star::{self, Shape};
use super::{Place, shown, warnings};
use crate::figure::Figure;
use crate::json::JudgeDocument;
use crate::text;

/// What a verdict is shown from.
pub struct View<'a> {
    /// The verdict.
    pub document: &'a JudgeDocument,
    /// The axis along which each chain makes the star long at the present settings, in the order of
    /// [`text::judge::chains`]; see [`star::long_axes`].
    pub long: &'a [Axis],
}

/// The verdict with all that led to it.
pub fn section(view: &View<'_>, at: &Place<'_>) -> Markup {
    let document = view.document;
    let found = &document.judgement;
    let chains = text::judge::chains(found);
    html! {
        p.answer { strong { (matters(found.verdict)) } " " (found.sentence) }
        @if let Some(helps) = &found.helps { p { (helps) } }
        (warnings(&found.warnings))
        @for figure in figures(view) { (at.figure(&figure)) }
        (shown(
            &format!("The star in a long exposure, with {} (run {})", document.chain, document.run),
            &text::star::table(&chains),
        ))
        @if let Some(trim) = &document.trim { p { "The trim: " (trim) } }
        (at.heading("The rule"))
        ul.rule {
            @for line in found.rule {
                @if text::judge::applies(line, found.verdict) {
                    li.applies aria-current="true" { strong { (line) } " This one applies here." }
                } @else {
                    li { (line) }
                }
            }
        }
        (at.fold("How this was computed", &html! {
            p { (text::judge::computed(document)) }
            p {
                "The setup is " code { (document.setup) } ". The star is Gaussian in its second moments: the \
                 covariance of the tracking error about its mean is added to that of the star that perfect \
                 tracking would give. The best settings of each chain are searched over gains, dead band and \
                 shortest pulse. A gain in width is compared exposure by exposure, with the same sky and mount. \
                 The formulas stand in docs/method.md."
            }
        }))
    }
}

/// Whether the chain matters, in a word or two.
pub fn matters(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::LeaveIt => "No, it hardly matters.",
        Verdict::Retune | Verdict::Trim | Verdict::MendTheChain => "Yes, it matters.",
        Verdict::MeasureMore => "It can't be told yet.",
    }
}

/// How wide each chain makes the star, and how it would look.
pub fn figures(view: &View<'_>) -> [Figure; 2] {
    let document = view.document;
    let chains = text::judge::chains(&document.judgement);
    let computed = text::judge::computed(document);
    let shapes: Vec<Shape> = chains
        .iter()
        .zip(view.long)
        .map(|((name, chain), long)| Shape {
            name: (*name).to_owned(),
            fwhm_arcsec: chain.present.fwhm_arcsec.value,
            elongation: chain.present.elongation.value,
            long: *long,
        })
        .collect();
    [
        star::widths("star-widths", &chains, &computed),
        star::drawn(
            "star-shapes",
            &shapes,
            &format!(
                "All at the present settings; mean over {} exposures each.",
                chain::count(u64::from(document.exposures))
            ),
        ),
    ]
}
