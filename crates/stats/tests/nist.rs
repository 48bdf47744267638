//! Checks against the Statistical Reference Datasets of NIST (public domain): certified values
//! to 15 digits of data chosen to be hard on arithmetic. Each test prints the digits of
//! agreement, -log10 of the relative error, and asserts a floor for each set. 15 is written for
//! full agreement.

use stats::moments::{lag1_autocorrelation, moments};
use stats::regression::{LeastSquares, least_squares, polynomial, simple};

/// Digits of agreement with a certified value of 15 digits; where that is 0, digits after the
/// point.
fn digits(found: f64, certified: f64) -> f64 {
    let error = (found - certified).abs();
    let relative = if certified == 0.0 {
        error
    } else {
        error / certified.abs()
    };
    if relative < 1e-15 {
        15.0
    } else {
        -relative.log10()
    }
}

/// A data file: the lines with a letter in front, and the rows of numbers.
struct Set {
    certified: Vec<(char, Vec<f64>)>,
    rows: Vec<Vec<f64>>,
}

fn read(name: &str) -> Set {
    let path = format!(
        "{}/tests/references/nist/{name}.dat",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(path).unwrap();
    let mut set = Set {
        certified: Vec::new(),
        rows: Vec::new(),
    };
    let numbers = |text: &str| -> Vec<f64> {
        text.split_whitespace()
            .map(|v| v.parse().unwrap())
            .collect()
    };
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        match line.chars().next() {
            Some(letter) if letter.is_ascii_uppercase() => {
                set.certified.push((letter, numbers(&line[1..])));
            }
            _ => set.rows.push(numbers(line)),
        }
    }
    set
}

/// Digits of pi by the spigot of Rabinowitz & Wagon (1995, American Mathematical Monthly
/// 102:195-203), with room for its carries.
fn digits_of_pi(count: usize) -> Vec<f64> {
    let length = count * 10 / 3 + 20;
    let mut remainders = vec![2u64; length];
    let mut digits: Vec<u64> = Vec::with_capacity(count + 10);
    while digits.len() < count + 5 {
        let mut carry = 0;
        for i in (1..length).rev() {
            let value = 10 * remainders[i] + carry;
            let divisor = 2 * i as u64 + 1;
            remainders[i] = value % divisor;
            carry = value / divisor * i as u64;
        }
        let value = 10 * remainders[0] + carry;
        remainders[0] = value % 10;
        digits.push(value / 10);
        let mut at = digits.len() - 1;
        while digits[at] > 9 {
            digits[at] -= 10;
            digits[at - 1] += 1;
            at -= 1;
        }
    }
    digits.into_iter().take(count).map(|d| d as f64).collect()
}

/// The NumAcc sets of 1001 values: the middle, then lower and upper in turns.
fn alternating(middle: f64, lower: f64, upper: f64) -> Vec<f64> {
    let mut values = vec![middle];
    values.extend((0..1000).map(|i| if i % 2 == 0 { lower } else { upper }));
    values
}

/// Floors for mean, standard deviation and autocorrelation.
///
/// Of NumAcc3 and NumAcc4 the last digits are gone before any arithmetic: 1000000.1 is stored to
/// 6e-11 and 10000000.1 to 9e-10, against a standard deviation of 0.1, which leaves 9 and 8
/// digits. The test below it shows that what is stored is summed right.
///
/// The digits of pi stand in for NIST's PiDigits, with values made by mpmath 1.4.1 in 40 digits.
/// NIST's own list can't be the true digits: its certified mean, 4.5348, makes a sum of 22674,
/// and the first 5,000 digits of pi sum to 22679.
#[test]
fn univariate_sets_have_the_certified_moments() {
    let file = |name| {
        let set = read(name);
        let values: Vec<f64> = set.rows.concat();
        let certified = set.certified[0].1.clone();
        (values, [certified[0], certified[1], certified[2]])
    };
    let (lew, lew_certified) = file("Lew");
    let (lottery, lottery_certified) = file("Lottery");
    let (mavro, mavro_certified) = file("Mavro");
    let (michelso, michelso_certified) = file("Michelso");
    let sets = [
        ("Lew", lew, lew_certified, [14.0, 14.0, 13.0]),
        ("Lottery", lottery, lottery_certified, [14.0, 14.0, 13.0]),
        ("Mavro", mavro, mavro_certified, [14.0, 12.0, 12.0]),
        ("Michelso", michelso, michelso_certified, [14.0, 13.0, 13.0]),
        (
            "NumAcc1",
            vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            [10_000_002.0, 1.0, -0.5],
            [15.0, 15.0, 15.0],
        ),
        (
            "NumAcc2",
            alternating(1.2, 1.1, 1.3),
            [1.2, 0.1, -0.999],
            [15.0, 14.0, 14.0],
        ),
        (
            "NumAcc3",
            alternating(1_000_000.2, 1_000_000.1, 1_000_000.3),
            [1_000_000.2, 0.1, -0.999],
            [15.0, 9.0, 9.0],
        ),
        (
            "NumAcc4",
            alternating(10_000_000.2, 10_000_000.1, 10_000_000.3),
            [10_000_000.2, 0.1, -0.999],
            [15.0, 8.0, 8.0],
        ),
        (
            "PiDigits",
            digits_of_pi(5000),
            [
                4.5358,
                2.867_675_552_187_611_6,
                -0.003_802_097_632_115_140_6,
            ],
            [15.0, 14.0, 12.0],
        ),
    ];
    println!(
        "{:10} {:>6} {:>6} {:>6}",
        "digits of", "mean", "sd", "lag 1"
    );
    let mut short = Vec::new();
    for (name, values, certified, floors) in sets {
        let m = moments(&values).unwrap();
        let found = [m.mean, m.sd, lag1_autocorrelation(&values).unwrap()];
        let agree: Vec<f64> = found
            .iter()
            .zip(certified)
            .map(|(f, c)| digits(*f, c))
            .collect();
        println!(
            "{name:10} {:6.1} {:6.1} {:6.1}",
            agree[0], agree[1], agree[2]
        );
        if agree.iter().zip(floors).any(|(a, f)| *a < f) {
            short.push(name);
        }
    }
    assert!(short.is_empty(), "fewer digits than before: {short:?}");
}

/// The sets of which decimals lose digits in storage, moved by an exact amount: what is left of
/// each value is exact, and so the same standard deviation must come out.
#[test]
fn a_large_offset_costs_no_digit_beyond_those_lost_in_storage() {
    for offset in [1_000_000.0, 10_000_000.0] {
        let stored = alternating(offset + 0.2, offset + 0.1, offset + 0.3);
        let moved: Vec<f64> = stored.iter().map(|v| v - offset).collect();
        let sd = |values: &[f64]| moments(values).unwrap().sd;
        assert!(digits(sd(&stored), sd(&moved)) > 13.5);
    }
}

/// The least digits of coefficients, of standard errors, of the residual SD and of R squared.
fn least_digits(found: &LeastSquares, set: &Set) -> [f64; 4] {
    let wanted: Vec<&Vec<f64>> = set
        .certified
        .iter()
        .filter(|c| c.0 == 'B')
        .map(|c| &c.1)
        .collect();
    let one = |letter| set.certified.iter().find(|c| c.0 == letter).unwrap().1[0];
    let least = |found: &[f64], k: usize| {
        assert_eq!(found.len(), wanted.len());
        found
            .iter()
            .zip(&wanted)
            .map(|(f, w)| digits(*f, w[k]))
            .fold(15.0, f64::min)
    };
    [
        least(&found.coefficients, 0),
        least(&found.standard_errors, 1),
        digits(found.residual_sd, one('S')),
        digits(found.r_squared, one('R')),
    ]
}

fn wampler(name: &str) -> Set {
    let exact = |coefficient: fn(i32) -> f64, value: fn(f64) -> f64| Set {
        certified: (0..6)
            .map(|i| ('B', vec![coefficient(i), 0.0]))
            .chain([('S', vec![0.0]), ('R', vec![1.0])])
            .collect(),
        rows: (0..21)
            .map(|x| vec![value(f64::from(x)), f64::from(x)])
            .collect(),
    };
    match name {
        "Wampler1" => exact(|_| 1.0, |x| (0..6).map(|i| x.powi(i)).sum()),
        // y has five decimals: they are rounded as a decimal number would be read.
        "Wampler2" => exact(
            |i| 0.1f64.powi(i),
            |x| {
                let whole: f64 = (0..6).map(|i| x.powi(i) * 10f64.powi(5 - i)).sum();
                whole / 1e5
            },
        ),
        _ => read(name),
    }
}

/// Coefficients, standard errors, residual SD and R squared by [`polynomial`] or
/// [`least_squares`].
///
/// Wampler2's decimals are stored to 1e-17 relative, which its polynomial of degree 5 magnifies:
/// 13 digits are left. So are Filip's, of degree 10 and given to 4 decimals in y: the digits
/// lost are those of the stored x and y, not of the arithmetic, which carries 32.
#[test]
fn linear_sets_have_the_certified_fits() {
    let column = |set: &Set, k: usize| -> Vec<f64> { set.rows.iter().map(|r| r[k]).collect() };
    let power = |set: &Set, degree| polynomial(&column(set, 1), &column(set, 0), degree).unwrap();
    let through_zero = |set: &Set| least_squares(&[column(set, 1)], &column(set, 0)).unwrap();
    println!(
        "{:10} {:>6} {:>6} {:>6} {:>6}",
        "digits of", "coef", "se", "sd", "R2"
    );
    let mut short = Vec::new();
    let mut report = |name: &'static str, found: LeastSquares, set: &Set, floors: [f64; 4]| {
        let agree = least_digits(&found, set);
        let [a, b, c, d] = agree;
        println!("{name:10} {a:6.1} {b:6.1} {c:6.1} {d:6.1}");
        if agree.iter().zip(floors).any(|(a, f)| *a < f) {
            short.push(name);
        }
    };
    for name in ["NoInt1", "NoInt2"] {
        let set = read(name);
        report(name, through_zero(&set), &set, [13.0; 4]);
    }
    let norris = read("Norris");
    report("Norris", power(&norris, 1), &norris, [13.0; 4]);
    let pontius = read("Pontius");
    report("Pontius", power(&pontius, 2), &pontius, [13.0; 4]);
    let filip = read("Filip");
    report("Filip", power(&filip, 10), &filip, [13.0; 4]);
    let longley = read("Longley");
    let columns: Vec<Vec<f64>> = std::iter::once(vec![1.0; longley.rows.len()])
        .chain((1..7).map(|k| column(&longley, k)))
        .collect();
    let fit = least_squares(&columns, &column(&longley, 0)).unwrap();
    report("Longley", fit, &longley, [13.0; 4]);
    for (name, floors) in [
        ("Wampler1", [14.0; 4]),
        ("Wampler2", [13.0; 4]),
        ("Wampler3", [13.0; 4]),
        ("Wampler4", [13.0; 4]),
        ("Wampler5", [13.0; 4]),
    ] {
        let set = wampler(name);
        report(name, power(&set, 5), &set, floors);
    }
    assert!(short.is_empty(), "fewer digits than before: {short:?}");
}

#[test]
fn the_straight_line_has_the_certified_fit_of_norris() {
    let set = read("Norris");
    let y: Vec<f64> = set.rows.iter().map(|r| r[0]).collect();
    let x: Vec<f64> = set.rows.iter().map(|r| r[1]).collect();
    let fit = simple(&x, &y).unwrap();
    let certified: Vec<f64> = set.certified.iter().flat_map(|c| c.1.clone()).collect();
    let found = [
        fit.intercept,
        fit.intercept_se,
        fit.slope,
        fit.slope_se,
        fit.residual_sd,
        fit.r_squared,
    ];
    for (f, c) in found.iter().zip(certified) {
        assert!(digits(*f, c) > 13.0, "{f} {c}");
    }
}
