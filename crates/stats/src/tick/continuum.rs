//! How much power a smooth density can have: the bound above which a line counts.

use super::spectrum::Spectra;

/// Parts of a smooth density are at least this share of the spread wide.
const NARROWEST_PART: f64 = 0.1;

/// Height of the steepest edge times the spread: 1 of an exponential density, 1.1 where
/// stragglers take the standard deviation's place from it (half its 10 % to 90 % range is 1.1).
const EDGE: f64 = 1.15;

/// About a line and its multiples, this far in units of 1/spread, lies the line itself: there a
/// normal comb's power has fallen to 8 %.
const GUARD: f64 = 0.25;

/// The neighborhood reaches down this far, in units of 1/spread.
const REACH: f64 = 1.25;

/// A line whose frequency times spread is below this has no neighborhood: its multiples'
/// guards leave no room.
const LEAST_CYCLES: f64 = 0.7;

/// The highest power of a continuum against its median at the frequencies below: 2 for the lobes
/// of a sharp-edged density (sin²), times 1.5 for where the lobes fall.
const TOP_OVER_MEDIAN: f64 = 3.0;

/// How far below a line the floor under it is looked for, in units of 1/spread: half the
/// distance of the harmonics of a comb whose teeth are a spread apart.
const FLOOR_REACH: f64 = 0.5;

/// The bound for all frequencies of one search.
pub(super) struct Continuum<'a> {
    spectra: &'a Spectra,
    /// Spread that the neighborhoods are measured by: the median over the values.
    spread: f64,
    /// n |C|² summed over parts, on the grid.
    incoherent: Vec<f64>,
    /// Its median where there is nothing but noise.
    noise: f64,
    /// Workspace.
    powers: Vec<f64>,
}

impl<'a> Continuum<'a> {
    pub fn new(spectra: &'a Spectra) -> Self {
        let mut spreads: Vec<(f64, f64)> = spectra.parts.iter().map(|p| (p.spread, p.n)).collect();
        spreads.sort_by(|a, b| a.0.total_cmp(&b.0));
        let half = 0.5 * spectra.count();
        let mut below = 0.0;
        let median = spreads.iter().find(|(_, n)| {
            below += n;
            below >= half
        });
        let end = (spectra.grid_end() / spectra.step) as usize;
        Self {
            spectra,
            spread: median.map_or(0.0, |s| s.0),
            incoherent: (0..=end).map(|i| spectra.incoherent(i)).collect(),
            noise: gamma_median(spectra.parts.len() as f64),
            powers: Vec::new(),
        }
    }

    /// How far on either side of a line its side lines lie: those that differ by whole turns of
    /// the phases between groups.
    pub fn side_lines(&self, f: f64) -> f64 {
        // 0.3 keeps clear of the neighboring harmonics.
        (0.5 / self.spread).min(0.3 * f)
    }

    /// The greatest amplitude sqrt(n) |C| of the continuum at frequency `f`.
    pub fn amplitude(&mut self, f: f64) -> f64 {
        let envelope = self.envelope(f);
        let bound = match self.neighborhood(f) {
            Some(near) => near.min(envelope),
            None => envelope,
        };
        bound.max(self.floor(f))
    }

    /// The least amplitude just below `f`: what a narrow part of the density, a cluster that
    /// holds most values for example, gives to all frequencies alike, or less to the higher.
    fn floor(&self, f: f64) -> f64 {
        if self.spread <= 0.0 {
            return self.spectra.count().sqrt();
        }
        let reach = FLOOR_REACH / self.spread;
        let step = self.spectra.step;
        let first = ((f - reach).max(0.0) / step) as usize;
        let last = ((f / step) as usize).min(self.incoherent.len() - 1);
        let powers = &self.incoherent[first.min(last)..=last];
        let least = powers.iter().fold(f64::INFINITY, |a, &b| a.min(b));
        (least - self.noise).max(0.0).sqrt()
    }

    /// The greatest |C| of a density no part of which is narrower than a tenth of the spread S
    /// (a normal part's characteristic function), or with an edge of height 1/S, like that of an
    /// exponential density.
    fn envelope(&self, f: f64) -> f64 {
        let sum: f64 = self
            .spectra
            .parts
            .iter()
            .map(|part| {
                let cycles = f * part.spread;
                let width = std::f64::consts::TAU * NARROWEST_PART * cycles;
                let narrow = (-0.5 * width * width).exp();
                let edge = EDGE / (std::f64::consts::TAU * cycles);
                part.n * narrow.max(edge).min(1.0)
            })
            .sum();
        sum / self.spectra.count().sqrt()
    }

    /// The continuum's top as the powers below `f`, but not about fractions of it that are whole
    /// multiples of the line, tell it: a continuum falls with the frequency. By the
    /// inequality of Cauchy and Schwarz the phased sum over parts is at most the unphased one.
    fn neighborhood(&mut self, f: f64) -> Option<f64> {
        let cycles = f * self.spread;
        if cycles < LEAST_CYCLES {
            return None;
        }
        let step = self.spectra.step;
        let guard = GUARD / self.spread;
        let low = (f - REACH / self.spread).max(guard);
        let (first, last) = ((low / step).ceil() as usize, (f / step) as usize);
        let last = last.min(self.incoherent.len() - 1);
        self.powers.clear();
        for i in first..=last {
            let place = i as f64 * step;
            if (place - (place / f).round() * f).abs() >= guard {
                self.powers.push(self.incoherent[i]);
            }
        }
        // Fewer than two independent frequencies' worth of the grid tell nothing.
        if self.powers.len() < 8 {
            return None;
        }
        let middle = self.powers.len() / 2;
        let (_, median, _) = self.powers.select_nth_unstable_by(middle, f64::total_cmp);
        Some((TOP_OVER_MEDIAN * (*median - self.noise).max(0.0)).sqrt())
    }
}

/// Median of a gamma distribution of shape k and scale 1, k >= 1 (k - 1/3 + 0.02/k, Wilson &
/// Hilferty's series).
fn gamma_median(k: f64) -> f64 {
    k - 1.0 / 3.0 + 8.0 / (405.0 * k)
}
