//! The closed loop of one axis in continuous time between frames.
//!
//! True error = disturbance - correction. A frame measures the mean of the true error over its
//! exposure, plus the seeing's mean over the same exposure, plus centroid noise. After the read-out
//! the law turns it into a wanted correction, which dead band, shortest and longest width and the
//! trim turn into a request; the chain draws its start delay and the width that results; the mount
//! moves at the guide rate for that width, after the backlash is taken up. A pulse that is still on
//! while the next exposure runs moves the star during that exposure: the correction is a broken
//! line in time whose integrals are taken piece by piece. A pulse whose start falls into the
//! pulse before it on the same axis waits for its end.
//!
//! Four trials run side by side, each operation on all of them at once; what depends on whether a
//! pulse is sent is done trial by trial.

use crate::chain_model::{Below, Fate, PreparedChain, Trim};
use crate::correction::{Correction, Piece, Totals, smaller};
use crate::disturbance::{Disturbances, Knot, MountMotion, SeeingMotion, SeeingStep, Step};
use crate::error::{ServoError, above_zero, at_least};
use crate::law::{Law, LawState, PreparedLaw};
use crate::normal::Normals;
use crate::stream::{LANES, Lanes, Source, streams};
use crate::trace::{Observer, TracedPulse};
use stats::random::Random;
use std::sync::Arc;

/// A star further off than this, in arcsec, has left the guide camera: the trial ends and counts
/// as lost. Common practice, no source.
const LOST_ARCSEC: f64 = 300.0;

/// An exposure or gap is cut into at most this many straight steps.
const MOST_STEPS: f64 = 64.0;

/// When frames are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Length of a guide exposure in s.
    pub exposure_s: f64,
    /// From the end of the exposure to the request in s.
    pub readout_s: f64,
    /// From the start of one frame to the start of the next in s.
    pub cadence_s: f64,
}

impl Timing {
    /// # Errors
    /// [`ServoError::CadenceTooShort`], or [`ServoError::BadValue`] for times that are not above 0.
    pub(crate) fn check(&self) -> Result<(), ServoError> {
        above_zero(
            "exposure in s",
            self.exposure_s,
            "a time above 0 is expected",
        )?;
        at_least(
            "read-out in s",
            self.readout_s,
            0.0,
            "a time of at least 0 is expected",
        )?;
        above_zero("cadence in s", self.cadence_s, "a time above 0 is expected")?;
        // A billionth of room for sums of decimal numbers.
        if self.exposure_s + self.readout_s > self.cadence_s * (1.0 + 1e-9) {
            return Err(ServoError::CadenceTooShort {
                exposure_s: self.exposure_s,
                readout_s: self.readout_s,
                cadence_s: self.cadence_s,
            });
        }
        Ok(())
    }
}

/// The control of one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Control {
    /// The control law.
    pub law: Law,
    /// Error below which nothing is sent, in arcsec.
    pub dead_band_arcsec: f64,
    /// Shortest wanted width that is sent, in ms.
    pub shortest_ms: f64,
    /// Longest wanted width that is sent, in ms.
    pub longest_ms: f64,
}

/// One axis: what disturbs it, how it moves, how it is controlled.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisLoop {
    /// Disturbances on the sky.
    pub disturbances: Disturbances,
    /// Speed of the star on the sky during a pulse, in arcsec/s.
    pub rate_arcsec_per_s: f64,
    /// Play that a reversal takes up before the star moves, in arcsec; 0 in right ascension, whose
    /// drive never reverses below the sidereal rate.
    pub backlash_arcsec: f64,
    /// The control.
    pub control: Control,
}

/// A whole loop: two axes, one camera, one chain.
#[derive(Debug, Clone, PartialEq)]
pub struct LoopCase {
    /// Right ascension and declination.
    pub axes: [AxisLoop; 2],
    /// When frames are taken.
    pub timing: Timing,
    /// The chain, its losses and trim.
    pub chain: crate::chain_model::Chain,
    /// Time that the loop runs before the long exposure starts, in s.
    pub warm_up_s: f64,
    /// Length of the long exposure in s.
    pub span_s: f64,
    /// Width of a star at half maximum in a long exposure with perfect tracking, in arcsec.
    pub star_fwhm_arcsec: f64,
}

/// What one axis did in one trial, over the long exposure.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct AxisTrial {
    /// Mean true error in arcsec.
    pub mean: f64,
    /// Mean square of the true error in arcsec^2.
    pub mean_square: f64,
    /// Frames taken.
    pub frames: u32,
    /// Requests sent.
    pub requests: u32,
    /// Requests lost in the chain.
    pub lost: u32,
    /// Requests cut to the longest width.
    pub clipped: u32,
    /// Requests against the direction of the request before.
    pub reversals: u32,
    /// Sum of the wanted widths of the requests in ms.
    pub wanted_ms: f64,
    /// Sum of the widths that resulted in ms.
    pub width_ms: f64,
    /// Whether the star left the guide camera.
    pub star_lost: bool,
}

impl AxisTrial {
    /// Variance of the true error about its mean over the exposure, in arcsec^2: a constant offset
    /// does not blur the star.
    pub fn variance(&self) -> f64 {
        (self.mean_square - self.mean * self.mean).max(0.0)
    }
}

/// The mean true error of each frame of the last trial.
#[derive(Debug, Clone, Default)]
pub struct Scratch {
    /// For each trial the mean true error over each exposure within the long exposure, in arcsec.
    pub frame_errors: [Vec<f64>; LANES],
}

/// One axis ready to run.
#[derive(Debug, Clone)]
pub struct PreparedAxis {
    disturbances: Disturbances,
    rate: f64,
    /// ms for an arcsec, and arcsec for a ms.
    scale: (f64, f64),
    backlash: f64,
    control: Control,
    law: PreparedLaw,
    timing: Timing,
    chain: Arc<PreparedChain>,
    axis: usize,
    exposure: Stretch,
    gap: Option<Stretch>,
    seeing: SeeingStep,
    warm_frames: usize,
    frames: usize,
}

/// An exposure or a gap, cut into equal steps that are nearly straight.
#[derive(Debug, Clone)]
struct Stretch {
    step: Step,
    count: usize,
    /// 1 over the count, and over the whole length in s: divisions are slow.
    per_step: f64,
    per_s: f64,
}

impl Stretch {
    fn new(what: &Disturbances, span_s: f64, with_mean: bool) -> Result<Self, ServoError> {
        let count = (span_s / what.straight_s()).ceil().clamp(1.0, MOST_STEPS);
        Ok(Self {
            step: Step::new(what, span_s / count, with_mean)?,
            count: count as usize,
            per_step: 1.0 / count,
            per_s: 1.0 / span_s,
        })
    }
}

impl PreparedAxis {
    /// Checks and prepares axis `axis` (0 right ascension, 1 declination) of `case`.
    ///
    /// # Errors
    /// [`ServoError`] for values without sense: see the fields of [`LoopCase`].
    pub fn new(
        case: &LoopCase,
        axis: usize,
        chain: &Arc<PreparedChain>,
    ) -> Result<Self, ServoError> {
        let law = PreparedLaw::new(case.axes[axis.min(1)].control.law, case.timing.cadence_s)?;
        Self::with_law(case, axis, chain, law)
    }

    /// As [`PreparedAxis::new`], with a law that is already prepared for the same cadence.
    ///
    /// # Errors
    /// As [`PreparedAxis::new`].
    pub fn with_law(
        case: &LoopCase,
        axis: usize,
        chain: &Arc<PreparedChain>,
        law: PreparedLaw,
    ) -> Result<Self, ServoError> {
        let axis = axis.min(1);
        let AxisLoop {
            disturbances,
            rate_arcsec_per_s,
            backlash_arcsec,
            control,
        } = &case.axes[axis];
        let timing = case.timing;
        timing.check()?;
        disturbances.check()?;
        above_zero(
            "guide rate in arcsec/s",
            *rate_arcsec_per_s,
            "a rate above 0 is expected: without it no pulse moves the star, and at the pole none does in right ascension (target.declination_deg)",
        )?;
        at_least(
            "backlash in arcsec",
            *backlash_arcsec,
            0.0,
            "at least 0 is expected",
        )?;
        at_least(
            "dead band in arcsec",
            control.dead_band_arcsec,
            0.0,
            "at least 0 is expected",
        )?;
        at_least(
            "shortest width in ms",
            control.shortest_ms,
            0.0,
            "at least 0 is expected",
        )?;
        above_zero(
            "longest width minus shortest width in ms",
            control.longest_ms - control.shortest_ms,
            "the longest width must be above the shortest",
        )?;
        at_least(
            "warm-up in s",
            case.warm_up_s,
            0.0,
            "a time of at least 0 is expected",
        )?;
        above_zero(
            "length of the long exposure in s",
            case.span_s,
            "a time above 0 is expected",
        )?;
        let frames = (case.span_s / timing.cadence_s).ceil();
        let warm_frames = (case.warm_up_s / timing.cadence_s).ceil();
        // A hundred million frames are a slip of the unit, and would take minutes.
        at_least(
            "frames to spare",
            1e8 - frames - warm_frames,
            0.0,
            "at most 1e8 frames a trial are simulated; shorten the exposure or lengthen the cadence",
        )?;
        let gap_s = timing.cadence_s - timing.exposure_s;
        Ok(Self {
            rate: *rate_arcsec_per_s,
            scale: (1e3 / rate_arcsec_per_s, 1e-3 * rate_arcsec_per_s),
            backlash: *backlash_arcsec,
            control: *control,
            law,
            timing,
            chain: Arc::clone(chain),
            axis,
            exposure: Stretch::new(disturbances, timing.exposure_s, true)?,
            gap: if gap_s > 1e-9 * timing.cadence_s {
                Some(Stretch::new(disturbances, gap_s, false)?)
            } else {
                None
            },
            seeing: SeeingStep::new(&disturbances.seeing, timing.exposure_s, timing.cadence_s)?,
            warm_frames: warm_frames as usize,
            frames: (frames as usize).max(2),
            disturbances: disturbances.clone(),
        })
    }

    /// Runs the trials side by side from trial `first`. The same seed and trial give the same bits,
    /// in any lane and beside any others; sources that are alike in two cases draw the same numbers.
    pub fn run(&self, seed: u64, first: u64, scratch: &mut Scratch) -> [AxisTrial; LANES] {
        self.watched(seed, first, scratch, &mut ())
    }

    /// As [`PreparedAxis::run`], and `observer` is told of every pulse within the long exposure.
    pub(crate) fn watched(
        &self,
        seed: u64,
        first: u64,
        scratch: &mut Scratch,
        observer: &mut impl Observer,
    ) -> [AxisTrial; LANES] {
        let mut run = Running::new(self, seed, first);
        let mut lost = [None; LANES];
        let begin_s = self.warm_frames as f64 * self.timing.cadence_s;
        for errors in &mut scratch.frame_errors {
            errors.clear();
        }
        for frame in 0..self.warm_frames + self.frames {
            if frame == self.warm_frames {
                run.totals = Totals::default();
                run.results = [AxisTrial::default(); LANES];
            }
            let start = frame as f64 * self.timing.cadence_s;
            let mean = run.pass(&self.exposure, start);
            // A number that is none must count as lost too.
            let kept = mean.abs().simd_le(LOST_ARCSEC);
            if !kept.all() {
                for (lane, lost) in lost.iter_mut().enumerate() {
                    if lost.is_none() && kept.to_bitmask() >> lane & 1 == 0 {
                        run.results[lane].star_lost = true;
                        *lost = Some(run.result(lane));
                    }
                }
                if lost.iter().all(Option::is_some) {
                    break;
                }
            }
            let measured = run.measured(mean).to_array();
            for lane in 0..LANES {
                if lost[lane].is_some() {
                    continue;
                }
                let pulse = run.correct(lane, measured[lane], start + self.timing.exposure_s);
                if frame >= self.warm_frames {
                    scratch.frame_errors[lane].push(mean.as_array()[lane]);
                    run.results[lane].frames += 1;
                    if let Some(pulse) = pulse {
                        observer.pulse(lane, pulse.after(begin_s));
                    }
                }
            }
            if let Some(gap) = &self.gap {
                run.pass(gap, start + self.timing.exposure_s);
            }
        }
        std::array::from_fn(|lane| lost[lane].unwrap_or_else(|| run.result(lane)))
    }

    /// The middle of the exposure of each frame, in s from the beginning of the long exposure.
    pub(crate) fn frame_time_s(&self, frame: usize) -> f64 {
        frame as f64 * self.timing.cadence_s + 0.5 * self.timing.exposure_s
    }

    /// The control law.
    pub fn law(&self) -> &PreparedLaw {
        &self.law
    }

    /// The chain this axis draws from.
    pub fn chain(&self) -> &PreparedChain {
        &self.chain
    }

    /// Mean square in arcsec^2 of what the seeing adds to a frame.
    pub fn seeing_variance(&self) -> f64 {
        self.seeing.frame_variance()
    }
}

/// The trials side by side of an axis under way.
struct Running<'a> {
    axis: &'a PreparedAxis,
    motion: MountMotion,
    seeing: SeeingMotion,
    centroid: Normals,
    chain: [Random; LANES],
    law: [LawState; LANES],
    pulses: [Pulses; LANES],
    correction: Correction,
    totals: Totals,
    results: [AxisTrial; LANES],
    knots: [Vec<Knot>; LANES],
}

impl<'a> Running<'a> {
    fn new(axis: &'a PreparedAxis, seed: u64, first: u64) -> Self {
        let number = axis.axis as u64;
        let streams = |source| streams(seed, first, number, source);
        Self {
            axis,
            motion: MountMotion::new(&axis.disturbances, seed, first, number),
            seeing: SeeingMotion::new(&axis.seeing, seed, first, number),
            centroid: Normals::new(streams(Source::Centroid)),
            chain: streams(Source::Chain),
            law: std::array::from_fn(|_| axis.law.start()),
            pulses: Default::default(),
            correction: Correction::new(axis.backlash / axis.rate),
            totals: Totals::default(),
            results: [AxisTrial::default(); LANES],
            knots: Default::default(),
        }
    }

    /// Passes a stretch of equal steps that starts at `start`; returns the exact mean true error.
    #[inline]
    fn pass(&mut self, stretch: &Stretch, start: f64) -> Lanes {
        let (mut mean, mut moved) = (Lanes::ZERO, Lanes::ZERO);
        let at_start = self.correction.value();
        let step = &stretch.step;
        let until = start + stretch.count as f64 * step.dt_s();
        for i in 0..stretch.count {
            let from = start + i as f64 * step.dt_s();
            let passage = self.motion.advance(step, &mut self.knots);
            mean += passage.mean;
            if passage.straight {
                let piece = Piece {
                    from,
                    to: from + step.dt_s(),
                    start: passage.start,
                    end: passage.end,
                    until,
                };
                moved += self.correction.cross(&piece, &mut self.totals);
            } else {
                for (lane, knots) in self.knots.iter().enumerate() {
                    for pair in knots.windows(2) {
                        let piece = Piece {
                            from: from + pair[0].at_s,
                            to: from + pair[1].at_s,
                            start: pair[0].after,
                            end: pair[1].before,
                            until,
                        };
                        moved.as_mut_array()[lane] +=
                            self.correction.cross_one(lane, &piece, &mut self.totals);
                    }
                }
            }
        }
        mean * stretch.per_step - (at_start + moved * stretch.per_s)
    }

    /// What the camera finds of the mean true error of a frame.
    #[inline]
    fn measured(&mut self, mean: Lanes) -> Lanes {
        let measured = mean + self.seeing.frame_mean(&self.axis.seeing);
        let noise = self.axis.disturbances.centroid_noise_arcsec;
        if noise > 0.0 {
            measured + self.centroid.draw() * noise
        } else {
            measured
        }
    }

    /// Answers the measured error of one trial with a pulse, if one is due, and returns it; the
    /// exposure ended at `now`.
    #[inline]
    fn correct(&mut self, lane: usize, measured: f64, now: f64) -> Option<TracedPulse> {
        let axis = self.axis;
        let random = &mut self.chain[lane];
        let fate = Fate {
            rank: random.uniform(),
            loss: random.uniform(),
            delay_rank: random.uniform(),
        };
        let trim = axis.chain.trim();
        let (law, pulses) = (&mut self.law[lane], &mut self.pulses[lane]);
        let wanted = law.respond(&axis.law, measured, axis.control.dead_band_arcsec);
        let request = pulses.decide(wanted, &axis.control, axis.scale, trim);
        law.sent(&axis.law, request.sent_arcsec, request.clipped);
        let wanted_ms = request.wanted_ms?;
        let result = &mut self.results[lane];
        let positive = request.positive;
        result.requests += 1;
        result.clipped += u32::from(request.clipped);
        result.reversals += u32::from(pulses.turned(positive));
        result.wanted_ms += wanted_ms;
        let direction = 2 * axis.axis + usize::from(!positive);
        let asked_s = now + axis.timing.readout_s;
        let drawn = axis
            .chain
            .draw(direction, trim.request_ms(wanted_ms), &fate);
        let made = drawn.map(|(delay_ms, width_ms)| {
            result.width_ms += width_ms;
            let rate = axis.rate.copysign(request.sent_arcsec);
            let at = asked_s + 1e-3 * delay_ms;
            let width_s = 1e-3 * width_ms;
            let from_s = self.correction.pulse(lane, now, at, width_s, rate);
            (from_s, width_ms)
        });
        result.lost += u32::from(made.is_none());
        Some(TracedPulse {
            asked_s,
            wanted_ms,
            positive,
            made,
        })
    }

    /// What one trial did so far.
    fn result(&self, lane: usize) -> AxisTrial {
        let axis = self.axis;
        let mut result = self.results[lane];
        let time = self.totals.time.as_array()[lane];
        if time > 0.0 {
            let Timing {
                exposure_s,
                cadence_s,
                ..
            } = axis.timing;
            let hidden = axis.exposure.step.hidden_arcsec2() * exposure_s
                + axis.gap.as_ref().map_or(0.0, |g| g.step.hidden_arcsec2())
                    * (cadence_s - exposure_s);
            result.mean = self.totals.error.as_array()[lane] / time;
            result.mean_square = self.totals.square.as_array()[lane] / time + hidden / cadence_s;
        }
        result
    }
}

/// What is asked of the chain after a frame.
struct Request {
    /// Wanted width in ms, `None` if nothing is sent.
    wanted_ms: Option<f64>,
    positive: bool,
    clipped: bool,
    /// What the law may believe was sent, in arcsec with sign.
    sent_arcsec: f64,
}

/// What the sender remembers: a carried correction and the last direction.
#[derive(Default)]
struct Pulses {
    carried_ms: f64,
    last_positive: Option<bool>,
}

impl Pulses {
    /// Limits, shortest width and carry.
    fn decide(
        &mut self,
        wanted_arcsec: f64,
        control: &Control,
        (ms_per_arcsec, arcsec_per_ms): (f64, f64),
        trim: &Trim,
    ) -> Request {
        let (trim_shortest, below) = trim.below();
        let own_ms = wanted_arcsec * ms_per_arcsec;
        let signed = own_ms + self.carried_ms;
        let positive = signed > 0.0;
        let width = signed.abs();
        let mut request = Request {
            wanted_ms: None,
            positive,
            clipped: false,
            sent_arcsec: 0.0,
        };
        if own_ms == 0.0 || width == 0.0 {
            return request;
        }
        let sent_ms = if width >= trim_shortest && width >= control.shortest_ms {
            request.clipped = width > control.longest_ms;
            smaller(width, control.longest_ms)
        } else if below == Below::Floor && width >= control.shortest_ms {
            trim_shortest.min(control.longest_ms)
        } else {
            if below == Below::Carry {
                self.carried_ms = signed;
            }
            return request;
        };
        self.carried_ms = 0.0;
        request.wanted_ms = Some(sent_ms);
        request.sent_arcsec = (sent_ms * arcsec_per_ms).copysign(signed);
        request
    }

    /// Notes the direction; whether it differs from the last.
    fn turned(&mut self, positive: bool) -> bool {
        let turned = self.last_positive.is_some_and(|last| last != positive);
        self.last_positive = Some(positive);
        turned
    }
}
