//! What a live run has given so far, in memory that does not grow with it: what the terminal and the
//! page show.

use std::collections::{BTreeMap, VecDeque};

use chain::{Bins, Histogram, Rounded, count, plural, significant};
use rig::session::{Event, LivePulse};
use stats::Sorted;

/// Confidence of the interval of the median.
const CONFIDENCE: f64 = 0.95;
/// The normal quantile of that confidence.
const NORMAL_975: f64 = 1.959_963_985;
/// Up to so many errors are taken one by one.
const MOST_SORTED: u64 = 2000;
/// Width errors are counted in steps of this, ms, at first: a rig times to a microsecond at best.
const STEP_MS: f64 = 0.001;
/// Where the steps begin: a whole number of microseconds stands in the middle of the first ones.
const SHIFT_MS: f64 = -0.5 * STEP_MS;
/// Most steps that hold a count; with more of them each step is made twice as wide.
const MOST_STEPS: usize = 2048;
/// Requests whose words are kept, the latest.
const MOST_ASKED: usize = 256;
/// Remarks that are kept, the latest.
const MOST_REMARKS: usize = 8;

/// Counts of width errors. However many are added, it holds at most so many steps, and none is left
/// out.
#[derive(Debug, Clone, PartialEq)]
pub struct Tally {
    step_ms: f64,
    counts: BTreeMap<i64, u64>,
    n: u64,
}

impl Default for Tally {
    fn default() -> Tally {
        Tally {
            step_ms: STEP_MS,
            counts: BTreeMap::new(),
            n: 0,
        }
    }
}

impl Tally {
    /// Adds an error, ms.
    pub fn add(&mut self, error_ms: f64) {
        *self.counts.entry(self.place(error_ms)).or_default() += 1;
        self.n += 1;
        while self.counts.len() > MOST_STEPS {
            self.step_ms *= 2.0;
            let mut wider: BTreeMap<i64, u64> = BTreeMap::new();
            for (place, n) in std::mem::take(&mut self.counts) {
                *wider.entry(place.div_euclid(2)).or_default() += n;
            }
            self.counts = wider;
        }
    }

    /// Takes an error out again that was added.
    pub fn remove(&mut self, error_ms: f64) {
        let place = self.place(error_ms);
        if let Some(n) = self.counts.get_mut(&place) {
            *n -= 1;
            self.n -= 1;
            if *n == 0 {
                self.counts.remove(&place);
            }
        }
    }

    /// How many there are.
    pub fn n(&self) -> u64 {
        self.n
    }

    /// The errors that are counted, from the least, each at the middle of its step with its count.
    fn steps(&self) -> impl Iterator<Item = (f64, u64)> {
        let middle = |place: i64| (place as f64 + 0.5) * self.step_ms + SHIFT_MS;
        self.counts
            .iter()
            .map(move |(place, n)| (middle(*place), *n))
    }

    /// The errors at these places, from 1, which rise.
    fn at(&self, places: impl IntoIterator<Item = u64>) -> Vec<f64> {
        let mut steps = self.steps();
        let (mut value, mut reached) = (0.0, 0);
        let mut found = Vec::new();
        for place in places {
            while reached < place {
                let Some((next, n)) = steps.next() else {
                    return found;
                };
                value = next;
                reached += n;
            }
            found.push(value);
        }
        found
    }

    /// The errors in their order: all of a few, and of many so many at even distances, the least and the
    /// greatest among them. `None` where there is none.
    pub fn sorted(&self) -> Option<Sorted> {
        let last = self.n.checked_sub(1)?;
        let most = last.min(MOST_SORTED);
        let places = (0..=most).map(|i| 1 + (last * i).checked_div(most).unwrap_or(0));
        Sorted::new(self.at(places)).ok()
    }

    /// The median with its interval, where there are enough for one; `None` where there is none at all.
    pub fn median(&self) -> Option<(f64, Option<[f64; 2]>)> {
        let n = self.n;
        if n <= MOST_SORTED {
            let sorted = self.sorted()?;
            let found = stats::order::median_interval(&sorted, CONFIDENCE);
            let interval = found.map(|found| [found.interval.low, found.interval.high]);
            return Some((stats::order::median(&sorted), interval));
        }
        // Of so many the binomial distribution of the count below the median is normal within a rank,
        // which is added on each side.
        let half = 0.5 * NORMAL_975 * (n as f64).sqrt();
        let middle = 0.5 * n as f64;
        let low = (middle - half).floor() as u64;
        let high = (middle + half).ceil() as u64 + 1;
        match self.at([low, n.div_ceil(2), n / 2 + 1, high])[..] {
            [low, lower, upper, high] => Some((0.5 * (lower + upper), Some([low, high]))),
            _ => None,
        }
    }

    /// Counts in bins.
    pub fn histogram(&self, bins: &Bins) -> Histogram {
        let mut histogram = Histogram::new(&[], bins);
        let first = (histogram.low_ms / histogram.bin_ms).round();
        for (error, n) in self.steps() {
            let place = (error / histogram.bin_ms).floor() - first;
            if place < 0.0 {
                histogram.below += n;
            } else {
                match histogram.counts.get_mut(place as usize) {
                    Some(count) => *count += n,
                    None => histogram.above += n,
                }
            }
        }
        histogram
    }

    /// The step that an error falls in.
    fn place(&self, error_ms: f64) -> i64 {
        ((error_ms - SHIFT_MS) / self.step_ms).floor() as i64
    }
}

/// `median error 12.2 ms (95 % 11.9 to 12.4), n 6`; `None` where there is no error.
pub fn median_told(tally: &Tally) -> Option<String> {
    let n = count(tally.n());
    Some(match tally.median()? {
        (value, Some([low, high])) => {
            let round = Rounded::to_uncertainty((0.5 * (high - low)).max(1e-3));
            format!(
                "median error {} ms (95 % {}), n {n}",
                round.ms(value),
                round.interval([low, high])
            )
        }
        (value, None) => format!("median error {} ms, n {n}", Rounded::decimals(2).ms(value)),
    })
}

/// Something to look at, with the way out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// What was seen.
    pub text: String,
    /// The way out.
    pub advice: String,
}

/// What is told of an event at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// A line for those who follow each.
    Line(String),
    /// What must be done by hand.
    Prompt(String),
    /// A warning.
    Remark(Remark),
}

/// What a run has given so far.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Gathered {
    /// Requests made.
    pub done: u64,
    /// Requests of the plan.
    pub of: u64,
    /// About how long the rest takes, s.
    pub left_s: f64,
    /// The last pulse.
    pub last: Option<LivePulse>,
    /// Errors of all pulses with a request.
    pub all: Tally,
    /// The same by the bits of the requested width in ms, which are in its order.
    widths: BTreeMap<u64, Tally>,
    /// Requests without a pulse.
    pub missing: u64,
    /// Pulses without a request.
    pub extra: u64,
    /// Edges that were lost.
    pub lost: u64,
    /// Requests that were not made.
    pub failed: u64,
    /// How well the clocks are aligned.
    pub clock: Option<String>,
    /// What the run waits for.
    pub state: Option<String>,
    /// What must be done by hand now.
    pub prompt: Option<String>,
    /// The latest remarks, oldest first.
    pub remarks: VecDeque<Remark>,
    /// What was asked for, by its place.
    asked: BTreeMap<u64, String>,
}

impl Gathered {
    /// Takes over what earlier parts of the run measured.
    pub fn take_over(&mut self, observations: &[wire::Observation]) {
        for o in observations {
            self.add(o.requested_ms, o.width_ms - o.requested_ms);
        }
    }

    /// Errors by requested width, ms, in its order; widths without a pulse are left out.
    pub fn widths(&self) -> impl Iterator<Item = (f64, &Tally)> {
        let all = self.widths.iter().filter(|(_, tally)| tally.n() > 0);
        all.map(|(bits, tally)| (f64::from_bits(*bits), tally))
    }

    fn add(&mut self, requested_ms: f64, error_ms: f64) {
        self.all.add(error_ms);
        let tally = self.widths.entry(requested_ms.to_bits()).or_default();
        tally.add(error_ms);
    }

    /// How many counts, words and remarks are held: what its memory is made of.
    #[cfg(test)]
    pub fn held(&self) -> usize {
        let tallies = self.widths.values().chain([&self.all]);
        let counts: usize = tallies.map(|tally| tally.counts.len()).sum();
        counts + self.asked.len() + self.remarks.len()
    }

    /// Something happened; what is to be told of it.
    pub fn event(&mut self, event: &Event) -> Option<Said> {
        match event {
            Event::Connected { identity, port } => {
                self.state = None;
                return line(format!("Rig {} answers at {port}.", identity.serial));
            }
            Event::Disconnected { why } => {
                let text = format!("The rig is gone ({why}); requests wait for it.");
                self.state = Some(text.clone());
                return self.remark(text, "put the cable back, or stop the run");
            }
            Event::Reset => {
                return self.remark(
                    "The rig was reset.",
                    "the run goes on; look at its supply and its cable",
                );
            }
            Event::Aligned {
                offset_uncertainty_s,
                skew_ppm,
                skew_uncertainty_ppm,
                exchanges,
            } => {
                self.clock = Some(format!(
                    "aligned within {} ms; the rig's runs {} ppm {} (give or take {}); {}",
                    significant(offset_uncertainty_s * 1000.0),
                    significant(skew_ppm.abs()),
                    if *skew_ppm < 0.0 { "fast" } else { "slow" },
                    significant(*skew_uncertainty_ppm),
                    plural(*exchanges as u64, "exchange")
                ));
            }
            Event::Asking {
                index,
                direction,
                width_ms,
                prompt,
            } => {
                let words = format!("{direction} {} ms", significant(*width_ms));
                self.asked.insert(*index, words);
                while self.asked.len() > MOST_ASKED {
                    self.asked.pop_first();
                }
                self.prompt.clone_from(prompt);
                return prompt.clone().map(Said::Prompt);
            }
            Event::Issued { .. } => self.prompt = None,
            Event::NotIssued { index, why } => {
                self.failed += 1;
                self.prompt = None;
                return self.remark(format!("{} was not made.", self.request(*index)), why);
            }
            Event::Pulse(pulse) => {
                match (pulse.requested_ms, pulse.error_ms()) {
                    (Some(requested), Some(error)) => self.add(requested, error),
                    _ => self.extra += 1,
                }
                self.last = Some(*pulse);
                let number = pulse
                    .index
                    .map_or_else(String::new, |i| format!("{}: ", self.place(i)));
                return line(format!("{number}{}", told(pulse)));
            }
            Event::Withdrawn(pulse) => {
                match (pulse.requested_ms, pulse.error_ms()) {
                    (Some(requested), Some(error)) => {
                        self.all.remove(error);
                        if let Some(tally) = self.widths.get_mut(&requested.to_bits()) {
                            tally.remove(error);
                        }
                    }
                    _ => self.extra = self.extra.saturating_sub(1),
                }
                self.last = None;
                return self.remark(
                    format!("Left out after all: {}", told(pulse)),
                    "an edge beside it was lost on the line",
                );
            }
            Event::Missing { index } => {
                self.missing += 1;
                return line(format!("{} came to nothing.", self.request(*index)));
            }
            Event::Lost { edges: 0 } => {
                return self.remark(
                    "Edges may have been lost.",
                    "pulses of that time are left out",
                );
            }
            Event::Lost { edges } => {
                self.lost += u64::from(*edges);
                return self.remark(
                    format!("{} lost.", plural(u64::from(*edges), "edge")),
                    "pulses beside it are left out; look at the cable, and for noise at the inputs",
                );
            }
            Event::Warning(warning) => return self.remark(&warning.text, &warning.advice),
            Event::Progress { done, of, left_s } => {
                (self.done, self.of, self.left_s) = (*done, *of, *left_s);
            }
        }
        None
    }

    /// Keeps a remark and tells it.
    fn remark(&mut self, text: impl Into<String>, advice: &str) -> Option<Said> {
        let remark = Remark {
            text: text.into(),
            advice: advice.to_owned(),
        };
        self.remarks.push_back(remark.clone());
        while self.remarks.len() > MOST_REMARKS {
            self.remarks.pop_front();
        }
        Some(Said::Remark(remark))
    }

    /// `Request 25 of 48`.
    fn place(&self, index: u64) -> String {
        match self.of {
            0 => format!("Request {}", index + 1),
            of => format!("Request {} of {of}", index + 1),
        }
    }

    /// `Request 25 of 48, ra+ 250 ms,`.
    fn request(&self, index: u64) -> String {
        match self.asked.get(&index) {
            Some(what) => format!("{}, {what},", self.place(index)),
            None => self.place(index),
        }
    }

    /// `2 missing, 1 extra, 0 not made, 3 edges lost`.
    pub fn losses(&self) -> String {
        format!(
            "{} missing, {} extra, {} not made, {} lost",
            count(self.missing),
            count(self.extra),
            count(self.failed),
            plural(self.lost, "edge")
        )
    }
}

fn line(text: String) -> Option<Said> {
    Some(Said::Line(text))
}

/// `ra+ 250 ms: 262.10 ms, 12.10 ms too long, 34.2 ms after its request`.
pub fn told(pulse: &LivePulse) -> String {
    let width = Rounded::decimals(2);
    let mut text = match (pulse.requested_ms, pulse.error_ms()) {
        (Some(requested), Some(error)) => format!(
            "{} {} ms: {} ms, {} ms too {}",
            pulse.direction,
            significant(requested),
            width.ms(pulse.width_ms),
            width.ms(error.abs()),
            if error < 0.0 { "short" } else { "long" }
        ),
        _ => format!(
            "{}: {} ms, without a request",
            pulse.direction,
            width.ms(pulse.width_ms)
        ),
    };
    if let Some(delay) = pulse.start_delay_ms {
        text += &format!(", {} ms after its request", Rounded::decimals(1).ms(delay));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_few_errors_are_taken_one_by_one() {
        let mut tally = Tally::default();
        assert_eq!((tally.median(), median_told(&tally)), (None, None));
        for error in [12.3, -0.5, 12.1, 12.1] {
            tally.add(error);
        }
        let sorted = tally.sorted().unwrap();
        for (found, given) in sorted.as_slice().iter().zip([-0.5, 12.1, 12.1, 12.3]) {
            assert!((found - given).abs() < 1e-9, "{found} {given}");
        }
        let (value, interval) = tally.median().unwrap();
        assert!((value - 12.1).abs() < 1e-9 && interval.is_none());
    }

    #[test]
    fn a_tally_knows_the_median_within_its_step_in_bounded_memory() {
        let mut tally = Tally::default();
        let mut random = stats::random::Random::new(7);
        let mut all = Vec::new();
        for i in 0..50_000 {
            // Stragglers reach far beyond the rest.
            let error = 12.0 + 3.0 * random.uniform() + if i % 100 == 0 { 900.0 } else { 0.0 };
            tally.add(error);
            all.push(error);
            assert!(tally.counts.len() <= MOST_STEPS);
        }
        let exact = Sorted::new(all.clone()).unwrap();
        assert_eq!(tally.n(), 50_000);
        let (value, interval) = tally.median().unwrap();
        let [low, high] = interval.unwrap();
        let expected = stats::order::median(&exact);
        let within = stats::order::median_interval(&exact, CONFIDENCE)
            .unwrap()
            .interval;
        assert!(
            (value - expected).abs() <= tally.step_ms,
            "{value} {expected}"
        );
        // A rank more on each side.
        let near = 2.0 * tally.step_ms;
        assert!((low - within.low).abs() <= near && (high - within.high).abs() <= near);
        let thinned = tally.sorted().unwrap();
        assert_eq!(thinned.len(), MOST_SORTED as usize + 1);
        assert!((thinned.max() - exact.max()).abs() <= tally.step_ms);
        let bins = Bins::over(&thinned);
        let (counted, each) = (tally.histogram(&bins), Histogram::new(&all, &bins));
        let total = |h: &Histogram| h.counts.iter().sum::<u64>() + h.below + h.above;
        assert_eq!(total(&counted), total(&each));
        // Steps at the edge of a bin may count beside it.
        for (a, b) in counted.counts.iter().zip(&each.counts) {
            assert!(a.abs_diff(*b) <= 50 + b / 4, "{a} {b}");
        }
        for error in &all {
            tally.remove(*error);
        }
        assert_eq!((tally.n(), tally.counts.len()), (0, 0));
    }
}
