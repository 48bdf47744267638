//! From the rig's wrapping 32-bit counter to ticks that count on for days.
//!
//! At 2 MHz the counter wraps every 36 minutes. How often it wrapped since the last line is told by
//! the host's clock: the count that lies nearest to what that clock predicts. With a heartbeat each
//! second that is never in doubt; in a gap it holds as long as both clocks agree to within half a
//! wrap, which at 1000 ppm is more than a week.
//!
//! A reset of the rig starts its counter again. It shows as ticks that run backwards, or that are
//! ahead of the time that has passed; lines that come late do neither. A reset within [`SLACK_S`] of
//! a wrap looks like the wrap and is not seen here: the new identity line or the sequence of the
//! edges shows it.

/// Ticks may step back, or be ahead of the host's clock, by so many seconds before that is taken
/// for a reset: a heartbeat overtakes edges that wait, by half a second where the buffer is full
/// (docs/rig-link.md).
pub const SLACK_S: f64 = 1.0;
/// The most by which the rates of the clocks may differ, as a fraction: a ceramic resonator is within
/// 0.5 % (common practice, no source).
pub const MOST_SKEW: f64 = 5e-3;
/// One turn of the counter, in ticks.
const WRAP: i64 = 1 << 32;

/// What a raw tick turned out to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stamp {
    /// Ticks since the counter's zero before the first line, counted on over every wrap.
    Tick(i64),
    /// The counter does not continue: the rig was reset, or the host slept while the rig did not.
    /// Nothing before is on one scale with what follows; the count starts with this raw tick.
    Restarted(i64),
}

/// Counts the wraps of the rig's counter.
///
/// ```
/// use rig::ticks::{Stamp, Unwrapper};
/// let mut unwrapper = Unwrapper::new(2_000_000);
/// assert_eq!(unwrapper.take(u32::MAX, 100.0), Stamp::Tick(4_294_967_295));
/// assert_eq!(unwrapper.take(1_999_999, 101.0), Stamp::Tick(4_296_967_295));
/// ```
#[derive(Clone, Debug)]
pub struct Unwrapper {
    tick_hz: f64,
    last: Option<Last>,
}

#[derive(Clone, Copy, Debug)]
struct Last {
    /// Greatest tick so far.
    tick: i64,
    /// When the line came, host seconds.
    host_s: f64,
    /// The least host time minus rig time seen, allowed to grow by [`MOST_SKEW`].
    offset_s: f64,
}

impl Unwrapper {
    /// For a counter of `tick_hz` ticks a second; 0 counts as 1.
    pub fn new(tick_hz: u32) -> Unwrapper {
        Unwrapper {
            tick_hz: f64::from(tick_hz.max(1)),
            last: None,
        }
    }

    /// Takes the counter `raw` of a line that came at `host_s` on the host's monotonic clock, in
    /// seconds. Lines come in the order in which the rig sent them.
    pub fn take(&mut self, raw: u32, host_s: f64) -> Stamp {
        let raw = i64::from(raw);
        let Some(last) = self.last else {
            self.start(raw, host_s);
            return Stamp::Tick(raw);
        };
        let passed_s = (host_s - last.host_s).max(0.0);
        // A cast of a float saturates. Up to 2^62 ticks, 73,000 years at 2 MHz, nothing overflows.
        let expected = last
            .tick
            .saturating_add((passed_s * self.tick_hz) as i64)
            .min(1 << 62);
        let turns = (expected - raw + WRAP / 2).div_euclid(WRAP);
        let tick = raw.saturating_add(turns.saturating_mul(WRAP));
        let offset_s = host_s - tick as f64 / self.tick_hz;
        let aged_s = last.offset_s + MOST_SKEW * passed_s;
        let backwards = (tick - last.tick) as f64 / self.tick_hz < -SLACK_S;
        let ahead = offset_s < last.offset_s - MOST_SKEW * passed_s - SLACK_S;
        if backwards || ahead {
            self.start(raw, host_s);
            return Stamp::Restarted(raw);
        }
        self.last = Some(Last {
            tick: last.tick.max(tick),
            host_s: last.host_s.max(host_s),
            offset_s: offset_s.min(aged_s),
        });
        Stamp::Tick(tick)
    }

    /// Forgets what came before: the next line starts the count.
    pub fn restart(&mut self) {
        self.last = None;
    }

    fn start(&mut self, tick: i64, host_s: f64) {
        self.last = Some(Last {
            tick,
            host_s,
            offset_s: host_s - tick as f64 / self.tick_hz,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const HZ: u32 = 2_000_000;

    /// The raw counter of a rig that started at host time 0 and runs fast by `skew`.
    fn at(host_s: f64, skew: f64) -> (u32, i64) {
        let tick = (host_s * f64::from(HZ) * (1.0 + skew)) as i64;
        (tick as u32, tick)
    }

    #[test]
    fn ten_days_of_heartbeats_are_counted_on() {
        let mut unwrapper = Unwrapper::new(HZ);
        for second in 0..864_000 {
            let time = f64::from(second);
            let (raw, tick) = at(time, 3e-5);
            assert_eq!(unwrapper.take(raw, time + 0.004), Stamp::Tick(tick));
        }
    }

    #[test]
    fn a_gap_of_three_days_is_bridged_by_the_host_clock() {
        let mut unwrapper = Unwrapper::new(HZ);
        let (raw, tick) = at(5.0, 1e-3);
        assert_eq!(unwrapper.take(raw, 5.0), Stamp::Tick(tick));
        let later = 5.0 + 3.0 * 86_400.0;
        let (raw, tick) = at(later, 1e-3);
        assert_eq!(unwrapper.take(raw, later), Stamp::Tick(tick));
    }

    #[test]
    fn a_reset_is_seen_and_the_count_starts_again() {
        for (before, after) in [(5.0, 1.0), (1000.0, 0.7), (2000.0, 30.0)] {
            let mut unwrapper = Unwrapper::new(HZ);
            unwrapper.take(at(before - 1.0, 0.0).0, before - 1.0);
            unwrapper.take(at(before, 0.0).0, before);
            let (raw, tick) = at(after, 0.0);
            assert_eq!(
                unwrapper.take(raw, before + after),
                Stamp::Restarted(tick),
                "reset at {before} s"
            );
            let (raw, tick) = at(after + 1.0, 0.0);
            assert_eq!(unwrapper.take(raw, before + after + 1.0), Stamp::Tick(tick));
        }
    }

    #[test]
    fn edges_that_waited_before_a_heartbeat_are_no_reset() {
        let mut unwrapper = Unwrapper::new(HZ);
        unwrapper.take(at(10.0, 0.0).0, 10.01);
        let (raw, tick) = at(9.8, 0.0);
        assert_eq!(unwrapper.take(raw, 10.02), Stamp::Tick(tick));
    }

    #[test]
    fn lines_that_come_a_minute_late_are_no_reset() {
        let mut unwrapper = Unwrapper::new(HZ);
        unwrapper.take(at(10.0, 0.0).0, 10.01);
        for second in 11..71 {
            let (raw, tick) = at(f64::from(second), 0.0);
            assert_eq!(unwrapper.take(raw, 71.0), Stamp::Tick(tick));
        }
        let (raw, tick) = at(72.0, 0.0);
        assert_eq!(unwrapper.take(raw, 72.0), Stamp::Tick(tick));
    }

    #[test]
    fn a_host_that_slept_for_an_hour_is_a_restart() {
        let mut unwrapper = Unwrapper::new(HZ);
        unwrapper.take(at(10.0, 0.0).0, 10.0);
        let (raw, _) = at(10.0 + 600.0, 0.0);
        assert!(matches!(unwrapper.take(raw, 11.0), Stamp::Restarted(_)));
    }

    proptest! {
        /// Any start of the counter, any gaps up to an hour, delays up to 200 ms, skews up to 0.2 %.
        #[test]
        fn every_wrap_is_counted(
            start in any::<u32>(),
            skew in -2e-3..2e-3f64,
            gaps in proptest::collection::vec((0.0..3600.0f64, 0.0..0.2f64), 1..60),
        ) {
            let mut unwrapper = Unwrapper::new(HZ);
            let mut time = 0.0;
            let mut arrival: f64 = 0.0;
            let mut before_first = None;
            for (gap, delay) in gaps {
                time += gap;
                arrival = arrival.max(time + delay);
                let passed = (time * f64::from(HZ) * (1.0 + skew)) as i64;
                let tick = i64::from(start) + passed;
                // The count starts with the first line.
                let tick = tick - *before_first.get_or_insert(tick / WRAP * WRAP);
                let found = unwrapper.take(tick as u32, arrival);
                prop_assert_eq!(found, Stamp::Tick(tick));
            }
        }

        #[test]
        fn no_input_panics(
            lines in proptest::collection::vec((any::<u32>(), any::<f64>()), 1..50),
            hz in any::<u32>(),
        ) {
            let mut unwrapper = Unwrapper::new(hz);
            for (raw, host) in lines {
                unwrapper.take(raw, host);
            }
        }
    }
}
