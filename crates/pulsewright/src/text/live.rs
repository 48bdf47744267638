//! The view of a live run in the terminal: how far it is, the last pulse, the median so far, the
//! histogram, losses and warnings as they arise.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::time::Duration;

use chain::{Bins, Histogram, Rounded, count, plural, significant};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rig::session::{Event, LivePulse};
use stats::Sorted;

use super::figure::{self, Line};
use super::plan::duration;
use crate::output::{ANSWER, FAINT, WARNING, styled};

/// How often the view is drawn anew at most: well under a tenth of a second after a pulse.
const REDRAWS_PER_S: u8 = 20;
/// Characters of the bar.
const BAR: usize = 40;
/// Confidence of the interval of the median.
const CONFIDENCE: f64 = 0.95;

/// How a run is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Show {
    /// As a view that is drawn anew.
    View,
    /// As a line for each thing that happens.
    Lines,
    /// Not at all but for what must be done by hand.
    Nothing,
}

/// The view.
pub struct Live {
    show: Show,
    bar: ProgressBar,
    chain: String,
    done: u64,
    of: u64,
    left_s: f64,
    last: Option<LivePulse>,
    /// What was asked for, by its place.
    asked: BTreeMap<u64, String>,
    errors_ms: BTreeMap<u64, Vec<f64>>,
    missing: u64,
    extra: u64,
    lost: u64,
    failed: u64,
    clock: Option<String>,
    state: Option<String>,
}

impl Live {
    /// The view of a run of `chain`.
    pub fn new(chain: &str, show: Show) -> Live {
        let target = match show {
            Show::View => ProgressDrawTarget::stderr_with_hz(REDRAWS_PER_S),
            Show::Lines | Show::Nothing => ProgressDrawTarget::hidden(),
        };
        let style = ProgressStyle::with_template("{msg}")
            .unwrap_or_else(|_| ProgressStyle::default_spinner());
        let bar = ProgressBar::with_draw_target(None, target).with_style(style);
        if show == Show::View {
            // The time left runs down between pulses too.
            bar.enable_steady_tick(Duration::from_millis(500));
        }
        Live {
            show,
            bar,
            chain: chain.to_owned(),
            done: 0,
            of: 0,
            left_s: 0.0,
            last: None,
            asked: BTreeMap::new(),
            errors_ms: BTreeMap::new(),
            missing: 0,
            extra: 0,
            lost: 0,
            failed: 0,
            clock: None,
            state: None,
        }
    }

    /// Takes over what earlier parts of the run measured.
    pub fn take_over(&mut self, observations: &[wire::Observation]) {
        for o in observations {
            self.of_width(o.requested_ms)
                .push(o.width_ms - o.requested_ms);
        }
    }

    fn of_width(&mut self, requested_ms: f64) -> &mut Vec<f64> {
        self.errors_ms.entry(requested_ms.to_bits()).or_default()
    }

    /// Something happened.
    pub fn event(&mut self, event: &Event) {
        match event {
            Event::Connected { identity, port } => {
                self.state = None;
                self.line(&format!("Rig {} answers at {port}.", identity.serial));
            }
            Event::Disconnected { why } => {
                let text = format!("The rig is gone ({why}); requests wait for it.");
                self.state = Some(text.clone());
                self.warn(&text, "put the cable back; Ctrl-C ends the run");
            }
            Event::Reset => self.warn(
                "The rig was reset.",
                "the run goes on; look at its supply and its cable",
            ),
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
                self.asked
                    .insert(*index, format!("{direction} {} ms", significant(*width_ms)));
                if let Some(prompt) = prompt {
                    self.say(&styled(ANSWER, &format!("> {prompt}")));
                }
            }
            Event::Issued { .. } => {}
            Event::NotIssued { index, why } => {
                self.failed += 1;
                self.warn(&format!("{} was not made.", self.request(*index)), why);
            }
            Event::Pulse(pulse) => {
                match (pulse.requested_ms, pulse.error_ms()) {
                    (Some(requested), Some(error)) => self.of_width(requested).push(error),
                    _ => self.extra += 1,
                }
                self.last = Some(*pulse);
                let number = pulse
                    .index
                    .map_or_else(String::new, |i| format!("{}: ", self.place(i)));
                self.line(&format!("{number}{}", told(pulse)));
            }
            Event::Withdrawn(pulse) => {
                match (pulse.requested_ms, pulse.error_ms()) {
                    (Some(requested), Some(error)) => {
                        let list = self.of_width(requested);
                        if let Some(at) = list.iter().rposition(|e| *e == error) {
                            list.remove(at);
                        }
                    }
                    _ => self.extra = self.extra.saturating_sub(1),
                }
                self.last = None;
                self.warn(
                    &format!("Left out after all: {}", told(pulse)),
                    "an edge beside it was lost on the line",
                );
            }
            Event::Missing { index } => {
                self.missing += 1;
                self.line(&format!("{} came to nothing.", self.request(*index)));
            }
            Event::Lost { edges: 0 } => self.warn(
                "Edges may have been lost.",
                "pulses of that time are left out",
            ),
            Event::Lost { edges } => {
                self.lost += u64::from(*edges);
                self.warn(
                    &format!("{} lost.", plural(u64::from(*edges), "edge")),
                    "pulses beside it are left out; look at the cable, and for noise at the inputs",
                );
            }
            Event::Warning(warning) => self.warn(&warning.text, &warning.advice),
            Event::Progress { done, of, left_s } => {
                (self.done, self.of, self.left_s) = (*done, *of, *left_s);
            }
        }
        self.draw();
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

    /// A line that stays above the view.
    fn say(&self, text: &str) {
        match self.show {
            Show::View => self.bar.println(text),
            // A run goes on where nobody can be told.
            Show::Lines | Show::Nothing => {
                let _ = writeln!(anstream::stderr(), "{text}");
            }
        }
    }

    /// A line where there is no view.
    fn line(&self, text: &str) {
        if self.show == Show::Lines {
            let _ = writeln!(anstream::stderr(), "{text}");
        }
    }

    fn warn(&self, text: &str, advice: &str) {
        if self.show != Show::Nothing {
            self.say(&format!(
                "{} {text}\n  {}",
                styled(WARNING, "!"),
                styled(FAINT, advice)
            ));
        }
    }

    fn draw(&self) {
        if self.show == Show::View {
            self.bar.set_message(self.view());
        }
    }

    /// The view as text.
    fn view(&self) -> String {
        let filled = (BAR as u64 * self.done)
            .checked_div(self.of.max(1))
            .unwrap_or(0)
            .min(BAR as u64) as usize;
        let bar = format!("{}{}", "━".repeat(filled), "╌".repeat(BAR - filled));
        let mut page = format!(
            "\n{}  {bar}  {} of {}, {} left\n",
            styled(ANSWER, &self.chain),
            count(self.done),
            count(self.of),
            duration(self.left_s)
        );
        if let Some(state) = &self.state {
            page += &format!("  {}\n", styled(WARNING, state));
        }
        let last = self.last.as_ref().map_or_else(|| "none yet".into(), told);
        page += &format!("  last pulse  {last}\n");
        let all: Vec<f64> = self.errors_ms.values().flatten().copied().collect();
        if let Ok(sorted) = Sorted::new(all) {
            page += &format!("  so far      {}\n", median(&sorted));
            page += &self.figure(&sorted);
        }
        page += &format!(
            "  losses      {} missing, {} extra, {} not made, {} lost\n",
            count(self.missing),
            count(self.extra),
            count(self.failed),
            plural(self.lost, "edge")
        );
        if let Some(clock) = &self.clock {
            page += &format!("  clock       {clock}\n");
        }
        page += &styled(
            FAINT,
            "  Ctrl-C stops the pulses at once and keeps what was measured.",
        );
        page
    }

    fn figure(&self, all: &Sorted) -> String {
        let bins = Bins::over(all);
        let histograms: Vec<(f64, Histogram, usize)> = self
            .errors_ms
            .iter()
            .filter(|(_, errors)| !errors.is_empty())
            .map(|(bits, errors)| {
                (
                    f64::from_bits(*bits),
                    Histogram::new(errors, &bins),
                    errors.len(),
                )
            })
            .collect();
        let lines: Vec<Line<'_>> = histograms
            .iter()
            .map(|(width, histogram, n)| Line {
                label: format!("{} ms", significant(*width)),
                histogram,
                remark: format!("n {}", count(*n as u64)),
            })
            .collect();
        figure::histograms(&lines)
    }

    /// Takes the view away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

/// `ra+ 250 ms: 262.10 ms, 12.10 ms too long, 34.2 ms after its request`.
fn told(pulse: &LivePulse) -> String {
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

/// The median of all errors so far with its interval.
fn median(sorted: &Sorted) -> String {
    let value = stats::order::median(sorted);
    let n = count(sorted.len() as u64);
    match stats::order::median_interval(sorted, CONFIDENCE) {
        Some(found) => {
            let (low, high) = (found.interval.low, found.interval.high);
            let round = Rounded::to_uncertainty((0.5 * (high - low)).max(1e-3));
            format!(
                "median error {} ms (95 % {}), n {n}",
                round.ms(value),
                round.interval([low, high])
            )
        }
        None => format!("median error {} ms, n {n}", Rounded::decimals(2).ms(value)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wire::Direction;

    fn pulse(requested_ms: Option<f64>, width_ms: f64) -> LivePulse {
        LivePulse {
            index: requested_ms.map(|_| 0),
            direction: Direction::RaPlus,
            requested_ms,
            width_ms,
            start_s: 1.0,
            start_delay_ms: requested_ms.map(|_| 34.24),
            bridged: 0,
        }
    }

    #[test]
    fn the_view_holds_what_happened() {
        let mut live = Live::new("attic", Show::View);
        for width in [262.0, 262.2, 261.9, 262.4, 262.1, 262.3] {
            live.event(&Event::Pulse(pulse(Some(250.0), width)));
        }
        live.event(&Event::Pulse(pulse(None, 3.0)));
        live.event(&Event::Missing { index: 7 });
        live.event(&Event::Lost { edges: 2 });
        live.event(&Event::Progress {
            done: 7,
            of: 14,
            left_s: 90.0,
        });
        let view = live.view();
        for part in [
            "7 of 14, 1 min 30 s left",
            "ra+: 3.00 ms, without a request",
            "median error 12.2 ms (95 % 11.9 to 12.4), n 6",
            "1 missing, 1 extra, 0 not made, 2 edges lost",
        ] {
            assert!(view.contains(part), "{part} in {view}");
        }
        // A pulse that is withdrawn is out of the figures again.
        live.event(&Event::Withdrawn(pulse(Some(250.0), 262.4)));
        assert!(live.view().contains("n 5"));
        assert_eq!(
            told(&pulse(Some(250.0), 262.1)),
            "ra+ 250 ms: 262.10 ms, 12.10 ms too long, 34.2 ms after its request"
        );
    }
}
