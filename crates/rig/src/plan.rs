//! Which pulses to ask for, in which order, and how far the mount may move for it.
//!
//! A plan asks for every width in every direction once a round. The order within a round is random,
//! and so is a part of each pause, so that no timer of the chain is met at the same phase each time.
//! A balanced round asks for as much time in each direction as in the opposite one, and never leads
//! further from the start than the cap: of the requests left, one is drawn among those that stay
//! within it. There always is one where the cap holds the longest request, for what is left leads
//! back.

use sky::{Axis, rate::SIDEREAL_ARCSEC_PER_S};
use stats::random::Random;
use wire::{Direction, Warning};

use crate::tables::{FileError, Reader, Section};

mod schedule;
#[cfg(test)]
mod tests;

pub use schedule::{Planned, Schedule, Travel};

/// The version of the plan file that is written and read.
pub const PLAN_VERSION: u32 = 1;

/// The shortest and the longest width that a plan may ask for, in ms.
pub const WIDTHS_MS: (f64, f64) = (1.0, 60_000.0);
/// The most requests of a plan.
pub const MOST_REQUESTS: usize = 1_000_000;
/// The most widths of a plan.
pub const MOST_WIDTHS: usize = 250;
/// Requests closer than this can't be told apart where a start is late: stragglers are 30 to 50 ms
/// late (common practice, no source).
const SHORT_SPACING_S: f64 = 0.25;

/// When a run ends.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StopRule {
    /// After all rounds.
    Count,
    /// After the first round by which the 95 % interval of the median width error, of each width and
    /// direction, is narrow enough; after all rounds at the latest.
    Precision {
        /// Half the width of the interval, in ms.
        half_width_ms: f64,
    },
}

/// A plan: what to ask for.
#[derive(Clone, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Plan {
    /// Directions, each once.
    pub directions: Vec<Direction>,
    /// Requested widths in ms, each once.
    pub widths_ms: Vec<f64>,
    /// Rounds: each direction and width is asked for so often.
    pub rounds: u32,
    /// Whether as much time is asked for in each direction as in the opposite one.
    pub balanced: bool,
    /// Pause from the end of a request to the next, in s.
    pub spacing_s: f64,
    /// Each pause is longer by a random time from 0 to this, in s; 0 for none.
    pub random_phase_s: f64,
    /// Whether each round is in random order.
    pub random_order: bool,
    /// Seed of order and pauses.
    pub seed: u64,
    /// Guide rate in right ascension as a fraction of the sidereal rate.
    pub ra_rate: f64,
    /// Guide rate in declination as a fraction of the sidereal rate.
    pub dec_rate: f64,
    /// The furthest that either axis may be from where it began, in arcsec on the axis.
    pub cap_arcsec: f64,
    /// When to end.
    pub stop: StopRule,
}

impl Default for Plan {
    /// Both directions of both axes, from a short to a long correction, 20 times: half an hour
    /// (common practice, no source).
    fn default() -> Plan {
        Plan {
            directions: Direction::ALL.to_vec(),
            widths_ms: vec![50.0, 100.0, 250.0, 500.0, 1000.0],
            rounds: 20,
            balanced: true,
            spacing_s: 1.0,
            random_phase_s: 0.5,
            random_order: true,
            seed: 1,
            ra_rate: 0.5,
            dec_rate: 0.5,
            cap_arcsec: 15.0,
            stop: StopRule::Count,
        }
    }
}

/// A plan file as read.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanReading {
    /// The plan, in range and without contradictions.
    pub plan: Plan,
    /// What deserves a second look.
    pub warnings: Vec<Warning>,
}

impl Plan {
    /// Reads a plan file. A missing key takes its default.
    ///
    /// # Errors
    /// All faults at once: text that isn't TOML, a missing or other version, an unknown key, a value
    /// of the wrong type or out of range, a direction without its opposite in a balanced plan, a cap
    /// that doesn't hold the longest request.
    pub fn read(text: &str) -> Result<PlanReading, FileError> {
        let (mut reader, table) = Reader::new(text);
        let Some(table) = table else {
            return reader.finish(PlanReading {
                plan: Plan::default(),
                warnings: Vec::new(),
            });
        };
        let mut plan = Plan::default();
        let mut top = Section::top(Some(table.get_ref()));
        reader.version(&mut top, i64::from(PLAN_VERSION));

        let mut requests = reader.section(&mut top, "requests");
        let direction = |text: &str| text.parse().ok();
        let expected = "a list of ra+, ra-, dec+, dec-";
        if let Some(list) = reader.list(&mut requests, "directions", expected, direction) {
            plan.directions = list;
        }
        let widths = WIDTHS_MS.0..=WIDTHS_MS.1;
        if let Some(list) = reader.numbers(&mut requests, "widths_ms", widths) {
            plan.widths_ms = list;
        }
        if let Some(rounds) = reader.whole(&mut requests, "rounds", 1..=100_000) {
            plan.rounds = rounds as u32;
        }
        let mut timing = reader.section(&mut top, "timing");
        if let Some(spacing) = reader.number(&mut timing, "spacing_s", 0.01..=3600.0) {
            plan.spacing_s = spacing;
        }
        if let Some(phase) = reader.number(&mut timing, "random_phase_s", 0.0..=60.0) {
            plan.random_phase_s = phase;
        }
        if let Some(truth) = reader.truth(&mut timing, "random_order") {
            plan.random_order = truth;
        }
        if let Some(seed) = reader.whole(&mut timing, "seed", 0..=i64::MAX) {
            plan.seed = seed as u64;
        }
        let mut travel = reader.section(&mut top, "travel");
        if let Some(truth) = reader.truth(&mut travel, "balanced") {
            plan.balanced = truth;
        }
        for (key, rate) in [
            ("ra_rate", &mut plan.ra_rate),
            ("dec_rate", &mut plan.dec_rate),
        ] {
            if let Some(number) = reader.number(&mut travel, key, 0.01..=10.0) {
                *rate = number;
            }
        }
        if let Some(cap) = reader.number(&mut travel, "cap_arcsec", 0.01..=36_000.0) {
            plan.cap_arcsec = cap;
        }
        let mut stop = reader.section(&mut top, "stop");
        if let Some(half_width_ms) = reader.number(&mut stop, "half_width_ms", 0.001..=1000.0) {
            plan.stop = StopRule::Precision { half_width_ms };
        }
        for (section, keys) in [
            (&requests, &["directions", "widths_ms", "rounds"][..]),
            (&travel, &["cap_arcsec", "balanced"][..]),
        ] {
            for (key, found, expected, advice) in plan.contradictions() {
                if keys.contains(&key) {
                    let line = reader.line_of(section, key);
                    reader.fault(section.key(key), line, found, expected, advice);
                }
            }
        }
        for section in [requests, timing, travel, stop, top] {
            reader.close(section);
        }
        let warnings = plan.warnings();
        reader.finish(PlanReading { plan, warnings })
    }

    /// Checks a plan that did not come from a file.
    ///
    /// # Errors
    /// Every contradiction and every value out of range.
    pub fn check(&self) -> Result<Vec<Warning>, FileError> {
        Plan::read(&self.to_toml()).map(|reading| reading.warnings)
    }

    /// The plan as a commented file, which [`Plan::read`] reads back to the same plan.
    pub fn to_toml(&self) -> String {
        let directions: Vec<String> = self.directions.iter().map(|d| format!("\"{d}\"")).collect();
        let widths: Vec<String> = self.widths_ms.iter().map(f64::to_string).collect();
        let stop = match self.stop {
            StopRule::Count => "# half_width_ms = 0.5".to_owned(),
            StopRule::Precision { half_width_ms } => format!("half_width_ms = {half_width_ms}"),
        };
        format!(
            "# Which pulses to ask for.\n\
             version = {PLAN_VERSION}\n\n\
             [requests]\n\
             # Each width in each direction is asked for once a round.\n\
             directions = [{}]\n\
             widths_ms = [{}]\n\
             rounds = {}\n\n\
             [timing]\n\
             # Pause from the end of a request to the next, and how much of chance is added to it, so\n\
             # that no timer of the chain is met at the same phase each time.\n\
             spacing_s = {}\n\
             random_phase_s = {}\n\
             random_order = {}\n\
             # The same seed gives the same order and pauses.\n\
             seed = {}\n\n\
             [travel]\n\
             # As much time in each direction as in the opposite one: the mount ends where it began.\n\
             balanced = {}\n\
             # Guide rates as fractions of the sidereal rate, as set in the mount.\n\
             ra_rate = {}\n\
             dec_rate = {}\n\
             # The furthest that an axis may be from where it began.\n\
             cap_arcsec = {}\n\n\
             [stop]\n\
             # Without this line all rounds are run; with it the run ends as soon as the 95 % interval\n\
             # of each median is at most so much either side.\n\
             {stop}\n",
            directions.join(", "),
            widths.join(", "),
            self.rounds,
            self.spacing_s,
            self.random_phase_s,
            self.random_order,
            self.seed,
            self.balanced,
            self.ra_rate,
            self.dec_rate,
            self.cap_arcsec,
        )
    }

    /// How many requests there are in all rounds.
    pub fn count(&self) -> usize {
        self.round_len().saturating_mul(self.rounds as usize)
    }

    /// How many requests there are in a round.
    pub fn round_len(&self) -> usize {
        self.directions.len().saturating_mul(self.widths_ms.len())
    }

    /// How fast a pulse moves the axis of `direction`, in arcsec/s on the axis.
    pub fn speed(&self, direction: Direction) -> f64 {
        SIDEREAL_ARCSEC_PER_S
            * match Axis::from(direction) {
                Axis::Ra => self.ra_rate,
                Axis::Dec => self.dec_rate,
            }
    }

    /// How long all rounds take on average, in s.
    pub fn estimated_s(&self) -> f64 {
        let widths_s: f64 = self.widths_ms.iter().sum::<f64>() / 1000.0;
        let round = self.directions.len() as f64 * widths_s
            + self.round_len() as f64 * (self.spacing_s + 0.5 * self.random_phase_s);
        round * f64::from(self.rounds)
    }

    /// Key, what was found, what was expected, the way out.
    fn contradictions(&self) -> Vec<(&'static str, String, String, String)> {
        let mut found = Vec::new();
        let mut fault = |key, found_: String, expected: &str, advice: String| {
            found.push((key, found_, expected.to_owned(), advice));
        };
        let names = |list: &[Direction]| {
            let names: Vec<String> = list.iter().map(Direction::to_string).collect();
            names.join(", ")
        };
        let mut sorted = self.directions.clone();
        sorted.sort_unstable();
        sorted.dedup();
        if sorted.is_empty() || sorted.len() < self.directions.len() {
            fault(
                "directions",
                format!("[{}]", names(&self.directions)),
                "one direction or more, each once",
                "list each direction once; ask for more rounds to repeat".into(),
            );
        }
        let mut widths = self.widths_ms.clone();
        widths.sort_by(f64::total_cmp);
        if let Some(pair) = widths.windows(2).find(|pair| pair[0] == pair[1]) {
            fault(
                "widths_ms",
                format!("{} twice", pair[0]),
                "each width once",
                "remove one; ask for more rounds to repeat".into(),
            );
        }
        if widths.len() > MOST_WIDTHS {
            fault(
                "widths_ms",
                format!("{} widths", widths.len()),
                &format!("at most {MOST_WIDTHS} widths"),
                "leave some out".into(),
            );
        }
        if self.count() > MOST_REQUESTS {
            fault(
                "rounds",
                format!("{} requests in {} rounds", self.count(), self.rounds),
                &format!("at most {MOST_REQUESTS} requests"),
                "ask for fewer rounds".into(),
            );
        }
        let lone: Vec<Direction> = sorted
            .iter()
            .copied()
            .filter(|d| !sorted.contains(&d.opposite()))
            .collect();
        if self.balanced && !lone.is_empty() {
            let opposites: Vec<Direction> = lone.iter().map(|d| d.opposite()).collect();
            fault(
                "directions",
                format!("{} without {}", names(&lone), names(&opposites)),
                "each direction with its opposite, for the plan is balanced",
                format!(
                    "add {}, or set balanced = false and let the mount end elsewhere",
                    names(&opposites)
                ),
            );
        }
        let longest = widths.last().copied().unwrap_or(0.0);
        let fastest = sorted.iter().map(|d| self.speed(*d)).fold(0.0, f64::max);
        let least = longest / 1000.0 * fastest;
        if self.balanced && least > self.cap_arcsec {
            fault(
                "cap_arcsec",
                format!("{}", self.cap_arcsec),
                &format!("at least {least:.2}, which the request of {longest} ms moves the mount"),
                "raise the cap, or leave out the longest widths".into(),
            );
        }
        if !self.balanced && found.is_empty() {
            let schedule = Schedule::new(self);
            let furthest = schedule
                .travel(self)
                .map(|travel| travel.furthest_arcsec)
                .into_iter()
                .fold(0.0, f64::max);
            if furthest > self.cap_arcsec {
                found.push((
                    "cap_arcsec",
                    format!("{}", self.cap_arcsec),
                    format!("at least {furthest:.2}, which the whole plan moves the mount"),
                    "raise the cap, balance the plan, or ask for less".into(),
                ));
            }
        }
        found
    }

    fn warnings(&self) -> Vec<Warning> {
        let mut warnings = Vec::new();
        let mut warn = |text: &str, advice: &str| warnings.push(Warning::new(text, advice));
        if self.spacing_s < SHORT_SPACING_S {
            warn(
                "requests follow each other so closely that a late pulse may be taken for the next",
                "leave at least 0.25 s between them",
            );
        }
        if self.random_phase_s == 0.0 {
            warn(
                "the pauses are all the same: a timer in the chain may be met at the same phase each time",
                "set random_phase_s to 0.1 or more",
            );
        }
        if !self.random_order && self.rounds > 1 {
            warn(
                "the order is the same in each round: a drift of the chain may look like an effect of the width",
                "set random_order = true",
            );
        }
        if !self.balanced {
            warn(
                "the plan is not balanced: the mount does not end where it began",
                "balance it, or move the mount back by hand",
            );
        }
        if self.rounds < 6 {
            // With 5 values the range covers the median with 1 - 2/2^5 = 93.75 % (binomial).
            warn(
                "fewer than 6 pulses of each kind give no 95 % interval of the median",
                "ask for 20 rounds or more",
            );
        }
        warnings
    }
}
