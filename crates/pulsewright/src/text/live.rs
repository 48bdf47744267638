//! The view of a live run in the terminal: how far it is, the last pulse, the median so far, the
//! histogram, losses and warnings as they arise.

use std::io::Write as _;
use std::time::Duration;

use chain::{Bins, Histogram, count, significant};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rig::session::Event;
use stats::Sorted;

use super::figure::{self, Line};
use super::plan::duration;
use crate::gathered::{Gathered, Remark, Said, median_told, told};
use crate::output::{ANSWER, FAINT, WARNING, styled};

/// How often the view is drawn anew at most: well under a tenth of a second after a pulse.
const REDRAWS_PER_S: u8 = 20;
/// Characters of the bar.
const BAR: usize = 40;

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
    gathered: Gathered,
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
            gathered: Gathered::default(),
        }
    }

    /// Takes over what earlier parts of the run measured.
    pub fn take_over(&mut self, observations: &[wire::Observation]) {
        self.gathered.take_over(observations);
    }

    /// Something happened.
    pub fn event(&mut self, event: &Event) {
        match self.gathered.event(event) {
            Some(Said::Line(text)) => self.line(&text),
            Some(Said::Prompt(text)) => self.say(&styled(ANSWER, &format!("> {text}"))),
            Some(Said::Remark(Remark { text, advice })) => self.warn(&text, &advice),
            None => {}
        }
        self.draw();
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
        let seen = &self.gathered;
        let filled = (BAR as u64 * seen.done)
            .checked_div(seen.of.max(1))
            .unwrap_or(0)
            .min(BAR as u64) as usize;
        let bar = format!("{}{}", "━".repeat(filled), "╌".repeat(BAR - filled));
        let mut page = format!(
            "\n{}  {bar}  {} of {}, {} left\n",
            styled(ANSWER, &self.chain),
            count(seen.done),
            count(seen.of),
            duration(seen.left_s)
        );
        if let Some(state) = &seen.state {
            page += &format!("  {}\n", styled(WARNING, state));
        }
        let last = seen.last.as_ref().map_or_else(|| "none yet".into(), told);
        page += &format!("  last pulse  {last}\n");
        if let (Some(median), Some(sorted)) = (median_told(&seen.all), seen.all.sorted()) {
            page += &format!("  so far      {median}\n");
            page += &self.figure(&sorted);
        }
        page += &format!("  losses      {}\n", seen.losses());
        if let Some(clock) = &seen.clock {
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
        let histograms: Vec<(f64, Histogram, u64)> = self
            .gathered
            .widths()
            .map(|(width, tally)| (width, tally.histogram(&bins), tally.n()))
            .collect();
        let lines: Vec<Line<'_>> = histograms
            .iter()
            .map(|(width, histogram, n)| Line {
                label: format!("{} ms", significant(*width)),
                histogram,
                remark: format!("n {}", count(*n)),
            })
            .collect();
        figure::histograms(&lines)
    }

    /// Takes the view away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rig::session::LivePulse;
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
        for width in [262.0, 262.24, 261.9, 262.4, 262.1, 262.3] {
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
