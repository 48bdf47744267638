//! Sums over long slices, on as many cores as there are, with the same bits on any number.

use std::sync::atomic::{AtomicUsize, Ordering};

/// Values summed in one piece. The pieces' sums are added in their order, so that the result
/// does not depend on how many threads there were.
const CHUNK: usize = 16_384;

/// Below this many values a thread costs more than it saves.
const THREADS_FROM: usize = 65_536;

/// The sum of `part(start, chunk)` over consecutive chunks of `values`.
pub(crate) fn chunked_sum(values: &[f64], part: impl Fn(usize, &[f64]) -> f64 + Sync) -> f64 {
    chunked(values, |start, chunk| [part(start, chunk)])[0]
}

/// The sums, component by component, of `part(start, chunk)` over consecutive chunks.
pub(crate) fn chunked<const K: usize>(
    values: &[f64],
    part: impl Fn(usize, &[f64]) -> [f64; K] + Sync,
) -> [f64; K] {
    let chunks: Vec<&[f64]> = values.chunks(CHUNK).collect();
    let mut parts = vec![[0.0; K]; chunks.len()];
    // Asking for the number of cores takes a tenth of a millisecond on some systems.
    let threads = if values.len() < THREADS_FROM {
        1
    } else {
        std::thread::available_parallelism().map_or(1, usize::from)
    };
    if threads == 1 {
        for (i, (sum, chunk)) in parts.iter_mut().zip(&chunks).enumerate() {
            *sum = part(i * CHUNK, chunk);
        }
    } else {
        let next = AtomicUsize::new(0);
        let work = || {
            let mut done = Vec::new();
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                match chunks.get(i) {
                    Some(chunk) => done.push((i, part(i * CHUNK, chunk))),
                    None => return done,
                }
            }
        };
        std::thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(work)).collect();
            for (i, sum) in work() {
                parts[i] = sum;
            }
            for other in others {
                match other.join() {
                    Ok(done) => done.into_iter().for_each(|(i, sum)| parts[i] = sum),
                    Err(panic) => std::panic::resume_unwind(panic),
                }
            }
        });
    }
    let mut total = [0.0; K];
    for sum in &parts {
        for (t, s) in total.iter_mut().zip(sum) {
            *t += s;
        }
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_sum_has_the_bits_of_the_sum_chunk_by_chunk() {
        let values: Vec<f64> = (0..200_000).map(|i| (f64::from(i) * 0.37).sin()).collect();
        let serial = values
            .chunks(CHUNK)
            .map(|c| c.iter().sum::<f64>())
            .fold(0.0, |a, b| a + b);
        let parallel = chunked_sum(&values, |_, c| c.iter().sum());
        assert_eq!(parallel.to_bits(), serial.to_bits());
        let count = chunked_sum(&values, |start, c| {
            if start % CHUNK == 0 {
                c.len() as f64
            } else {
                0.0
            }
        });
        assert_eq!(count, 200_000.0);
    }
}
