//! What the demo says after the comparison: each chain's answer, the files, the trim and its proof, and what to try.

use std::path::Path;

use chain::{Proof, Trim};

use super::{faint, heading, wrap};
use crate::demo::{self, DemoChain};

/// The page.
pub fn page(
    answers: &[(&str, String)],
    chains: &[DemoChain],
    trim: &Trim,
    proof: &Proof,
    book: &Path,
) -> String {
    let mut page = heading("Each chain by itself");
    for (name, answer) in answers {
        page += &format!("  {}\n", wrap(&format!("{name}: {answer}"), 4));
    }
    page.push('\n');
    page += &heading(&format!(
        "What to do about {}, and whether it helped",
        demo::TO_TRIM
    ));
    page += &format!("  {}\n", wrap(&trim.answer, 2));
    page += &format!("  {}\n\n", wrap(&proof.answer, 2));
    page += &heading("Try it yourself");
    let book = book.display();
    for chain in chains {
        page += &format!(
            "  pulsewright read {} {} --requests {}\n",
            chain.capture.display(),
            chain.options,
            chain.requests.display()
        );
    }
    page += &format!("  pulsewright runs --book {book}\n");
    page += &format!("  pulsewright show serial-adapter --book {book}\n");
    page += &format!("  pulsewright compare attic-laptop pier-board --book {book}\n");
    page += &format!("  pulsewright trim attic-laptop --shortest 20ms --as c --book {book}\n");
    page += &format!(
        "  pulsewright prove attic-laptop attic-laptop-trimmed --margin 2ms --book {book}\n"
    );
    page.push('\n');
    page += &faint(
        "The observatory and its four chains are invented. In place of `pulsewright` you may write `cargo run --release --`.",
    );
    page
}
