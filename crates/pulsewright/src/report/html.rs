//! The report as a document.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use crate::cmd::setup::described;
use crate::error::Error;
use crate::input;
use crate::json::Answer;
use crate::report::gather::{Gathered, OfRun};
use crate::report::{Asked, remake};
use crate::section::{self, Place};

/// What the figures and the sheet look like.
const STYLE: &str = concat!(
    include_str!("../page/assets/figure.css"),
    include_str!("report.css")
);
/// Zoom and read-out of the figures, and their saving.
const SCRIPTS: [&str; 2] = [
    include_str!("../page/assets/figure.js"),
    include_str!("../page/assets/save.js"),
];

/// The four questions, with the names of their parts.
const QUESTIONS: [(&str, &str, &str); 4] = [
    ("measure", "Measure", "What does the chain do to a pulse?"),
    ("judge", "Judge", "Does it matter under this sky?"),
    ("correct", "Correct", "What to change, and to what?"),
    ("prove", "Prove", "Did the change work?"),
];

/// The whole document.
///
/// # Errors
/// [`Error::Json`] where what a run was stored with can't be read.
pub fn document(
    asked: &Asked<'_>,
    gathered: &Gathered,
    answers: &[Answer],
) -> Result<String, Error> {
    let title = title(gathered);
    let remake = remake(asked, gathered)?;
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy());
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header.cover {
                    h1 { (title) }
                    p.faint {
                        "Made " (asked.made_at) " by pulsewright " (env!("CARGO_PKG_VERSION"))
                        " under " (asked.setup.display()) ", seed " (asked.seed) "."
                    }
                }
                main {
                    h2.cover-part { "The four answers" }
                    (overview(answers))
                    (contents(gathered))
                    (measure(gathered))
                    (judge(asked, gathered))
                    (correct(gathered))
                    (prove(asked, gathered))
                    (remake)
                }
            }
            @for script in SCRIPTS { script type="module" { (PreEscaped(script)) } }
        }
    };
    Ok(document.into_string())
}

/// Nothing is fetched, and only the style and script of this very file are taken.
fn policy() -> String {
    let hash = |text: &str| STANDARD.encode(Sha256::digest(text));
    format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}' 'sha256-{}'; img-src data: blob:; base-uri 'none'; form-action 'none'",
        hash(STYLE),
        hash(SCRIPTS[0]),
        hash(SCRIPTS[1])
    )
}

fn title(gathered: &Gathered) -> String {
    let names: Vec<String> = gathered.runs.iter().map(OfRun::name).collect();
    format!("What became of a pulse: {}", names.join("; "))
}

fn overview(answers: &[Answer]) -> Markup {
    html! {
        dl.answers {
            @for (_, name, _) in QUESTIONS {
                dt { (name) }
                dd {
                    @let mut of_question = answers.iter().filter(|a| a.question == name).peekable();
                    @if of_question.peek().is_none() {
                        "No run after a change is in this report. "
                        code { "pulsewright report BEFORE --after AFTER" } " adds one."
                    }
                    @for answer in of_question {
                        p { span.about { (answer.about) } (answer.sentence) }
                    }
                }
            }
        }
    }
}

fn contents(gathered: &Gathered) -> Markup {
    html! {
        nav.contents aria-label="Contents" {
            ul {
                @for (id, name, question) in QUESTIONS {
                    @if id != "prove" || gathered.proof.is_some() {
                        li { a href={ "#" (id) } { (name) } ": " (question) }
                    }
                }
                li { a href="#remake" { "Remake" } ": settings, versions, seeds, checksums, commands" }
            }
        }
    }
}

fn part(index: usize) -> Markup {
    let (id, name, question) = QUESTIONS[index];
    html! { h2 id=(id) { (name) ": " (question) } }
}

/// Where the sections of a run stand.
fn place(prefix: &str) -> Place<'_> {
    Place {
        prefix,
        level: 4,
        unfolded: true,
    }
}

fn prefix(question: &str, of: &OfRun) -> String {
    format!("{question}-{}", of.stored.run.number)
}

fn measure(gathered: &Gathered) -> Markup {
    html! {
        (part(0))
        @if let Some(compared) = &gathered.compared {
            h3 { "Beside each other" }
            (section::comparison::section(compared, &place("compare")))
        }
        @for of in &gathered.runs {
            h3 { (of.name()) }
            (section::run::section(&of.stored.view(), &place(&prefix("measure", of))))
        }
    }
}

fn judge(asked: &Asked<'_>, gathered: &Gathered) -> Markup {
    html! {
        (part(1))
        @for of in &gathered.runs {
            h3 { (of.name()) }
            @let view = section::judgement::View { document: &of.judged, long: &of.long };
            (section::judgement::section(&view, &place(&prefix("judge", of))))
            h3 { "On the sky: " (of.name()) }
            @let run = Some((&of.stored.run, &of.stored.summary));
            @let document = described(asked.setup, &gathered.setup, run);
            (section::sky::section(&document, &place(&prefix("sky", of))))
        }
    }
}

fn correct(gathered: &Gathered) -> Markup {
    html! {
        (part(2))
        @for of in &gathered.runs {
            h3 { "Settings: " (of.name()) }
            (section::tuning::section(&of.tuned, &place(&prefix("tune", of))))
            h3 { "Trim: " (of.name()) }
            @match &of.trim {
                Ok(fitted) => {
                    @let view = section::trim::View {
                        trim: &fitted.trim,
                        chain: &fitted.run.chain,
                        run: fitted.run.number,
                        observations: &of.stored.observations,
                        on_sky: fitted.on_sky.as_ref(),
                    };
                    (section::trim::section(&view, &place(&prefix("trim", of))))
                }
                Err(why) => p { "No trim could be fitted: " (why) "." }
            }
            h3 { "The loop: " (of.name()) }
            @let view = section::closed_loop::View {
                document: &of.untrimmed,
                trimmed: of.trimmed.as_ref().map(|trimmed| &trimmed.outcome),
                trace: &of.trace,
            };
            (section::closed_loop::section(&view, &place(&prefix("loop", of))))
        }
    }
}

fn prove(asked: &Asked<'_>, gathered: &Gathered) -> Markup {
    html! {
        @if let (Some((proved, after)), Some(before)) = (&gathered.proof, gathered.runs.first()) {
            (part(3))
            @let view = section::proof::View {
                proof: &proved.proof,
                names: &proved.names,
                observations: [&before.stored.observations, &after.observations],
                margin_from: asked.margin_ms.is_none().then_some(asked.setup),
            };
            (section::proof::section(&view, &place("prove")))
            h3 { "The run after the change: " (after.run.chain) ", run " (after.run.number) }
            (section::run::section(&after.view(), &place("after")))
        }
    }
}

/// All that another person needs to remake every number.
fn remake(asked: &Asked<'_>, gathered: &Gathered) -> Result<Markup, Error> {
    let stored: Vec<_> = gathered
        .runs
        .iter()
        .map(|of| &of.stored)
        .chain(gathered.proof.iter().map(|(_, after)| after))
        .collect();
    let mut reads = Vec::new();
    for run in &stored {
        reads.push(remake::read_command(&run.run)?);
    }
    let setup = remake::quoted(&asked.setup.display().to_string());
    let seed = asked.seed;
    let mut commands = Vec::new();
    for of in &gathered.runs {
        let run = of.stored.run.number;
        commands.push(format!(
            "pulsewright judge {run} --setup {setup} --seed {seed}"
        ));
        commands.push(format!(
            "pulsewright tune --run {run} --setup {setup} --seed {seed}"
        ));
        commands.push(format!(
            "pulsewright trim {run} --setup {setup} --seed {seed}"
        ));
        commands.push(format!(
            "pulsewright loop --run {run} --setup {setup} --seed {seed}"
        ));
        if of.trimmed.is_some() {
            commands.push(format!(
                "pulsewright trim {run} --setup {setup} --seed {seed} --json -o trim-{run}.json && pulsewright loop --run {run} --trim trim-{run}.json --setup {setup} --seed {seed}"
            ));
        }
    }
    if let Some((proved, _)) = &gathered.proof {
        let [before, after] = proved.numbers;
        let margin = match asked.margin_ms {
            Some(ms) => format!("--margin {ms}ms"),
            None => format!("--setup {setup}"),
        };
        commands.push(format!("pulsewright prove {before} {after} {margin}"));
    }
    let mut runs: Vec<String> = asked.runs.iter().map(|run| remake::quoted(run)).collect();
    if let Some(after) = asked.after {
        runs.push(format!("--after {}", remake::quoted(after)));
    }
    if let Some(ms) = asked.margin_ms {
        runs.push(format!("--margin {ms}ms"));
    }
    commands.push(format!(
        "pulsewright report {} --setup {setup} --seed {seed}",
        runs.join(" ")
    ));
    Ok(html! {
        h2 id="remake" { "Remake: settings, versions, seeds, checksums" }
        p {
            "With the same files, the same seed and pulsewright " (env!("CARGO_PKG_VERSION"))
            ", these commands give every number of this report, to the last bit, on any machine. "
            "The checksum of each file stands with its run above, and below."
        }
        h3 { "From captures to runs" }
        p { "Into a new lab book, in this order; then put the number that each is given in place of the one below." }
        pre { @for line in &reads { (line) "\n" } }
        h3 { "From runs to answers" }
        pre { @for line in &commands { (line) "\n" } }
        h3 { "Checksums" }
        (checksums(asked, gathered, &stored))
        h3 { "The setup, " (asked.setup.display()) }
        pre { (gathered.setup_text) }
    })
}

fn checksums(asked: &Asked<'_>, gathered: &Gathered, stored: &[&section::run::Stored]) -> Markup {
    use section::{Column, cell, table};
    let sum = |sum: &str| html! { span.sum { (sum) } };
    let mut rows: Vec<Vec<Markup>> = stored
        .iter()
        .flat_map(|run| {
            run.run.sources.iter().map(move |source| {
                vec![
                    cell(&source.path),
                    cell(source.role.name()),
                    cell(run.run.number.to_string()),
                    cell(chain::count(source.bytes)),
                    sum(&source.sha256),
                ]
            })
        })
        .collect();
    let digest = input::hex(&Sha256::digest(&gathered.setup_text));
    rows.push(vec![
        cell(asked.setup.display().to_string()),
        cell("setup"),
        cell("-"),
        cell(chain::count(gathered.setup_text.len() as u64)),
        sum(&digest),
    ]);
    table(
        "SHA-256 of every file that the numbers come from",
        &[
            Column::Words("file"),
            Column::Words("what"),
            Column::Numbers("run"),
            Column::Numbers("bytes"),
            Column::Words("SHA-256"),
        ],
        &rows,
    )
}
