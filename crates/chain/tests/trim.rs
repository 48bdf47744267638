//! The trim on chains of known law; its exports, compiled and run; the proof.

use std::path::Path;
use std::process::Command;

use chain::{Below, Carry, ChainError, Loss, Trim, fit_trim, prove};
use proptest::prelude::*;
use stats::random::Random;
use wire::Observation;

fn observations(pulses: impl IntoIterator<Item = (f64, f64)>) -> Vec<Observation> {
    pulses
        .into_iter()
        .enumerate()
        .map(|(order, (requested_ms, width_ms))| Observation {
            direction: None,
            requested_ms,
            width_ms,
            start_s: Some(order as f64),
            issued_s: None,
            start_delay_ms: None,
            order,
            bridged: 0,
            request: None,
        })
        .collect()
}

const WIDTHS: [f64; 4] = [50.0, 150.0, 300.0, 500.0];

/// 400 pulses of a chain of known law: offset 9 ms, scale 0.4 %, skewed errors of median 3 ms.
fn known_law(random: &mut Random) -> Vec<Observation> {
    observations((0..400).map(|i| {
        let requested = WIDTHS[i % 4];
        (
            requested,
            9.0 + 1.004 * requested + 3.0 * (0.4 * random.normal()).exp(),
        )
    }))
}

fn trim(run: &[Observation], loss: Loss, below: Below) -> Trim {
    fit_trim(run, loss, below, None, 1).unwrap()
}

#[test]
fn the_trimmed_error_is_zero_within_its_interval_on_new_pulses() {
    // A chain whose law is known is trimmed, and new pulses go through trim and chain.
    let mut random = Random::new(1);
    let run = known_law(&mut random);
    let t = trim(&run, Loss::Median, Below::Skip);
    assert!(!t.refined);
    let mut left: Vec<f64> = (0..4000)
        .map(|_| {
            let wanted = 80.0 + 400.0 * random.uniform();
            let request = f64::from(t.request_us((wanted * 1000.0).round() as u32)) / 1000.0;
            9.0 + 1.004 * request + 3.0 * (0.4 * random.normal()).exp() - wanted
        })
        .collect();
    left.sort_by(f64::total_cmp);
    // The fit knows the median of 400 pulses to 1.25 x 1.2 ms / sqrt(400), 0.08 ms: four times that.
    assert!(left[2000].abs() < 0.32, "{}", left[2000]);
    // And the cross-validation said so without any new pulse.
    let ci = t.residual.median_ci95.unwrap();
    assert!(ci[0] <= 0.0 && 0.0 <= ci[1], "{ci:?}");
    assert!(t.residual.mean_distance_after_ms < 0.2 * t.residual.mean_distance_before_ms);
    // Offset and scale at 62 ms: 12.2 ms too long; at 500 ms: 14 ms.
    assert!(
        t.answer.starts_with("Make a pulse of 62") && t.answer.contains("and one of 500 ms 14."),
        "{}",
        t.answer
    );
}

#[test]
fn each_loss_brings_its_own_to_zero() {
    let mut random = Random::new(2);
    let run = known_law(&mut random);
    let left = |t: &Trim| -> Vec<f64> {
        // What the chain does to a trimmed request is what it did to the nearest that was sent.
        let mut left: Vec<f64> = run
            .iter()
            .map(|o| {
                let request = f64::from(t.request_us((o.requested_ms * 1000.0) as u32)) / 1000.0;
                o.width_ms + 1.004 * (request - o.requested_ms) - o.requested_ms
            })
            .collect();
        left.sort_by(f64::total_cmp);
        left
    };
    // Every width that was asked is to come through.
    let trim = |loss| fit_trim(&run, loss, Below::Skip, Some(1_000), 1).unwrap();
    let by_mean = left(&trim(Loss::Mean));
    assert!(by_mean.iter().sum::<f64>().abs() / 400.0 < 0.05);
    let by_median = left(&trim(Loss::Median));
    assert!(by_median[200].abs() < 0.2, "{}", by_median[200]);
    let by_quantile = left(&trim(Loss::Quantile(0.1)));
    assert!(by_quantile[40].abs() < 0.2, "{}", by_quantile[40]);
}

#[test]
fn a_bent_law_gets_a_curve_and_a_straight_one_a_line() {
    // A chain that rounds up to a timer of 80 ms: no line describes it.
    let bent = observations((0..800).map(|i| {
        let requested = WIDTHS[i % 4];
        (
            requested,
            (requested / 80.0f64).ceil() * 80.0 + 0.01 * (i % 7) as f64,
        )
    }));
    let t = trim(&bent, Loss::Median, Below::Skip);
    assert!(t.refined);
    assert!(t.residual.mean_distance_after_ms < 0.1, "{:?}", t.residual);
    // 150 ms came out as 160: to get 160, ask for 150.
    let request = t.request_us(160_030);
    assert!(request.abs_diff(150_000) <= 5, "{request}");
}

#[test]
fn what_can_not_be_trimmed_is_told() {
    let few = observations((0..19).map(|i| (50.0, 60.0 + f64::from(i))));
    assert!(matches!(
        fit_trim(&few, Loss::Median, Below::Skip, None, 1),
        Err(ChainError::TooFewToTrim { found: 19, .. })
    ));
    // Whatever is asked, 100 ms come out.
    let stuck = observations((0..100).map(|i| (WIDTHS[i % 4], 100.0)));
    assert!(matches!(
        fit_trim(&stuck, Loss::Median, Below::Skip, None, 1),
        Err(ChainError::Untrimmable)
    ));
    let one = observations((0..40).map(|i| (250.0, 262.0 + 0.1 * f64::from(i % 9))));
    let t = trim(&one, Loss::Median, Below::Skip);
    assert!(t.warnings[0].text.contains("one width"), "{:?}", t.warnings);
    // Scatter about zero: there is nothing to trim.
    let mut random = Random::new(3);
    let good = observations((0..200).map(|i| (WIDTHS[i % 4], WIDTHS[i % 4] + random.normal())));
    let t = trim(&good, Loss::Median, Below::Skip);
    assert!(
        t.answer.starts_with("Leave the widths as they are"),
        "{}",
        t.answer
    );
    assert!(
        t.warnings.iter().any(|w| w.advice.contains("scatter")),
        "{:?}",
        t.warnings
    );
}

proptest! {
    #[test]
    fn carry_conserves_the_sum_exactly(wanted in prop::collection::vec(-80_000i32..80_000, 1..200)) {
        let t = trim(&known_law(&mut Random::new(4)), Loss::Median, Below::Carry);
        let mut carry = Carry::new();
        let mut sent = 0i64;
        let mut asked = 0i64;
        for w in wanted {
            asked += i64::from(w);
            let (now, request) = carry.next(&t, w);
            sent += now;
            prop_assert_eq!(sent + carry.owed_us(), asked);
            prop_assert!(carry.owed_us().unsigned_abs() < u64::from(t.shortest_us));
            prop_assert_eq!(request == 0, now == 0);
        }
    }
}

/// Every millisecond from 0 to 5,000, and a walk of signed corrections through the carry.
fn expected(t: &Trim) -> String {
    let mut text: String = (0..=5000u32)
        .map(|ms| format!("{}\n", t.request_us(ms * 1000)))
        .collect();
    let mut carry = Carry::new();
    for wanted in walk() {
        let (sent, request) = carry.next(t, wanted);
        text += &format!("{sent} {request} {}\n", carry.owed_us());
    }
    text
}

/// Signed corrections of up to 60 ms.
fn walk() -> Vec<i32> {
    let mut random = Random::new(5);
    (0..1000)
        .map(|_| random.below(120_001) as i32 - 60_000)
        .collect()
}

/// Trims of every kind whose exports are compiled.
fn kinds() -> Vec<Trim> {
    let run = known_law(&mut Random::new(6));
    let bent = observations((0..800).map(|i| {
        let requested = WIDTHS[i % 4];
        (
            requested,
            (requested / 80.0f64).ceil() * 80.0 + 0.01 * (i % 7) as f64,
        )
    }));
    vec![
        trim(&run, Loss::Median, Below::Carry),
        trim(&bent, Loss::Mean, Below::Carry),
        fit_trim(&run, Loss::Quantile(0.9), Below::Floor, Some(20_000), 1).unwrap(),
        fit_trim(&run, Loss::Mean, Below::Skip, Some(5_000), 1).unwrap(),
    ]
}

fn run(program: &Path) -> String {
    let output = Command::new(program).output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap()
}

fn numbers() -> String {
    let numbers: Vec<String> = walk().iter().map(i32::to_string).collect();
    numbers.join(", ")
}

#[test]
fn the_c_header_gives_what_the_model_gives() {
    let folder = tempfile::tempdir().unwrap();
    for (i, t) in kinds().iter().enumerate() {
        let header = t.to_c("A test */ of the header\nand its comment");
        assert!(!header.contains("double") && !header.contains("float"));
        std::fs::write(folder.path().join("trim.h"), header).unwrap();
        let carry = if t.below == Below::Carry {
            format!(
                "static const int32_t walk[] = {{ {} }}; int64_t owed = 0, sent;\n\
                 for (int i = 0; i < 1000; i++) {{ uint32_t r = trim_carry(&owed, walk[i], &sent);\n\
                 printf(\"%lld %lu %lld\\n\", (long long)sent, (unsigned long)r, (long long)owed); }}",
                numbers()
            )
        } else {
            String::new()
        };
        let source = folder.path().join("main.c");
        std::fs::write(
            &source,
            format!(
                "#include <stdio.h>\n#include \"trim.h\"\nint main(void) {{\n\
                 for (uint32_t ms = 0; ms <= 5000; ms++) printf(\"%lu\\n\", (unsigned long)trim_request(ms * 1000u));\n{carry}\nreturn 0; }}\n"
            ),
        )
        .unwrap();
        let program = folder.path().join(format!("c-{i}"));
        let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".into());
        let built = Command::new(compiler)
            .args(["-std=c99", "-Wall", "-Werror", "-O1", "-o"])
            .arg(&program)
            .arg(&source)
            .output()
            .expect("a C compiler, which building this project needs too");
        assert!(
            built.status.success(),
            "{}",
            String::from_utf8_lossy(&built.stderr)
        );
        let found = run(&program);
        let wanted = expected(t);
        let lines = if t.below == Below::Carry { 6001 } else { 5001 };
        assert_eq!(found.lines().count(), lines);
        assert!(
            found.lines().zip(wanted.lines()).all(|(a, b)| a == b),
            "kind {i}"
        );
    }
}

#[test]
fn the_rust_module_gives_what_the_model_gives() {
    let folder = tempfile::tempdir().unwrap();
    for (i, t) in kinds().iter().enumerate() {
        let module = t.to_rust("A test of the module");
        assert!(!module.contains("f64") && !module.contains("f32"));
        std::fs::write(folder.path().join("trim.rs"), module).unwrap();
        let carry = if t.below == Below::Carry {
            format!(
                "let mut owed = 0; for w in [{}] {{ let (sent, r) = trim::carry(&mut owed, w); println!(\"{{sent}} {{r}} {{owed}}\"); }}",
                numbers()
            )
        } else {
            String::new()
        };
        let source = folder.path().join("main.rs");
        std::fs::write(
            &source,
            format!("mod trim;\nfn main() {{ for ms in 0..=5000u32 {{ println!(\"{{}}\", trim::request_us(ms * 1000)); }} {carry} }}\n"),
        )
        .unwrap();
        let program = folder.path().join(format!("rust-{i}"));
        let built = Command::new(std::env::var("RUSTC").unwrap_or_else(|_| "rustc".into()))
            .args([
                "--edition",
                "2021",
                "-D",
                "warnings",
                "-A",
                "dead_code",
                "-o",
            ])
            .arg(&program)
            .arg(&source)
            .output()
            .expect("rustc");
        assert!(
            built.status.success(),
            "{}",
            String::from_utf8_lossy(&built.stderr)
        );
        let found = run(&program);
        assert!(
            found.lines().zip(expected(t).lines()).all(|(a, b)| a == b),
            "kind {i}"
        );
    }
}

#[test]
fn a_proof_is_given_where_there_is_one_and_not_where_there_is_none() {
    let mut random = Random::new(7);
    let mut chain = |offset: f64, n: usize| {
        observations((0..n).map(|i| (WIDTHS[i % 4], WIDTHS[i % 4] + offset + random.normal())))
    };
    let (before, after) = (chain(12.0, 200), chain(0.1, 200));
    let p = prove(("old", &before), ("new", &after), 1.0).unwrap();
    assert!(
        p.equivalence.within && p.answer.starts_with("Proven"),
        "{}",
        p.answer
    );
    let ci = p.improvement.gain_ci95;
    assert!(ci[0] > 10.0 && ci[1] < 12.0, "{ci:?}");
    // A margin that the error doesn't keep.
    let p = prove(("old", &before), ("new", &chain(3.0, 200)), 1.0).unwrap();
    assert!(!p.equivalence.within && p.equivalence.pulses_needed.is_none());
    assert!(p.answer.starts_with("Not so"), "{}", p.answer);
    // Too few pulses for a firm answer: the number needed is told.
    let p = prove(("old", &before), ("new", &chain(0.0, 8)), 0.5).unwrap();
    assert!(!p.equivalence.within, "{}", p.answer);
    assert!(p.answer.starts_with("Not "), "{}", p.answer);
    assert!(matches!(
        prove(("old", &before), ("new", &chain(0.0, 4)), 0.5),
        Err(ChainError::TooFewToProve { found: 4, .. })
    ));
}

#[test]
fn equivalence_is_claimed_wrongly_no_more_often_than_it_says() {
    // The true median is at the margin: 2,000 trials at 5 %. A sign test is conservative; a count above
    // 5 % plus three standard deviations (6.5 %) would be wrong.
    let mut random = Random::new(8);
    let before = observations((0..20).map(|i| (50.0, 50.0 + f64::from(i))));
    let mut wrong = 0;
    for _ in 0..2000 {
        let after = observations((0..40).map(|_| (50.0, 51.0 + random.normal())));
        wrong += u32::from(
            prove(("a", &before), ("b", &after), 1.0)
                .unwrap()
                .equivalence
                .within,
        );
    }
    assert!(wrong <= 130, "{wrong} of 2000");
}

#[test]
fn a_chain_that_hardly_follows_is_refused() {
    // Whatever is asked, about 100 ms come out: a trim would ask for minutes.
    let stuck = observations((0..90).map(|i| {
        (
            [50.0, 100.0, 250.0][i % 3],
            100.0 + 0.01 * (i % 3) as f64 + 0.1 * (i % 7) as f64,
        )
    }));
    assert!(matches!(
        fit_trim(&stuck, Loss::Median, Below::Skip, None, 1),
        Err(ChainError::Untrimmable)
    ));
}

#[test]
fn nothing_that_is_carried_is_lost() {
    // A shortest width of 1 us, where the curve asks for nothing below 12 ms: those are carried too.
    let run = known_law(&mut Random::new(9));
    let t = fit_trim(&run, Loss::Median, Below::Carry, Some(1), 1).unwrap();
    assert!(t.shortest_us > 5_000, "{}", t.shortest_us);
    let mut carry = Carry::new();
    for _ in 0..100 {
        let (sent, request) = carry.next(&t, 5_000);
        assert_eq!(sent == 0, request == 0);
    }
}

#[test]
fn directions_that_differ_are_told() {
    let mut random = Random::new(10);
    let mut run = observations((0..200).map(|i| {
        let offset = if i % 2 == 0 { 20.0 } else { -5.0 };
        (
            WIDTHS[i / 2 % 4],
            WIDTHS[i / 2 % 4] + offset + random.normal(),
        )
    }));
    for (i, o) in run.iter_mut().enumerate() {
        o.direction = Some([wire::Direction::RaPlus, wire::Direction::RaMinus][i % 2]);
    }
    let t = trim(&run, Loss::Median, Below::Skip);
    assert!(
        t.warnings
            .iter()
            .any(|w| w.text.contains("directions differ")),
        "{:?}",
        t.warnings
    );
}

#[test]
fn errors_that_cancel_are_no_proof() {
    let mut random = Random::new(11);
    let before = observations((0..120).map(|i| (WIDTHS[i % 4], WIDTHS[i % 4] + 12.0)));
    let offsets = [20.0, 0.0, 0.0, -20.0];
    let cancel = observations((0..120).map(|i| {
        (
            WIDTHS[i % 4],
            WIDTHS[i % 4] + offsets[i % 4] + random.normal(),
        )
    }));
    let p = prove(("old", &before), ("new", &cancel), 2.0).unwrap();
    assert!(
        !p.equivalence.within && p.answer.starts_with("Not so"),
        "{}",
        p.answer
    );
    assert!(p.answer.contains("at 50 ms it is"), "{}", p.answer);
    // Within a margin as wide as a barn door, but worse than before.
    let good = observations((0..120).map(|i| (WIDTHS[i % 4], WIDTHS[i % 4] + random.normal())));
    let p = prove(("old", &good), ("new", &before), 50.0).unwrap();
    assert!(
        p.answer.starts_with("Within the margin, but worse"),
        "{}",
        p.answer
    );
}
