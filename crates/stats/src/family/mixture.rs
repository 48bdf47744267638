//! The mixture of two normals: a few steps of expectation and maximization (Dempster, Laird &
//! Rubin 1977) from fixed starts, then damped Newton steps. The standard deviations have a floor
//! (after Hathaway 1985, Annals of Statistics 13:795-800), for without one the likelihood has no
//! maximum.

use super::Family;
use super::data::{Cells, Prepared};
use super::newton::{Local, climb};

/// Steps of expectation and maximization from each start.
const EM_STEPS: usize = 12;

/// Share, means and standard deviations.
#[derive(Debug, Clone, Copy)]
struct Mixture {
    weight: f64,
    mean: [f64; 2],
    sd: [f64; 2],
}

/// The family of the greatest likelihood found, in standard units; the smaller mean first.
pub(super) fn fit(data: &Prepared<'_>, cells: &Cells) -> Family {
    let least = data.standard(data.sorted.min());
    let greatest = data.standard(data.sorted.max());
    let widest = (greatest - least).max(2.0 * data.least_sd).ln();
    // Each part holds two values at least.
    let edge = (data.sorted.len() as f64 / 2.0 - 1.0).ln();
    let narrowest = data.least_sd.ln();
    let low = [-edge, least, narrowest, least, narrowest];
    let high = [edge, greatest, widest, greatest, widest];
    let mut found: Vec<([f64; 5], f64)> = starts(&data.rough)
        .into_iter()
        .map(|start| {
            let near = expectation_maximization(&data.rough, start, data.least_sd);
            let place = [
                (near.weight / (1.0 - near.weight)).ln(),
                near.mean[0],
                near.sd[0].ln(),
                near.mean[1],
                near.sd[1].ln(),
            ];
            climb(place, low, high, 1e-4, 40, |p| local(&data.rough, p))
        })
        .filter(|(_, value)| value.is_finite())
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    // The same place found again from another start has the same likelihood.
    found.dedup_by(|a, b| (a.1 - b.1).abs() < 1e-3);
    let mut best = ([0.0, 0.0, 0.0, 0.0, 0.0], f64::NEG_INFINITY);
    for (place, _) in found.into_iter().take(2) {
        let polished = climb(place, low, high, 1e-10, 80, |p| local(cells, p));
        if polished.1 > best.1 {
            best = polished;
        }
    }
    let p = best.0;
    let weight = 1.0 / (1.0 + libm::exp(-p[0]));
    let (a, b) = (libm::exp(p[2]), libm::exp(p[4]));
    if p[1] <= p[3] {
        Family::TwoNormalMixture {
            weight,
            mean1: p[1],
            sd1: a,
            mean2: p[3],
            sd2: b,
        }
    } else {
        Family::TwoNormalMixture {
            weight: 1.0 - weight,
            mean1: p[3],
            sd1: b,
            mean2: p[1],
            sd2: a,
        }
    }
}

/// Starting places: the data cut at a quantile into two parts with their own moments, for five
/// quantiles; and a narrow part within a broad one.
fn starts(cells: &Cells) -> Vec<Mixture> {
    let total: f64 = cells.w.iter().sum();
    let part = |from: usize, to: usize| {
        let (x, w) = (&cells.x[from..to], &cells.w[from..to]);
        let mass: f64 = w.iter().sum();
        let mean = x.iter().zip(w).map(|(x, w)| x * w).sum::<f64>() / mass;
        let square = x.iter().zip(w).map(|(x, w)| w * (x - mean) * (x - mean));
        (mass, mean, (square.sum::<f64>() / mass).sqrt())
    };
    let mut starts = Vec::new();
    for share in [0.1, 0.35, 0.65, 0.9, 0.97] {
        let mut mass = 0.0;
        let cut = cells.w.iter().position(|w| {
            mass += w;
            mass >= share * total
        });
        let cut = cut.map_or(1, |i| i + 1).clamp(1, cells.x.len() - 1);
        let (lower, upper) = (part(0, cut), part(cut, cells.x.len()));
        starts.push(Mixture {
            weight: lower.0 / total,
            mean: [lower.1, upper.1],
            sd: [lower.2, upper.2],
        });
    }
    let (_, mean, sd) = part(0, cells.x.len());
    starts.push(Mixture {
        weight: 0.6,
        mean: [0.0, mean],
        sd: [0.6, 1.6 * sd],
    });
    starts
}

fn expectation_maximization(cells: &Cells, start: Mixture, least_sd: f64) -> Mixture {
    let total: f64 = cells.w.iter().sum();
    let mut m = start;
    m.sd = m.sd.map(|s| s.max(least_sd));
    for _ in 0..EM_STEPS {
        let odds = m.weight / (1.0 - m.weight) * m.sd[1] / m.sd[0];
        let mut sums = [[0.0; 3]; 2];
        for (&x, &w) in cells.x.iter().zip(&cells.w) {
            let a = (x - m.mean[0]) / m.sd[0];
            let b = (x - m.mean[1]) / m.sd[1];
            let ratio = odds * (0.5 * (b * b - a * a)).exp();
            let first = if ratio.is_finite() {
                ratio / (1.0 + ratio)
            } else {
                1.0
            };
            for (sum, share) in sums.iter_mut().zip([first, 1.0 - first]) {
                let v = w * share;
                sum[0] += v;
                sum[1] += v * x;
                sum[2] += v * x * x;
            }
        }
        let share = sums[0][0] / total;
        if !(1e-9..=1.0 - 1e-9).contains(&share) {
            break;
        }
        m.weight = share;
        for (i, sum) in sums.iter().enumerate() {
            m.mean[i] = sum[1] / sum[0];
            let variance = sum[2] / sum[0] - m.mean[i] * m.mean[i];
            m.sd[i] = variance.max(least_sd * least_sd).sqrt();
        }
    }
    m
}

/// Log-likelihood and derivatives at (logit of the weight, mean, ln sd, mean, ln sd).
fn local(cells: &Cells, place: &[f64; 5]) -> Local<5> {
    let weight = 1.0 / (1.0 + (-place[0]).exp());
    let other = 1.0 / (1.0 + place[0].exp());
    let (mean1, mean2) = (place[1], place[3]);
    let (inverse1, inverse2) = ((-place[2]).exp(), (-place[4]).exp());
    let ln1 = weight.ln() - place[2];
    let ln2 = other.ln() - place[4];
    let mut value = 0.0;
    let mut total = 0.0;
    // Sums of responsibility times 1, z, z² of each part, and the triangle of the products of
    // (1, z1/s1, z1²-1, -z2/s2, 1-z2²) weighted by r(1-r).
    let mut first = [0.0; 3];
    let mut second = [0.0; 3];
    let mut spread = [[0.0; 5]; 5];
    for (&x, &w) in cells.x.iter().zip(&cells.w) {
        let a = (x - mean1) * inverse1;
        let b = (x - mean2) * inverse2;
        let l1 = ln1 - 0.5 * a * a;
        let l2 = ln2 - 0.5 * b * b;
        let gap = l1 - l2;
        let e = (-gap.abs()).exp();
        value += w * (l1.max(l2) + e.ln_1p());
        let small = e / (1.0 + e);
        let r = if gap > 0.0 { 1.0 - small } else { small };
        let q = if gap > 0.0 { small } else { 1.0 - small };
        total += w;
        let (v1, v2) = (w * r, w * q);
        first[0] += v1;
        first[1] += v1 * a;
        first[2] += v1 * a * a;
        second[0] += v2;
        second[1] += v2 * b;
        second[2] += v2 * b * b;
        let both = v1 * q;
        if both > 0.0 {
            let d = [1.0, a * inverse1, a * a - 1.0, -b * inverse2, 1.0 - b * b];
            for i in 0..5 {
                for j in 0..=i {
                    spread[i][j] += both * d[i] * d[j];
                }
            }
        }
    }
    let mut h = spread;
    h[0][0] -= total * weight * other;
    h[1][1] -= first[0] * inverse1 * inverse1;
    h[2][1] -= 2.0 * first[1] * inverse1;
    h[2][2] -= 2.0 * first[2];
    h[3][3] -= second[0] * inverse2 * inverse2;
    h[4][3] -= 2.0 * second[1] * inverse2;
    h[4][4] -= 2.0 * second[2];
    Local {
        value: value - total * super::erfcx::LN_SQRT_2PI,
        gradient: [
            first[0] - total * weight,
            first[1] * inverse1,
            first[2] - first[0],
            second[1] * inverse2,
            second[2] - second[0],
        ],
        hessian: h,
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
        let place = [0.3, -0.4, 0.2, 2.0, 0.5];
        let here = local(&cells, &place);
        for i in 0..5 {
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
