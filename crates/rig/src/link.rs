//! Link protocol 1: lines of ASCII between host and rig, each with a sum.
//!
//! A line is `<content>*<HH>` and a line feed, where `HH` is the XOR of the bytes of the content in two
//! upper-case hexadecimal digits. `docs/rig-link.md` gives the grammar to the byte. What isn't a whole
//! line with a right sum is dropped and counted, and reading goes on after the next line feed.

use std::fmt;

/// The protocol that this crate speaks.
pub const PROTOCOL: u32 = 1;

/// The longest line, with its line feed, in bytes; a longer one is dropped.
pub const MOST_LINE_BYTES: usize = 80;

/// What a rig says of itself.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Identity {
    /// Version of its firmware: 1 to 16 bytes, no blank among them.
    pub version: String,
    /// Nominal rate of its counter, in ticks a second; above 0.
    pub tick_hz: u32,
    /// How many inputs it times, 1 to 8.
    pub inputs: u8,
    /// What tells it from other rigs: 1 to 16 bytes, no blank among them.
    pub serial: String,
}

/// A line from the rig.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum FromRig {
    /// `RIG 1 <version> <tick_hz> <inputs> <serial>`: who it is; unasked after a reset.
    Identity(Identity),
    /// `RIG <protocol> ...` of a protocol that isn't known here.
    OtherProtocol(u32),
    /// `E <seq> <tick> <levels>`: an edge.
    Edge(Edge),
    /// `S <token> <tick>`: the answer to a sync.
    Sync {
        /// The token of the question.
        token: u32,
        /// Counter when the question was read.
        tick: u32,
    },
    /// `L <count>`: the rig lost so many edges, 1 or more, since the last one that it sent.
    Lost(u32),
    /// `H <tick>`: the counter some 50 ms ago at most, once a second; it may overtake edges.
    Heartbeat(u32),
}

/// An edge, as the rig sends it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Edge {
    /// Counts the edges from the reset on, lost ones too; wraps.
    pub sequence: u16,
    /// The counter, wrapping.
    pub tick: u32,
    /// A bit an input, the first in the lowest: the levels after the edge, 1 for a closed switch.
    pub levels: u8,
}

/// A line to the rig.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ToRig {
    /// `?`: who are you?
    Identify,
    /// `S <token>`: what is your counter?
    Sync(u32),
    /// `G`: send edges.
    Go,
    /// `X`: send no more edges.
    Stop,
}

/// Something that is written as the content of a line.
pub trait Message: Sized {
    /// Reads the content, without star and sum; `None` if it is nothing known.
    fn parse(content: &str) -> Option<Self>;

    /// Writes the content, without star and sum.
    fn content(&self) -> String;

    /// The whole line, with sum and line feed.
    fn line(&self) -> String {
        let content = self.content();
        format!("{content}*{:02X}\n", sum(content.as_bytes()))
    }
}

/// The XOR of `bytes`.
pub fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum ^ byte)
}

impl Message for FromRig {
    fn parse(content: &str) -> Option<FromRig> {
        let mut fields = Fields::new(content);
        let message = match fields.word()? {
            "E" => FromRig::Edge(Edge {
                sequence: u16::try_from(fields.hex(4)?).ok()?,
                tick: fields.hex(8)?,
                levels: u8::try_from(fields.hex(2)?).ok()?,
            }),
            "H" => FromRig::Heartbeat(fields.hex(8)?),
            "S" => FromRig::Sync {
                token: fields.hex(8)?,
                tick: fields.hex(8)?,
            },
            "L" => FromRig::Lost(fields.decimal().filter(|count| *count > 0)?),
            "RIG" => match fields.decimal()? {
                PROTOCOL => {
                    let identity = Identity {
                        version: fields.name()?.to_owned(),
                        tick_hz: fields.decimal()?,
                        inputs: u8::try_from(fields.decimal()?).ok()?,
                        serial: fields.name()?.to_owned(),
                    };
                    if identity.tick_hz == 0 || !(1..=8).contains(&identity.inputs) {
                        return None;
                    }
                    FromRig::Identity(identity)
                }
                // What follows the number is that protocol's.
                other => return Some(FromRig::OtherProtocol(other)),
            },
            _ => return None,
        };
        fields.end().then_some(message)
    }

    fn content(&self) -> String {
        match self {
            FromRig::Identity(identity) => format!("RIG {PROTOCOL} {identity}"),
            FromRig::OtherProtocol(number) => format!("RIG {number}"),
            FromRig::Edge(edge) => {
                format!(
                    "E {:04X} {:08X} {:02X}",
                    edge.sequence, edge.tick, edge.levels
                )
            }
            FromRig::Sync { token, tick } => format!("S {token:08X} {tick:08X}"),
            FromRig::Lost(count) => format!("L {count}"),
            FromRig::Heartbeat(tick) => format!("H {tick:08X}"),
        }
    }
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} {} {} {}",
            self.version, self.tick_hz, self.inputs, self.serial
        )
    }
}

impl Message for ToRig {
    fn parse(content: &str) -> Option<ToRig> {
        let mut fields = Fields::new(content);
        let message = match fields.word()? {
            "?" => ToRig::Identify,
            "S" => ToRig::Sync(fields.hex(8)?),
            "G" => ToRig::Go,
            "X" => ToRig::Stop,
            _ => return None,
        };
        fields.end().then_some(message)
    }

    fn content(&self) -> String {
        match self {
            ToRig::Identify => "?".to_owned(),
            ToRig::Sync(token) => format!("S {token:08X}"),
            ToRig::Go => "G".to_owned(),
            ToRig::Stop => "X".to_owned(),
        }
    }
}

/// The fields of a content, with one blank between.
struct Fields<'a>(std::str::Split<'a, char>);

impl<'a> Fields<'a> {
    fn new(content: &'a str) -> Fields<'a> {
        Fields(content.split(' '))
    }

    fn word(&mut self) -> Option<&'a str> {
        self.0.next().filter(|word| !word.is_empty())
    }

    /// Just so many upper-case digits: a flipped bit is noticed more often than with any number
    /// of them in any case.
    fn hex(&mut self, digits: usize) -> Option<u32> {
        let word = self.word()?;
        let proper = |byte: u8| byte.is_ascii_digit() || (b'A'..=b'F').contains(&byte);
        if word.len() != digits || !word.bytes().all(proper) {
            return None;
        }
        u32::from_str_radix(word, 16).ok()
    }

    fn decimal(&mut self) -> Option<u32> {
        let word = self.word()?;
        let leading_zero = word.len() > 1 && word.starts_with('0');
        if leading_zero || !word.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        word.parse().ok()
    }

    /// A word of 1 to 16 bytes.
    fn name(&mut self) -> Option<&'a str> {
        self.word().filter(|word| word.len() <= 16)
    }

    fn end(&mut self) -> bool {
        self.0.next().is_none()
    }
}

/// What a reader counted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct LineCounts {
    /// Lines with a right sum and a known content.
    pub good: u64,
    /// Lines without a right sum: no star, no sum, a wrong one, too long.
    pub bad_sums: u64,
    /// Lines with a right sum and an unknown content.
    pub unknown: u64,
}

/// One line, or what came in its place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Received<M> {
    /// A line with a right sum.
    Message(M),
    /// A line with a wrong sum or none: anything may have stood there.
    Damaged,
    /// A line with a right sum that isn't known; to be skipped.
    Unknown,
}

/// Puts lines together from bytes that come in any chunks.
///
/// ```
/// use rig::link::{FromRig, LineReader, Received};
/// let mut reader = LineReader::new();
/// let mut lines = Vec::new();
/// reader.push(b"H 00000", &mut |line| lines.push(line));
/// reader.push(b"02A*1B\n", &mut |line| lines.push(line));
/// assert_eq!(lines, [Received::Message(FromRig::Heartbeat(42))]);
/// ```
#[derive(Clone, Debug)]
pub struct LineReader<M = FromRig> {
    part: Vec<u8>,
    /// The line is too long already: skip to its end.
    skipping: bool,
    counts: LineCounts,
    kind: std::marker::PhantomData<M>,
}

impl<M> Default for LineReader<M> {
    fn default() -> LineReader<M> {
        LineReader {
            part: Vec::with_capacity(MOST_LINE_BYTES),
            skipping: false,
            counts: LineCounts::default(),
            kind: std::marker::PhantomData,
        }
    }
}

impl<M: Message> LineReader<M> {
    /// A reader at the beginning of a line.
    pub fn new() -> LineReader<M> {
        LineReader::default()
    }

    /// Takes in `bytes` and hands each line that ends in them to `take`. Empty lines are skipped.
    pub fn push(&mut self, bytes: &[u8], take: &mut impl FnMut(Received<M>)) {
        for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
            let (text, ended) = match piece.split_last() {
                Some((b'\n', text)) => (text, true),
                _ => (piece, false),
            };
            if self.skipping || self.part.len() + text.len() >= MOST_LINE_BYTES {
                self.skipping = true;
                self.part.clear();
            } else {
                self.part.extend_from_slice(text);
            }
            if ended && let Some(received) = self.finish() {
                take(received);
            }
        }
    }

    /// What was counted so far.
    pub fn counts(&self) -> LineCounts {
        self.counts
    }

    /// Drops a line that has begun, without counting it: after a break of the connection.
    pub fn forget_part(&mut self) {
        self.part.clear();
        self.skipping = false;
    }

    fn finish(&mut self) -> Option<Received<M>> {
        if std::mem::take(&mut self.skipping) {
            self.counts.bad_sums += 1;
            return Some(Received::Damaged);
        }
        if self.part.is_empty() {
            return None;
        }
        let received = match checked(&self.part) {
            None => Received::Damaged,
            Some(content) => match M::parse(content) {
                Some(message) => Received::Message(message),
                None => Received::Unknown,
            },
        };
        self.part.clear();
        match received {
            Received::Message(_) => self.counts.good += 1,
            Received::Damaged => self.counts.bad_sums += 1,
            Received::Unknown => self.counts.unknown += 1,
        }
        Some(received)
    }
}

/// The content of a line without its line feed, if its sum is right.
fn checked(line: &[u8]) -> Option<&str> {
    let (content, sum_bytes) = line.split_at_checked(line.len().checked_sub(3)?)?;
    let &[b'*', high, low] = sum_bytes else {
        return None;
    };
    let digit = |byte: u8| match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'A'..=b'F' => Some(byte - b'A' + 10),
        _ => None,
    };
    let right = digit(high)? << 4 | digit(low)? == sum(content);
    let allowed = |byte: &u8| (b' '..=b'~').contains(byte) && *byte != b'*';
    let printable = content.iter().all(allowed);
    (right && printable && !content.is_empty())
        .then(|| std::str::from_utf8(content).ok())
        .flatten()
}

/// Watches the sequence of the edges.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SequenceCheck {
    next: Option<u16>,
}

impl SequenceCheck {
    /// Takes the sequence of an edge; the number of edges missing before it (modulo 65,536).
    pub fn take(&mut self, sequence: u16) -> u16 {
        let missing = self.next.map_or(0, |next| sequence.wrapping_sub(next));
        self.next = Some(sequence.wrapping_add(1));
        missing
    }

    /// Forgets the sequence: the next edge starts it.
    pub fn restart(&mut self) {
        self.next = None;
    }
}

#[cfg(test)]
mod tests;
