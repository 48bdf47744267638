//! Pulses in a few bytes each.
//!
//! A capture may hold millions of pulses. A [`PulseList`] stores each as its distance from the one
//! before and its width, in as many bytes as these need: 6 bytes for a usual pulse in microseconds,
//! 9 in nanoseconds, 12 in picoseconds, against 24 for a [`Pulse`]. It grows chunk by chunk, so
//! nothing is copied and no memory is held twice.

use std::fmt;
use std::ops::{Deref, DerefMut};

use memmap2::{MmapMut, MmapOptions};

use crate::capture::Pulse;
use crate::direction::Direction;

/// The most pulses that a reader keeps of one capture: with 12 bytes for each pulse in picoseconds,
/// and some megabytes for all else, a program stays within 64 MiB.
pub const MAX_PULSES: u64 = 4_500_000;

/// Bytes in a chunk, of the first few and of the others: so that a list of a few pulses takes little
/// memory, and one of millions rarely asks for it.
const SMALL_CHUNK: usize = 64 * 1024;
const SMALL_CHUNKS: usize = 16;
const LARGE_CHUNK: usize = 2 * 1024 * 1024;
/// A pulse is stored through a window of this size, which runs past the 22 bytes that the longest
/// takes: a tag, two distances of 8, a count of 4 and a direction.
const WINDOW: usize = 24;
/// The low two bits of a pulse say how it is stored. 0, 1, 2: distance and width have this many bits
/// each, which with the tag make up 6, 9 and 12 bytes.
const BITS: [u32; 3] = [23, 35, 47];
/// 3: whole bytes follow, with the count of bridged gaps and the direction.
const WHOLE: u8 = 3;

/// Pulses in order of their start. Reads like a slice, but hands out each [`Pulse`] by value.
///
/// ```
/// use wire::{Pulse, PulseList};
/// let pulse = Pulse { direction: None, start: 5, end: 9, bridged: 0 };
/// let list: PulseList = [pulse].into_iter().collect();
/// assert_eq!(list.len(), 1);
/// assert_eq!(list.iter().next(), Some(pulse));
/// ```
#[derive(Default)]
pub struct PulseList {
    /// Chunks that are full, each with its length, and the one being filled.
    full: Vec<(Chunk, usize)>,
    open: Chunk,
    used: usize,
    len: usize,
    last_start: i64,
    last_direction: Option<Direction>,
    /// The direction of the pulses that have none of their own.
    base_direction: Option<Direction>,
}

impl PulseList {
    /// No pulses.
    pub fn new() -> PulseList {
        PulseList::default()
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Appends `pulse`. Where it starts before the one before it or doesn't end after its start,
    /// it is moved to where it does: the order always holds.
    #[inline]
    pub fn push(&mut self, pulse: Pulse) {
        if self.open.len() < self.used + WINDOW {
            self.next_chunk();
        }
        let start = if self.len == 0 {
            pulse.start
        } else {
            pulse.start.max(self.last_start)
        };
        let distance = start.wrapping_sub(self.last_start) as u64;
        let width = pulse.end.saturating_sub(start).max(1) as u64;
        let Some(window) = self.open.get_mut(self.used..self.used + WINDOW) else {
            return;
        };
        let packed = pack(distance, width)
            .filter(|_| pulse.bridged == 0 && pulse.direction == self.last_direction);
        self.used += match packed {
            Some((word, bytes)) => {
                window[..16].copy_from_slice(&word.to_le_bytes());
                bytes
            }
            None => {
                window[0] = WHOLE;
                window[1..9].copy_from_slice(&distance.to_le_bytes());
                window[9..17].copy_from_slice(&width.to_le_bytes());
                window[17..21].copy_from_slice(&pulse.bridged.to_le_bytes());
                window[21] = pulse.direction.map_or(0, |direction| direction as u8 + 1);
                self.last_direction = pulse.direction;
                22
            }
        };
        self.last_start = start;
        self.len += 1;
    }

    /// The place for the next pulses, with what goes before them, for a loop that appends pulses
    /// without gaps and directions by itself; see [`PulseList::put_back`].
    #[inline(always)]
    pub(crate) fn take_out(&mut self) -> Cursor<'_> {
        Cursor {
            room: &mut self.open,
            used: self.used,
            last_start: self.last_start,
            added: 0,
        }
    }

    /// Takes over the pulses that were appended through a cursor: `used` bytes are in use, of which
    /// the last `added` pulses are new, the last of them with start `last_start`.
    #[inline(always)]
    pub(crate) fn put_back(&mut self, used: usize, last_start: i64, added: usize) {
        self.used = used;
        self.last_start = last_start;
        self.len += added;
    }

    /// Gives each pulse that has none the direction `direction`.
    pub(crate) fn set_direction(&mut self, direction: Option<Direction>) {
        self.base_direction = direction;
    }

    #[cold]
    fn next_chunk(&mut self) {
        let done = std::mem::replace(&mut self.open, Chunk::after(self.full.len()));
        if self.used > 0 {
            self.full.push((done, self.used));
        }
        self.used = 0;
    }

    /// The pulses, by start.
    pub fn iter(&self) -> Iter<'_> {
        Iter {
            full: self.full.iter(),
            bytes: &[],
            open: self.open.get(..self.used).unwrap_or(&[]),
            left: self.len,
            start: 0,
            direction: None,
            base: self.base_direction,
        }
    }

    /// The first pulse.
    pub fn first(&self) -> Option<Pulse> {
        self.iter().next()
    }

    /// The pulses in a plain vector of 24 bytes each.
    pub fn to_vec(&self) -> Vec<Pulse> {
        self.iter().collect()
    }
}

/// Memory for pulses.
#[derive(Debug)]
enum Chunk {
    /// From the heap.
    Small(Vec<u8>),
    /// From the system, all pages at once: to be given them one by one, each at its first use, takes
    /// longer than to fill them.
    Large(MmapMut),
}

impl Chunk {
    /// The chunk that follows `count` others.
    fn after(count: usize) -> Chunk {
        if count >= SMALL_CHUNKS
            && let Ok(map) = MmapOptions::new().len(LARGE_CHUNK).map_anon()
        {
            // Without either it is only slower.
            #[cfg(target_os = "linux")]
            let _ = map
                .advise(memmap2::Advice::HugePage)
                .and_then(|()| map.advise(memmap2::Advice::PopulateWrite));
            return Chunk::Large(map);
        }
        Chunk::Small(vec![0; SMALL_CHUNK])
    }
}

impl Default for Chunk {
    fn default() -> Chunk {
        Chunk::Small(Vec::new())
    }
}

impl Deref for Chunk {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        match self {
            Chunk::Small(bytes) => bytes,
            Chunk::Large(map) => map,
        }
    }
}

impl DerefMut for Chunk {
    fn deref_mut(&mut self) -> &mut [u8] {
        match self {
            Chunk::Small(bytes) => bytes,
            Chunk::Large(map) => map,
        }
    }
}

/// Where pulses are appended.
pub(crate) struct Cursor<'l> {
    room: &'l mut [u8],
    pub(crate) used: usize,
    pub(crate) last_start: i64,
    pub(crate) added: usize,
}

impl Cursor<'_> {
    /// Appends the pulse from `start` to `end`, later than the one before, without bridged gaps and
    /// direction. Gives `false` where it takes a new chunk or more bytes than usual.
    #[inline(always)]
    pub(crate) fn push(&mut self, start: i64, end: i64) -> bool {
        let distance = start.wrapping_sub(self.last_start) as u64;
        let width = end.wrapping_sub(start) as u64;
        let Some(window) = self.room.get_mut(self.used..self.used + 16) else {
            return false;
        };
        if (distance | width) >> BITS[0] == 0 {
            let word = distance << 2 | width << (2 + BITS[0]);
            window[..8].copy_from_slice(&word.to_le_bytes());
            self.used += 6;
        } else if let Some((word, bytes)) = pack(distance, width) {
            window.copy_from_slice(&word.to_le_bytes());
            self.used += bytes;
        } else {
            return false;
        }
        self.last_start = start;
        self.added += 1;
        true
    }
}

/// A pulse in as few bytes as it needs, and their count; `None` where it needs whole ones.
#[inline(always)]
fn pack(distance: u64, width: u64) -> Option<(u128, usize)> {
    let both = distance | width;
    for (tag, bits) in BITS.into_iter().enumerate() {
        if both >> bits == 0 {
            let word = tag as u128 | u128::from(distance) << 2 | u128::from(width) << (2 + bits);
            return Some((word, (2 + 2 * bits as usize) / 8));
        }
    }
    None
}

/// The pulses of a [`PulseList`], by start.
#[derive(Clone, Debug)]
pub struct Iter<'a> {
    full: std::slice::Iter<'a, (Chunk, usize)>,
    bytes: &'a [u8],
    open: &'a [u8],
    left: usize,
    start: i64,
    direction: Option<Direction>,
    base: Option<Direction>,
}

impl Iter<'_> {
    /// The next `count` bytes as a little-endian integer.
    fn take(&mut self, count: usize) -> Option<u128> {
        let (head, rest) = self.bytes.split_at_checked(count)?;
        self.bytes = rest;
        Some(
            head.iter()
                .rev()
                .fold(0, |value, &byte| value << 8 | u128::from(byte)),
        )
    }
}

impl Iterator for Iter<'_> {
    type Item = Pulse;

    fn next(&mut self) -> Option<Pulse> {
        while self.bytes.is_empty() {
            self.bytes = match self.full.next() {
                Some((chunk, used)) => chunk.get(..*used)?,
                None if self.open.is_empty() => return None,
                None => std::mem::take(&mut self.open),
            };
        }
        let tag = self.bytes.first()? & 3;
        let mut bridged = 0;
        let (distance, width);
        match BITS.get(usize::from(tag)) {
            Some(&bits) => {
                let word = self.take((2 + 2 * bits as usize) / 8)? >> 2;
                let mask = (1u128 << bits) - 1;
                distance = (word & mask) as u64;
                width = (word >> bits & mask) as u64;
            }
            None => {
                self.take(1)?;
                distance = self.take(8)? as u64;
                width = self.take(8)? as u64;
                bridged = self.take(4)? as u32;
                self.direction = match self.take(1)? {
                    0 => None,
                    number => Direction::ALL.get(number as usize - 1).copied(),
                };
            }
        }
        self.start = self.start.wrapping_add(distance as i64);
        self.left -= 1;
        Some(Pulse {
            direction: self.direction.or(self.base),
            start: self.start,
            end: self.start.saturating_add_unsigned(width),
            bridged,
        })
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        (self.left, Some(self.left))
    }
}

impl ExactSizeIterator for Iter<'_> {}

impl<'a> IntoIterator for &'a PulseList {
    type Item = Pulse;
    type IntoIter = Iter<'a>;

    fn into_iter(self) -> Iter<'a> {
        self.iter()
    }
}

impl FromIterator<Pulse> for PulseList {
    fn from_iter<I: IntoIterator<Item = Pulse>>(pulses: I) -> PulseList {
        let mut list = PulseList::new();
        pulses.into_iter().for_each(|pulse| list.push(pulse));
        list
    }
}

impl Clone for PulseList {
    fn clone(&self) -> PulseList {
        self.iter().collect()
    }
}

impl PartialEq for PulseList {
    fn eq(&self, other: &PulseList) -> bool {
        self.len == other.len && self.iter().eq(other)
    }
}

impl fmt::Debug for PulseList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self).finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_pushed_in_order_comes_out_again(
            first in -(1i64 << 62)..(1 << 62),
            steps in proptest::collection::vec(
                (0u32..60, 0u32..60, 0u32..3, 0usize..5, any::<u64>()), 0..400),
        ) {
            let mut start = first;
            let mut pulses = Vec::new();
            for (distance, width, bridged, direction, noise) in steps {
                // Every length of the stored integers comes up.
                start = (start + ((noise >> (63 - distance)) >> 2) as i64).min(1 << 62);
                pulses.push(Pulse {
                    direction: direction.checked_sub(1).map(|i| Direction::ALL[i]),
                    start,
                    end: start + 1 + ((noise >> (63 - width)) >> 2) as i64,
                    bridged: if bridged == 2 { noise as u32 } else { bridged },
                });
            }
            let list: PulseList = pulses.iter().copied().collect();
            prop_assert_eq!(list.len(), pulses.len());
            prop_assert_eq!(list.iter().len(), pulses.len());
            prop_assert_eq!(list.to_vec(), pulses);
        }
    }

    #[test]
    fn lists_longer_than_a_chunk_come_out_whole() {
        let pulses = (0..800_000).map(|i| Pulse {
            direction: None,
            start: i * 1000,
            end: i * 1000 + 300,
            bridged: 0,
        });
        let list: PulseList = pulses.clone().collect();
        assert!(list.full.len() > SMALL_CHUNKS);
        assert!(list.iter().eq(pulses));
    }

    #[test]
    fn a_pulse_out_of_order_is_moved_and_the_order_holds() {
        let list: PulseList = [(10, 20), (5, 4)]
            .map(|(start, end)| Pulse {
                direction: None,
                start,
                end,
                bridged: 0,
            })
            .into_iter()
            .collect();
        assert_eq!(list.iter().nth(1).map(|p| (p.start, p.end)), Some((10, 11)));
    }
}
