//! The usual lines of a body, many at a time.
//!
//! A capture of one toggling wire is nothing but pairs of lines `#<time>` and `<level><code>`, each
//! pair as long as the one before. Where that holds, four lines (two changes) are checked and read
//! at a time with a handful of operations on eight bytes at once, without a search for their ends.
//! Whatever differs is left to the tokens.

use wide::bytemuck::cast;
use wide::{i16x8, u8x16, u16x8};

use super::{Body, Expect};

const ZEROS: u64 = u64::from_le_bytes([b'0'; 8]);
const HIGH_BITS: u64 = u64::from_le_bytes([0x80; 8]);
/// Added to a byte of up to 9 it leaves the high bit clear; to one of 10 to 127 it sets it.
const TO_HIGH_BIT: u64 = u64::from_le_bytes([0x76; 8]);

/// Pairs of changes that are read at a time.
const BLOCK: usize = 64;
/// Pairs of changes that are read without a branch between them.
const AT_ONCE: usize = 8;

/// Reads as many changes as it can from the front of `data`, two by two. Gives how many bytes they
/// took and how many lines they were.
#[inline]
pub(super) fn changes(data: &[u8], body: &mut Body) -> (usize, u64) {
    if data.first() != Some(&b'#') || body.expect != Expect::Any || !body.started {
        return (0, 0);
    }
    // Fewer lines than a few are not worth the look.
    if data.len() < 256 {
        return (0, 0);
    }
    let digits = data.iter().skip(1).take(19);
    let digits = digits.take_while(|byte| byte.is_ascii_digit()).count();
    let (code, characters) = match data.get(digits + 1..) {
        Some([b'\n', b'0' | b'1', first, b'\n', ..]) => ([*first, b'\n'], 1),
        Some([b'\n', b'0' | b'1', first, second, b'\n', ..]) => ([*first, *second], 2),
        _ => return (0, 0),
    };
    let wire = body.header.wire(code.get(..characters).unwrap_or(&[]));
    let Some(wire) = wire.and_then(|wire| body.wires.get_mut(wire)) else {
        return (0, 0);
    };
    // An unknown level, or none yet, is counted by the tokens.
    let (false, Some(level)) = (wire.is_unknown, wire.track.level()) else {
        return (0, 0);
    };
    let track = &mut wire.track;
    if track.in_pulse() {
        return (0, 0);
    }
    let now = &mut body.now;
    /// Calls `run` for each shape of lines: count of digits, and bytes in two pairs of lines with
    /// codes of one character and of two.
    macro_rules! by_shape {
        ($($digits:literal: $one:literal $two:literal,)*) => {
            match (digits, characters) {
                $(
                    ($digits, 1) => run::<$digits, 1, $one>(data, code, level, track, now),
                    ($digits, 2) => run::<$digits, 2, $two>(data, code, level, track, now),
                )*
                _ => 0,
            }
        };
    }
    let changes = by_shape! {
        7: 24 26, 8: 26 28, 9: 28 30, 10: 30 32, 11: 32 34, 12: 34 36, 13: 36 38, 14: 38 40,
        15: 40 42, 16: 42 44, 17: 44 46, 18: 46 48,
    };
    (changes * (digits + characters + 4), 2 * changes as u64)
}

/// Takes in two changes of a wire after another from `data`: times of `DIGITS` digits and a code of
/// `CODE` characters, `BYTES` bytes in all. Gives the count of changes.
#[inline(never)]
fn run<const DIGITS: usize, const CODE: usize, const BYTES: usize>(
    data: &[u8],
    code: [u8; 2],
    level: bool,
    track: &mut crate::track::Track,
    now: &mut i64,
) -> usize {
    let (twos, _) = data.as_chunks::<BYTES>();
    // What the ends of the two changes must be: the first one to the other level, then back.
    let [to_low, to_high] = [b'0', b'1'].map(|level| {
        let mut end = [b'\n'; 3 + 2];
        end[1] = level;
        end[2..2 + CODE].copy_from_slice(&code[..CODE]);
        end_of::<CODE>(&end, 0)
    });
    let mut changes = Changes::<DIGITS, CODE, BYTES> {
        twos,
        before: 0,
        next: 0,
        filled: 0,
        times: [(0, 0); BLOCK],
        ends: if level {
            [to_low, to_high]
        } else {
            [to_high, to_low]
        },
        upper: Upper::default(),
        now: *now,
    };
    track.toggle_pairs(&mut changes);
    *now = changes.now;
    2 * (changes.before + changes.next)
}

/// The times of changes, two by two.
struct Changes<'d, const DIGITS: usize, const CODE: usize, const BYTES: usize> {
    twos: &'d [[u8; BYTES]],
    /// Of `twos`, those before the block; in the block, those handed out and those read.
    before: usize,
    next: usize,
    filled: usize,
    times: [(i64, i64); BLOCK],
    ends: [u64; 2],
    upper: Upper<DIGITS>,
    now: i64,
}

impl<const DIGITS: usize, const CODE: usize, const BYTES: usize> Iterator
    for Changes<'_, DIGITS, CODE, BYTES>
{
    type Item = (i64, i64);

    #[inline(always)]
    fn next(&mut self) -> Option<(i64, i64)> {
        if self.next >= self.filled {
            self.fill()?;
        }
        let (first, second) = *self.times.get(self.next)?;
        if (first <= self.now) | (second <= first) {
            return None;
        }
        self.now = second;
        self.next += 1;
        Some((first, second))
    }
}

impl<const DIGITS: usize, const CODE: usize, const BYTES: usize> Changes<'_, DIGITS, CODE, BYTES> {
    /// Reads the next block, at least one pair of changes; `None` where there is none.
    #[inline(never)]
    fn fill(&mut self) -> Option<()> {
        self.before += self.filled;
        self.next = 0;
        self.filled = 0;
        let twos = self.twos.get(self.before..)?;
        for (some, times) in twos.chunks(AT_ONCE).zip(self.times.chunks_mut(AT_ONCE)) {
            let at_once = match (some.first_chunk(), times.first_chunk_mut()) {
                (Some(some), Some(times)) => {
                    read_some::<DIGITS, CODE, BYTES>(some, times, self.ends, &mut self.upper)
                }
                _ => false,
            };
            let read = if at_once {
                AT_ONCE
            } else {
                read_one_by_one::<DIGITS, CODE, BYTES>(some, times, self.ends, &mut self.upper)
            };
            self.filled += read;
            if read < AT_ONCE {
                break;
            }
        }
        (self.filled > 0).then_some(())
    }
}

/// Reads pairs of changes up to the first that isn't one. Gives their count.
#[inline(always)]
fn read_one_by_one<const DIGITS: usize, const CODE: usize, const BYTES: usize>(
    twos: &[[u8; BYTES]],
    times: &mut [(i64, i64)],
    [first_end, second_end]: [u64; 2],
    upper: &mut Upper<DIGITS>,
) -> usize {
    let mut count = 0;
    for (two, time) in twos.iter().zip(times) {
        let (one, other) = two.split_at(BYTES / 2);
        let (Some((first, first_wrong)), Some((second, second_wrong))) = (
            upper.change::<CODE>(one, first_end),
            upper.change::<CODE>(other, second_end),
        ) else {
            break;
        };
        if first_wrong | second_wrong != 0 {
            break;
        }
        *time = (first, second);
        count += 1;
    }
    count
}

/// Reads some pairs of changes without a branch between them; `false` where one isn't one.
#[inline(always)]
fn read_some<const DIGITS: usize, const CODE: usize, const BYTES: usize>(
    twos: &[[u8; BYTES]; AT_ONCE],
    times: &mut [(i64, i64); AT_ONCE],
    ends: [u64; 2],
    upper: &mut Upper<DIGITS>,
) -> bool {
    let [one, .., other] = twos;
    let (one, (_, other)) = (&one[..], other.split_at(BYTES / 2));
    let text = Upper::<DIGITS>::text_of(one);
    // In times that never run backwards all the upper digits are those of the first and the last.
    if text == Upper::<DIGITS>::text_of(other) {
        upper.value_of(one, text).is_some_and(|value| {
            let same = |lines: &[u8]| {
                let own = Upper::<DIGITS>::text_of(lines);
                (own[0] ^ text[0]) | (own[1] ^ text[1])
            };
            read_fours::<DIGITS, CODE, BYTES, false>(twos, times, ends, value, same)
        })
    } else {
        Upper::<DIGITS>::top_value(one).is_some_and(|value| {
            let top = Upper::<DIGITS>::top_of(one);
            let same = |lines: &[u8]| Upper::<DIGITS>::top_of(lines) ^ top;
            read_fours::<DIGITS, CODE, BYTES, true>(twos, times, ends, value, same)
        })
    }
}

/// Reads pairs of changes, two and two at once, with one check at the end. The last eight digits of
/// each time, and where `MIDDLE` the eight before them too, are read and added to `value`; `differs`
/// is not zero for lines whose other digits don't make that.
#[inline(always)]
fn read_fours<const DIGITS: usize, const CODE: usize, const BYTES: usize, const MIDDLE: bool>(
    twos: &[[u8; BYTES]; AT_ONCE],
    times: &mut [(i64, i64); AT_ONCE],
    [first_end, second_end]: [u64; 2],
    value: u64,
    differs: impl Fn(&[u8]) -> u64,
) -> bool {
    let mut wrong = 0;
    let mut not = u8x16::splat(0);
    let mut numbers = |words: [u64; 4]| {
        let [one, other]: [u8x16; 2] = cast(words);
        // As in `not_digits`; what overflows keeps its high bit.
        not |= one.saturating_add(u8x16::splat(0x76)) | other.saturating_add(u8x16::splat(0x76));
        // Keeps whatever isn't a digit small enough for what follows.
        let digit = u8x16::splat(0x0f);
        four_numbers(one & digit, other & digit).map(|number| number as u64)
    };
    let (pairs, _) = twos.as_chunks::<2>();
    let (places, _) = times.as_chunks_mut::<2>();
    for ([one, other], [first, second]) in pairs.iter().zip(places) {
        let ((a, b), (c, d)) = (one.split_at(BYTES / 2), other.split_at(BYTES / 2));
        for (lines, end) in [
            (a, first_end),
            (b, second_end),
            (c, first_end),
            (d, second_end),
        ] {
            wrong |= differs(lines) | (end_of::<CODE>(lines, DIGITS + 1) ^ end);
        }
        let lower = numbers([a, b, c, d].map(lower_digits::<DIGITS>));
        let [a, b, c, d] = if MIDDLE {
            let middle = numbers([a, b, c, d].map(Upper::<DIGITS>::middle_digits));
            std::array::from_fn(|i| (value + middle[i] * 100_000_000 + lower[i]) as i64)
        } else {
            lower.map(|lower| (value + lower) as i64)
        };
        (*first, *second) = ((a, b), (c, d));
    }
    let [low, high]: [u64; 2] = cast(not);
    wrong | ((low | high) & HIGH_BITS) == 0
}

/// The numbers that four times eight digits make; as [`eight_digits`], for two and two at once.
#[inline(always)]
fn four_numbers(one: u8x16, other: u8x16) -> [i32; 4] {
    const PAIRS: u16x8 = u16x8::splat(10 << 8 | 1);
    const FOURS: i16x8 = i16x8::new([100, 1, 100, 1, 100, 1, 100, 1]);
    const EIGHTS: i16x8 = i16x8::new([10_000, 1, 10_000, 1, 10_000, 1, 10_000, 1]);
    let fours = [one, other].map(|digits| {
        let pairs: u16x8 = (cast::<u8x16, u16x8>(digits) * PAIRS) >> 8;
        cast::<u16x8, i16x8>(pairs).dot(FOURS)
    });
    i16x8::from_i32x8_saturate(cast(fours))
        .dot(EIGHTS)
        .to_array()
}

/// The `#` and all digits but the last eight of a time: they seldom change, and are read only then.
#[derive(Default)]
struct Upper<const DIGITS: usize> {
    text: [u64; 2],
    value: u64,
}

impl<const DIGITS: usize> Upper<DIGITS> {
    /// Of the first eight bytes, how many bits belong to the last eight digits; the `#` never does.
    const LOWER_BITS: u32 = match DIGITS {
        0..=8 => 56,
        9..=14 => 8 * (15 - DIGITS as u32),
        _ => 0,
    };

    /// How many bytes stand before the last sixteen digits, the `#` at least.
    const TOP: usize = if DIGITS > 15 { DIGITS - 15 } else { 1 };

    /// What stands before the last sixteen digits of the time in `lines`, as bytes.
    #[inline(always)]
    fn top_of(lines: &[u8]) -> u64 {
        word(lines, 0) << (8 * (8 - Self::TOP))
    }

    /// What that adds to the time; `None` where it isn't `#` and digits.
    #[inline(always)]
    fn top_value(lines: &[u8]) -> Option<u64> {
        let (hash, rest) = lines.split_first()?;
        let digits = rest.get(..Self::TOP - 1)?;
        let value = digits.iter().try_fold(0, |value, byte| {
            let digit = byte.wrapping_sub(b'0');
            (digit <= 9).then_some(value * 10 + u64::from(digit))
        })?;
        (*hash == b'#').then_some(value * 10_000_000_000_000_000)
    }

    /// The eight digits before the last eight of the time in `lines`, or as many as there are, less
    /// `0`.
    #[inline(always)]
    fn middle_digits(lines: &[u8]) -> u64 {
        if DIGITS > 15 {
            return word(lines, DIGITS - 15) ^ ZEROS;
        }
        // In the lowest byte that is left is the `#`, which must come out as nothing.
        const HASH: u64 = 0xff & (ZEROS ^ b'#' as u64);
        word(lines, 0) << Self::LOWER_BITS ^ (ZEROS ^ HASH) << Self::LOWER_BITS
    }

    /// The upper part of the time in `lines`, as bytes in two words.
    #[inline(always)]
    fn text_of(lines: &[u8]) -> [u64; 2] {
        let last = if DIGITS > 15 {
            word(lines, DIGITS - 15)
        } else {
            0
        };
        [word(lines, 0) << Self::LOWER_BITS, last]
    }

    /// What the upper part `text` of the time in `lines` adds to it; `None` where it isn't `#` and
    /// digits.
    #[inline(always)]
    fn value_of(&mut self, lines: &[u8], text: [u64; 2]) -> Option<u64> {
        if text != self.text {
            let (hash, rest) = lines.split_first()?;
            if *hash != b'#' {
                return None;
            }
            let mut value = 0;
            for byte in rest.get(..DIGITS.saturating_sub(8))? {
                let digit = byte.wrapping_sub(b'0');
                if digit > 9 {
                    return None;
                }
                value = value * 10 + u64::from(digit);
            }
            self.value = value * 100_000_000;
            self.text = text;
        }
        Some(self.value)
    }

    /// The time of the change in the two lines `lines`, and not zero where it isn't one or doesn't
    /// end in `end`. `None` where the upper digits aren't any.
    #[inline(always)]
    fn change<const CODE: usize>(&mut self, lines: &[u8], end: u64) -> Option<(i64, u64)> {
        let upper = self.value_of(lines, Self::text_of(lines))?;
        let (lower, wrong) = lower::<DIGITS, CODE>(lines, end);
        Some(((upper + lower) as i64, wrong))
    }
}

/// What the last eight digits of the time in `lines` make, and not zero where they aren't digits or
/// what follows isn't `end`.
#[inline(always)]
fn lower<const DIGITS: usize, const CODE: usize>(lines: &[u8], end: u64) -> (u64, u64) {
    let digits = lower_digits::<DIGITS>(lines);
    let wrong = not_digits(digits) | (end_of::<CODE>(lines, DIGITS + 1) ^ end);
    (eight_digits(digits), wrong)
}

/// The last eight digits of the time in `lines`, less `0`.
#[inline(always)]
fn lower_digits<const DIGITS: usize>(lines: &[u8]) -> u64 {
    // Of seven digits the first of the eight bytes is the `#`.
    let mask = if DIGITS == 7 { !0xff } else { !0 };
    (word(lines, DIGITS - 7) ^ ZEROS) & mask
}

/// The end of the two lines of a change, from the last digit on, code of `CODE` characters and ends of
/// line included.
#[inline(always)]
fn end_of<const CODE: usize>(lines: &[u8], from: usize) -> u64 {
    let mut end = [0; 8];
    // The length is known when this is compiled: one load, or two.
    if let Some(bytes) = lines.get(from..from + 3 + CODE) {
        end[..3 + CODE].copy_from_slice(bytes);
    }
    u64::from_le_bytes(end)
}

/// The eight bytes of `bytes` from `from` on.
#[inline(always)]
fn word(bytes: &[u8], from: usize) -> u64 {
    let mut word = [0; 8];
    if let Some(eight) = bytes.get(from..from + 8) {
        word.copy_from_slice(eight);
    }
    u64::from_le_bytes(word)
}

/// Not zero where a byte of `digits`, digits less `0`, is above 9.
#[inline(always)]
fn not_digits(digits: u64) -> u64 {
    (digits.wrapping_add(TO_HIGH_BIT) | digits) & HIGH_BITS
}

/// The number that eight digits make, the first in the lowest byte, each less `0`: neighbours are
/// put together in pairs, then fours, then all eight, each time by a multiplication with the weight
/// of the first above that of the second, which is 1.
#[inline(always)]
fn eight_digits(digits: u64) -> u64 {
    const PAIRS: u64 = 10 << 8 | 1;
    const FOURS: u64 = 100 << 16 | 1;
    const EIGHT: u64 = 10_000 << 32 | 1;
    let pairs = digits.wrapping_mul(PAIRS) >> 8 & 0x00ff_00ff_00ff_00ff;
    let fours = pairs.wrapping_mul(FOURS) >> 16 & 0x0000_ffff_0000_ffff;
    fours.wrapping_mul(EIGHT) >> 32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_digits_make_their_number() {
        for number in [
            0u64, 1, 9, 10, 12_345_678, 90_000_000, 99_999_999, 7_001_020,
        ] {
            let text = format!("{number:08}");
            assert_eq!(eight_digits(word(text.as_bytes(), 0) ^ ZEROS), number);
        }
    }

    #[test]
    fn only_digits_pass_for_digits() {
        for byte in 0..=255u8 {
            for place in 0..8 {
                let mut text = *b"19283746";
                text[place] = byte;
                let passes = not_digits(word(&text, 0) ^ ZEROS) == 0;
                assert_eq!(passes, byte.is_ascii_digit(), "{byte} at {place}");
            }
        }
    }
}
