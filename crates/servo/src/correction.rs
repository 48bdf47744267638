//! The correction as a broken line in time, and the integrals of the true error along it.

use crate::stream::{LANES, Lanes};
use std::collections::VecDeque;

/// A stretch of time in which the mount moves.
#[derive(Debug, Clone, Copy, Default)]
struct Move {
    from: f64,
    to: f64,
    rate: f64,
}

/// The correction of the trials side by side as broken lines.
#[derive(Debug, Clone)]
pub(crate) struct Correction {
    value: [f64; LANES],
    /// The move that is on or comes next; one that ended long ago when there is none.
    from: [f64; LANES],
    to: [f64; LANES],
    rate: [f64; LANES],
    /// Moves after it: there are some only when the chain is later than a frame.
    later: [VecDeque<Move>; LANES],
    /// How many moves wait in all trials.
    waiting: usize,
    free_at: [f64; LANES],
    /// Backlash in s of motion.
    backlash: f64,
    /// Play between 0 (in touch for the negative direction) and the backlash (for the positive).
    play: [f64; LANES],
}

/// Integrals of the true error and of its square.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Totals {
    pub time: Lanes,
    pub error: Lanes,
    pub square: Lanes,
}

impl Totals {
    /// The error goes straight from `e0` to `e1` in `h` seconds.
    #[inline]
    fn add(&mut self, h: Lanes, e0: Lanes, e1: Lanes) {
        self.time += h;
        self.error += h * 0.5 * (e0 + e1);
        self.square += h * (e0 * e0 + e0 * e1 + e1 * e1) * (1.0 / 3.0);
    }

    fn add_one(&mut self, lane: usize, h: f64, e0: f64, e1: f64) {
        self.time.as_mut_array()[lane] += h;
        self.error.as_mut_array()[lane] += 0.5 * h * (e0 + e1);
        self.square.as_mut_array()[lane] += h * (e0 * e0 + e0 * e1 + e1 * e1) * (1.0 / 3.0);
    }
}

/// A piece of time in which the disturbance goes straight.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece<Number> {
    /// Its ends in s.
    pub from: f64,
    pub to: f64,
    /// The disturbance at its ends in arcsec.
    pub start: Number,
    pub end: Number,
    /// End in s of the stretch that it is a piece of.
    pub until: f64,
}

impl Piece<Lanes> {
    /// The piece in one trial.
    pub fn of(&self, lane: usize) -> Piece<f64> {
        Piece {
            from: self.from,
            to: self.to,
            start: self.start.as_array()[lane],
            end: self.end.as_array()[lane],
            until: self.until,
        }
    }
}

impl Correction {
    /// No correction yet, in touch for the positive direction. The backlash is told by the time in
    /// s that a pulse needs to take it up.
    pub fn new(backlash_s: f64) -> Self {
        Self {
            value: [0.0; LANES],
            from: [0.0; LANES],
            to: [0.0; LANES],
            rate: [0.0; LANES],
            later: Default::default(),
            waiting: 0,
            free_at: [0.0; LANES],
            backlash: backlash_s,
            play: [backlash_s; LANES],
        }
    }

    /// The correction now, in arcsec.
    pub fn value(&self) -> Lanes {
        Lanes::new(self.value)
    }

    /// Goes through a piece of time; adds to the totals and returns what the moves within it add to
    /// the integral of the correction up to the end of the stretch, in arcsec s.
    #[inline]
    pub fn cross(&mut self, piece: &Piece<Lanes>, totals: &mut Totals) -> Lanes {
        if self.waiting > 0 {
            let each = |lane| self.cross_one(lane, &piece.of(lane), totals);
            return Lanes::new(std::array::from_fn(each));
        }
        let (from, to) = (Lanes::splat(piece.from), Lanes::splat(piece.to));
        let value = self.value();
        let move_to = Lanes::new(self.to);
        if move_to.simd_le(from).all() {
            totals.add(to - from, piece.start - value, piece.end - value);
            return Lanes::ZERO;
        }
        // One move at most in each trial: before it, within it and after it. What lies outside the
        // piece gets no length and adds nothing.
        let on = Lanes::new(self.from).fast_max(from).fast_min(to);
        let off = move_to.fast_max(from).fast_min(to);
        let slope = (piece.end - piece.start) / (to - from);
        let at = |time: Lanes| {
            let between = piece.start + slope * (time - from);
            time.simd_eq(to).select(piece.end, between)
        };
        let (at_on, at_off) = (at(on), at(off));
        let moved = Lanes::new(self.rate) * (off - on);
        let moved_to = value + moved;
        totals.add(on - from, piece.start - value, at_on - value);
        totals.add(off - on, at_on - value, at_off - moved_to);
        totals.add(to - off, at_off - moved_to, piece.end - moved_to);
        self.value = moved_to.to_array();
        moved * (piece.until - 0.5 * (on + off))
    }

    /// The same for one trial, with any number of moves.
    pub fn cross_one(&mut self, lane: usize, piece: &Piece<f64>, totals: &mut Totals) -> f64 {
        if self.to[lane] <= piece.from && self.later[lane].is_empty() || self.from[lane] >= piece.to
        {
            let value = self.value[lane];
            totals.add_one(
                lane,
                piece.to - piece.from,
                piece.start - value,
                piece.end - value,
            );
            return 0.0;
        }
        let slope = (piece.end - piece.start) / (piece.to - piece.from);
        let mut integral = 0.0;
        let (mut now, mut d) = (piece.from, piece.start);
        while now < piece.to {
            let (until, rate) = if self.to[lane] <= now {
                match self.later[lane].pop_front() {
                    None => (piece.to, 0.0),
                    Some(next) => {
                        self.waiting -= 1;
                        self.begin(lane, next);
                        continue;
                    }
                }
            } else if self.from[lane] > now {
                (smaller(self.from[lane], piece.to), 0.0)
            } else {
                (smaller(self.to[lane], piece.to), self.rate[lane])
            };
            let h = until - now;
            let moved = rate * h;
            let value = self.value[lane] + moved;
            let next = if until == piece.to {
                piece.end
            } else {
                piece.start + slope * (until - piece.from)
            };
            integral += moved * (piece.until - 0.5 * (now + until));
            totals.add_one(lane, h, d - self.value[lane], next - value);
            self.value[lane] = value;
            d = next;
            now = until;
        }
        integral
    }

    fn begin(&mut self, lane: usize, next: Move) {
        self.from[lane] = next.from;
        self.to[lane] = next.to;
        self.rate[lane] = next.rate;
    }

    /// Starts a pulse of `width_s` in one trial at `at` or when the one before it has ended, at
    /// `rate` arcsec/s with its sign; `now` is the instant to which the line was followed. When it
    /// starts, in s.
    #[inline]
    pub fn pulse(&mut self, lane: usize, now: f64, at: f64, width_s: f64, rate: f64) -> f64 {
        let from = larger(at, self.free_at[lane]);
        let to = from + width_s;
        self.free_at[lane] = to;
        let touch = if self.backlash > 0.0 {
            // Without a branch, for the direction can't be foretold.
            let reach = 0.5 * self.backlash;
            let free = reach - (self.play[lane] - reach) * 1f64.copysign(rate);
            let taken = smaller(free, width_s);
            self.play[lane] += taken.copysign(rate);
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
        if self.to[lane] <= now && self.later[lane].is_empty() {
            self.begin(lane, next);
        } else {
            self.later[lane].push_back(next);
            self.waiting += 1;
        }
        from
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
