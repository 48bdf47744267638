//! The search for the highest line above the continuum, and for the comb it belongs to.

use super::Quantity;
use super::continuum::Continuum;
use super::spectrum::Spectra;

/// The best lines by the grid are looked at more closely.
const CLOSER: usize = 6;

/// A harmonic counts as there when it rises this far from the floor to the strongest line.
const THERE: f64 = 0.8;

/// The comb with the most striking line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Comb {
    pub period: f64,
    pub power: f64,
    pub p_value: f64,
    pub independent: f64,
    pub frequencies: usize,
}

/// Searches one quantity.
pub(super) fn search(spectra: &Spectra, continuum: &mut Continuum<'_>, of: Quantity) -> Comb {
    let mut lines = Lines(Vec::with_capacity(CLOSER + 1));
    // A local maximum: above the power before it, and above the one after.
    let mut rising = false;
    let mut here = (spectra.min_frequency, f64::NEG_INFINITY);
    let frequencies = spectra.scan(of, 0.0, f64::INFINITY, |f, power| {
        if rising && power < here.1 {
            lines.offer(here, continuum);
        }
        rising = power >= here.1;
        here = (f, power);
    });
    lines.offer((here.0, here.1.max(0.0)), continuum);
    let root_n = spectra.count().sqrt();
    let mut best = (spectra.min_frequency, f64::NEG_INFINITY);
    for (f, _) in lines.0 {
        let f = refine(spectra, of, f);
        let excess = root_n * spectra.exact(of, f)[0].norm() - continuum.amplitude(f);
        if excess > best.1 {
            best = (f, excess);
        }
    }
    let (p_value, independent) = chance(spectra, of, best.1.max(0.0));
    // The excess says whether there is a comb; which of the side lines is its own, the height.
    let mut line = (
        best.0,
        spectra.count() * spectra.exact(of, best.0)[0].norm_sqr(),
    );
    let reach = continuum.side_lines(best.0);
    spectra.scan(of, best.0 - reach, best.0 + reach, |f, power| {
        if power > line.1 {
            line = (f, power);
        }
    });
    let f = if line.0 == best.0 {
        best.0
    } else {
        refine(spectra, of, line.0)
    };
    let teeth = fundamental(spectra, of, f);
    let period = teeth as f64 / (f * blur(spectra, of, f));
    Comb {
        period,
        power: spectra.exact(of, 1.0 / period)[0].norm().min(1.0),
        p_value,
        independent,
        frequencies,
    }
}

/// Frequencies of the best lines and their excess over the continuum, the best first.
struct Lines(Vec<(f64, f64)>);

impl Lines {
    fn offer(&mut self, (f, power): (f64, f64), continuum: &mut Continuum<'_>) {
        let worst = match self.0.get(CLOSER - 1) {
            Some(line) => line.1,
            None => f64::NEG_INFINITY,
        };
        // The excess is at most the amplitude itself: most lines need no closer look.
        let amplitude = power.sqrt();
        if amplitude <= worst {
            return;
        }
        let excess = amplitude - continuum.amplitude(f);
        if excess > worst {
            let place = self.0.partition_point(|line| line.1 >= excess);
            self.0.insert(place, (f, excess));
            self.0.truncate(CLOSER);
        }
    }
}

/// The chance of an excess as high anywhere in the range, and the number of independent
/// frequencies: by Baluev's rate of upcrossings, or as many as fit the range of the data, if
/// those are more.
fn chance(spectra: &Spectra, of: Quantity, excess: f64) -> (f64, f64) {
    let extent = spectra.extent(of);
    let frequencies = spectra.max_frequency - spectra.min_frequency;
    let crossings = (4.0 * std::f64::consts::PI).sqrt() * extent.sd * excess;
    let independent = (frequencies * crossings.max(extent.range)).max(1.0);
    let single = libm::exp(-excess * excess);
    // 1 - (1 - p)^M without loss of digits.
    let p = if single >= 1.0 {
        1.0
    } else {
        -libm::expm1(independent * libm::log1p(-single))
    };
    (p, independent)
}

/// The place of the peak near a grid frequency, by Newton's steps on |C|² of the values.
fn refine(spectra: &Spectra, of: Quantity, start: f64) -> f64 {
    let reach = 2.0 * spectra.scan_step(of);
    let (low, high) = (
        (start - reach).max(spectra.min_frequency),
        (start + reach).min(spectra.max_frequency),
    );
    let mut best = (start, f64::NEG_INFINITY);
    let mut f = start;
    for _ in 0..3 {
        let [c, d, dd] = spectra.exact(of, f);
        let power = c.norm_sqr();
        if power > best.1 {
            best = (f, power);
        }
        // Half of the first two derivatives of |C|².
        let slope = (c.conj() * d).re;
        let bend = d.norm_sqr() + (c.conj() * dd).re;
        let next = if bend < 0.0 {
            f - slope / bend
        } else {
            f + 0.25 * reach.copysign(slope)
        };
        let next = next.clamp(low, high);
        // A hundredth of a step changes the power by less than a thousandth.
        if (next - f).abs() < 0.005 * reach {
            break;
        }
        f = next;
    }
    best.0
}

/// The ratio of a comb's frequency to that of its peak. Teeth that are blurred by a standard
/// deviation b lower |C(f)| by exp(-2 pi² f² b²) and so move the peak down: with the envelope
/// exp(-2 pi² (f - 1/T)² a²) of normally distributed teeth it stands at (1/T) (1 - b²/(a² + b²)).
/// b follows from the peak's height, a² + b² from its curvature.
fn blur(spectra: &Spectra, of: Quantity, f: f64) -> f64 {
    let [c, d, dd] = spectra.exact(of, f);
    let height = c.norm();
    // Curvature of ln |C| at its peak is -4 pi² (a² + b²).
    let curvature = -(d.norm_sqr() + (c.conj() * dd).re) / c.norm_sqr();
    let share = -2.0 * height.ln() / (f * f * curvature);
    // A comb that is blurred more than this is not seen.
    if share.is_finite() {
        1.0 / (1.0 - share.clamp(0.0, 0.1))
    } else {
        1.0
    }
}

/// Of how many teeth the line at `f` is the harmonic: the greatest m for which all lines at
/// multiples of f/m up to f are there, and f/m is in the range.
fn fundamental(spectra: &Spectra, of: Quantity, f: f64) -> usize {
    let top = spectra.amplitude(of, f);
    // The floor between lines: with few teeth it is high.
    let mut levels: Vec<f64> = (0..41)
        .map(|i| spectra.amplitude(of, f * (0.3 + 0.7 * f64::from(i) / 40.0)))
        .collect();
    levels.sort_by(f64::total_cmp);
    let floor = levels[levels.len() / 2].min(top);
    let least = floor + THERE * (top - floor) - 1.0 / spectra.count().sqrt();
    let most = (f / spectra.min_frequency * (1.0 + 1e-9)) as usize;
    (2..=most)
        .rev()
        .find(|&m| (1..m).all(|j| spectra.amplitude(of, f * j as f64 / m as f64) >= least))
        .unwrap_or(1)
}
