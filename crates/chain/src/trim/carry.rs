//! A correction too short for the chain, kept and added to the next.

use super::{Below, Trim};

/// What is owed on one axis, in signed microseconds of wanted width: one direction counts up, the other
/// down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Carry {
    owed_us: i64,
}

impl Carry {
    /// Nothing owed.
    pub fn new() -> Carry {
        Carry::default()
    }

    /// What is owed, us.
    pub fn owed_us(&self) -> i64 {
        self.owed_us
    }

    /// Adds a wanted correction and gives what is to be sent now: the wanted width that it stands for,
    /// us, signed, and the width to request for it. The sum of all that is sent and of what is owed is
    /// always the sum of all that was wanted.
    ///
    /// Where `trim` doesn't carry, every correction stands for itself.
    pub fn next(&mut self, trim: &Trim, wanted_us: i32) -> (i64, u32) {
        let total = match trim.below {
            Below::Carry => self.owed_us + i64::from(wanted_us),
            Below::Skip | Below::Floor => i64::from(wanted_us),
        };
        let size = u32::try_from(total.unsigned_abs()).unwrap_or(u32::MAX);
        if trim.below == Below::Carry && size < trim.shortest_us {
            self.owed_us = total;
            return (0, 0);
        }
        self.owed_us = 0;
        (total, trim.request_us(size))
    }
}
