//! WAV, by the layout of RIFF files as published by its makers in 1991 and the extensible format of
//! 2001 (chunk names and codes from memory; `independent.rs` reads files of an independent writer).

mod common;

use common::{Random, high_pass, message, read, sampled, wav, wav_of};
use wire::{Capture, ChannelMap, Coupling, Format, Level, Settings};

const PULSES: [(f64, f64); 3] = [(0.5, 0.75), (1.25, 1.3), (2.0, 2.5)];

fn widths(capture: &Capture) -> Vec<f64> {
    capture
        .pulses
        .iter()
        .map(|p| capture.width_ms(&p))
        .collect()
}

/// Whether the pulses are those of `PULSES` to within `ms`.
fn are_the_pulses(capture: &Capture, ms: f64) -> bool {
    capture.pulses.len() == 3
        && capture
            .pulses
            .iter()
            .zip(PULSES)
            .all(|(pulse, (start, end))| {
                (capture.start_s(&pulse) - start).abs() * 1000.0 < ms
                    && (capture.width_ms(&pulse) - (end - start) * 1000.0).abs() < ms
            })
}

fn trace(rate: u32) -> Vec<f64> {
    // Edges of two and a half samples.
    sampled(rate, 3.0, 2.5 / f64::from(rate), &PULSES)
}

#[test]
fn every_coding_gives_the_same_pulses() {
    let samples = trace(48_000);
    let encode =
        |f: &dyn Fn(f64) -> Vec<u8>| samples.iter().flat_map(|s| f(*s)).collect::<Vec<u8>>();
    let full = f64::from(i32::MAX);
    for (tag, bits, data) in [
        (1, 8, encode(&|s| vec![(s * 127.0 + 128.0).round() as u8])),
        (
            1,
            16,
            encode(&|s| ((s * 32_767.0).round() as i16).to_le_bytes().to_vec()),
        ),
        (
            1,
            24,
            encode(&|s| ((s * full) as i32).to_le_bytes()[1..].to_vec()),
        ),
        (
            1,
            32,
            encode(&|s| ((s * full) as i32).to_le_bytes().to_vec()),
        ),
        (3, 32, encode(&|s| (s as f32).to_le_bytes().to_vec())),
        (3, 64, encode(&|s| s.to_le_bytes().to_vec())),
    ] {
        let capture = read(&wav_of(tag, bits, 1, 48_000, &data), &Settings::default()).unwrap();
        assert_eq!(capture.format, Format::Wav);
        assert_eq!(capture.coupling, Some(Coupling::Dc));
        // 8 bits: half a step of 1/127 on an edge of 0.7 in 52 us is 0.3 us.
        assert!(
            are_the_pulses(&capture, 0.0006),
            "{bits} bits: {:?}",
            widths(&capture)
        );
        let levels = capture.channels[0].levels.unwrap();
        assert!((levels.low - 0.1).abs() < 0.01 && (levels.high - 0.8).abs() < 0.01);
        assert!((capture.resolution_s - 1.0 / 48_000.0).abs() < 1e-12);
    }
}

#[test]
fn channels_are_chosen_by_number_or_side() {
    let mut data = Vec::new();
    for sample in trace(8_000) {
        for value in [0.02, sample] {
            data.extend(((value * 32_767.0) as i16).to_le_bytes());
        }
    }
    let bytes = wav_of(1, 16, 2, 8_000, &data);
    for map in [
        ChannelMap::automatic(),
        ChannelMap::single("right"),
        ChannelMap::single("ch2"),
        ChannelMap::parse("dec+=right").unwrap(),
    ] {
        let settings = Settings {
            channels: map,
            ..Settings::default()
        };
        let capture = read(&bytes, &settings).unwrap();
        assert_eq!(capture.channels[0].name, "ch2");
        assert!(are_the_pulses(&capture, 0.01));
    }
    for (name, words) in [
        ("left", "found no edge"),
        (
            "ch3",
            "no channel `ch3`, expected one of: ch1, ch2, left, right",
        ),
    ] {
        let settings = Settings {
            channels: ChannelMap::single(name),
            ..Settings::default()
        };
        assert!(message(read(&bytes, &settings)).contains(words));
    }
}

#[test]
fn other_chunks_odd_lengths_and_the_extensible_format_are_read() {
    let plain = wav(8_000, &trace(8_000));
    let data = &plain[44..];
    let mut bytes = b"RIFF\0\0\0\0WAVE".to_vec();
    bytes.extend(b"LIST\x03\0\0\0abc\0junk\0\0\0\0");
    bytes.extend(b"fmt \x28\0\0\0\xfe\xff\x01\0");
    bytes.extend(8_000u32.to_le_bytes());
    bytes.extend(16_000u32.to_le_bytes());
    bytes.extend(b"\x02\0\x10\0\x16\0\x10\0\0\0\0\0\x01\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71");
    for length in [data.len() as u32, 0, u32::MAX] {
        let mut bytes = bytes.clone();
        bytes.extend(b"data");
        bytes.extend(length.to_le_bytes());
        bytes.extend(data);
        let capture = read(&bytes, &Settings::default()).unwrap();
        assert!(are_the_pulses(&capture, 0.01));
        assert!(capture.warnings.is_empty());
    }
}

#[test]
fn a_recording_that_is_cut_off_is_read_up_to_there_with_a_warning() {
    let bytes = wav(8_000, &trace(8_000));
    let end = bytes.len() - 2 * 8_000 / 4 - 1;
    let capture = read(&bytes[..end], &Settings::default()).unwrap();
    assert_eq!(capture.pulses.len(), 3);
    assert!(
        capture.warnings[0]
            .text
            .contains("4001 bytes before its stated length")
    );
}

#[test]
fn what_cannot_be_read_is_named_by_its_byte() {
    let good = wav(8_000, &trace(8_000));
    let with = |at: usize, byte: u8| {
        let mut bytes = good.clone();
        bytes[at] = byte;
        bytes
    };
    for (bytes, words) in [
        (good[..10].to_vec(), "byte 10: found the end of the file"),
        (good[..30].to_vec(), "byte 30: found the end of the file"),
        (good[..44].to_vec(), "byte 44: found no sample"),
        (
            with(20, 2),
            "byte 20: found samples of format 2 with 16 bits",
        ),
        (with(22, 0), "byte 22: found 0 channels"),
        (with(32, 7), "byte 32: found frames of 7 bytes"),
        (with(8, b'X'), "byte 0: found `RIFF"),
        (with(12, b'X'), "found a `data` chunk before any `fmt `"),
        (wav(8_000, &[0.25; 1000]), "found no edge"),
    ] {
        let error = message(read(&bytes, &Settings::default()));
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn noise_alone_has_no_edges() {
    let mut random = Random(11);
    let noise: Vec<f64> = (0..100_000)
        .map(|_| 0.2 * (random.share() + random.share() - 1.0))
        .collect();
    let hum: Vec<f64> = (0..100_000)
        .map(|i| 0.1 * (f64::from(i) * 0.04).sin())
        .collect();
    for samples in [noise, hum] {
        assert!(message(read(&wav(8_000, &samples), &Settings::default())).contains("no edge"));
    }
}

/// The bias of AC-coupled widths, as stated in the documentation: pulses of 20 to 500 ms with edges of
/// 100 us, at 44.1 and 48 kHz, through a first-order high-pass with its corner at 5 to 20 Hz, with
/// noise 50 dB below the spikes.
#[test]
fn an_ac_coupled_recording_is_told_and_its_widths_are_right() {
    let mut worst = 0.0f64;
    for rate in [44_100, 48_000] {
        for corner_hz in [5.0, 10.0, 20.0] {
            for sign in [1.0, -1.0] {
                let mut random = Random(7);
                let mut pulses = Vec::new();
                let mut time = 0.5;
                for width in [0.02, 0.05, 0.1, 0.25, 0.5] {
                    for _ in 0..4 {
                        let start = time + 0.001 * random.share();
                        pulses.push((start, start + width));
                        time += width + 0.6;
                    }
                }
                let clean = sampled(rate, time + 0.5, 1e-4, &pulses);
                let samples: Vec<f64> = high_pass(&clean, rate, corner_hz)
                    .iter()
                    .map(|v| sign * v + 0.004 * (random.share() - 0.5))
                    .collect();
                let capture = read(&wav(rate, &samples), &Settings::default()).unwrap();
                assert_eq!(capture.coupling, Some(Coupling::Ac));
                assert!(capture.notes.iter().any(|note| note.contains("AC-coupled")));
                assert_eq!(capture.pulses.len(), pulses.len());
                let idle = if sign > 0.0 { Level::Low } else { Level::High };
                assert_eq!(capture.channels[0].idle, idle);
                for (pulse, (start, end)) in capture.pulses.iter().zip(&pulses) {
                    let error = capture.width_ms(&pulse) - (end - start) * 1000.0;
                    worst = worst.max(error.abs());
                    assert!((capture.start_s(&pulse) - start).abs() < 1e-5);
                }
            }
        }
    }
    println!(
        "largest error of an AC-coupled width: {:.2} us",
        worst * 1000.0
    );
    // A tenth of a sample interval: what noise of 0.004 does to an edge of 0.7 in 100 us is up to
    // 0.6 us; the decay within an edge is the same at both ends.
    assert!(worst < 0.002, "{worst} ms");
}

#[test]
fn coupling_can_be_given() {
    let settings = Settings {
        coupling: Some(Coupling::Ac),
        ..Settings::default()
    };
    // The jumps of a DC-coupled recording are timed just as well.
    let capture = read(&wav(48_000, &trace(48_000)), &settings).unwrap();
    assert_eq!(capture.coupling, Some(Coupling::Ac));
    assert!(are_the_pulses(&capture, 0.001));
}
