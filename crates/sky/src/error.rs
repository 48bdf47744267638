//! The error of this crate: a setup that can't be used.

use std::fmt;

/// Why a setup can't be used: every fault that was found, in the order of the file.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub struct SetupError {
    /// At least one fault.
    pub faults: Vec<Fault>,
}

/// One thing that is wrong with a setup. Its text names line, key, what was found, what was
/// expected and the way out; the name of the file is the caller's to put in front.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fault {
    /// Line of the file, from 1. None where the setup did not come from a file, or where the
    /// value is a default that has no line.
    pub line: Option<usize>,
    /// Section and key, as `mount.ra_rate`; empty for what concerns the whole file.
    pub key: String,
    /// What stands there.
    pub found: String,
    /// What may stand there.
    pub expected: String,
    /// The way out.
    pub advice: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "line {line}: ")?;
        }
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        write!(
            f,
            "found {}, expected {}; {}",
            self.found, self.expected, self.advice
        )
    }
}

impl fmt::Display for SetupError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.faults.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            fault.fmt(f)?;
        }
        Ok(())
    }
}
