//! The spectrum of the frame means, and the peak that is an oscillation.

use serde::Serialize;
use std::f64::consts::TAU;

/// An oscillation is a peak of the spectrum, of at most three neighboring frequencies, that holds
/// at least this share of the error's variance ...
const PEAK_SHARE: f64 = 0.3;
/// ... with a period of at most this many frames (a worm is slower). Common practice, no source.
const LONGEST_PERIOD: f64 = 12.0;
/// Frames of a trial that enter the spectrum at most; longer exposures are cut into pieces.
const SPECTRUM_FRAMES: usize = 256;

/// Power of the frame means.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Spectrum {
    /// Frequencies in Hz.
    pub frequency_hz: Vec<f64>,
    /// One-sided density in arcsec^2/Hz.
    pub density: Vec<f64>,
}

/// One-sided periodogram of frame means about their mean, over pieces of at most 256 frames (the
/// method of Bartlett 1948); empty for fewer than 4 frames.
pub fn periodogram(values: &[f64], cadence_s: f64) -> Spectrum {
    let n = values.len().min(SPECTRUM_FRAMES);
    let mut spectrum = Spectrum {
        frequency_hz: Vec::new(),
        density: Vec::new(),
    };
    if n < 4 {
        return spectrum;
    }
    let pieces = values.len() / n;
    let mean = values[..pieces * n].iter().sum::<f64>() / (pieces * n) as f64;
    let turns: Vec<(f64, f64)> = (0..n)
        .map(|i| {
            let angle = TAU * i as f64 / n as f64;
            (libm::cos(angle), libm::sin(angle))
        })
        .collect();
    for k in 1..=n / 2 {
        let mut power = 0.0;
        for piece in values.chunks_exact(n) {
            let (mut re, mut im, mut at) = (0.0, 0.0, 0);
            for v in piece {
                re += (v - mean) * turns[at].0;
                im += (v - mean) * turns[at].1;
                at += k;
                if at >= n {
                    at -= n;
                }
            }
            power += re * re + im * im;
        }
        // Half a cycle per frame has no partner on the negative side.
        let sides = if 2 * k == n { 1.0 } else { 2.0 };
        spectrum
            .frequency_hz
            .push(k as f64 / (n as f64 * cadence_s));
        spectrum
            .density
            .push(sides * power * cadence_s / (n * pieces) as f64);
    }
    spectrum
}

pub(crate) fn mean_spectrum<'a>(spectra: impl Iterator<Item = &'a Spectrum>) -> Spectrum {
    let mut mean = Spectrum {
        frequency_hz: Vec::new(),
        density: Vec::new(),
    };
    let mut count = 0.0;
    for spectrum in spectra {
        if mean.density.is_empty() {
            mean.frequency_hz.clone_from(&spectrum.frequency_hz);
            mean.density = vec![0.0; spectrum.density.len()];
        }
        for (m, d) in mean.density.iter_mut().zip(&spectrum.density) {
            *m += d;
        }
        count += 1.0;
    }
    for m in &mut mean.density {
        *m /= count;
    }
    mean
}

/// Period in s and share of the variance of an oscillation's peak.
pub(crate) fn find_peak(spectrum: &Spectrum, cadence_s: f64) -> Option<(f64, f64)> {
    let density = &spectrum.density;
    // Three frequencies hold 30 % of white noise when there are but ten.
    if density.len() < 20 {
        return None;
    }
    let total: f64 = density.iter().sum();
    let (at, _) = density
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    let around: f64 = density[at.saturating_sub(1)..(at + 2).min(density.len())]
        .iter()
        .sum();
    let period_s = 1.0 / spectrum.frequency_hz[at];
    (total > 0.0 && around >= PEAK_SHARE * total && period_s <= LONGEST_PERIOD * cadence_s)
        .then(|| (period_s, around / total))
}
