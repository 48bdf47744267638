//! The parts of the data that have a shape of their own, and their Fourier transforms.

use super::Quantity;
use super::spectrum::Errors;
use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::borrow::Cow;
use std::sync::Arc;

/// Histogram bins in the shortest period.
pub(super) const BINS_IN_PERIOD: f64 = 16.0;

/// A group with fewer values than this does not show its own shape, and is put together with
/// others.
const OWN_SHAPE: usize = 20;

/// More parts than this are put together too.
const MOST_PARTS: usize = 64;

/// Most bins in all transforms together.
pub(super) const MOST_BINS: f64 = (1 << 24) as f64;

/// One part of the data: a group, or several small ones.
pub(super) struct Part {
    /// How many values.
    pub n: f64,
    /// Spread of the errors: the least of the standard deviation; half the range from the 10 % to
    /// the 90 % quantile (1.28 standard deviations of a normal distribution, 1 of two equal
    /// clusters, and untouched by stragglers); and, of several groups, the deviation within
    /// groups.
    pub spread: f64,
    /// Sum of exp(-2 pi i f (error - center)) on the grid.
    pub errors: Vec<Complex64>,
    error_center: f64,
    /// The same of the widths where the requested widths differ within the part.
    widths: Option<Vec<Complex64>>,
    width_center: f64,
}

impl Part {
    /// The grid of a quantity, and the value it is taken about.
    pub fn of(&self, of: Quantity) -> (&[Complex64], f64) {
        match (of, &self.widths) {
            (Quantity::Width, Some(widths)) => (widths, self.width_center),
            (Quantity::Width, None) => (&self.errors, self.width_center),
            _ => (&self.errors, self.error_center),
        }
    }
}

/// A part's values before its spectrum is taken.
pub(super) struct RawPart<'a> {
    /// Errors, ascending.
    errors: Cow<'a, [f64]>,
    /// Widths, ascending, where they are not the errors moved by a constant.
    widths: Option<Vec<f64>>,
    requested: f64,
    spread: f64,
}

impl<'a> RawPart<'a> {
    /// Groups in order of requested width, small ones put together.
    pub fn split(groups: &'a [Errors], n: usize) -> Vec<Self> {
        let enough = OWN_SHAPE.max(n.div_ceil(MOST_PARTS));
        let mut parts = Vec::new();
        let mut from = 0;
        while from < groups.len() {
            let mut held = groups[from].values.len();
            let mut to = from + 1;
            while let Some(next) = groups.get(to) {
                let same = next.requested == groups[to - 1].requested;
                if !same && (held >= enough || next.values.len() >= enough) {
                    break;
                }
                held += next.values.len();
                to += 1;
            }
            parts.push(Self::new(&groups[from..to]));
            from = to;
        }
        parts
    }

    fn new(run: &'a [Errors]) -> Self {
        let requested = run[0].requested;
        let mixed = run.iter().any(|g| g.requested != requested);
        let errors = match run {
            [group] => Cow::Borrowed(&group.values[..]),
            _ => {
                let all = run.iter().flat_map(|g| &g.values).copied().collect();
                Cow::Owned(crate::order::sort(all))
            }
        };
        let n = errors.len();
        let deviation = |values: &[f64]| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>()
        };
        let tenth = n / 10;
        let mut spread = (deviation(&errors) / n as f64).sqrt();
        spread = spread.min(0.5 * (errors[n - 1 - tenth] - errors[tenth]));
        let mut widths = None;
        if mixed {
            let freedom = (n - run.len()) as f64;
            if freedom >= 5.0 {
                let within: f64 = run.iter().map(|g| deviation(&g.values)).sum();
                spread = spread.min((within / freedom).sqrt());
            }
            let all = run
                .iter()
                .flat_map(|g| g.values.iter().map(|e| e + g.requested));
            widths = Some(crate::order::sort(all.collect()));
        }
        Self {
            errors,
            widths,
            requested,
            spread,
        }
    }

    /// The range of the errors without the outermost fiftieth at either end, or of the widths if
    /// that is larger.
    pub fn central_range(&self) -> f64 {
        let n = self.errors.len();
        let cut = n / 50;
        let errors = self.errors[n - 1 - cut] - self.errors[cut];
        let widths = self.widths.as_ref().map_or(0.0, |w| w[w.len() - 1] - w[0]);
        errors.max(widths)
    }

    /// The part's transforms.
    pub fn spectrum(&self, transform: &mut Transform) -> Part {
        let middle = |v: &[f64]| v[v.len() / 2];
        let error_center = middle(&self.errors);
        let widths = self.widths.as_ref();
        Part {
            n: self.errors.len() as f64,
            spread: self.spread,
            errors: transform.apply(&self.errors, error_center),
            error_center,
            widths: widths.map(|w| transform.apply(w, middle(w))),
            width_center: widths.map_or(error_center + self.requested, |w| middle(w)),
        }
    }
}

/// Histogram and transform, with their workspace.
pub(super) struct Transform {
    bins: usize,
    bin: f64,
    kept: usize,
    fft: Arc<dyn RealToComplex<f64>>,
    histogram: Vec<f64>,
    spectrum: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl Transform {
    pub fn new(bins: usize, bin: f64, kept: usize) -> Self {
        let fft = RealFftPlanner::new().plan_fft_forward(bins);
        Self {
            bins,
            bin,
            kept,
            histogram: fft.make_input_vec(),
            spectrum: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
        }
    }

    /// Sum of exp(-2 pi i f (value - center)) at the grid's frequencies.
    fn apply(&mut self, values: &[f64], center: f64) -> Vec<Complex64> {
        self.histogram.fill(0.0);
        let size = self.bins as f64;
        for v in values {
            let place = (v - center) / self.bin;
            let place = place - (place / size).floor() * size;
            let i = (place as usize).min(self.bins - 1);
            let share = place - i as f64;
            self.histogram[i] += 1.0 - share;
            let next = if i + 1 == self.bins { 0 } else { i + 1 };
            self.histogram[next] += share;
        }
        let done = self.fft.process_with_scratch(
            &mut self.histogram,
            &mut self.spectrum,
            &mut self.scratch,
        );
        let kept = self.kept.min(self.spectrum.len());
        let mut spectrum = self.spectrum[..kept].to_vec();
        if done.is_err() {
            // Lengths come from the plan itself, so that this can't happen.
            spectrum.fill(Complex64::new(0.0, 0.0));
        }
        // Linear weights are a convolution with a triangle, of transform sinc².
        for (k, c) in spectrum.iter_mut().enumerate().skip(1) {
            let x = std::f64::consts::PI * k as f64 / size;
            let sinc = x.sin() / x;
            *c /= sinc * sinc;
        }
        spectrum
    }
}

/// The least length at or above `n` with no prime factor above 5; even.
pub(super) fn fast_length(n: usize) -> usize {
    (n.max(2)..)
        .find(|&m| {
            let mut rest = m;
            for prime in [2, 3, 5] {
                while rest % prime == 0 {
                    rest /= prime;
                }
            }
            m % 2 == 0 && rest == 1
        })
        .unwrap_or(n)
}
