//! `check`: a run held against limits or an earlier run, for scripts.

use chain::{HeldLimit, Limited, Stand};

use crate::cli::{CheckArgs, Global};
use crate::error::Error;
use crate::output::Output;
use crate::{json, library, text};

/// Runs the command; whether the run passes.
///
/// # Errors
/// What the book and the room of the chain say.
pub fn run(args: &CheckArgs, global: &Global, output: &Output) -> Result<bool, Error> {
    let book = library::open(global)?;
    let (run, summary) = library::run(&book, &args.run)?;
    let pulses = book.observations(run.number)?;
    let limits = chain::hold(&summary, &pulses, &args.limits)?;
    let baseline = match &args.baseline {
        Some(name) => {
            let (before, summary_before) = library::run(&book, name)?;
            if before.number == run.number {
                return Err(Error::Usage(format!(
                    "run {} is its own baseline; name an earlier run (`pulsewright runs` lists them)",
                    run.number
                )));
            }
            let pulses_before = book.observations(before.number)?;
            let names = [before.number, run.number].map(|number| format!("run {number}"));
            let held = chain::hold_to_baseline(
                (&names[0], &summary_before, &pulses_before),
                (&names[1], &summary, &pulses),
                args.slack,
            )?;
            Some(json::Baseline {
                run: before.number,
                chain: before.chain,
                held,
            })
        }
        None => None,
    };
    let stands: Vec<Stand> = limits
        .iter()
        .map(|limit| limit.stand)
        .chain(baseline.iter().map(|b| b.held.stand))
        .collect();
    let beyond = stands.contains(&Stand::Beyond);
    let unsure = stands.contains(&Stand::Unsure);
    let passed = !(beyond || args.strict && unsure);
    let document = json::CheckDocument {
        schema_version: json::SCHEMA_VERSION,
        kind: "check",
        run: run.number,
        chain: run.chain.clone(),
        answer: answer(&run.chain, &limits, baseline.as_ref()),
        passed,
        strict: args.strict,
        limits,
        baseline,
    };
    if output.json() {
        output.print_json(&document)?;
    } else {
        output.print(&text::check::page(&document, output.quiet()))?;
    }
    Ok(passed)
}

fn answer(chain: &str, limits: &[HeldLimit], baseline: Option<&json::Baseline>) -> String {
    let mut beyond = Vec::new();
    let mut unsure = Vec::new();
    for held in limits {
        let said = format!(
            "{} is {}, and {} is allowed",
            words(held.limit.what),
            text::check::value(held.limit.what, held.value, held.ci95),
            text::check::limit(&held.limit)
        );
        match held.stand {
            Stand::Within => {}
            Stand::Unsure => unsure.push(said),
            Stand::Beyond => beyond.push(said),
        }
    }
    if let Some(baseline) = baseline {
        let held = &baseline.held;
        let round = chain::Rounded::of_interval(held.worse_ci95);
        let mut said = format!(
            "against run {} pulses land {} ms farther from what was wanted (95 % {}), and {} ms is allowed",
            baseline.run,
            round.ms(held.worse_ms),
            round.interval(held.worse_ci95),
            chain::significant(held.slack_ms)
        );
        if let Some([before, now]) = held.missing.filter(|m| m[1].ci95[0] > m[0].ci95[1]) {
            said += &format!(
                "; {} of {} came to nothing, where {} of {} did before",
                chain::count(now.count),
                chain::plural(now.of, "request"),
                chain::count(before.count),
                chain::count(before.of)
            );
        }
        match held.stand {
            Stand::Within => {}
            Stand::Unsure => unsure.push(said),
            Stand::Beyond => beyond.push(said),
        }
    }
    if !beyond.is_empty() {
        format!("{chain} fails: {}.", beyond.join("; "))
    } else if !unsure.is_empty() {
        format!(
            "{chain} can't be told from its limit: {}; measure more pulses.",
            unsure.join("; ")
        )
    } else {
        let held: Vec<String> = (!limits.is_empty())
            .then(|| format!("within {}", chain::plural(limits.len() as u64, "limit")))
            .into_iter()
            .chain(baseline.map(|b| format!("no worse than run {}", b.run)))
            .collect();
        format!("{chain} is {}.", held.join(" and "))
    }
}

/// What is limited, in words.
fn words(what: Limited) -> &'static str {
    match what {
        Limited::Median => "the median width error",
        Limited::Mean => "the mean width error",
        Limited::Sd => "the standard deviation of the width error",
        Limited::P95 => "the 95 % quantile of the width error",
        Limited::P975 => "the 97.5 % quantile of the width error",
        Limited::Max => "the longest excursion",
        Limited::Missing => "the share of missing requests",
    }
}
