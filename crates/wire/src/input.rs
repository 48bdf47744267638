//! The bytes of an input, a bounded window at a time.

use std::io::{self, Read};

use crate::error::{WireError, quoted};

/// The window. Larger ones fall out of a processor's second-level cache and are no faster.
const WINDOW: usize = 256 * 1024;
/// The longest line of text that is accepted, and the longest token of a VCD, in bytes.
pub(crate) const MAX_LINE: usize = 64 * 1024;

/// A line of text.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line<'i> {
    /// From 1.
    pub(crate) number: u64,
    /// Without its end (LF or CR LF).
    pub(crate) text: &'i [u8],
    /// Whether an end of line followed; the last line of a file that was cut off has none.
    pub(crate) whole: bool,
}

/// An input with what was read of it and not used yet.
pub(crate) struct Input<'a> {
    reader: &'a mut dyn Read,
    on_progress: &'a mut dyn FnMut(u64),
    window: Vec<u8>,
    start: usize,
    end: usize,
    total: u64,
    ended: bool,
    lines: u64,
}

impl<'a> Input<'a> {
    pub(crate) fn new(reader: &'a mut dyn Read, on_progress: &'a mut dyn FnMut(u64)) -> Input<'a> {
        Input {
            reader,
            on_progress,
            window: vec![0; WINDOW],
            start: 0,
            end: 0,
            total: 0,
            ended: false,
            lines: 0,
        }
    }

    /// What was read and not consumed yet.
    pub(crate) fn data(&self) -> &[u8] {
        self.window.get(self.start..self.end).unwrap_or(&[])
    }

    /// Drops the first `count` bytes of [`Input::data`].
    pub(crate) fn consume(&mut self, count: usize) {
        self.start = (self.start + count).min(self.end);
    }

    /// Whether the end of the input was met; `data` holds all that is left then.
    pub(crate) fn ended(&self) -> bool {
        self.ended
    }

    /// Bytes read so far, used or not.
    pub(crate) fn total(&self) -> u64 {
        self.total
    }

    /// The place of the first byte of [`Input::data`] in the input.
    pub(crate) fn offset(&self) -> u64 {
        self.total - (self.end - self.start) as u64
    }

    /// Reads more behind what is left. Gives `false` at the end of the input, and when the window
    /// is full of what wasn't consumed.
    pub(crate) fn more(&mut self) -> Result<bool, WireError> {
        if self.ended {
            return Ok(false);
        }
        self.window.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        let Some(room) = self.window.get_mut(self.end..).filter(|r| !r.is_empty()) else {
            return Ok(false);
        };
        let size = room.len();
        let count = loop {
            match self.reader.read(room) {
                // A reader that claims more than it was given room for is held to the room.
                Ok(count) => break count.min(size),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(source) => {
                    return Err(WireError::Read {
                        bytes: self.total,
                        source,
                    });
                }
            }
        };
        self.end += count;
        self.total += count as u64;
        self.ended = count == 0;
        (self.on_progress)(self.total);
        Ok(!self.ended)
    }

    /// Reads until `count` bytes are there, or the input ends.
    pub(crate) fn at_least(&mut self, count: usize) -> Result<bool, WireError> {
        while self.data().len() < count {
            if !self.more()? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// The next line; `None` at the end of the input.
    pub(crate) fn line(&mut self) -> Result<Option<Line<'_>>, WireError> {
        let mut scanned = 0;
        let (length, whole) = loop {
            let data = self.data();
            if let Some(at) = data
                .get(scanned..)
                .and_then(|rest| memchr::memchr(b'\n', rest))
            {
                break (scanned + at, true);
            }
            scanned = data.len();
            if scanned > MAX_LINE {
                break (scanned, false);
            }
            if !self.more()? {
                if self.data().is_empty() {
                    return Ok(None);
                }
                break (scanned, false);
            }
        };
        self.lines += 1;
        if length > MAX_LINE {
            return Err(WireError::line(
                self.lines,
                format!(
                    "a line of more than {MAX_LINE} bytes that begins {}",
                    quoted(self.data())
                ),
                "lines of text",
                "check that the file is what it is meant to be",
            ));
        }
        let start = self.start;
        self.consume(length + usize::from(whole));
        let line = self.window.get(start..start + length).unwrap_or(&[]);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        Ok(Some(Line {
            number: self.lines,
            // A byte order mark is no part of the text.
            text: match self.lines {
                1 => line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line),
                _ => line,
            },
            whole,
        }))
    }
}
