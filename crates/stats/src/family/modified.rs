//! The exponentially modified normal: maximum likelihood by damped Newton steps in the mean and
//! the logarithms of both scales.

use super::Family;
use super::data::{Cells, Prepared};
use super::erfcx::{LN_SQRT_2PI, ln_mills_and_hazard};
use super::newton::{Local, climb};

/// Smallest standard deviation of the normal part, in standard units. Below it the density has
/// an edge, and the shifted gamma and Weibull say the same.
const LEAST_SD: f64 = 0.01;

/// Smallest mean of the exponential part, in standard units: below it the distribution is
/// normal for all purposes.
const LEAST_TAU: f64 = 1e-3;

/// The family of the greatest likelihood found, in standard units.
pub(super) fn fit(data: &Prepared<'_>, cells: &Cells) -> Family {
    let low_x = data.standard(data.sorted.min());
    let high_x = data.standard(data.sorted.max());
    let range = high_x - low_x;
    let least_sd = match &data.lattice {
        Some(lattice) => LEAST_SD.max(0.5 * lattice.step / data.scale),
        None => LEAST_SD,
    };
    let low = [low_x - range, least_sd.ln(), LEAST_TAU.ln()];
    let high = [high_x, range.max(2.0 * least_sd).ln(), range.max(1.0).ln()];
    let mut best = (starts(data)[0], f64::NEG_INFINITY);
    for start in starts(data) {
        let found = climb(start, low, high, 1e-4, 40, |p| local(&data.rough, p));
        if found.1 > best.1 {
            best = found;
        }
    }
    let (place, _) = climb(best.0, low, high, 1e-10, 80, |p| local(cells, p));
    Family::ExponentiallyModifiedNormal {
        mean: place[0],
        sd: libm::exp(place[1]),
        tau: libm::exp(place[2]),
    }
}

/// Starting places: from the moments, and three shapes laid over median and quartiles, for data
/// whose moments stragglers have spoiled.
fn starts(data: &Prepared<'_>) -> [[f64; 3]; 4] {
    let cells = &data.rough;
    let total: f64 = cells.w.iter().sum();
    let mean = cells
        .x
        .iter()
        .zip(&cells.w)
        .map(|(x, w)| x * w)
        .sum::<f64>()
        / total;
    let (mut square, mut cube) = (0.0, 0.0);
    for (x, w) in cells.x.iter().zip(&cells.w) {
        let d = x - mean;
        square += w * d * d / total;
        cube += w * d * d * d / total;
    }
    let sd = square.sqrt();
    let skewness = (cube / (square * sd)).clamp(0.05, 1.9);
    // Skewness is 2 (tau/sd)^3 (Grushka 1972).
    let share = (0.5 * skewness).cbrt();
    let tau = share * sd;
    let normal = sd * (1.0 - share * share).sqrt();
    [
        [mean - tau, normal.ln(), tau.ln()],
        [-0.4, (0.7f64).ln(), (0.7f64).ln()],
        [-0.8, (0.25f64).ln(), (1.2f64).ln()],
        [-0.1, 0.0, (0.15f64).ln()],
    ]
}

/// Log-likelihood and derivatives at (mean, ln sd, ln tau).
fn local(cells: &Cells, place: &[f64; 3]) -> Local<3> {
    let mean = place[0];
    let sd = place[1].exp();
    let k = (place[1] - place[2]).exp();
    let inverse = 1.0 / sd;
    let mut value = 0.0;
    let mut g = [0.0; 3];
    let mut h = [[0.0; 3]; 3];
    let mut total = 0.0;
    for (x, &w) in cells.x.iter().zip(&cells.w) {
        let z = (x - mean) * inverse;
        let a = k - z;
        let (ln_mills, hazard) = ln_mills_and_hazard(a);
        // Slope and curvature of ln R(a), with R' = a R - 1.
        let slope = a - hazard;
        let bend = 1.0 - hazard * (hazard - a);
        let s = k + z;
        total += w;
        value += w * (ln_mills - 0.5 * z * z);
        g[0] += w * (z + slope);
        g[1] += w * (z * z + slope * s);
        g[2] += w * slope;
        h[0][0] += w * (bend - 1.0);
        h[1][0] += w * (bend * s - 2.0 * z - slope);
        h[1][1] += w * (bend * s * s - 2.0 * z * z + slope * (k - z));
        h[2][0] += w * bend;
        h[2][1] += w * (bend * s + slope);
        h[2][2] += w * (bend * k + slope);
    }
    Local {
        value: value - total * (place[2] + LN_SQRT_2PI),
        gradient: [g[0] * inverse, g[1], -total - k * g[2]],
        hessian: [
            [h[0][0] * inverse * inverse, 0.0, 0.0],
            [h[1][0] * inverse, h[1][1], 0.0],
            [-k * h[2][0] * inverse, -k * h[2][1], k * h[2][2]],
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gradient_and_hessian_are_the_differences_of_the_value() {
        let cells = Cells {
            x: vec![-2.0, -0.5, 0.1, 1.0, 4.0, 9.0],
            w: vec![1.0, 2.0, 3.0, 2.0, 1.0, 0.5],
        };
        let place = [-0.3, -0.4, 0.2];
        let here = local(&cells, &place);
        for i in 0..3 {
            // Central differences of step 1e-5: truncation and rounding are both near 1e-9.
            let step = 1e-5;
            let (mut up, mut down) = (place, place);
            up[i] += step;
            down[i] -= step;
            let (up, down) = (local(&cells, &up), local(&cells, &down));
            let slope = (up.value - down.value) / (2.0 * step);
            assert!((slope - here.gradient[i]).abs() < 1e-6, "gradient {i}");
            for j in 0..=i {
                let bend = (up.gradient[j] - down.gradient[j]) / (2.0 * step);
                assert!((bend - here.hessian[i][j]).abs() < 1e-6, "hessian {i} {j}");
            }
        }
    }
}
