//! Ticks at round values.

/// A tick.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Where, in the unit of the axis.
    pub value: f64,
    /// What stands beside it; empty for a tick without a number.
    pub label: String,
}

/// Ticks at multiples of 1, 2 or 5 times a power of ten within `[low, high]`, about `most` of them and
/// never more than twice as many.
pub fn even(low: f64, high: f64, most: usize) -> Vec<Tick> {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return Vec::new();
    }
    let step = step(span / most.max(1) as f64);
    let first = (low / step - 1e-9).ceil();
    let last = (high / step + 1e-9).floor();
    let n = (last - first).clamp(0.0, 2.0 * most.max(1) as f64) as usize;
    (0..=n)
        .map(|i| first + i as f64)
        .filter(|k| *k <= last)
        .map(|k| Tick {
            value: k * step,
            label: label(k * step, step),
        })
        .collect()
}

/// Ticks of a logarithmic axis between powers of ten `low` and `high` (exponents): at decades, with 2
/// and 5 between where they have room; at even steps where the axis covers too little for that.
pub fn logarithmic(low: f64, high: f64, most: usize) -> Vec<Tick> {
    let decades = high - low;
    if !(decades.is_finite() && decades > 0.0) {
        return Vec::new();
    }
    let every = (decades / most.max(1) as f64).ceil().max(1.0);
    let digits: &[f64] = if 3.0 * decades <= most as f64 + 1.0 {
        &[1.0, 2.0, 5.0]
    } else {
        &[1.0]
    };
    let mut ticks = Vec::new();
    let mut exponent = (low / every).floor() * every;
    while exponent <= high {
        for digit in digits {
            let at = exponent + digit.log10();
            if at >= low - 1e-9 && at <= high + 1e-9 {
                // From the text, so that it is the nearest number to a round one.
                let value = format!("{digit}e{exponent}").parse().unwrap_or(0.0);
                ticks.push(Tick {
                    value,
                    label: label(value, value),
                });
            }
        }
        exponent += every;
    }
    if ticks.len() < 3 && decades < 1.5 {
        let (from, to) = (10f64.powf(low), 10f64.powf(high));
        let even = even(from, to, most.min(4));
        if even.len() > ticks.len() {
            return even.into_iter().filter(|t| t.value > 0.0).collect();
        }
    }
    ticks
}

/// The least of 1, 2, 5 times a power of ten that is not under `wanted`.
fn step(wanted: f64) -> f64 {
    let power = 10f64.powf(wanted.log10().floor());
    let rest = wanted / power * (1.0 - 1e-9);
    let digit = [1.0, 2.0, 5.0].into_iter().find(|d| *d >= rest);
    digit.unwrap_or(10.0) * power
}

/// A round value with the decimals that `step` needs; by its exponent where it would be long.
fn label(value: f64, step: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    if !(1e-4..1e6).contains(&value.abs()) {
        // A multiple of a step is round but for the last bits.
        let digits = (value.abs().log10().floor() - step.log10().floor()).clamp(0.0, 15.0) as usize;
        let text = format!("{value:.digits$e}");
        let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
        return if mantissa.contains('.') {
            let mantissa = mantissa.trim_end_matches('0').trim_end_matches('.');
            format!("{mantissa}e{exponent}")
        } else {
            text
        };
    }
    let decimals = (-step.log10() - 1e-9).ceil().clamp(0.0, 9.0) as usize;
    format!("{value:.decimals$}")
}
