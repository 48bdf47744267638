//! Whatever the damage: no panic, and what must hold of a capture holds (`common::check`).

mod common;

use std::io::{self, Read};

use common::{check, every_edge, high_pass, message, sampled, vcd, wav, wav_of};
use proptest::prelude::*;
use wire::{Format, Level, Settings, WireError, read_capture, read_requests};

/// A small good input of each format, in several forms.
fn inputs() -> Vec<(Format, Vec<u8>)> {
    let changes: Vec<(i64, u8)> = (0..24)
        .map(|i| (9_999_000 + 777 * i, (i % 2) as u8))
        .collect();
    let text = |format, text: &str| (format, text.as_bytes().to_vec());
    let trace = sampled(1_000, 0.2, 0.002, &[(0.03, 0.06), (0.1, 0.15)]);
    let samples: String = trace
        .iter()
        .enumerate()
        .map(|(i, volts)| format!("{i}e-3;{volts:.2}\n").replace('.', ","))
        .collect();
    let spikes = high_pass(&trace, 1_000, 20.0);
    let bytes: Vec<u8> = spikes.iter().map(|v| (128.0 + 100.0 * v) as u8).collect();
    vec![
        text(Format::Vcd, &vcd("1 us", "!", &changes)),
        text(
            Format::Vcd,
            "$comment c $end $timescale 10 ns $end $scope module a $end $var wire 1 ! D $end $var real 64 \" R $end $upscope $end $enddefinitions $end\n$dumpvars 0! r0 \" $end\n#5 1! r1 \" #9 x! #12 b0 ! #15 1! #20 0!\n",
        ),
        text(
            Format::EdgesCsv,
            "t_s,channel,level\n0,ra+,0\n1,ra+,1\n1.25,ra+,0\n1.4,ra-,1\n1.5,ra-,0\n2,ra+,0\n",
        ),
        text(
            Format::EdgesCsv,
            "Time [ms];\"D0\";D1\n0,5;0;1\n10;1;1\n2e1;0;1\n30;0;1\n",
        ),
        text(
            Format::SamplesCsv,
            &format!("Model;x\nTrigger;1,5\nt_s;volts\n{samples}"),
        ),
        text(
            Format::SamplesCsv,
            "X,CH1,Start,Increment\nSequence,Volt,0,1e-3\n0,0\n1,0\n2,0\n3,5\n4,5\n5,5\n6,0\n7,0\n8,0\n9,0\n",
        ),
        (Format::Wav, wav(1_000, &trace)),
        (Format::Wav, wav_of(1, 8, 1, 1_000, &bytes)),
        text(
            Format::PulsesCsv,
            "direction,requested_ms,width_ms,issued_s,start_s\nra+,250,262.5,1,1.02\ndec-,500,511,2,2.01\n",
        ),
    ]
}

/// Reads `bytes` in several ways. It may be refused, but only with a message.
fn read_all_ways(bytes: &[u8], format: Format) {
    let given = Settings {
        format: Some(format),
        ..every_edge()
    };
    let high = Settings {
        idle: Some(Level::High),
        ..given.clone()
    };
    for settings in [given, high, Settings::default()] {
        match read_capture(bytes, &settings, &mut |_| {}) {
            Ok(capture) => check(&capture),
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
    let _ = read_requests(bytes, &Default::default());
}

#[test]
fn the_inputs_are_good() {
    for (format, bytes) in inputs() {
        let capture = read_capture(&bytes[..], &every_edge(), &mut |_| {}).unwrap();
        assert_eq!(capture.format, format);
        assert!(!capture.pulses.is_empty() || capture.measured.is_some());
        assert_eq!(capture.bytes, bytes.len() as u64);
    }
}

#[test]
fn inputs_cut_at_every_byte_do_no_harm() {
    for (format, bytes) in inputs() {
        for end in 0..bytes.len() {
            read_all_ways(&bytes[..end], format);
        }
    }
}

#[test]
fn inputs_changed_at_every_byte_do_no_harm() {
    for (format, bytes) in inputs() {
        for at in 0..bytes.len() {
            let mut changed = bytes.clone();
            for byte in [
                0, b'\n', b' ', b'0', b'9', b'#', b'$', b'"', b',', b'-', b'e', 0x7f, 0xff,
            ] {
                changed[at] = byte;
                read_all_ways(&changed, format);
            }
        }
    }
}

#[test]
fn inputs_without_a_byte_or_with_one_twice_do_no_harm() {
    for (format, bytes) in inputs() {
        for at in 0..bytes.len() {
            let without = [&bytes[..at], &bytes[at + 1..]].concat();
            read_all_ways(&without, format);
            let twice = [&bytes[..=at], &bytes[at..]].concat();
            read_all_ways(&twice, format);
        }
    }
}

proptest! {
    #[test]
    fn several_changes_at_once_do_no_harm(
        which in 0usize..9,
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
        end in any::<prop::sample::Index>(),
    ) {
        let (format, mut bytes) = inputs().swap_remove(which);
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        let end = end.index(bytes.len()) + 1;
        read_all_ways(&bytes, format);
        read_all_ways(&bytes[..end], format);
    }

    #[test]
    fn any_bytes_at_all_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        for format in Format::ALL {
            read_all_ways(&bytes, format);
        }
    }
}

/// Gives some bytes and then fails, or gives them in small pieces.
struct Pipe<'d> {
    data: &'d [u8],
    piece: usize,
    fails: bool,
    interrupted: bool,
}

impl Read for Pipe<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.interrupted = !self.interrupted;
        if self.interrupted {
            return Err(io::ErrorKind::Interrupted.into());
        }
        if self.data.is_empty() && self.fails {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        let count = self.piece.min(buffer.len()).min(self.data.len());
        buffer[..count].copy_from_slice(&self.data[..count]);
        self.data = &self.data[count..];
        Ok(count)
    }
}

#[test]
fn a_pipe_that_fails_is_an_error_with_its_place_and_one_in_pieces_gives_the_same() {
    for (_, bytes) in inputs() {
        let whole = read_capture(&bytes[..], &every_edge(), &mut |_| {}).unwrap();
        for piece in [1, 7, 4096] {
            let pipe = |fails| Pipe {
                data: &bytes,
                piece,
                fails,
                interrupted: false,
            };
            let mut seen = 0;
            let capture =
                read_capture(pipe(false), &every_edge(), &mut |bytes| seen = bytes).unwrap();
            assert_eq!(capture, whole);
            assert_eq!(seen, bytes.len() as u64);
            let error = read_capture(pipe(true), &every_edge(), &mut |_| {}).unwrap_err();
            // A WAV of known length is not read past its end.
            assert!(matches!(error, WireError::Read { bytes: n, .. } if n == bytes.len() as u64));
        }
    }
}

#[test]
fn an_endless_line_and_an_endless_header_end_in_an_error() {
    for (head, byte) in [
        ("$comment ", b'x'),
        ("t_s,level\n", b'1'),
        ("", b'a'),
        ("t,v\n1,2\n", b'5'),
    ] {
        let endless = head.as_bytes().chain(io::repeat(byte));
        assert!(read_capture(endless, &every_edge(), &mut |_| {}).is_err());
    }
    // A header that declares without end.
    let variable = b"$var wire 1 ! D $end\n";
    let text = [&b"$timescale 1 us $end\n"[..], &variable.repeat(30_000)].concat();
    assert!(message(common::read(&text, &every_edge())).contains("at most 20000 variables"));
    assert!(matches!(
        read_capture(io::empty(), &every_edge(), &mut |_| {}),
        Err(WireError::Empty)
    ));
}

#[test]
fn more_pulses_than_memory_is_set_aside_for_are_refused() {
    struct Toggling {
        time: u64,
        line: Vec<u8>,
    }
    impl Read for Toggling {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let mut count = 0;
            while self.line.len() + 40 < buffer.len() - count {
                buffer[count..count + self.line.len()].copy_from_slice(&self.line);
                count += self.line.len();
                self.time += 1;
                self.line = format!("#{}\n{}!\n", self.time, self.time % 2).into_bytes();
            }
            Ok(count)
        }
    }
    let endless = Toggling {
        time: 1_000_000_000,
        line: vcd("1 us", "!", &[(0, 0)]).into_bytes(),
    };
    let error = read_capture(endless, &every_edge(), &mut |_| {}).unwrap_err();
    assert!(
        matches!(
            error,
            WireError::TooManyPulses {
                limit: 4_500_000,
                ..
            }
        ),
        "{error}"
    );
}
