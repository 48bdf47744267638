//! Characteristic functions of the groups on a grid of frequencies, and their sums.

use super::parts::{BINS_IN_PERIOD, MOST_BINS, Part, RawPart, Transform, fast_length};
use super::{FEWEST, Group, Quantity};
use crate::StatsError;
use realfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// The grid's length in units of the central range: neighboring frequencies are a quarter of
/// an independent one apart.
const OVERSAMPLING: f64 = 4.0;

/// The same for the sums over parts, whose phases run against each other.
const PHASE_OVERSAMPLING: f64 = 3.0;

/// From this many values on, the peak is refined on cells of values instead of on each.
const CELLS_FROM: usize = 20_000;

/// Cells are this many times narrower than the shortest period: |C| there loses less than
/// (pi/16)^2/6 = 0.6 %, and at ten times that period 0.006 %.
const CELLS_IN_PERIOD: f64 = 16.0;

/// Most evaluations (frequencies times parts) of a scan.
const MOST_WORK: f64 = 1e9;

/// The errors of one group.
pub(super) struct Errors {
    pub requested: f64,
    /// Ascending.
    pub values: Vec<f64>,
    /// Means and counts of cells of neighboring values; of few values, the values themselves.
    cells: Vec<(f64, f64)>,
}

/// The spectra of all parts.
pub(super) struct Spectra {
    /// Groups with any values, ascending in requested width.
    groups: Vec<Errors>,
    pub parts: Vec<Part>,
    /// Distance of the grid's frequencies.
    pub step: f64,
    pub min_frequency: f64,
    pub max_frequency: f64,
    n: f64,
    errors: Extent,
    widths: Extent,
}

/// Where values lie.
#[derive(Debug, Clone, Copy)]
pub(super) struct Extent {
    pub mean: f64,
    pub sd: f64,
    pub range: f64,
}

impl Extent {
    /// Of the errors moved by `offset` of each group.
    fn new(groups: &[Errors], n: f64, offset: impl Fn(&Errors) -> f64) -> Self {
        let (mut sum, mut low, mut high) = (0.0, f64::INFINITY, f64::NEG_INFINITY);
        for group in groups {
            let (values, offset) = (&group.values, offset(group));
            sum += values.iter().sum::<f64>() + values.len() as f64 * offset;
            low = low.min(values[0] + offset);
            high = high.max(values[values.len() - 1] + offset);
        }
        let mean = sum / n;
        let squares: f64 = groups
            .iter()
            .map(|group| {
                let center = mean - offset(group);
                let squares = group.values.iter().map(|v| (v - center) * (v - center));
                squares.sum::<f64>()
            })
            .sum();
        Self {
            mean,
            sd: (squares / n).sqrt(),
            range: high - low,
        }
    }
}

impl Errors {
    fn new(group: &Group<'_>, cell: Option<f64>) -> Self {
        let values = crate::order::sort(group.widths.iter().map(|w| w - group.requested).collect());
        let cells = match cell {
            None => values.iter().map(|&v| (v, 1.0)).collect(),
            Some(width) => {
                let mut cells = Vec::new();
                let mut from = 0;
                while from < values.len() {
                    let end = values[from] + width;
                    let count = values[from..].iter().take_while(|&&v| v <= end).count();
                    let members = &values[from..from + count];
                    cells.push((members.iter().sum::<f64>() / count as f64, count as f64));
                    from += count;
                }
                cells
            }
        };
        Self {
            requested: group.requested,
            values,
            cells,
        }
    }
}

impl Spectra {
    pub fn new(groups: &[Group<'_>], min_period: f64, max_period: f64) -> Result<Self, StatsError> {
        if !(min_period > 0.0 && max_period > min_period && max_period.is_finite()) {
            return Err(StatsError::BadArgument(
                "periods must be finite, above 0, and the shortest first",
            ));
        }
        if let Some(index) = groups.iter().position(|g| !g.requested.is_finite()) {
            return Err(StatsError::NotFinite { index });
        }
        let all = groups.iter().flat_map(|g| g.widths);
        if let Some(index) = all.clone().position(|w| !w.is_finite()) {
            return Err(StatsError::NotFinite { index });
        }
        let found = groups.iter().map(|g| g.widths.len()).sum();
        if found < FEWEST {
            return Err(StatsError::TooFew {
                found,
                needed: FEWEST,
            });
        }
        let n = found as f64;
        let cell = (found >= CELLS_FROM).then_some(min_period / CELLS_IN_PERIOD);
        let mut groups: Vec<Errors> = groups
            .iter()
            .filter(|g| !g.widths.is_empty())
            .map(|g| Errors::new(g, cell))
            .collect();
        groups.sort_by(|a, b| a.requested.total_cmp(&b.requested));
        let errors = Extent::new(&groups, n, |_| 0.0);
        let widths = Extent::new(&groups, n, |g| g.requested);
        if errors.range <= 0.0 {
            return Err(StatsError::Degenerate("all errors are equal"));
        }
        if !(errors.range.is_finite() && widths.range.is_finite()) {
            return Err(StatsError::BadArgument("the values' range is too large"));
        }
        let raw = RawPart::split(&groups, found);
        let central = raw.iter().map(RawPart::central_range).fold(0.0, f64::max);
        let bin = min_period / BINS_IN_PERIOD;
        let length = OVERSAMPLING * central.max(max_period);
        let bins = (length / bin).ceil();
        if bins * raw.len() as f64 > MOST_BINS {
            return Err(StatsError::BadArgument(
                "the values range too far for so short a period",
            ));
        }
        let bins = fast_length(bins as usize);
        // Up to the greatest frequency searched, and two more to interpolate.
        let kept = (bins as f64 / BINS_IN_PERIOD) as usize + 3;
        let mut transform = Transform::new(bins, bin, kept);
        let parts: Vec<Part> = raw
            .iter()
            .map(|part| part.spectrum(&mut transform))
            .collect();
        let spectra = Self {
            groups,
            parts,
            step: 1.0 / (bins as f64 * bin),
            min_frequency: 1.0 / max_period,
            max_frequency: 1.0 / min_period,
            n,
            errors,
            widths,
        };
        let step = spectra
            .scan_step(Quantity::Width)
            .min(spectra.scan_step(Quantity::Error));
        let work = (spectra.max_frequency - spectra.min_frequency) / step;
        if work * spectra.parts.len() as f64 > MOST_WORK {
            return Err(StatsError::BadArgument(
                "the widths or errors range too far for so short a period",
            ));
        }
        Ok(spectra)
    }

    /// How many values there are.
    pub fn count(&self) -> f64 {
        self.n
    }

    /// Whether there are two requested widths.
    pub fn requests_differ(&self) -> bool {
        self.groups[0].requested != self.groups[self.groups.len() - 1].requested
    }

    /// Where the values of a quantity lie.
    pub fn extent(&self, of: Quantity) -> Extent {
        if of == Quantity::Width {
            self.widths
        } else {
            self.errors
        }
    }

    /// The greatest grid frequency.
    pub fn grid_end(&self) -> f64 {
        self.parts
            .first()
            .map_or(0.0, |p| (p.errors.len() - 1) as f64 * self.step)
    }

    /// Sum over parts of n |C|² at a grid frequency: phases between parts do not count.
    pub fn incoherent(&self, index: usize) -> f64 {
        self.parts
            .iter()
            .map(|p| p.errors.get(index).map_or(0.0, |c| c.norm_sqr()) / p.n)
            .sum()
    }

    /// |C| at any frequency up to the grid's end, interpolated on the grid.
    pub fn amplitude(&self, of: Quantity, f: f64) -> f64 {
        let center = self.extent(of).mean;
        let sum: Complex64 = self
            .parts
            .iter()
            .map(|part| {
                let (spectrum, middle) = part.of(of);
                between(spectrum, f / self.step) * turn(f * (middle - center))
            })
            .sum();
        sum.norm() / self.n
    }

    /// Distance of the frequencies that a scan visits: fine enough for the phases between the
    /// parts.
    pub fn scan_step(&self, of: Quantity) -> f64 {
        let centers = self.parts.iter().map(|p| p.of(of).1);
        let low = centers.clone().fold(f64::INFINITY, f64::min);
        let high = centers.fold(f64::NEG_INFINITY, f64::max);
        let central = 1.0 / (OVERSAMPLING * self.step);
        let between = 1.0 / (PHASE_OVERSAMPLING * (high - low + central));
        self.step.min(between)
    }

    /// Calls `visit` with frequency and power n |C|², frequencies ascending from `low` to `high`
    /// but within the search range. Returns how many there were.
    pub fn scan(
        &self,
        of: Quantity,
        low: f64,
        high: f64,
        mut visit: impl FnMut(f64, f64),
    ) -> usize {
        let step = self.scan_step(of);
        let first = (low.max(self.min_frequency) / step).ceil();
        let last = (high.min(self.max_frequency) / step).floor();
        let count = if last >= first {
            (last - first) as usize + 1
        } else {
            0
        };
        let center = self.extent(of).mean;
        let parts: Vec<(&[Complex64], f64)> = self
            .parts
            .iter()
            .map(|p| {
                let (spectrum, middle) = p.of(of);
                (spectrum, middle - center)
            })
            .collect();
        let turns: Vec<Complex64> = parts.iter().map(|p| turn(step * p.1)).collect();
        let mut phases = vec![Complex64::new(1.0, 0.0); parts.len()];
        // The phases are multiplied up, and set right before rounding can add up.
        const RESET: usize = 256;
        for i in 0..count {
            let f = (first + i as f64) * step;
            if i % RESET == 0 {
                for (phase, part) in phases.iter_mut().zip(&parts) {
                    *phase = turn(f * part.1);
                }
            }
            let mut sum = Complex64::new(0.0, 0.0);
            for ((phase, rotation), part) in phases.iter_mut().zip(&turns).zip(&parts) {
                sum += between(part.0, f / self.step) * *phase;
                *phase *= rotation;
            }
            visit(f, sum.norm_sqr() / self.n);
        }
        count
    }

    /// C and its first two derivatives in f about the quantity's mean, by the values themselves
    /// or their cells. Sine and cosine are the platform's: this runs over all values.
    pub fn exact(&self, of: Quantity, f: f64) -> [Complex64; 3] {
        let center = self.extent(of).mean;
        let mut sums = [0.0; 6];
        for group in &self.groups {
            let offset = if of == Quantity::Width {
                group.requested - center
            } else {
                -center
            };
            for &(error, count) in &group.cells {
                let x = TAU * (error + offset);
                let (sin, cos) = (f * x).sin_cos();
                let (sin, cos) = (count * sin, count * cos);
                sums[0] += cos;
                sums[1] -= sin;
                sums[2] += x * cos;
                sums[3] -= x * sin;
                sums[4] += x * x * cos;
                sums[5] -= x * x * sin;
            }
        }
        let sums = sums.map(|s| s / self.n);
        let c = Complex64::new(sums[0], sums[1]);
        // d/df exp(-i f x) = -i x exp(-i f x).
        let d = Complex64::new(sums[3], -sums[2]);
        let dd = -Complex64::new(sums[4], sums[5]);
        [c, d, dd]
    }
}

/// exp(-2 pi i cycles).
fn turn(cycles: f64) -> Complex64 {
    let (sin, cos) = (-TAU * (cycles - cycles.round())).sin_cos();
    Complex64::new(cos, sin)
}

/// The spectrum at a fractional index.
fn between(spectrum: &[Complex64], place: f64) -> Complex64 {
    let i = place as usize;
    match spectrum.get(i..i + 2) {
        Some(pair) => {
            let t = place - i as f64;
            pair[0] + (pair[1] - pair[0]) * t
        }
        None => Complex64::new(0.0, 0.0),
    }
}
