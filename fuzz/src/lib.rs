//! What holds of every capture, whatever the input; shared by the fuzz targets.

use wire::{Capture, Format, Level, MatchOptions, RequestSource, Settings, match_pulses};

/// Reads `data` as `format` (`None`: as what it looks like) with several settings, and checks what
/// comes out. A reader may refuse the input, but not break a promise.
pub fn read(data: &[u8], format: Option<Format>) {
    let usual = Settings {
        format,
        ..Settings::default()
    };
    let every_edge = Settings {
        bridge_s: 0.0,
        min_pulse_s: 0.0,
        idle: Some(Level::Low),
        ..usual.clone()
    };
    for settings in [usual, every_edge] {
        if let Ok(capture) = wire::read_capture(data, &settings, &mut |_| {}) {
            check(&capture);
        }
        // A pipe that gives one byte at a time gives the same.
        let whole = wire::read_capture(data, &settings, &mut |_| {});
        let bytewise = wire::read_capture(Bytewise(data), &settings, &mut |_| {});
        match (whole, bytewise) {
            (Ok(whole), Ok(bytewise)) => assert_eq!(whole, bytewise),
            (Err(whole), Err(bytewise)) => assert_eq!(whole.to_string(), bytewise.to_string()),
            (whole, bytewise) => panic!("{whole:?} at once, {bytewise:?} byte by byte"),
        }
    }
}

/// A reader of one byte at a time.
struct Bytewise<'d>(&'d [u8]);

impl std::io::Read for Bytewise<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match (self.0.split_first(), buffer.first_mut()) {
            (Some((byte, rest)), Some(place)) => {
                *place = *byte;
                self.0 = rest;
                Ok(1)
            }
            _ => Ok(0),
        }
    }
}

/// Checks what must hold of every capture.
pub fn check(capture: &Capture) {
    assert!(capture.begin <= capture.end);
    assert!(capture.resolution_s > 0.0 && capture.resolution_s.is_finite());
    let mut last = i64::MIN;
    for pulse in &capture.pulses {
        assert!(pulse.end > pulse.start);
        assert!(pulse.start >= last && pulse.start >= capture.begin && pulse.end <= capture.end);
        last = pulse.start;
    }
    for pulse in &capture.cut {
        assert!(pulse.end > pulse.start);
        assert!(pulse.start >= capture.begin && pulse.end <= capture.end);
    }
    let counted: u64 = capture.channels.iter().map(|channel| channel.pulses).sum();
    assert_eq!(counted, capture.pulses.len() as u64);
    let matching = match_pulses(
        capture,
        RequestSource::List(&[50.0, 250.0]),
        &MatchOptions::default(),
    )
    .expect("widths above 0 match");
    let outcomes = matching.outcomes;
    if capture.measured.is_none() {
        let pulses = outcomes.delivered + outcomes.extra + 2 * outcomes.broken;
        assert_eq!(pulses, capture.pulses.len() as u64);
    }
}
