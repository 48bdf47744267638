//! WAV: RIFF files of sampled sound, PCM of 8, 16, 24 and 32 bits and float of 32 and 64 bits.

use crate::analogue::{Analogue, Sample};
use crate::capture::{Capture, Warning};
use crate::conclude::{Draft, Source, choose, limits, review};
use crate::error::{WireError, quoted};
use crate::format::Format;
use crate::input::Input;
use crate::settings::Settings;
use crate::time::{MAX_TICKS, TickLength};
use crate::track::Track;

/// Ticks in a sample interval: instants are interpolated between samples to this step.
const TICKS: i64 = 65_536;
/// The most channels of a file.
const MAX_CHANNELS: u16 = 64;
/// Frames between two looks at the memory that is used.
const REVIEW_FRAMES: usize = 65_536;

/// How a sample is coded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Coding {
    Unsigned8,
    Signed16,
    Signed24,
    Signed32,
    Float32,
    Float64,
}

impl Coding {
    const fn bytes(self) -> usize {
        match self {
            Coding::Unsigned8 => 1,
            Coding::Signed16 => 2,
            Coding::Signed24 => 3,
            Coding::Signed32 | Coding::Float32 => 4,
            Coding::Float64 => 8,
        }
    }

    /// A sample in parts of full scale. What is no number counts as zero.
    fn value(self, bytes: &[u8]) -> f64 {
        let value = match (self, bytes) {
            (Coding::Unsigned8, &[a]) => (f64::from(a) - 128.0) / 128.0,
            (Coding::Signed16, &[a, b]) => f64::from(i16::from_le_bytes([a, b])) / 32_768.0,
            (Coding::Signed24, &[a, b, c]) => {
                f64::from(i32::from_le_bytes([0, a, b, c])) / 2_147_483_648.0
            }
            (Coding::Signed32, &[a, b, c, d]) => {
                f64::from(i32::from_le_bytes([a, b, c, d])) / 2_147_483_648.0
            }
            (Coding::Float32, &[a, b, c, d]) => f64::from(f32::from_le_bytes([a, b, c, d])),
            (Coding::Float64, &[a, b, c, d, e, f, g, h]) => {
                f64::from_le_bytes([a, b, c, d, e, f, g, h])
            }
            _ => 0.0,
        };
        if value.is_finite() { value } else { 0.0 }
    }
}

/// What the `fmt ` chunk says.
#[derive(Clone, Copy, Debug)]
struct Layout {
    coding: Coding,
    channels: u16,
    rate: u32,
}

/// Reads a WAV.
pub(crate) fn read(input: &mut Input<'_>, settings: &Settings) -> Result<Capture, WireError> {
    if !input.at_least(12)? {
        return Err(short(input, "a RIFF header of 12 bytes"));
    }
    let head = input.data().get(..12).unwrap_or(&[]);
    if !(head.starts_with(b"RIFF") || head.starts_with(b"RF64")) || !head.ends_with(b"WAVE") {
        return Err(WireError::byte(
            0,
            quoted(head),
            "`RIFF`, a length and `WAVE`",
            "save the recording as WAV",
        ));
    }
    input.consume(12);
    let mut layout = None;
    loop {
        if !input.at_least(8)? {
            return Err(short(input, "a `fmt ` and a `data` chunk"));
        }
        let offset = input.offset();
        let head = input.data().get(..8).unwrap_or(&[]);
        let (name, length) = head.split_at(4);
        let length = u32_at(length, 0).unwrap_or(0);
        match name {
            b"fmt " => {
                let size = length as usize;
                if !(16..=1024).contains(&size) {
                    return Err(WireError::byte(
                        offset,
                        format!("a `fmt ` chunk of {size} bytes"),
                        "16 to 1024",
                        "check that the file is whole",
                    ));
                }
                let padded = size + size % 2;
                input.consume(8);
                if !input.at_least(size)? {
                    return Err(short(input, "a whole `fmt ` chunk"));
                }
                let bytes = input.data().get(..size).unwrap_or(&[]);
                layout = Some(layout_of(bytes, offset + 8)?);
                input.consume(padded);
            }
            b"data" => {
                input.consume(8);
                let layout = layout.ok_or_else(|| {
                    WireError::byte(
                        offset,
                        "a `data` chunk before any `fmt ` chunk",
                        "`fmt ` first",
                        "check that the file is whole",
                    )
                })?;
                return samples(input, settings, layout, length);
            }
            _ => {
                input.consume(8);
                skip(input, u64::from(length) + u64::from(length % 2))?;
            }
        }
    }
}

fn short(input: &Input<'_>, expected: &str) -> WireError {
    WireError::byte(
        input.total(),
        "the end of the file",
        expected,
        "check that the recording was saved whole",
    )
}

fn skip(input: &mut Input<'_>, mut count: u64) -> Result<(), WireError> {
    while count > 0 {
        let there = (input.data().len() as u64).min(count);
        input.consume(there as usize);
        count -= there;
        if count > 0 && !input.more()? {
            return Ok(());
        }
    }
    Ok(())
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    let bytes = bytes.get(at..at + 2)?;
    Some(u16::from_le_bytes(bytes.try_into().ok()?))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    let bytes = bytes.get(at..at + 4)?;
    Some(u32::from_le_bytes(bytes.try_into().ok()?))
}

fn layout_of(bytes: &[u8], offset: u64) -> Result<Layout, WireError> {
    let field = |at| u16_at(bytes, at).unwrap_or(0);
    let tag = match field(0) {
        // Extensible: the tag is at the head of the sub-format.
        0xfffe => field(24),
        tag => tag,
    };
    let bits = field(14);
    let coding = match (tag, bits) {
        (1, 8) => Coding::Unsigned8,
        (1, 16) => Coding::Signed16,
        (1, 24) => Coding::Signed24,
        (1, 32) => Coding::Signed32,
        (3, 32) => Coding::Float32,
        (3, 64) => Coding::Float64,
        _ => {
            return Err(WireError::byte(
                offset,
                format!("samples of format {tag} with {bits} bits"),
                "PCM (1) of 8, 16, 24 or 32 bits, or float (3) of 32 or 64 bits",
                "save the recording uncompressed",
            ));
        }
    };
    let channels = field(2);
    let rate = u32_at(bytes, 4).unwrap_or(0);
    let frame = field(12);
    if channels == 0 || channels > MAX_CHANNELS {
        return Err(WireError::byte(
            offset + 2,
            format!("{channels} channels"),
            format!("1 to {MAX_CHANNELS}"),
            "check that the file is whole, or save fewer channels",
        ));
    }
    if rate == 0 {
        return Err(WireError::byte(
            offset + 4,
            "a sample rate of 0",
            "samples per second",
            "check that the file is whole",
        ));
    }
    let expected = coding.bytes() * usize::from(channels);
    if usize::from(frame) != expected {
        return Err(WireError::byte(
            offset + 12,
            format!("frames of {frame} bytes"),
            format!("{expected}, for {channels} channels of {bits} bits"),
            "check that the file is whole",
        ));
    }
    Ok(Layout {
        coding,
        channels,
        rate,
    })
}

struct Wire {
    name: String,
    direction: Option<crate::Direction>,
    /// Its samples in a frame.
    at: usize,
    analogue: Analogue,
    track: Track,
}

fn samples(
    input: &mut Input<'_>,
    settings: &Settings,
    layout: Layout,
    length: u32,
) -> Result<Capture, WireError> {
    let tick = TickLength::new(1, u64::from(layout.rate) * TICKS as u64);
    // `left` and `right` name the first two channels as well.
    let names: Vec<(usize, String)> = (0..usize::from(layout.channels))
        .map(|channel| (channel, format!("ch{}", channel + 1)))
        .chain([(0, "left".to_owned()), (1, "right".to_owned())])
        .filter(|(channel, _)| *channel < usize::from(layout.channels))
        .collect();
    let chosen = choose(
        &settings.channels,
        names
            .iter()
            .map(|(channel, name)| (*channel, name.as_str())),
    )?;
    let limits = limits(settings, tick);
    let mut wires: Vec<Wire> = chosen
        .into_iter()
        .map(|(channel, direction)| Wire {
            name: format!("ch{}", channel + 1),
            direction,
            at: channel * layout.coding.bytes(),
            analogue: Analogue::new(settings, tick),
            track: Track::new(limits, settings.idle),
        })
        .collect();
    let frame = layout.coding.bytes() * usize::from(layout.channels);
    // A program that writes to a pipe doesn't know the length and leaves it 0 or all ones.
    let known = length != 0 && length != u32::MAX;
    let mut left = if known { u64::from(length) } else { u64::MAX };
    let mut time = 0i64;
    let mut last = 0i64;
    let mut frames = 0u64;
    let mut warnings = Vec::new();
    loop {
        let available = (input.data().len() as u64).min(left) as usize;
        let whole = available / frame * frame;
        if whole == 0 {
            if left < frame as u64 {
                break;
            }
            if !input.more()? {
                if known {
                    let left = left - input.data().len() as u64;
                    warnings.push(Warning::new(
                        format!("the recording ends {left} bytes before its stated length"),
                        "what is there was read; check that the recording was saved whole",
                    ));
                }
                break;
            }
            continue;
        }
        let data = input.data().get(..whole).unwrap_or(&[]);
        for block in data.chunks(frame * REVIEW_FRAMES) {
            for bytes in block.chunks_exact(frame) {
                for wire in &mut wires {
                    let bytes = bytes.get(wire.at..wire.at + layout.coding.bytes());
                    let volts = layout.coding.value(bytes.unwrap_or(&[]));
                    wire.analogue
                        .sample(Sample { time, volts }, &mut wire.track);
                }
                last = time;
                time += TICKS;
                frames += 1;
                if time > MAX_TICKS {
                    return Err(WireError::byte(
                        input.offset(),
                        format!("more than {frames} samples"),
                        "a shorter recording",
                        "cut the recording in parts",
                    ));
                }
            }
        }
        left -= whole as u64;
        input.consume(whole);
        let offset = input.offset();
        review(wires.iter_mut().map(|wire| &mut wire.track), || {
            format!("byte {offset}")
        })?;
    }
    if frames == 0 {
        return Err(WireError::byte(
            input.offset(),
            "no sample",
            "samples in the `data` chunk",
            "check that the recording was saved whole",
        ));
    }
    let mut notes = Vec::new();
    let mut sources = Vec::new();
    let mut coupling = None;
    for mut wire in wires {
        let finished = wire.analogue.finish(&mut wire.track);
        if wire.track.edges > 0 {
            coupling = coupling.or(finished.coupling);
            notes.extend(finished.note(&wire.name, settings, "of full scale"));
            warnings.extend(finished.warnings);
        }
        sources.push(Source {
            name: wire.name,
            direction: wire.direction,
            track: wire.track,
            levels: finished.levels,
        });
    }
    Draft {
        format: Format::Wav,
        tick,
        resolution_s: Some(1.0 / f64::from(layout.rate)),
        begin: 0,
        end: last,
        sources,
        coupling,
        notes,
        warnings,
        bytes: input.total(),
    }
    .conclude(settings)
}
