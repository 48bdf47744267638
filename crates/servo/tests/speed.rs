//! Speed of the simulation against a NumPy version of the same model, vectorised over trials
//! (`tests/references/loop_numpy.py`), and against the cost of its random numbers alone.

use servo::Normal;
use servo::chain_model::{Chain, ChainModel, MeasuredPulse, MeasuredWidth, MissingAt};
use servo::loop_sim::{LoopCase, Scratch};
use servo::run::{PreparedLoop, parallel};
use stats::random::Random;
use std::time::Instant;

/// The default setup with every disturbance on, a measured chain with losses, and a long exposure
/// of 300 frames.
fn case() -> LoopCase {
    let mut setup = sky::Setup::default();
    setup.imaging.exposure_s = 900.0;
    let mut random = Random::new(1);
    let pulses: Vec<MeasuredPulse> = (0..400)
        .map(|_| MeasuredPulse {
            error_ms: 12.0 + 3.0 * random.normal() + 4.0 * random.exponential(),
            delay_ms: Some(5.0 + random.exponential()),
        })
        .collect();
    let widths = [50.0, 200.0].map(|requested_ms| MeasuredWidth {
        direction: wire::Direction::RaPlus,
        requested_ms,
        pulses: pulses.clone(),
    });
    let mut chain = Chain::of(ChainModel::Measured(widths.to_vec()));
    chain.missing = vec![MissingAt {
        requested_ms: 100.0,
        probability: 0.01,
    }];
    LoopCase::from_setup(&setup, &chain).unwrap()
}

/// Nanoseconds per frame and axis, the best of five.
fn best_ns(frames: f64, mut work: impl FnMut()) -> f64 {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_nanos() as f64 / frames
        })
        .fold(f64::INFINITY, f64::min)
}

#[test]
#[ignore = "needs --release, two idle processors and python3 with numpy; install: pip install numpy, and name it in PULSEWRIGHT_PYTHON"]
fn the_simulation_outruns_numpy_and_costs_little_beside_its_random_numbers() {
    const TRIALS: usize = 2000;
    let prepared = PreparedLoop::new(&case()).unwrap();
    // 300 frames of the exposure and 30 of the warm-up.
    let frames = 2.0 * 330.0 * TRIALS as f64;
    let run = |threads: usize| {
        best_ns(frames, || {
            let sums = parallel(TRIALS, threads, <[Scratch; 2]>::default, |s, i| {
                prepared.run(1, i as u64, s).axes[0].mean_square
            });
            assert!(sums.iter().all(|v| v.is_finite()));
        })
    };
    let (two, one) = (run(2), run(1));
    // What a frame draws: gear noise 3, seeing 3 (one process and the white rest), centroid 1,
    // and 3 uniform numbers for the chain.
    let normal = Normal::new();
    let mut random = Random::new(1);
    let mut sum = 0.0;
    let drawing = best_ns(1e7, || {
        for _ in 0..10_000_000 {
            for _ in 0..7 {
                sum += normal.draw(&mut random);
            }
            for _ in 0..3 {
                sum += random.uniform();
            }
        }
    });
    assert!(sum.is_finite());
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let output = std::process::Command::new(python)
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/references/loop_numpy.py"
        ))
        .output()
        .unwrap();
    let numpy: f64 = String::from_utf8_lossy(&output.stdout)
        .trim()
        .parse()
        .unwrap();
    println!(
        "ns per frame and axis: {two:.1} on two threads, {one:.1} on one, NumPy {numpy:.1}, random numbers alone {drawing:.1}"
    );
    // The aim is 4 times. By inversion, as `Random::normal` draws, it is 1.1; the ziggurat draws four
    // times faster and makes it about 4.5, which is what this holds.
    assert!(one < 5.0 * drawing, "{one} {drawing}");
    assert!(10.0 * two < numpy, "{two} {numpy}");
}
