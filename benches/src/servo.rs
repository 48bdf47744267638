//! The loop's simulation beside NumPy and beside its random numbers alone; how long `judge` and
//! `tune` take, and how near to a fine grid's best `tune` comes.

mod grid;

use std::hint::black_box;
use std::path::Path;
use std::process::{Command, Stdio};

use ::servo::Normal;
use ::servo::chain_model::{
    Below, Chain, ChainModel, MeasuredPulse, MeasuredWidth, MissingAt, Trim,
};
use ::servo::judge::{JudgeOptions, judge};
use ::servo::law::Law;
use ::servo::loop_sim::LoopCase;
use ::servo::run::{PreparedLoop, Trials};
use sky::Setup;
use stats::random::Random;

use crate::{median_s, time};

const ROUNDS: usize = 9;
/// Long exposures of a round, on both sides; NumPy's two processes take half each.
const TRIALS: usize = 4000;
/// Chance that a pulse is lost.
const LOSS: f64 = 0.01;
/// What a frame of this case draws: gear noise 2 for the exposure (end and mean) and 1 for the gap,
/// seeing 2 for each of the two processes that are slower than a twentieth of the exposure and 1
/// for all others, centroid 1; gusts, four an hour, are not counted.
const NORMALS: usize = 3 + 5 + 1;
/// Rank, loss and start delay of the pulse.
const UNIFORMS: usize = 3;

pub fn run(folder: &Path) {
    let chain = measured();
    let setup = Setup::default();
    speed(folder, &chain);
    judging(&setup, &chain);
    grid::run(&setup, &chain);
}

/// A measured run of 400 pulses at each of two widths, with 1 % lost.
fn measured() -> Chain {
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
        probability: LOSS,
    }];
    chain
}

/// The default setup with a long exposure of 300 frames, and with every disturbance on both axes:
/// the worm also in declination, the backlash also in right ascension.
fn everything(chain: &Chain) -> LoopCase {
    let mut setup = Setup::default();
    setup.imaging.exposure_s = 900.0;
    let mut case = LoopCase::from_setup(&setup, chain).expect("a good setup");
    let backlash = case.axes[1].backlash_arcsec;
    case.axes[0].backlash_arcsec = backlash;
    case.axes[1] = case.axes[0].clone();
    case
}

fn speed(folder: &Path, chain: &Chain) {
    let case = everything(chain);
    let prepared = PreparedLoop::new(&case).expect("a good case");
    let write = |name: &str, trials: usize| {
        let file = folder.join(name);
        std::fs::write(&file, json(&case, chain, trials)).expect("space on the disk");
        file
    };
    let (whole, half) = (write("whole.json", TRIALS), write("half.json", TRIALS / 2));
    let frames = |s: f64| (s / case.timing.cadence_s).ceil();
    let frames = frames(case.warm_up_s) + frames(case.span_s);
    let each = frames * TRIALS as f64;
    let simulate = |threads: usize| {
        let trials = Trials {
            seed: 1,
            count: TRIALS,
            threads,
        };
        prepared.run_all(&trials)
    };
    let (mut two, mut one, mut alone) = (vec![], vec![], vec![]);
    let (mut peer, mut peers) = (vec![], vec![]);
    let (mut rms, mut peer_rms) = (0.0, 0.0);
    for _ in 0..ROUNDS {
        let (took, results) = time(|| simulate(2));
        two.push(took);
        let square = |r: &::servo::run::TrialResult| r.axes[0].mean_square;
        rms = (results.iter().map(square).sum::<f64>() / TRIALS as f64).sqrt();
        let (seconds, found) = numpy(&whole, 1);
        peer.push(std::time::Duration::from_secs_f64(seconds));
        peer_rms = found;
        let (seconds, _) = numpy(&half, 2);
        peers.push(std::time::Duration::from_secs_f64(seconds));
        one.push(time(|| simulate(1)).0);
        alone.push(time(|| black_box(draw(2.0 * each))).0);
    }
    // Ours simulates two axes, NumPy one.
    let (two, one, alone) = (
        median_s(two) / 2.0,
        median_s(one) / 2.0,
        median_s(alone) / 2.0,
    );
    let (peer, peers) = (median_s(peer), median_s(peers));
    println!("### The loop, every disturbance on\n");
    println!("| what | million frames a second of one axis | ns a frame |\n|---|---|---|");
    let row = |what: &str, s: f64| {
        println!("| {what} | {:.1} | {:.1} |", each / s / 1e6, s / each * 1e9);
    };
    row("ours, two threads", two);
    row("NumPy over the trials", peer);
    row("NumPy over the trials, two processes side by side", peers);
    row("ours, one thread", one);
    row("its random numbers alone, one thread", alone);
    println!(
        "\n{:.1} times as fast as NumPy, {:.1} times as fast as two NumPy processes side by side; {:.2} times the cost of the random numbers alone.\nRMS {rms:.4} arcsec, NumPy {peer_rms:.4}.\n",
        peer / two,
        peers / two,
        one / alone
    );
}

/// The random numbers of so many frames; the sum of some, so that none is left out.
fn draw(frames: f64) -> f64 {
    let normal = Normal::new();
    let mut random = Random::new(1);
    let mut numbers = [0.0; 64];
    let mut sum = 0.0;
    let frames = frames as usize;
    // The quickest way there is: the normal ones a block at a time, as the simulation draws them.
    for _ in 0..(NORMALS * frames).div_ceil(numbers.len()) {
        normal.fill(&mut random, &mut numbers);
        sum += black_box(&numbers)[0];
    }
    let uniforms: f64 = (0..UNIFORMS * frames).map(|_| random.uniform()).sum();
    sum + uniforms
}

/// Seconds of the slowest of so many processes that run at once, and the RMS that the first found.
fn numpy(file: &Path, processes: usize) -> (f64, f64) {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("loop_numpy.py");
    let start = |_| {
        Command::new(&python)
            .arg(&script)
            .arg(file)
            .stdout(Stdio::piped())
            .spawn()
            .expect("Python with NumPy, named in PULSEWRIGHT_PYTHON")
    };
    let started: Vec<_> = (0..processes).map(start).collect();
    let found: Vec<Vec<f64>> = started
        .into_iter()
        .map(|child| {
            let output = child.wait_with_output().expect("the script runs");
            String::from_utf8_lossy(&output.stdout)
                .split_whitespace()
                .map(|word| word.parse().expect("a number"))
                .collect()
        })
        .collect();
    let slowest = found.iter().map(|words| words[0]).fold(0.0, f64::max);
    (slowest, found[0][1])
}

/// The first axis of the case for the script, whose units are seconds and arcsec.
fn json(case: &LoopCase, chain: &Chain, trials: usize) -> String {
    let axis = &case.axes[0];
    let what = &axis.disturbances;
    let Law::Proportional { gain } = axis.control.law else {
        unreachable!("the default law is proportional");
    };
    let ChainModel::Measured(widths) = &chain.model else {
        unreachable!("the chain is a measured one");
    };
    // Ascending by width error, as the simulation draws them.
    let mut pulses: Vec<(f64, f64)> = widths[0]
        .pulses
        .iter()
        .map(|p| (1e-3 * p.error_ms, 1e-3 * p.delay_ms.unwrap_or(0.0)))
        .collect();
    pulses.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (errors, delays): (Vec<f64>, Vec<f64>) = pulses.into_iter().unzip();
    let waves: Vec<String> = what
        .periodic
        .waves
        .iter()
        .map(|w| format!("[{}, {:?}, {:?}]", w.order, w.amplitude_arcsec, w.phase_rad))
        .collect();
    let seeing: Vec<[f64; 2]> = what
        .seeing
        .iter()
        .map(|p| [p.sd_arcsec, p.time_s])
        .collect();
    let frames = |s: f64| (s / case.timing.cadence_s).ceil() as usize;
    let numbers = [
        ("exposure", case.timing.exposure_s),
        ("readout", case.timing.readout_s),
        ("cadence", case.timing.cadence_s),
        ("rate", axis.rate_arcsec_per_s),
        ("gain", gain),
        ("dead_band", axis.control.dead_band_arcsec),
        ("shortest", 1e-3 * axis.control.shortest_ms),
        ("longest", 1e-3 * axis.control.longest_ms),
        ("centroid", what.centroid_noise_arcsec),
        ("gear", what.gear.sd_arcsec),
        ("gear_time", what.gear.time_s),
        ("period", what.periodic.period_s),
        ("drift", what.drift_arcsec_per_s),
        ("gusts_per_s", what.gusts.per_s),
        ("gust", what.gusts.size_arcsec),
        ("gust_time", what.gusts.decay_s),
        ("backlash", axis.backlash_arcsec),
        ("loss", LOSS),
    ]
    .map(|(name, value)| format!("\"{name}\": {value:?}"));
    format!(
        "{{\"seed\": 1, \"trials\": {}, \"frames\": {}, \"warm\": {}, \"waves\": [{}], \"seeing\": {seeing:?}, \"widths\": [0.05, 0.2], \"errors\": {errors:?}, \"errors2\": {errors:?}, \"delays\": {delays:?}, {}}}",
        trials,
        frames(case.span_s),
        frames(case.warm_up_s),
        waves.join(", "),
        numbers.join(", ")
    )
}

fn judging(setup: &Setup, chain: &Chain) {
    let mut trimmed = chain.clone();
    trimmed.trim = Trim::Linear {
        offset_ms: 16.0,
        scale: 0.0,
        shortest_ms: 20.0,
        below: Below::Carry,
    };
    let once = || {
        judge(
            setup,
            chain,
            Some(&trimmed),
            &JudgeOptions::default(),
            &|_| {},
        )
        .expect("a stable loop")
    };
    let seconds = median_s((0..ROUNDS).map(|_| time(once).0).collect());
    println!("### Judging a measured chain, its trim and a perfect chain\n");
    println!("| what | median | target |\n|---|---|---|");
    println!("| `judge` on the default setup, two threads | {seconds:.2} s | 2 s |\n");
}
