//! From the times of issue to the clock of the capture, where the two clocks share nothing but their
//! rate, and that only roughly.

use std::collections::HashMap;
use std::ops::Range;

/// Differences that are looked at to find the offset.
const MOST_DIFFERENCES: usize = 2_000_000;
/// Requests at either end of a log whose differences are looked at. Both ends, since in a regular
/// schedule only the ends tell one shift from the next.
const END_REQUESTS: usize = 100;
/// Differences that belong together lie within this, in seconds: a start delay's spread and the
/// drift of a clock (common practice, no source).
const WINDOW_S: f64 = 0.5;

/// How well a request and a pulse fit at best.
pub(crate) const BEST_FIT: u32 = 1_000;
/// Clocks run apart by this share at most: quartz by a tenth of it, common practice, no source.
const MOST_SKEW: f64 = 1e-3;

/// What is added to a time of issue to come to the clock of the capture: `offset` at `origin`, with
/// a rate that differs by `skew`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ClockMap {
    pub(crate) origin: f64,
    pub(crate) offset: f64,
    pub(crate) skew: f64,
}

impl ClockMap {
    pub(crate) const SHARED: ClockMap = ClockMap {
        origin: 0.0,
        offset: 0.0,
        skew: 0.0,
    };

    /// `issued`, on the clock of the capture.
    pub(crate) fn map(&self, issued: f64) -> f64 {
        issued + self.offset + self.skew * (issued - self.origin)
    }

    /// The offset at which most requests have a pulse that fits them well: `fit` gives how well a
    /// request and a pulse do, from 0 (not at all) to [`BEST_FIT`]. `None` where nothing fits.
    ///
    /// Looked for at both ends of the log at once; where the clocks drift too far apart for that, at
    /// the beginning, and from there at the end.
    pub(crate) fn find(
        issued: &[f64],
        starts: &[f64],
        fit: impl Fn(usize, usize) -> u32,
    ) -> Option<ClockMap> {
        let per_end = (MOST_DIFFERENCES / (2 * starts.len().max(1))).clamp(1, END_REQUESTS);
        let head = 0..issued.len().min(per_end);
        let tail = issued.len().saturating_sub(per_end).max(head.end)..issued.len();
        let differences = |requests: Range<usize>, within: (f64, f64)| {
            let mut differences: Vec<Difference> = Vec::new();
            for request in requests {
                let Some(issued) = issued.get(request) else {
                    continue;
                };
                for (pulse, start) in starts.iter().enumerate() {
                    let seconds = start - issued;
                    if (within.0..=within.1).contains(&seconds) {
                        let fit = fit(request, pulse);
                        if fit > 0 {
                            differences.push(Difference {
                                seconds,
                                request,
                                fit,
                            });
                        }
                    }
                }
            }
            differences
        };
        let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
        let mut both = differences(head.clone(), everywhere);
        let (at_head, head_offset) = fullest(&mut both)?;
        both.extend(differences(tail.clone(), everywhere));
        let (at_both, offset) = fullest(&mut both)?;
        let origin = *issued.first()?;
        let without_skew = ClockMap {
            origin,
            offset,
            skew: 0.0,
        };
        let last = issued.get(tail.start).copied().unwrap_or(origin);
        let lasts = last - origin;
        // If as large a share of the end fits as of the beginning, there is no drift to speak of.
        let requests = |range: &Range<usize>| range.len() as u64;
        let all = requests(&head) + requests(&tail);
        if tail.is_empty() || at_both * requests(&head) * 10 >= at_head * all * 9 {
            return Some(without_skew);
        }
        let room = MOST_SKEW * lasts;
        let mut late = differences(tail.clone(), (head_offset - room, head_offset + room));
        match fullest(&mut late) {
            Some((at_tail, tail_offset)) if at_head + at_tail > at_both && lasts > 0.0 => {
                Some(ClockMap {
                    origin,
                    offset: head_offset,
                    skew: (tail_offset - head_offset) / lasts,
                })
            }
            _ => Some(without_skew),
        }
    }

    /// The same, better, from pairs `(issued, start)` that belong together: the skew from the medians
    /// of the first and the last third, the offset as the median of what is left.
    pub(crate) fn refine(&self, pairs: &[(f64, f64)]) -> ClockMap {
        let third = pairs.len() / 3;
        // A handful of pairs says nothing of a skew.
        let skew = match (pairs.get(..third), pairs.get(pairs.len() - third..)) {
            (Some(early), Some(late)) if third >= 5 => {
                let middle = |part: &[(f64, f64)]| {
                    let time = median(part.iter().map(|(issued, _)| *issued))?;
                    Some((
                        time,
                        median(part.iter().map(|(issued, start)| start - issued))?,
                    ))
                };
                match (middle(early), middle(late)) {
                    (Some((t0, d0)), Some((t1, d1))) if t1 > t0 => (d1 - d0) / (t1 - t0),
                    _ => 0.0,
                }
            }
            _ => 0.0,
        };
        let rest = pairs
            .iter()
            .map(|(issued, start)| start - issued - skew * (issued - self.origin));
        match median(rest) {
            Some(offset) if skew.is_finite() => ClockMap {
                origin: self.origin,
                offset,
                skew,
            },
            _ => *self,
        }
    }
}

/// A start less a time of issue, in seconds.
struct Difference {
    seconds: f64,
    request: usize,
    fit: u32,
}

/// The window of [`WINDOW_S`] whose differences fit best: how well, and the middle difference. The fit
/// of a window is the sum over requests, each of which counts for [`BEST_FIT`] at most. Sorts the
/// differences.
fn fullest(differences: &mut [Difference]) -> Option<(u64, f64)> {
    differences.sort_unstable_by(|a, b| {
        f64::total_cmp(&a.seconds, &b.seconds).then(a.request.cmp(&b.request))
    });
    let counted = |sum: u64| sum.min(u64::from(BEST_FIT));
    let mut sums: HashMap<usize, u64> = HashMap::new();
    let mut total = 0;
    let mut end = 0;
    let mut best = (0, 0..0);
    for (begin, low) in differences.iter().enumerate() {
        while let Some(next) = differences
            .get(end)
            .filter(|next| next.seconds <= low.seconds + WINDOW_S)
        {
            let sum = sums.entry(next.request).or_default();
            total -= counted(*sum);
            *sum += u64::from(next.fit);
            total += counted(*sum);
            end += 1;
        }
        if total > best.0 {
            best = (total, begin..end);
        }
        if let Some(sum) = sums.get_mut(&low.request) {
            total -= counted(*sum);
            *sum -= u64::from(low.fit);
            total += counted(*sum);
        }
    }
    let window = differences.get(best.1)?;
    Some((best.0, window.get(window.len() / 2)?.seconds))
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}
