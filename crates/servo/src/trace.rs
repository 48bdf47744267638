//! One long exposure, frame by frame and pulse by pulse: what a person wants to look at.

use crate::loop_sim::{PreparedAxis, Scratch};
use crate::run::{PreparedLoop, TrialResult, covariance};

/// One trial of both axes, as it went.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Right ascension and declination.
    pub axes: [AxisTrace; 2],
    /// The numbers of the trial: those of [`PreparedLoop::run`], to the bit.
    pub result: TrialResult,
}

/// One axis, as it went over the long exposure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AxisTrace {
    /// Middle of each frame's exposure in s from the beginning, and the mean true error over it in
    /// arcsec.
    pub errors: Vec<[f64; 2]>,
    /// The pulses in the order in which they were asked for.
    pub pulses: Vec<TracedPulse>,
}

/// A pulse that the loop asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracedPulse {
    /// When it was asked for, in s from the beginning of the long exposure.
    pub asked_s: f64,
    /// The wanted width in ms.
    pub wanted_ms: f64,
    /// Whether it moves the star in the positive direction.
    pub positive: bool,
    /// When it started, in s from the beginning, and its width in ms; `None` where it was lost.
    pub made: Option<(f64, f64)>,
}

/// Is told what happens within a trial.
pub(crate) trait Observer {
    /// A pulse was asked for in one of the trials side by side. `()` does nothing with it, so that
    /// watching costs nothing where nobody does.
    fn pulse(&mut self, lane: usize, pulse: TracedPulse);
}

impl Observer for () {
    #[inline]
    fn pulse(&mut self, _: usize, _: TracedPulse) {}
}

/// The pulses of the first of the trials.
impl Observer for Vec<TracedPulse> {
    fn pulse(&mut self, lane: usize, pulse: TracedPulse) {
        if lane == 0 {
            self.push(pulse);
        }
    }
}

impl TracedPulse {
    /// The same with its times counted from `begin_s`.
    pub(crate) fn after(self, begin_s: f64) -> Self {
        Self {
            asked_s: self.asked_s - begin_s,
            made: self
                .made
                .map(|(from_s, width_ms)| (from_s - begin_s, width_ms)),
            ..self
        }
    }
}

impl PreparedLoop {
    /// One trial as it went. The same seed and trial give the same bits as [`PreparedLoop::run`]; where
    /// the star left the guide camera the trace ends there.
    pub fn trace(&self, seed: u64, trial: u64) -> Trace {
        let follow = |axis: &PreparedAxis| {
            let mut scratch = Scratch::default();
            let mut pulses = Vec::new();
            let [result, ..] = axis.watched(seed, trial, &mut scratch, &mut pulses);
            let [errors, ..] = scratch.frame_errors;
            (result, errors, pulses)
        };
        let [ra, dec] = [0, 1].map(|axis| follow(&self.axes[axis]));
        let result = TrialResult {
            axes: [ra.0, dec.0],
            covariance: covariance(&ra.1, &dec.1),
        };
        let trace = |axis: usize, errors: Vec<f64>, pulses| AxisTrace {
            errors: errors
                .into_iter()
                .enumerate()
                .map(|(frame, error)| [self.axes[axis].frame_time_s(frame), error])
                .collect(),
            pulses,
        };
        Trace {
            axes: [trace(0, ra.1, ra.2), trace(1, dec.1, dec.2)],
            result,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain_model::{Chain, ChainModel, MissingAt};
    use crate::loop_sim::LoopCase;
    use sky::Setup;

    #[test]
    fn a_trace_is_the_trial_that_run_gives() {
        let mut chain = Chain::of(ChainModel::Constant {
            error_ms: 15.0,
            delay_ms: 40.0,
        });
        chain.missing = vec![MissingAt {
            requested_ms: 0.0,
            probability: 0.1,
        }];
        let case = LoopCase::from_setup(&Setup::default(), &chain).unwrap();
        let prepared = PreparedLoop::new(&case).unwrap();
        let mut scratch = <[Scratch; 2]>::default();
        for trial in 0..3 {
            let [run, ..] = prepared.run(7, trial, &mut scratch);
            let trace = prepared.trace(7, trial);
            assert_eq!(trace.result, run);
            for (axis, (traced, own)) in trace.axes.iter().zip(&run.axes).enumerate() {
                let errors: Vec<f64> = traced.errors.iter().map(|e| e[1]).collect();
                assert_eq!(errors, scratch[axis].frame_errors[0]);
                assert_eq!(traced.pulses.len(), own.requests as usize);
                let lost = traced.pulses.iter().filter(|p| p.made.is_none()).count();
                assert_eq!(lost, own.lost as usize);
                assert!(lost > 0);
                let made: f64 = traced
                    .pulses
                    .iter()
                    .filter_map(|p| p.made)
                    .map(|m| m.1)
                    .sum();
                assert_eq!(made, own.width_ms);
                for pulse in &traced.pulses {
                    if let Some((start_s, width_ms)) = pulse.made {
                        // As the chain is: 40 ms late and 15 ms too long.
                        assert!(start_s - pulse.asked_s > 0.04 - 1e-9);
                        assert!((width_ms - pulse.wanted_ms - 15.0).abs() < 1e-9);
                    }
                }
                let last = traced.errors.last().unwrap()[0];
                assert!(last < case.span_s + case.timing.cadence_s);
            }
        }
    }
}
