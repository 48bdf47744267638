//! The header of a value change dump: timescale, scopes, variables.

use std::collections::HashMap;

use crate::error::{WireError, quoted};
use crate::time::TickLength;

/// The most variables that a header may declare: far above what a logic analyzer has, and few enough
/// to keep their names in some megabytes.
const MAX_VARIABLES: usize = 20_000;
/// The longest name with its scopes, in bytes.
const MAX_NAME: usize = 1_000;
/// Identifier codes of one or two characters are looked up in a table.
const TABLE: usize = 256 + 65_536;

/// A command of the header whose tokens are being read.
#[derive(Clone, Copy, Default, PartialEq)]
enum Command {
    #[default]
    None,
    Timescale,
    Scope,
    Upscope,
    Var,
    EndDefinitions,
    /// One whose content doesn't matter.
    Other,
}

/// A declared variable; several may share a code.
struct Variable {
    name: String,
    code: usize,
}

/// What the header says.
#[derive(Default)]
pub(super) struct Header {
    command: Command,
    /// The tokens of the command; of `$var` all, else as many as matter.
    words: Vec<Vec<u8>>,
    /// Bytes in `words`.
    word_bytes: usize,
    tick: Option<TickLength>,
    scopes: Vec<String>,
    variables: Vec<Variable>,
    /// Each code with its size in bits, `None` for a real one.
    codes: Vec<(Vec<u8>, Option<u64>)>,
    by_code: HashMap<Vec<u8>, usize>,
    /// The wire of each code that is wanted: of short codes by their characters.
    table: Vec<u32>,
    wires: HashMap<Vec<u8>, usize>,
}

impl Header {
    /// Takes in a token. Gives `true` where the body begins: with this token, or after it where it
    /// is the `$end` of `$enddefinitions`.
    pub(super) fn token(&mut self, token: &[u8], line: u64) -> Result<bool, WireError> {
        if self.command == Command::None {
            self.command = match token {
                b"$timescale" => Command::Timescale,
                b"$scope" => Command::Scope,
                b"$upscope" => Command::Upscope,
                b"$var" => Command::Var,
                b"$enddefinitions" => Command::EndDefinitions,
                b"$dumpvars" | b"$dumpall" | b"$dumpon" | b"$dumpoff" => return Ok(true),
                // An `$end` too many does no harm.
                b"$end" => Command::None,
                [b'$', ..] => Command::Other,
                // Some writers leave `$enddefinitions` out.
                [b'#', ..] if !self.variables.is_empty() => return Ok(true),
                _ => {
                    return Err(WireError::line(
                        line,
                        quoted(token),
                        self.expected(),
                        "check that the file is a value change dump",
                    ));
                }
            };
            return Ok(false);
        }
        if token != b"$end" {
            if self.command != Command::Other {
                self.word_bytes += token.len();
                if self.word_bytes > MAX_NAME || self.words.len() > MAX_NAME {
                    return Err(WireError::line(
                        line,
                        format!("a declaration of more than {MAX_NAME} bytes"),
                        "`$end` before that",
                        "check that the file is whole",
                    ));
                }
                self.words.push(token.to_vec());
            }
            return Ok(false);
        }
        let words = std::mem::take(&mut self.words);
        self.word_bytes = 0;
        match std::mem::take(&mut self.command) {
            Command::Timescale => self.tick = Some(timescale(&words, line)?),
            Command::Scope => {
                let name = words.get(1).map_or(&b""[..], |name| name);
                self.scopes.push(String::from_utf8_lossy(name).into_owned());
                if self.scopes.len() > MAX_NAME {
                    return Err(WireError::line(
                        line,
                        format!("{} scopes within each other", self.scopes.len()),
                        format!("at most {MAX_NAME}"),
                        "check that the file is whole",
                    ));
                }
            }
            Command::Upscope => {
                self.scopes.pop();
            }
            Command::Var => self.declare(&words, line)?,
            Command::EndDefinitions => return Ok(true),
            Command::Other | Command::None => {}
        }
        Ok(false)
    }

    fn declare(&mut self, words: &[Vec<u8>], line: u64) -> Result<(), WireError> {
        let bad = |found: String| {
            WireError::line(
                line,
                found,
                "a variable such as `$var wire 1 ! NAME $end`",
                "check that the file is whole",
            )
        };
        let [kind, size, code, reference @ ..] = words else {
            return Err(bad(format!("a variable of {} words", words.len())));
        };
        let bits = std::str::from_utf8(size).ok().and_then(|s| s.parse().ok());
        let Some(bits) = bits else {
            return Err(bad(format!("size {}", quoted(size))));
        };
        let size = match kind.as_slice() {
            b"real" | b"realtime" | b"string" | b"event" => None,
            _ => Some(bits),
        };
        let mut name = self.scopes.join(".");
        if !name.is_empty() {
            name.push('.');
        }
        for word in reference {
            name.push_str(&String::from_utf8_lossy(word));
        }
        if reference.is_empty() {
            name.push_str(&String::from_utf8_lossy(code));
        }
        if name.len() > MAX_NAME || self.variables.len() >= MAX_VARIABLES {
            return Err(WireError::line(
                line,
                format!(
                    "{} variables, the last with a name of {} bytes",
                    self.variables.len() + 1,
                    name.len()
                ),
                format!("at most {MAX_VARIABLES} variables with names of up to {MAX_NAME} bytes"),
                "save only the channels that are needed",
            ));
        }
        let next = self.codes.len();
        let index = *self.by_code.entry(code.clone()).or_insert(next);
        if index == next {
            self.codes.push((code.clone(), size));
        }
        self.variables.push(Variable { name, code: index });
        Ok(())
    }

    /// The length of a tick.
    pub(super) fn tick(&self, line: u64) -> Result<TickLength, WireError> {
        self.tick.ok_or_else(|| {
            WireError::line(
                line,
                "no `$timescale` in the header",
                "a timescale such as `$timescale 1 us $end`",
                "without it times have no unit: write it into the header",
            )
        })
    }

    /// What is missing of the header.
    pub(super) fn expected(&self) -> &'static str {
        match self.command {
            Command::None => "a declaration ($var ...) or `$enddefinitions $end`",
            _ => "the `$end` of a declaration, and `$enddefinitions $end`",
        }
    }

    /// Each declared name with the index of its code.
    pub(super) fn names(&self) -> impl Iterator<Item = (usize, &str)> + Clone {
        self.variables
            .iter()
            .map(|variable| (variable.code, variable.name.as_str()))
    }

    /// The first name and the size of the code with index `code`.
    pub(super) fn describe(&self, code: usize) -> Option<(String, Option<u64>)> {
        let variable = self.variables.iter().find(|v| v.code == code)?;
        Some((variable.name.clone(), self.codes.get(code)?.1))
    }

    /// Makes the code with index `code` that of the wire with index `wire`.
    pub(super) fn select(&mut self, code: usize, wire: usize) {
        if self.table.is_empty() {
            self.table = vec![u32::MAX; TABLE];
        }
        let Some((code, _)) = self.codes.get(code) else {
            return;
        };
        match slot(code).and_then(|slot| self.table.get_mut(slot)) {
            Some(entry) => *entry = wire as u32,
            None => {
                self.wires.insert(code.clone(), wire);
            }
        }
    }

    /// The wire of `code`, where it is wanted.
    pub(super) fn wire(&self, code: &[u8]) -> Option<usize> {
        match slot(code) {
            Some(slot) => self
                .table
                .get(slot)
                .filter(|entry| **entry != u32::MAX)
                .map(|entry| *entry as usize),
            None => self.wires.get(code).copied(),
        }
    }

    /// Whether another code begins with all of `code`.
    pub(super) fn is_beginning(&self, code: &[u8]) -> bool {
        self.codes
            .iter()
            .any(|(other, _)| other.len() > code.len() && other.starts_with(code))
    }
}

fn slot(code: &[u8]) -> Option<usize> {
    match code {
        [only] => Some(usize::from(*only)),
        [first, second] => Some(256 + usize::from(*first) * 256 + usize::from(*second)),
        _ => None,
    }
}

/// A timescale: 1, 10 or 100 of s, ms, us, ns, ps or fs, with or without space between.
fn timescale(words: &[Vec<u8>], line: u64) -> Result<TickLength, WireError> {
    let text = words.concat();
    let digits = text.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let (number, unit) = text.split_at(digits);
    let number = match number {
        b"1" => Some(1),
        b"10" => Some(10),
        b"100" => Some(100),
        _ => None,
    };
    let per_second: Option<u64> = match unit.to_ascii_lowercase().as_slice() {
        b"s" => Some(1),
        b"ms" => Some(1_000),
        b"us" => Some(1_000_000),
        b"ns" => Some(1_000_000_000),
        b"ps" => Some(1_000_000_000_000),
        b"fs" => Some(1_000_000_000_000_000),
        _ => None,
    };
    match (number, per_second) {
        (Some(number), Some(per_second)) => Ok(TickLength::new(number, per_second)),
        _ => Err(WireError::line(
            line,
            format!("timescale {}", quoted(&text)),
            "1, 10 or 100 and one of s, ms, us, ns, ps, fs",
            "write the timescale in this form",
        )),
    }
}
