//! The page of a verdict: the sentence, the star in each case, the rule.

use servo::judge::{ChainResult, Judgement, Verdict};

use super::{answer, faint, heading, star, warnings, wrap};
use crate::json::JudgeDocument;

/// The page; the answer alone where `quiet`.
pub fn page(document: &JudgeDocument, quiet: bool) -> String {
    let found = &document.judgement;
    if quiet {
        return format!("{}\n", found.sentence);
    }
    let mut page = answer(&found.sentence);
    if let Some(helps) = &found.helps {
        page += &format!("{}\n\n", wrap(helps, 0));
    }
    page += &heading(&format!(
        "The star in a long exposure, with {} (run {})",
        document.chain, document.run
    ));
    page += &star::table(&chains(found)).text();
    if let Some(trim) = &document.trim {
        page += &format!("  {}\n", wrap(&format!("The trim: {trim}"), 2));
    }
    page.push('\n');
    page += &heading("The rule");
    for line in found.rule {
        // The one that applies stands out.
        let mark = if applies(line, found.verdict) {
            ">"
        } else {
            " "
        };
        let text = format!("{mark} {}", wrap(line, 4));
        page += &format!("  {text}\n");
    }
    page.push('\n');
    page += &warnings(&found.warnings);
    page + &faint(&format!("{} How: docs/method.md.", computed(document)))
}

/// The chains that were judged, with their names.
pub fn chains(found: &Judgement) -> Vec<(&'static str, &ChainResult)> {
    let mut chains = vec![("as measured", &found.measured)];
    if let Some(trimmed) = &found.trimmed {
        chains.push(("trimmed", trimmed));
    }
    chains.push(("perfect", &found.perfect));
    chains
}

/// Whether a line of the rule is the one that led to the verdict.
pub fn applies(line: &str, verdict: Verdict) -> bool {
    line.to_lowercase()
        .starts_with(&format!("{},", verdict.name()))
}

/// How it was computed.
pub fn computed(document: &JudgeDocument) -> String {
    format!(
        "{} simulated exposures of each case, with common random numbers, seed {}; intervals by Student's t over 10 groups, each with its own resampling of the pulses.",
        document.exposures, document.seed
    )
}
