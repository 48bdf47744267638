//! Captures written by independent programs, read back to the tick.

mod common;

use std::path::{Path, PathBuf};
use std::process::Command;

use common::{every_edge, high_pass, read, sampled, ticks, wav};
use wire::{Capture, ChannelMap, Coupling, Level, Settings};

/// A folder of its own for one test.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// VCDs of pyvcd (from PyPI) with nested scopes, an alias, a vector, a real, a string, unknown values
/// and `$dumpoff`.
#[test]
#[ignore = "needs Python with pyvcd; install: pip install pyvcd (PULSEWRIGHT_PYTHON names another interpreter)"]
fn pyvcd_files_are_read_to_the_tick() {
    let python = std::env::var("PULSEWRIGHT_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/references/write_vcd.py");
    let file = folder("pyvcd").join("capture.vcd");
    let timescales = [
        "1 s", "10 ms", "100 us", "1 us", "10 ns", "1 ns", "100 ps", "1 fs",
    ];
    for (seed, timescale) in timescales.into_iter().enumerate() {
        let output = Command::new(&python)
            .args([script, timescale, &seed.to_string()])
            .arg(&file)
            .output()
            .unwrap();
        let pulses = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{pulses}");
        let pulses: Vec<(i64, i64)> = pulses
            .lines()
            .map(|line| {
                let (start, end) = line.split_once(' ').unwrap();
                (start.parse().unwrap(), end.parse().unwrap())
            })
            .collect();
        assert_eq!(pulses.len(), 300);
        let bytes = std::fs::read(&file).unwrap();
        for name in ["DATA", "rig.port.DATA", "LINE"] {
            let settings = Settings {
                channels: ChannelMap::single(name),
                idle: Some(Level::Low),
                ..every_edge()
            };
            let capture = read(&bytes, &settings).unwrap();
            assert_eq!(ticks(&capture), pulses, "{timescale} {name}");
            assert_eq!(capture.end, pulses.last().unwrap().1 + 9);
        }
    }
}

const PULSES: [(f64, f64); 3] = [(0.5, 0.75), (1.25, 1.3), (2.0, 2.5)];

/// Runs sox from a 16-bit WAV of `samples` to `output` with `options` for it.
fn sox(folder: &Path, samples: &[f64], rate: u32, options: &[&str]) -> Vec<u8> {
    let (input, output) = (folder.join("in.wav"), folder.join("out.wav"));
    std::fs::write(&input, wav(rate, samples)).unwrap();
    let status = Command::new("sox")
        .arg("-D") // No dither, so that the levels stay as they are.
        .arg(&input)
        .args(options)
        .arg(&output)
        .status()
        .unwrap();
    assert!(status.success());
    std::fs::read(output).unwrap()
}

fn same_pulses(one: &Capture, other: &Capture, ticks: i64) -> bool {
    one.pulses.len() == other.pulses.len()
        && one
            .pulses
            .iter()
            .zip(&other.pulses)
            .all(|(a, b)| (a.start - b.start).abs() <= ticks && (a.end - b.end).abs() <= ticks)
}

/// WAVs of sox in every coding, with one and two channels.
#[test]
#[ignore = "needs sox; install: apt-get install sox"]
fn sox_files_are_read_to_the_tick() {
    let folder = folder("sox");
    for rate in [8_000, 16_000, 44_100, 48_000] {
        let trace = sampled(rate, 3.0, 2.5 / f64::from(rate), &PULSES);
        let spikes = high_pass(
            &sampled(rate, 3.0, 2.5 / f64::from(rate), &PULSES),
            rate,
            10.0,
        );
        for (samples, coupling) in [(&trace, Coupling::Dc), (&spikes, Coupling::Ac)] {
            let original = read(&wav(rate, samples), &Settings::default()).unwrap();
            assert_eq!(original.pulses.len(), 3);
            assert_eq!(original.coupling, Some(coupling));
            for (coding, options, tolerance) in [
                // An eighth bit is a step of 1/128 on an edge of 0.7 in 2.5 samples: a hundredth of a
                // sample interval for each of the two samples that an instant lies between, and as
                // much for the two levels that set its height.
                ("unsigned-integer", "8", 65_536 * 4 / 100),
                // The same samples: to the tick.
                ("signed-integer", "16", 0),
                ("signed-integer", "24", 0),
                ("signed-integer", "32", 0),
                ("floating-point", "32", 0),
                ("floating-point", "64", 0),
            ] {
                let options = ["-e", coding, "-b", options];
                let mono =
                    read(&sox(&folder, samples, rate, &options), &Settings::default()).unwrap();
                assert!(
                    same_pulses(&mono, &original, tolerance),
                    "{rate} {options:?} {coupling:?}"
                );
                assert_eq!(mono.coupling, Some(coupling));
                let two = [&options[..], &["-c", "2"]].concat();
                let settings = Settings {
                    channels: ChannelMap::single("right"),
                    ..Settings::default()
                };
                let stereo = read(&sox(&folder, samples, rate, &two), &settings).unwrap();
                assert_eq!(stereo.pulses, mono.pulses);
                assert_eq!(stereo.channels[0].name, "ch2");
            }
        }
    }
}

/// sox writes to a pipe without knowing the length.
#[test]
#[ignore = "needs sox; install: apt-get install sox"]
fn a_pipe_from_sox_is_read() {
    let folder = folder("sox-pipe");
    let trace = sampled(48_000, 3.0, 5e-5, &PULSES);
    let input = folder.join("in.wav");
    std::fs::write(&input, wav(48_000, &trace)).unwrap();
    let output = Command::new("sox")
        .arg("-q")
        .arg(&input)
        .args(["-t", "wav", "-"])
        .output()
        .unwrap();
    let original = read(&wav(48_000, &trace), &Settings::default()).unwrap();
    let piped = read(&output.stdout, &Settings::default()).unwrap();
    assert_eq!(piped.pulses, original.pulses);
}
