//! Maximisers: a bracketed one-dimensional search, and a damped Newton climb within bounds.

/// The greatest value of `f` on `low..=high`: a scan of `points` places, then Brent's search
/// (golden section and parabolas; Brent 1973, Algorithms for Minimization without Derivatives,
/// chapter 5) between the neighbors of the best. Returns place and value.
pub(crate) fn maximize_1d(
    low: f64,
    high: f64,
    points: usize,
    mut f: impl FnMut(f64) -> f64,
) -> (f64, f64) {
    let step = (high - low) / (points - 1) as f64;
    let place = |i: usize| {
        if i + 1 == points {
            high
        } else {
            low + step * i as f64
        }
    };
    let mut best = (0, f64::NEG_INFINITY);
    for i in 0..points {
        let value = f(place(i));
        if value > best.1 {
            best = (i, value);
        }
    }
    let (mut a, mut b) = (
        place(best.0.saturating_sub(1)),
        place((best.0 + 1).min(points - 1)),
    );
    let golden = 0.381_966_011_250_105_1;
    // x is the best place so far, w the second best, v the one before that.
    let mut x = place(best.0);
    let mut fx = best.1;
    if x == a || x == b {
        x = a + golden * (b - a);
        fx = f(x);
    }
    let (mut w, mut fw, mut v, mut fv) = (x, fx, x, fx);
    let (mut moved, mut before) = (0.0f64, 0.0f64);
    for _ in 0..60 {
        let middle = 0.5 * (a + b);
        // The value is flat to rounding within about the root of the machine precision.
        let tolerance = 3e-8 * x.abs() + 1e-9;
        if (x - middle).abs() <= 2.0 * tolerance - 0.5 * (b - a) {
            break;
        }
        let mut golden_step = true;
        if before.abs() > tolerance {
            let r = (x - w) * (fx - fv);
            let q = (x - v) * (fx - fw);
            let numerator = (x - v) * q - (x - w) * r;
            let denominator = 2.0 * (q - r);
            let parabola = -numerator / denominator;
            if parabola.is_finite()
                && parabola.abs() < 0.5 * before.abs()
                && x + parabola > a
                && x + parabola < b
            {
                before = moved;
                moved = parabola;
                let u = x + moved;
                if u - a < 2.0 * tolerance || b - u < 2.0 * tolerance {
                    moved = tolerance.copysign(middle - x);
                }
                golden_step = false;
            }
        }
        if golden_step {
            before = if x < middle { b - x } else { a - x };
            moved = golden * before;
        }
        let u = if moved.abs() >= tolerance {
            x + moved
        } else {
            x + tolerance.copysign(moved)
        };
        let fu = f(u);
        if fu >= fx {
            if u < x {
                b = x;
            } else {
                a = x;
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                a = u;
            } else {
                b = u;
            }
            if fu >= fw || w == x {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu >= fv || v == x || v == w {
                (v, fv) = (u, fu);
            }
        }
    }
    if best.1 > fx {
        (place(best.0), best.1)
    } else {
        (x, fx)
    }
}

/// A function's value, gradient and Hessian (lower triangle) at a place.
pub(crate) struct Local<const P: usize> {
    /// The value.
    pub value: f64,
    /// First derivatives.
    pub gradient: [f64; P],
    /// Second derivatives; only entries with column <= row are read.
    pub hessian: [[f64; P]; P],
}

/// Climbs from `start` to a local maximum of `f` within `low..=high`, by Newton's steps with
/// Levenberg's damping; a coordinate that leans on its bound is held there. Stops when a step
/// would gain less than `gain`, or after `steps` steps. Returns place and value.
pub(crate) fn climb<const P: usize>(
    start: [f64; P],
    low: [f64; P],
    high: [f64; P],
    gain: f64,
    steps: usize,
    mut f: impl FnMut(&[f64; P]) -> Local<P>,
) -> ([f64; P], f64) {
    let mut place = start;
    for i in 0..P {
        place[i] = place[i].clamp(low[i], high[i]);
    }
    let mut local = f(&place);
    let mut damping = 1e-3;
    for _ in 0..steps {
        let free: [bool; P] = std::array::from_fn(|i| {
            let g = local.gradient[i];
            !(place[i] <= low[i] && g <= 0.0 || place[i] >= high[i] && g >= 0.0)
        });
        let mut improved = false;
        while damping < 1e12 {
            let Some(step) = damped_step(&local, &free, damping) else {
                damping *= 8.0;
                continue;
            };
            let candidate: [f64; P] =
                std::array::from_fn(|i| (place[i] + step[i]).clamp(low[i], high[i]));
            let promised: f64 = (0..P).map(|i| 0.5 * step[i] * local.gradient[i]).sum();
            if promised < gain {
                return (place, local.value);
            }
            let next = f(&candidate);
            if next.value > local.value {
                place = candidate;
                local = next;
                damping = (damping * 0.1).max(1e-9);
                improved = true;
                break;
            }
            damping *= 8.0;
        }
        if !improved {
            break;
        }
    }
    (place, local.value)
}

/// Solves (-H + damping |diag H|) step = gradient over the free coordinates by Cholesky's
/// factors; `None` where the matrix is not positive definite.
fn damped_step<const P: usize>(
    local: &Local<P>,
    free: &[bool; P],
    damping: f64,
) -> Option<[f64; P]> {
    let mut l = [[0.0; P]; P];
    let mut y = [0.0; P];
    for i in 0..P {
        for j in 0..=i {
            let mut sum = if !(free[i] && free[j]) {
                f64::from(i == j)
            } else if i == j {
                let curvature = local.hessian[i][i];
                -curvature + damping * (curvature.abs() + 1e-9 * local.value.abs())
            } else {
                -local.hessian[i][j]
            };
            for (a, b) in l[i][..j].iter().zip(&l[j][..j]) {
                sum -= a * b;
            }
            if i == j {
                if sum.is_nan() || sum <= 0.0 {
                    return None;
                }
                l[i][i] = sum.sqrt();
            } else {
                l[i][j] = sum / l[j][j];
            }
        }
        let g = if free[i] { local.gradient[i] } else { 0.0 };
        let known: f64 = (0..i).map(|k| l[i][k] * y[k]).sum();
        y[i] = (g - known) / l[i][i];
    }
    let mut step = [0.0; P];
    for i in (0..P).rev() {
        let known: f64 = (i + 1..P).map(|k| l[k][i] * step[k]).sum();
        step[i] = (y[i] - known) / l[i][i];
    }
    step.iter().all(|s: &f64| s.is_finite()).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_search_finds_the_top_of_a_smooth_hill_and_of_a_slope() {
        let (x, value) = maximize_1d(-4.0, 9.0, 12, |x| -(x - 1.234_567f64).powi(2) + 3.0);
        // A parabola is flat to rounding within about 1e-8 of its top.
        assert!((x - 1.234_567).abs() < 1e-7 && (value - 3.0).abs() < 1e-14);
        let (x, value) = maximize_1d(0.0, 2.0, 8, |x| x);
        assert_eq!((x, value), (2.0, 2.0));
        let (x, _) = maximize_1d(0.0, 2.0, 8, |x| (6.0 * x).sin() - 0.1 * x);
        // cos(6x) = 1/60 on the first rise.
        assert!((x - (1.0f64 / 60.0).acos() / 6.0).abs() < 1e-6);
    }

    #[test]
    fn the_climb_meets_the_top_within_bounds() {
        let hill = |p: &[f64; 2]| {
            let (x, y) = (p[0] - 1.0, p[1] + 2.0);
            Local {
                value: -(x * x + 3.0 * y * y + x * y),
                gradient: [-2.0 * x - y, -6.0 * y - x],
                hessian: [[-2.0, -1.0], [-1.0, -6.0]],
            }
        };
        let (p, value) = climb([5.0, 5.0], [-9.0; 2], [9.0; 2], 1e-18, 50, hill);
        assert!((p[0] - 1.0).abs() < 1e-8 && (p[1] + 2.0).abs() < 1e-8 && value > -1e-16);
        // With y held at or above 0 the top lies at y = 0, x - 1 = -y/2 - ... = -1.
        let (p, _) = climb([5.0, 5.0], [-9.0, 0.0], [9.0; 2], 1e-18, 50, hill);
        assert!((p[0] - 0.0).abs() < 1e-8 && p[1] == 0.0);
    }
}
