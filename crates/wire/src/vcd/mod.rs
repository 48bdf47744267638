//! Value change dumps (IEEE Std 1364-2005, section 18).
//!
//! One pass, a bounded window of the input at a time. The header is read token by token; in the body
//! the usual lines go through [`fast`], all else through the tokens again.

mod fast;
mod header;

use crate::capture::{Capture, Warning};
use crate::conclude::{Draft, choose, limits, review};
use crate::error::{WireError, quoted};
use crate::format::Format;
use crate::input::{Input, MAX_LINE};
use crate::settings::Settings;
use crate::time::MAX_TICKS;
use crate::track::Track;

use header::Header;

/// Reads a value change dump.
pub(crate) fn read(input: &mut Input<'_>, settings: &Settings) -> Result<Capture, WireError> {
    let mut reader = Reader::new(settings);
    loop {
        let ended = input.ended();
        let used = reader.tokens(input.data(), ended)?;
        input.consume(used);
        if let Stage::Body(body) = &mut reader.stage {
            let line = reader.line;
            review(body.wires.iter_mut().map(|wire| &mut wire.track), || {
                format!("line {line}")
            })?;
        }
        if ended {
            break;
        }
        if input.data().len() > MAX_LINE {
            return Err(WireError::line(
                reader.line,
                format!("{} and so on for {MAX_LINE} bytes", quoted(input.data())),
                "words with white space between",
                "check that the file is a value change dump",
            ));
        }
        input.more()?;
    }
    reader.conclude(input.total())
}

/// What the tokens mean at this point.
enum Stage {
    Header(Box<Header>),
    Body(Box<Body>),
}

struct Reader<'s> {
    settings: &'s Settings,
    stage: Stage,
    line: u64,
    warnings: Vec<Warning>,
}

/// A wire that is wanted.
struct Wire {
    name: String,
    direction: Option<crate::Direction>,
    track: Track,
    unknown: u64,
    is_unknown: bool,
}

/// What follows the token before.
#[derive(Clone, Copy, PartialEq)]
enum Expect {
    /// A time, a change or a keyword.
    Any,
    /// The identifier code of a vector of this level (`None` unknown), of one bit or not.
    VectorCode { level: Option<bool>, bit: bool },
    /// The identifier code of a value that is passed over.
    OtherCode,
    /// All up to `$end` is passed over.
    End,
}

struct Body {
    header: Header,
    wires: Vec<Wire>,
    /// Whether a time or a value was seen.
    started: bool,
    begin: i64,
    now: i64,
    expect: Expect,
    unfinished: bool,
}

impl<'s> Reader<'s> {
    fn new(settings: &'s Settings) -> Reader<'s> {
        Reader {
            settings,
            stage: Stage::Header(Box::default()),
            line: 1,
            warnings: Vec::new(),
        }
    }

    /// Takes in all whole tokens of `data`, the last one too where the input `ended`. Gives how many
    /// bytes were used.
    fn tokens(&mut self, data: &[u8], ended: bool) -> Result<usize, WireError> {
        let mut at = 0;
        loop {
            while let Some(space) = data.get(at).filter(|byte| byte.is_ascii_whitespace()) {
                self.line += u64::from(*space == b'\n');
                at += 1;
            }
            if let Stage::Body(body) = &mut self.stage {
                let (used, lines) = fast::changes(data.get(at..).unwrap_or(&[]), body);
                at += used;
                self.line += lines;
            }
            let rest = data.get(at..).unwrap_or(&[]);
            let length = rest.iter().position(u8::is_ascii_whitespace);
            let Some(length) = length.or((ended && !rest.is_empty()).then_some(rest.len())) else {
                return Ok(at);
            };
            let last = ended && length == rest.len();
            self.token(rest.get(..length).unwrap_or(&[]), last)?;
            at += length;
        }
    }

    /// Takes in one token. `last`: the input ends with it, perhaps in the middle of it.
    fn token(&mut self, token: &[u8], last: bool) -> Result<(), WireError> {
        match &mut self.stage {
            Stage::Header(header) => {
                if header.token(token, self.line)? {
                    self.begin_body()?;
                    // A body without `$enddefinitions`: this token is its first.
                    if token != b"$end" {
                        return self.token(token, last);
                    }
                }
                Ok(())
            }
            Stage::Body(body) => body.token(token, last, self.line),
        }
    }

    fn begin_body(&mut self) -> Result<(), WireError> {
        let Stage::Header(header) = &mut self.stage else {
            return Ok(());
        };
        let mut header = std::mem::take(&mut **header);
        let tick = header.tick(self.line)?;
        let chosen = choose(&self.settings.channels, header.names())?;
        let limits = limits(self.settings, tick);
        let mut wires = Vec::new();
        for (code, direction) in chosen {
            let Some((name, size)) = header.describe(code) else {
                continue;
            };
            if size != Some(1) {
                if self.settings.channels == crate::ChannelMap::Automatic {
                    continue;
                }
                return Err(WireError::line(
                    self.line,
                    match size {
                        Some(size) => format!("channel {name} with {size} bits"),
                        None => format!("channel {name} with real values"),
                    },
                    "a channel of one bit",
                    "choose another channel",
                ));
            }
            header.select(code, wires.len());
            wires.push(Wire {
                name,
                direction,
                track: Track::new(limits, self.settings.idle),
                unknown: 0,
                is_unknown: false,
            });
        }
        self.stage = Stage::Body(Box::new(Body {
            header,
            wires,
            started: false,
            begin: 0,
            now: 0,
            expect: Expect::Any,
            unfinished: false,
        }));
        Ok(())
    }

    fn conclude(mut self, bytes: u64) -> Result<Capture, WireError> {
        let body = match self.stage {
            Stage::Body(body) => body,
            Stage::Header(header) => {
                return Err(WireError::line(
                    self.line,
                    "the end of the input in the header",
                    header.expected(),
                    "check that the capture was saved whole",
                ));
            }
        };
        if body.unfinished || body.expect != Expect::Any {
            self.warnings.push(Warning::new(
                format!(
                    "the capture ends in the middle of a change, on line {}",
                    self.line
                ),
                "what came before was read; check that the capture was saved whole",
            ));
        }
        for wire in body.wires.iter().filter(|wire| wire.unknown > 0) {
            self.warnings.push(Warning::new(
                format!(
                    "the level of channel {} was unknown (x or z) {} times; an edge is taken to be where the other level is known again",
                    wire.name, wire.unknown
                ),
                "check the wiring and the capture device's input",
            ));
        }
        let tick = body.header.tick(self.line)?;
        let wires = body.wires.into_iter();
        Draft::of_edges(
            Format::Vcd,
            tick,
            [body.begin, body.now],
            wires.map(|wire| (wire.name, wire.direction, wire.track)),
            self.warnings,
            bytes,
        )
        .conclude(self.settings)
    }
}

impl Wire {
    /// The level from `time` on, where known.
    fn set(&mut self, time: i64, level: Option<bool>) {
        match level {
            Some(level) => {
                self.track.set(time, level);
                self.is_unknown = false;
            }
            // Before the first level there is nothing to be unsure of.
            None if self.track.level().is_some() && !self.is_unknown => {
                self.unknown += 1;
                self.is_unknown = true;
            }
            None => {}
        }
    }
}

impl Body {
    fn token(&mut self, token: &[u8], last: bool, line: u64) -> Result<(), WireError> {
        match self.expect {
            Expect::End => {
                if token == b"$end" {
                    self.expect = Expect::Any;
                }
                Ok(())
            }
            Expect::OtherCode => {
                self.expect = Expect::Any;
                Ok(())
            }
            Expect::VectorCode { level, bit } => {
                self.expect = Expect::Any;
                self.change(token, level, bit, last);
                Ok(())
            }
            Expect::Any => self.command(token, last, line),
        }
    }

    fn command(&mut self, token: &[u8], last: bool, line: u64) -> Result<(), WireError> {
        let (Some(&kind), rest) = (token.first(), token.get(1..).unwrap_or(&[])) else {
            return Ok(());
        };
        match kind {
            b'#' => self.time(rest, last, line),
            b'$' => {
                // The blocks of values are transparent; a comment, or a keyword of another
                // standard, is passed over.
                const TRANSPARENT: [&[u8]; 5] =
                    [b"$end", b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"];
                if last && !TRANSPARENT.contains(&token) {
                    self.unfinished = true;
                } else if !TRANSPARENT.contains(&token) {
                    self.expect = Expect::End;
                }
                Ok(())
            }
            b'b' | b'B' if last => {
                self.unfinished = true;
                Ok(())
            }
            b'b' | b'B' => {
                let level = match rest.last().copied().map(level_of) {
                    Some(Some(level)) => level,
                    _ => return Err(unexpected(token, line)),
                };
                let bit = rest.len() == 1;
                self.expect = Expect::VectorCode { level, bit };
                Ok(())
            }
            b'r' | b'R' | b's' | b'S' => {
                self.expect = Expect::OtherCode;
                Ok(())
            }
            _ => match level_of(kind) {
                Some(level) if !rest.is_empty() => {
                    self.change(rest, level, true, last);
                    Ok(())
                }
                Some(_) if last => {
                    self.unfinished = true;
                    Ok(())
                }
                _ => Err(unexpected(token, line)),
            },
        }
    }

    fn time(&mut self, digits: &[u8], last: bool, line: u64) -> Result<(), WireError> {
        let time = digits.iter().try_fold(0i64, |time, byte| {
            let digit = byte.checked_sub(b'0').filter(|digit| *digit < 10)?;
            let time = time.checked_mul(10)?.checked_add(i64::from(digit))?;
            (time <= MAX_TICKS).then_some(time)
        });
        match time.filter(|_| !digits.is_empty()) {
            Some(time) if !self.started => {
                self.started = true;
                self.begin = time;
                self.now = time;
            }
            Some(time) if time >= self.now => self.now = time,
            // The last number may lack its last digits.
            _ if last => self.unfinished = true,
            Some(time) => {
                return Err(WireError::line(
                    line,
                    format!("time {time} after time {}", self.now),
                    "times that never run backwards",
                    "check how the capture was made; join no captures without shifting their times",
                ));
            }
            None => {
                return Err(WireError::line(
                    line,
                    format!("time {}", quoted(digits)),
                    format!("a number from 0 to {MAX_TICKS}"),
                    "check that the file is whole",
                ));
            }
        }
        Ok(())
    }

    /// The wire with `code` has `level` now; `bit`: the value is one bit wide.
    fn change(&mut self, code: &[u8], level: Option<bool>, bit: bool, last: bool) {
        self.started = true;
        // An unfinished code may be the beginning of another.
        if last && self.header.is_beginning(code) {
            self.unfinished = true;
            return;
        }
        if let Some(wire) = self.header.wire(code).filter(|_| bit)
            && let Some(wire) = self.wires.get_mut(wire)
        {
            wire.set(self.now, level);
        }
    }
}

/// The level that a character stands for: `Some(None)` is an unknown one, `None` no level at all.
/// Besides the four of IEEE 1364 the others of IEEE 1164 are accepted.
fn level_of(character: u8) -> Option<Option<bool>> {
    match character.to_ascii_lowercase() {
        b'0' | b'l' => Some(Some(false)),
        b'1' | b'h' => Some(Some(true)),
        b'x' | b'z' | b'u' | b'w' | b'-' => Some(None),
        _ => None,
    }
}

fn unexpected(token: &[u8], line: u64) -> WireError {
    WireError::line(
        line,
        quoted(token),
        "a time (#123), a change (1! or b10 !) or a keyword ($dumpvars)",
        "check that the file is a value change dump and whole",
    )
}
