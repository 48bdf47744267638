//! What several tests need: invented pulses, writers of captures, and what must hold of every one.
#![allow(dead_code)] // Each test file uses a part.

use wire::{Capture, MatchOptions, RequestSource, Settings, WireError, match_pulses, read_capture};

/// A small generator of random numbers (xorshift64, Marsaglia 2003).
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A number from 0 to below `limit`.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    /// A number from 0 to below 1.
    pub fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Settings that keep every edge.
pub fn every_edge() -> Settings {
    Settings {
        bridge_s: 0.0,
        min_pulse_s: 0.0,
        ..Settings::default()
    }
}

pub fn read(bytes: &[u8], settings: &Settings) -> Result<Capture, WireError> {
    let capture = read_capture(bytes, settings, &mut |_| {})?;
    check(&capture);
    Ok(capture)
}

/// Start and end of each pulse, in ticks.
pub fn ticks(capture: &Capture) -> Vec<(i64, i64)> {
    capture.pulses.iter().map(|p| (p.start, p.end)).collect()
}

/// The message of an error.
pub fn message(result: Result<Capture, WireError>) -> String {
    match result {
        Ok(capture) => panic!("read: {capture:?}"),
        Err(error) => error.to_string(),
    }
}

/// What must hold of every capture, whatever it was made from.
pub fn check(capture: &Capture) {
    assert!(capture.begin <= capture.end);
    assert!(capture.resolution_s > 0.0);
    let mut last = i64::MIN;
    for pulse in &capture.pulses {
        assert!(pulse.end > pulse.start);
        assert!(pulse.start >= last);
        assert!(pulse.start >= capture.begin && pulse.end <= capture.end);
        last = pulse.start;
    }
    for pulse in &capture.cut {
        assert!(pulse.end > pulse.start);
        assert!(pulse.start >= capture.begin && pulse.end <= capture.end);
    }
    let counted: u64 = capture.channels.iter().map(|channel| channel.pulses).sum();
    assert_eq!(counted, capture.pulses.len() as u64);
    let widths = RequestSource::List(&[50.0, 250.0]);
    match_pulses(capture, widths, &MatchOptions::default()).unwrap();
}

/// A VCD of one wire from its changes `(time, level)`, one a line.
pub fn vcd(timescale: &str, code: &str, changes: &[(i64, u8)]) -> String {
    let mut text = format!(
        "$timescale {timescale} $end\n$scope module capture $end\n$var wire 1 {code} DATA $end\n$upscope $end\n$enddefinitions $end\n"
    );
    for (time, level) in changes {
        text.push_str(&format!("#{time}\n{level}{code}\n"));
    }
    text
}

/// Mono PCM of 16 bits.
pub fn wav(rate: u32, samples: &[f64]) -> Vec<u8> {
    let data: Vec<u8> = samples
        .iter()
        .flat_map(|s| ((s * 32_767.0).round() as i16).to_le_bytes())
        .collect();
    wav_of(1, 16, 1, rate, &data)
}

/// A WAV of any coding from the bytes of its samples.
pub fn wav_of(tag: u16, bits: u16, channels: u16, rate: u32, data: &[u8]) -> Vec<u8> {
    let frame = channels * bits / 8;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + data.len() as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16u32.to_le_bytes());
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((data.len() as u32).to_le_bytes());
    bytes.extend(data);
    bytes
}

/// Samples of pulses `(start, end)` in seconds: 0.1 between, 0.8 inside, each edge a ramp of
/// `rise_s` around its instant.
pub fn sampled(rate: u32, length_s: f64, rise_s: f64, pulses: &[(f64, f64)]) -> Vec<f64> {
    let edge = |t: f64, at: f64| ((t - at) / rise_s + 0.5).clamp(0.0, 1.0);
    (0..(length_s * f64::from(rate)) as usize)
        .map(|i| {
            let t = i as f64 / f64::from(rate);
            let on: f64 = pulses
                .iter()
                .map(|(start, end)| edge(t, *start) - edge(t, *end))
                .sum();
            0.1 + 0.7 * on
        })
        .collect()
}

/// `samples` through a first-order high-pass of corner frequency `corner_hz`, discretised exactly for
/// a signal that is constant from sample to sample.
pub fn high_pass(samples: &[f64], rate: u32, corner_hz: f64) -> Vec<f64> {
    let keep = (-2.0 * std::f64::consts::PI * corner_hz / f64::from(rate)).exp();
    let mut last = samples.first().copied().unwrap_or(0.0);
    let mut out = 0.0;
    samples
        .iter()
        .map(|sample| {
            out = keep * out + (sample - last);
            last = *sample;
            out
        })
        .collect()
}
