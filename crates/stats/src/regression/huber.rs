//! Robust straight line by Huber's M-estimate.

use super::check_points;
use crate::StatsError;

/// Residuals up to this many scales count in full: 95 % efficient for normal residuals (Huber
/// 1981, Robust Statistics).
const BEND: f64 = 1.345;
/// Quantile of the standard normal distribution at 3/4.
const NORMAL_UPPER_QUARTILE: f64 = 0.674_489_750_196_081_7;
/// The line is settled when a reweighting moves it by less than this share of the scale, at any
/// point.
const SETTLED: f64 = 1e-11;
/// Reweightings after which it is left as it is; 10 to 30 are usual.
const MOST_REWEIGHTINGS: usize = 200;

/// A straight line y = intercept + slope x by Huber's M-estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HuberFit {
    /// y at x = 0, in the unit of y.
    pub intercept: f64,
    /// Slope, in the unit of y over that of x.
    pub slope: f64,
    /// Standard error of the intercept.
    pub intercept_se: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Scale of the residuals: their median size over 0.6745, in the unit of y; 0 where more
    /// than half of the points lie on the line.
    pub scale: f64,
    /// Reweightings done.
    pub iterations: usize,
}

/// Robust straight line: Huber's M-estimate with the bend at 1.345 scales, the scale being the
/// median absolute residual over 0.6745; by iteratively reweighted least squares (Holland &
/// Welsch 1977) from the least-squares line. Standard errors are the first of Huber (1981,
/// section 7.6), with his correction for few points.
///
/// Where more than half of the points come to lie on one line, that line is given, with a scale
/// and standard errors of 0.
///
/// # Errors
/// [`StatsError::TooFew`] below 3 points, [`StatsError::NotFinite`],
/// [`StatsError::BadArgument`] of lists of different lengths, [`StatsError::Degenerate`] where
/// all x are equal.
///
/// ```
/// let x: Vec<f64> = (0..9).map(f64::from).collect();
/// let mut y: Vec<f64> = x.iter().map(|x| 3.0 + 2.0 * x + 0.1 * (x * 5.0).sin()).collect();
/// y[4] = 60.0;
/// let fit = stats::regression::huber(&x, &y)?;
/// assert!((fit.slope - 2.0).abs() < 0.05);
/// # Ok::<(), stats::StatsError>(())
/// ```
pub fn huber(x: &[f64], y: &[f64]) -> Result<HuberFit, StatsError> {
    check_points(x, y, 3)?;
    let n = x.len() as f64;
    let middle = mean(x);
    let centre_y = mean(y);
    let centred: Vec<(f64, f64)> = x
        .iter()
        .zip(y)
        .map(|(x, y)| (x - middle, y - centre_y))
        .collect();
    let reach = centred.iter().fold(0f64, |m, p| m.max(p.0.abs()));
    if x.iter().all(|v| *v == x[0]) || reach == 0.0 {
        return Err(StatsError::Degenerate("points of one x only have no slope"));
    }
    let (mut at_middle, mut slope) = weighted_line(&centred, |_| 1.0);
    let mut sizes = Sizes::default();
    let mut scale = sizes.median(&centred, at_middle, slope) / NORMAL_UPPER_QUARTILE;
    let mut iterations = 0;
    while scale > 0.0 && iterations < MOST_REWEIGHTINGS {
        iterations += 1;
        let bend = BEND * scale;
        let (next_at_middle, next_slope) = weighted_line(&centred, |(x, y)| {
            let size = (y - at_middle - slope * x).abs();
            // A residual of 0 gives an infinite ratio, and so a weight of 1.
            (bend / size).min(1.0)
        });
        let moved = (next_at_middle - at_middle).abs() + (next_slope - slope).abs() * reach;
        (at_middle, slope) = (next_at_middle, next_slope);
        let next_scale = sizes.median(&centred, at_middle, slope) / NORMAL_UPPER_QUARTILE;
        let rescaled = (next_scale - scale).abs();
        scale = next_scale;
        if moved + rescaled <= SETTLED * scale {
            break;
        }
    }
    let (mut squares, mut inside, mut xx) = (0.0, 0.0, 0.0);
    for (x, y) in &centred {
        let residual = y - at_middle - slope * x;
        let bent = residual.max(-BEND * scale).min(BEND * scale);
        squares += bent * bent;
        inside += f64::from(residual.abs() <= BEND * scale);
        xx += x * x;
    }
    let share = inside / n;
    let correction = 1.0 + 2.0 / n * (share * (1.0 - share)) / (share * share);
    let variance = if scale > 0.0 {
        correction * correction * squares / (n - 2.0) / (share * share)
    } else {
        0.0
    };
    Ok(HuberFit {
        intercept: at_middle + centre_y - slope * middle,
        slope,
        intercept_se: (variance * (1.0 / n + middle * middle / xx)).sqrt(),
        slope_se: (variance / xx).sqrt(),
        scale,
        iterations,
    })
}

/// The mean, by blocks so that its rounding error stays small; two passes.
fn mean(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let sum = |shift: f64| -> f64 {
        values
            .chunks(128)
            .map(|chunk| chunk.iter().map(|v| v - shift).sum::<f64>())
            .sum()
    };
    let about = sum(0.0) / n;
    about + sum(about) / n
}

/// Weighted least squares: the line's height at x = 0 and its slope. The sums run in four lanes,
/// which the processor can take at once, and in blocks, against rounding.
fn weighted_line(points: &[(f64, f64)], weight: impl Fn((f64, f64)) -> f64) -> (f64, f64) {
    const LANES: usize = 4;
    let terms = |(x, y): (f64, f64)| {
        let w = weight((x, y));
        [w, w * x, w * y, w * x * x, w * x * y]
    };
    let mut total = [0.0; 5];
    for block in points.chunks(256) {
        let mut lanes = [[0.0; LANES]; 5];
        let mut quads = block.chunks_exact(LANES);
        for quad in &mut quads {
            for (lane, point) in quad.iter().enumerate() {
                for (sums, term) in lanes.iter_mut().zip(terms(*point)) {
                    sums[lane] += term;
                }
            }
        }
        for point in quads.remainder() {
            for (sums, term) in lanes.iter_mut().zip(terms(*point)) {
                sums[0] += term;
            }
        }
        for (total, sums) in total.iter_mut().zip(lanes) {
            *total += (sums[0] + sums[1]) + (sums[2] + sums[3]);
        }
    }
    let [w, x, y, xx, xy] = total;
    let slope = (xy - x * y / w) / (xx - x * x / w);
    (y / w - slope * (x / w), slope)
}

/// The median size of residuals, made fast by the last one: the next is near it.
#[derive(Default)]
struct Sizes {
    last: Option<(f64, f64)>,
    kept: Vec<f64>,
}

impl Sizes {
    fn median(&mut self, points: &[(f64, f64)], at_middle: f64, slope: f64) -> f64 {
        let size = |(x, y): &(f64, f64)| (y - at_middle - slope * x).abs();
        let n = points.len();
        let (lower, upper) = ((n - 1) / 2, n / 2);
        if let Some((last, reach)) = self.last {
            let (low, high) = (last - reach, last + reach);
            self.kept.clear();
            let mut below = 0;
            for block in points.chunks(128) {
                let sizes = block.iter().map(size);
                let (under, upto) = sizes.clone().fold((0, 0), |(under, upto), size| {
                    (
                        under + usize::from(size < low),
                        upto + usize::from(size <= high),
                    )
                });
                below += under;
                if upto > under {
                    self.kept.extend(sizes.filter(|s| *s >= low && *s <= high));
                }
            }
            if below <= lower && upper < below + self.kept.len() {
                let found = middle_of(&mut self.kept, lower - below, upper - below);
                self.learn(found, last);
                return found;
            }
        }
        self.kept.clear();
        self.kept.extend(points.iter().map(size));
        let found = middle_of(&mut self.kept, lower, upper);
        self.learn(found, self.last.map_or(found, |last| last.0));
        found
    }

    /// Next time looks within the last step, or a thousandth, whichever is more.
    fn learn(&mut self, found: f64, last: f64) {
        self.last = Some((found, (found - last).abs().max(1e-3 * found)));
    }
}

/// Mean of the values of two ascending places, at most one apart.
fn middle_of(values: &mut [f64], lower: usize, upper: usize) -> f64 {
    let (_, &mut low, above) = values.select_nth_unstable_by(lower, f64::total_cmp);
    if upper == lower {
        return low;
    }
    let next = above.iter().copied().fold(f64::INFINITY, f64::min);
    crate::order::midpoint(low, next)
}
