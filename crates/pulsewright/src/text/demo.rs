//! What the demo says: the four questions with their answers, the files, and what to try.

use super::{answer, comparison, faint, heading, wrap};
use crate::demo::{self, DemoChain};
use crate::json::DemoDocument;

/// The page; the four answers alone where `quiet`. `measured` are the chains' own answers.
pub fn page(
    document: &DemoDocument,
    measured: &[(&str, String)],
    chains: &[DemoChain],
    quiet: bool,
) -> String {
    let verdict = &document.judge[0].judgement.sentence;
    let tuned = document.tune.answer();
    if quiet {
        return [
            &document.measure.answer,
            verdict,
            &tuned,
            &document.trim.answer,
            &document.prove.answer,
        ]
        .map(|line| format!("{line}\n"))
        .concat();
    }
    let worst = demo::TO_TRIM;
    let mut page = heading("Measure: what do the chains do to a pulse?");
    page += &comparison::page(&document.measure);
    for (name, answer) in measured {
        page += &format!("  {}\n", wrap(&format!("{name}: {answer}"), 4));
    }
    page.push('\n');
    page += &heading("Judge: does it matter under the sky of Larkmere Hill?");
    page += &answer(&format!("{worst}: {verdict}"));
    for judged in &document.judge[1..] {
        let sentence = format!("{}: {}", judged.chain, judged.judgement.sentence);
        page += &format!("  {}\n", wrap(&sentence, 4));
    }
    page.push('\n');
    page += &heading(&format!(
        "Correct: what to change about {worst}, and to what?"
    ));
    page += &answer(&tuned);
    page += &format!(
        "  {}\n\n",
        wrap(
            &format!("Or, in the controller: {}", document.trim.answer),
            2
        )
    );
    page += &heading("Prove: did the trim work?");
    page += &answer(&document.prove.answer);
    let (book, setup) = (&document.book, &document.setup);
    page += &heading("Look at it in a browser, or on paper");
    for line in [
        format!("serve --book {book} --setup {setup}"),
        format!(
            "report {worst} --after {worst}-trimmed --book {book} --setup {setup} -o report.html"
        ),
    ] {
        page += &format!("  pulsewright {line}\n");
    }
    page.push('\n');
    page += &heading("Try it yourself");
    for line in [
        format!("compare attic-laptop pier-board --book {book}"),
        format!("judge attic-laptop --setup {setup} --book {book}"),
        format!("tune --run attic-laptop --setup {setup} --book {book}"),
        format!("trim attic-laptop --shortest 20ms --setup {setup} --book {book}"),
        format!("prove attic-laptop attic-laptop-trimmed --setup {setup} --book {book}"),
        format!("loop --run attic-laptop --setup {setup} --book {book}"),
        format!("trim attic-laptop --shortest 20ms --as c --book {book}"),
        format!("runs --book {book}"),
        format!("show serial-adapter --book {book}"),
    ] {
        page += &format!("  pulsewright {line}\n");
    }
    for chain in chains {
        page += &format!(
            "  pulsewright read {} {} --requests {}\n",
            chain.capture.display(),
            chain.options,
            chain.requests.display()
        );
    }
    page.push('\n');
    page + &faint(
        "The observatory and its four chains are invented. In place of `pulsewright` you may write `cargo run --release --`.",
    )
}
