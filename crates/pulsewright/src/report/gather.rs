//! Everything that a report shows, computed.

use chain::{Below, Loss};
use servo::loop_sim::LoopCase;
use servo::run::PreparedLoop;
use servo::trace::Trace;
use servo::tune::TuneOptions;
use sky::SetupReading;

use crate::cmd::closed_loop::{Simulated, simulated};
use crate::cmd::compare::{self, Compared};
use crate::cmd::judge::{self, USUAL_EXPOSURES};
use crate::cmd::prove::{Margin, Proved, proved};
use crate::cmd::trim::{Fitted, ToTrim, fitted};
use crate::cmd::tune::{ToTune, tuned};
use crate::error::Error;
use crate::json::{Answer, JudgeDocument, LoopDocument, TuneDocument};
use crate::library;
use crate::report::Asked;
use crate::section::run::Stored;
use crate::section::star;

/// Shares of a run's work, as its progress is told: judging, tuning, trimming, simulating.
const PARTS: [f64; 4] = [0.1, 0.6, 0.2, 0.1];

/// All of a report.
pub struct Gathered {
    /// The setup.
    pub setup: SetupReading,
    /// The text of its file.
    pub setup_text: String,
    /// Each run.
    pub runs: Vec<OfRun>,
    /// The runs beside each other, where there are two or more.
    pub compared: Option<Compared>,
    /// Before and after a change, with the run after it.
    pub proof: Option<(Proved, Stored)>,
}

/// What one run says under the setup.
pub struct OfRun {
    /// The run as it is stored.
    pub stored: Stored,
    /// The verdict.
    pub judged: JudgeDocument,
    /// The axis along which each of the judged chains makes the star long.
    pub long: Vec<sky::Axis>,
    /// The loop with the chain as it is.
    pub untrimmed: LoopDocument,
    /// The loop with the chain behind its trim.
    pub trimmed: Option<LoopDocument>,
    /// One long exposure of `untrimmed`, as it went.
    pub trace: Trace,
    /// The best settings.
    pub tuned: TuneDocument,
    /// The trim, or why there is none.
    pub trim: Result<Fitted, String>,
}

impl OfRun {
    /// `attic-laptop, run 1`.
    pub fn name(&self) -> String {
        format!("{}, run {}", self.stored.run.chain, self.stored.run.number)
    }
}

/// Computes everything.
///
/// # Errors
/// As [`crate::report::make`].
pub fn gather(asked: &Asked<'_>) -> Result<Gathered, Error> {
    let setup_text = library::setup_text(asked.setup)?;
    // Of the very text that the report shows.
    let setup = library::setup_of(asked.setup, &setup_text)?;
    let numbers = library::numbers_of(asked.book, asked.runs)?;
    let count = numbers.len() as f64;
    let mut runs = Vec::new();
    for (index, number) in numbers.iter().enumerate() {
        let told = |share: f64| (asked.progress)((index as f64 + share) / count);
        runs.push(of_run(asked, &setup, *number, &told)?);
    }
    let compared = match numbers.len() {
        0 | 1 => None,
        _ => Some(compare::compare(asked.book, &numbers)?),
    };
    let proof = match (asked.after, asked.runs.first()) {
        (Some(after), Some(before)) => {
            let margin = match asked.margin_ms {
                Some(ms) => Margin::Given(ms),
                None => Margin::Of(asked.setup.to_owned()),
            };
            let proved = proved(asked.book, [before, after], &margin)?;
            let after = Stored::of(asked.book, proved.numbers[1])?;
            Some((proved, after))
        }
        _ => None,
    };
    Ok(Gathered {
        setup,
        setup_text,
        runs,
        compared,
        proof,
    })
}

fn of_run(
    asked: &Asked<'_>,
    reading: &SetupReading,
    number: i64,
    progress: &dyn Fn(f64),
) -> Result<OfRun, Error> {
    let file = asked.setup;
    let setup = &reading.setup;
    let name = number.to_string();
    let stored = Stored::of(asked.book, number)?;
    let part = |index: usize| {
        let before: f64 = PARTS[..index].iter().sum();
        move |share: f64| progress(before + PARTS[index] * share)
    };
    let judge::OfRun {
        document: judged,
        measured,
        trim: fit,
    } = judge::of_run(asked.book, &name, (file, reading), asked.seed, &part(0))?;
    let warnings = [reading.warnings.as_slice(), &measured.warnings].concat();
    let tuned = tuned(ToTune {
        setup_file: file,
        setup,
        measured: Some(&measured),
        trim: fit.as_ref(),
        options: &TuneOptions {
            seed: asked.seed,
            ..TuneOptions::default()
        },
        warnings: warnings.clone(),
        progress: &part(1),
    })?;
    let trim = fitted(&ToTrim {
        book: asked.book,
        run: &name,
        loss: Loss::Median,
        below: Below::Carry,
        shortest_ms: None,
        direction: None,
        setup: Some(file),
        seed: asked.seed,
        progress: &part(2),
    });
    let trim = match trim {
        Ok(fitted) => Ok(fitted),
        // A run that no trim can be fitted on still has its other answers.
        Err(Error::Chain(why)) => Err(why.to_string()),
        Err(error) => return Err(error),
    };
    let last = part(3);
    let loop_of = |trim: Option<&chain::Trim>, share: &dyn Fn(f64)| {
        simulated(Simulated {
            setup_file: file,
            setup,
            name: &measured.name,
            chain: measured.chain.clone(),
            measured: Some(&measured),
            trim,
            exposures: USUAL_EXPOSURES,
            seed: asked.seed,
            warnings: warnings.clone(),
            progress: share,
        })
    };
    let untrimmed = loop_of(None, &|share| last(0.5 * share))?;
    let trimmed = match &trim {
        Ok(fitted) => Some(loop_of(Some(&fitted.trim), &|share| {
            last(0.5 + 0.5 * share)
        })?),
        Err(_) => None,
    };
    let failed = |source| Error::servo(file, source);
    let chain = &measured.chain;
    let long = star::long_axes(setup, chain, fit.as_ref(), asked.seed).map_err(failed)?;
    let trace = LoopCase::from_setup(setup, chain)
        .and_then(|case| PreparedLoop::new(&case))
        .map_err(failed)?
        .trace(asked.seed, 0);
    Ok(OfRun {
        stored,
        judged,
        long,
        untrimmed,
        trimmed,
        trace,
        tuned,
        trim,
    })
}

impl Gathered {
    /// The runs, that after a change last.
    pub fn run_numbers(&self) -> Vec<i64> {
        let mut numbers: Vec<i64> = self.runs.iter().map(|of| of.stored.run.number).collect();
        if let Some((proved, _)) = &self.proof
            && !numbers.contains(&proved.numbers[1])
        {
            numbers.push(proved.numbers[1]);
        }
        numbers
    }

    /// The four answers.
    pub fn answers(&self) -> Vec<Answer> {
        let mut answers = Vec::new();
        let mut add = |question, about: String, sentence: &str| {
            answers.push(Answer {
                question,
                about,
                sentence: sentence.to_owned(),
            });
        };
        for of in &self.runs {
            add("Measure", of.name(), &of.stored.summary.answer);
        }
        if let Some(compared) = &self.compared {
            add(
                "Measure",
                "beside each other".to_owned(),
                &compared.comparison.answer,
            );
        }
        for of in &self.runs {
            add("Judge", of.name(), &of.judged.judgement.sentence);
        }
        for of in &self.runs {
            add("Correct", of.name(), &of.tuned.answer);
            if let Ok(fitted) = &of.trim {
                let answer = format!("Or, in the controller: {}", fitted.trim.answer);
                add("Correct", of.name(), &answer);
            }
        }
        if let Some((proved, _)) = &self.proof {
            let [before, after] = &proved.names;
            add(
                "Prove",
                format!("{before}, then {after}"),
                &proved.proof.answer,
            );
        }
        answers
    }
}
