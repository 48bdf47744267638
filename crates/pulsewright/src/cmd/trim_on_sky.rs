//! `trim --setup`: what each kind of trim does for the star, and what to set where the controller
//! can't be changed.

use std::path::Path;

use chain::{Loss, Rounded, Trim, significant};
use servo::chain_model::Chain;
use servo::judge::{ChainResult, JudgeOptions, weigh};
use wire::Warning;

use crate::error::Error;
use crate::simulate::{self, MeasuredChain};
use crate::{json, library};

/// What is weighed.
pub struct Weighed<'a> {
    /// The setup file.
    pub setup_file: &'a Path,
    /// The chain.
    pub measured: &'a MeasuredChain,
    /// The trim that was asked for.
    pub trim: &'a Trim,
    /// Shortest width to ask the chain for, us, where it was given.
    pub shortest_us: Option<u32>,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Is told the share that is done.
    pub progress: &'a dyn Fn(f64),
}

/// The star under the chain as it is, behind the trim to the median, to the mean, and to the loss that
/// was asked for, and under a perfect chain; with warnings on widths that nobody tried.
///
/// # Errors
/// What the setup, the fits and the simulation say.
pub fn weigh_trims(weighed: &Weighed<'_>) -> Result<(json::TrimOnSky, Vec<Warning>), Error> {
    let file = weighed.setup_file;
    let reading = library::setup(file)?;
    let measured = weighed.measured;
    let mut trims = Vec::new();
    for loss in [Loss::Median, Loss::Mean] {
        if loss == weighed.trim.loss {
            trims.push(weighed.trim.clone());
        } else {
            trims.push(chain::fit_trim(
                &measured.observations,
                loss,
                weighed.trim.below,
                weighed.shortest_us,
                weighed.seed,
            )?);
        }
    }
    if matches!(weighed.trim.loss, Loss::Quantile(_)) {
        trims.push(weighed.trim.clone());
    }
    let behind: Vec<Chain> = trims
        .iter()
        .map(|trim| simulate::behind(&measured.chain, trim))
        .collect();
    let perfect = Chain::perfect();
    let chains: Vec<&Chain> = [&measured.chain]
        .into_iter()
        .chain(&behind)
        .chain([&perfect])
        .collect();
    let options = JudgeOptions {
        seed: weighed.seed,
        ..JudgeOptions::default()
    };
    let failed = |source| Error::servo(file, source);
    let stars = weigh(&reading.setup, &chains, &options, weighed.progress).map_err(failed)?;
    let glance = simulate::glance(&reading.setup, &measured.chain, weighed.seed).map_err(failed)?;
    let mut warnings = reading.warnings;
    warnings.extend(simulate::beyond_what_was_tried(
        &glance,
        "this run asked for",
        measured.tried_ms,
    ));
    let asked = trims.iter().position(|t| t.loss == weighed.trim.loss);
    let answer = answer(&stars[0], &stars[1 + asked.unwrap_or(0)]);
    let names = std::iter::once("as it is".to_owned())
        .chain(trims.iter().map(|t| name(t.loss)))
        .chain(["perfect".to_owned()]);
    let residuals = std::iter::once(None)
        .chain(trims.iter().map(|t| Some(t.residual)))
        .chain([None]);
    let cases = names
        .zip(residuals)
        .zip(stars)
        .map(|((name, residual), star)| json::TrimCase {
            name,
            residual,
            star,
        })
        .collect();
    let on_sky = json::TrimOnSky {
        setup: file.display().to_string(),
        answer,
        cases,
    };
    Ok((on_sky, warnings))
}

fn name(loss: Loss) -> String {
    match loss {
        Loss::Median => "trim to the median".to_owned(),
        Loss::Mean => "trim to the mean".to_owned(),
        Loss::Quantile(p) => format!("trim to the {} % quantile", significant(100.0 * p)),
    }
}

/// What the trim does at the present settings; then the gain and dead band that come nearest to it, and
/// what they leave.
fn answer(untrimmed: &ChainResult, trimmed: &ChainResult) -> String {
    let set = &untrimmed.best.settings.control;
    let (without, with) = (&untrimmed.best.fwhm_arcsec, &trimmed.best.fwhm_arcsec);
    let round = Rounded::decimals(3);
    let percent = |share: f64| Rounded::decimals(1).ms(100.0 * share.abs());
    let gain = trimmed.present.width_gain.value;
    let effect = format!(
        "With the present settings this trim makes the star {} % {} ({} arcsec in place of {}).",
        percent(gain),
        if gain < 0.0 { "wider" } else { "narrower" },
        round.ms(trimmed.present.fwhm_arcsec.value),
        round.ms(untrimmed.present.fwhm_arcsec.value)
    );
    let left = (without.value - with.value) / with.value;
    let leaves = if left.abs() < 0.001 {
        "as narrow a star as the trim at its own best".to_owned()
    } else {
        format!(
            "a star {} % {} than the trim at its own best",
            percent(left),
            if left > 0.0 { "wider" } else { "narrower" }
        )
    };
    format!(
        "{effect} If the controller can't be changed: set the gain to {:.2} in right ascension and {:.2} in declination, the dead band to {:.2} arcsec and the shortest pulse to {:.0} ms; that gives {leaves} ({} arcsec against {}).",
        set.ra_gain,
        set.dec_gain,
        set.dead_band_arcsec,
        set.shortest_ms,
        round.ms(without.value),
        round.ms(with.value)
    )
}
