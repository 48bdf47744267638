//! The correction as a broken line in time, and the integrals of the true error along it.

use std::collections::VecDeque;

/// A stretch of time in which the mount moves.
#[derive(Debug, Clone, Copy, Default)]
struct Move {
    from: f64,
    to: f64,
    rate: f64,
}

/// The correction as a broken line.
#[derive(Debug, Clone, Default)]
pub(crate) struct Correction {
    value: f64,
    /// The move that is on or comes next; one that ended long ago when there is none.
    front: Move,
    /// Moves after it: there are some only when the chain is later than a frame.
    later: VecDeque<Move>,
    free_at: f64,
    /// Backlash in s of motion.
    backlash: f64,
    /// Play between 0 (in touch for the negative direction) and the backlash (for the positive).
    play: f64,
}

/// Integrals of the true error and of its square.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Totals {
    pub time: f64,
    pub error: f64,
    pub square: f64,
}

impl Totals {
    /// The error goes straight from `e0` to `e1` in `h` seconds.
    #[inline]
    fn add(&mut self, h: f64, e0: f64, e1: f64) {
        self.time += h;
        self.error += 0.5 * h * (e0 + e1);
        self.square += h * (e0 * e0 + e0 * e1 + e1 * e1) * (1.0 / 3.0);
    }
}

/// A piece of time in which the disturbance goes straight.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece {
    /// Its ends in s.
    pub from: f64,
    pub to: f64,
    /// The disturbance at its ends in arcsec.
    pub start: f64,
    pub end: f64,
}

impl Correction {
    /// No correction yet, in touch for the positive direction. The backlash is told by the time in
    /// s that a pulse needs to take it up.
    pub fn new(backlash_s: f64) -> Self {
        Self {
            backlash: backlash_s,
            play: backlash_s,
            ..Self::default()
        }
    }

    /// The correction now, in arcsec.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Goes through a piece of time; adds to the totals and returns what the moves within it add to
    /// the integral of the correction up to `until_s`, in arcsec s.
    #[inline]
    pub fn cross(&mut self, piece: &Piece, until_s: f64, totals: &mut Totals) -> f64 {
        let Piece {
            from,
            to,
            start,
            end,
        } = *piece;
        if self.front.to <= from && self.later.is_empty() || self.front.from >= to {
            totals.add(to - from, start - self.value, end - self.value);
            return 0.0;
        }
        self.cross_moves(piece, until_s, totals)
    }

    /// The same with moves in it.
    fn cross_moves(&mut self, piece: &Piece, until_s: f64, totals: &mut Totals) -> f64 {
        let slope = (piece.end - piece.start) / (piece.to - piece.from);
        let mut integral = 0.0;
        let (mut now, mut d) = (piece.from, piece.start);
        while now < piece.to {
            let front = self.front;
            let (until, rate) = if front.to <= now {
                match self.later.pop_front() {
                    None => (piece.to, 0.0),
                    Some(next) => {
                        self.front = next;
                        continue;
                    }
                }
            } else if front.from > now {
                (smaller(front.from, piece.to), 0.0)
            } else {
                (smaller(front.to, piece.to), front.rate)
            };
            let h = until - now;
            let moved = rate * h;
            let value = self.value + moved;
            let next = if until == piece.to {
                piece.end
            } else {
                piece.start + slope * (until - piece.from)
            };
            integral += moved * (until_s - 0.5 * (now + until));
            totals.add(h, d - self.value, next - value);
            self.value = value;
            d = next;
            now = until;
        }
        integral
    }

    /// Starts a pulse of `width_s` at `at` or when the one before it has ended, at `rate` arcsec/s
    /// with its sign; `now` is the instant to which the line was followed.
    #[inline]
    pub fn pulse(&mut self, now: f64, at: f64, width_s: f64, rate: f64) {
        let from = larger(at, self.free_at);
        let to = from + width_s;
        self.free_at = to;
        let touch = if self.backlash > 0.0 {
            // Without a branch, for the direction can't be foretold.
            let reach = 0.5 * self.backlash;
            let free = reach - (self.play - reach) * 1f64.copysign(rate);
            let taken = smaller(free, width_s);
            self.play += taken.copysign(rate);
            from + taken
        } else {
            from
        };
        // A pulse that the play swallows is a move of no length.
        let next = Move {
            from: touch,
            to,
            rate,
        };
        if self.front.to <= now && self.later.is_empty() {
            self.front = next;
        } else {
            self.later.push_back(next);
        }
    }
}

/// The larger of two numbers that are none of them NaN; `f64::max` looks for NaN, which takes
/// four times as long.
#[inline]
pub(crate) fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// The smaller, as [`larger`].
#[inline]
pub(crate) fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}
