//! What each invented chain does to a pulse.

use stats::random::Random;

use super::captures::{self, Write};
use super::{Closed, Sent};

/// A chain of the scenario.
pub struct Chain {
    pub name: &'static str,
    pub file: &'static str,
    pub notes: &'static [(&'static str, &'static str)],
    /// Channels of `ra+` and `ra-`.
    pub channels: [&'static str; 2],
    /// How far the clock of the request log is ahead of the capture's; 0 where it is the same.
    pub clock_offset_s: f64,
    /// The options of `read` beside the request log.
    pub options: &'static str,
    pub write: Write,
    law: Law,
}

/// What becomes of one request: its start delay and width in ms, or nothing.
type Law = fn(&mut Random, f64) -> Option<Delivery>;

struct Delivery {
    delay_ms: f64,
    width_ms: f64,
    /// An opening of so many ms in the middle.
    gap_ms: Option<f64>,
    /// The contact bounces when it closes.
    bounces: bool,
}

/// The chains, in the order of the demo.
pub const ALL: [Chain; 4] = [
    Chain {
        name: "attic-laptop",
        file: "attic-laptop.vcd",
        notes: &[
            ("computer", "old laptop, runs everything else too"),
            ("link", "USB through a hub"),
            ("adapter", "relay box"),
        ],
        channels: ["D0", "D1"],
        clock_offset_s: 4711.25,
        options: "--map ra+=D0,ra-=D1",
        write: captures::vcd,
        law: attic_laptop,
    },
    Chain {
        name: "pier-board",
        file: "pier-board.csv",
        notes: &[
            ("computer", "small board at the pier"),
            ("link", "pins of the board"),
            ("adapter", "optocouplers"),
        ],
        channels: ["GP5", "GP6"],
        clock_offset_s: 0.0,
        options: "--map ra+=GP5,ra-=GP6 --shared-clock",
        write: captures::edges_csv,
        law: pier_board,
    },
    Chain {
        name: "serial-adapter",
        file: "serial-adapter.wav",
        notes: &[
            ("computer", "small board at the pier"),
            ("link", "serial line, 4 m"),
            ("adapter", "home-made, polls the line"),
        ],
        channels: ["left", "right"],
        clock_offset_s: -86.5,
        options: "--map ra+=left,ra-=right",
        write: captures::wav,
        law: serial_adapter,
    },
    Chain {
        name: "long-cable",
        file: "long-cable.csv",
        notes: &[
            ("computer", "desktop in the house"),
            ("link", "20 m of cable in the ground"),
            ("adapter", "optocouplers"),
        ],
        channels: ["CH1", "CH2"],
        clock_offset_s: 12.0,
        options: "--map ra+=CH1,ra-=CH2",
        write: captures::samples_csv,
        law: long_cable,
    },
];

/// Every wanted pulse through the controller, which makes of it what `request` says, and through the
/// chain's law.
pub fn play(
    chain: &Chain,
    sent: &[Sent],
    request: &dyn Fn(f64) -> f64,
    random: &mut Random,
) -> Vec<Closed> {
    let mut closed = Vec::new();
    for s in sent {
        let Some(delivery) = (chain.law)(random, request(s.requested_ms)) else {
            continue;
        };
        let from_s = s.issued_s + delivery.delay_ms / 1000.0;
        let to_s = from_s + delivery.width_ms / 1000.0;
        let mut part = |from_s: f64, to_s: f64| {
            closed.push(Closed {
                direction: s.direction,
                from_s,
                to_s,
            });
        };
        match delivery.gap_ms {
            Some(gap_ms) => {
                let middle = 0.5 * (from_s + to_s);
                part(from_s, middle);
                part(middle + gap_ms / 1000.0, to_s);
            }
            None if delivery.bounces => {
                let bounce_s = 1e-4 * (1.0 + 3.0 * random.uniform());
                part(from_s, from_s + bounce_s);
                part(from_s + 2.0 * bounce_s, to_s);
            }
            None => part(from_s, to_s),
        }
    }
    closed
}

fn lognormal(random: &mut Random, median: f64, sigma: f64) -> f64 {
    // By the portable library, so that the files are the same on every machine.
    median * libm::exp(sigma * random.normal())
}

/// About 12 ms too long whatever is asked, skewed, with a straggler in 30.
fn attic_laptop(random: &mut Random, requested_ms: f64) -> Option<Delivery> {
    let straggler = if random.uniform() < 1.0 / 30.0 {
        18.0 + 20.0 * random.uniform()
    } else {
        0.0
    };
    Some(Delivery {
        delay_ms: 20.0 + lognormal(random, 15.0, 0.5),
        width_ms: requested_ms + 7.0 + lognormal(random, 5.0, 0.45) + straggler,
        gap_ms: None,
        bounces: random.uniform() < 0.1,
    })
}

/// Close to what was asked.
fn pier_board(random: &mut Random, requested_ms: f64) -> Option<Delivery> {
    Some(Delivery {
        delay_ms: 1.5 + 0.2 * random.exponential(),
        width_ms: requested_ms + 0.9 + 0.15 * random.normal(),
        gap_ms: None,
        bounces: false,
    })
}

/// The adapter's timer, ms: it opens and closes the contact only at its ticks.
const ADAPTER_TICK_MS: f64 = 8.0;

/// Rounds every width up to the ticks of a timer.
fn serial_adapter(random: &mut Random, requested_ms: f64) -> Option<Delivery> {
    let phase = random.uniform();
    let ticks = (requested_ms / ADAPTER_TICK_MS + phase).ceil();
    Some(Delivery {
        delay_ms: 6.0 + ADAPTER_TICK_MS * phase,
        width_ms: ticks * ADAPTER_TICK_MS + 0.2 * random.normal(),
        gap_ms: None,
        bounces: false,
    })
}

/// Loses short pulses, shortens all, and opens in the middle of a few.
fn long_cable(random: &mut Random, requested_ms: f64) -> Option<Delivery> {
    let lost = if requested_ms < 100.0 { 0.2 } else { 0.02 };
    if random.uniform() < lost {
        return None;
    }
    let gap_ms = (requested_ms > 100.0 && random.uniform() < 0.02).then_some(15.0);
    Some(Delivery {
        delay_ms: 12.0 + 2.0 * random.exponential(),
        width_ms: requested_ms * 1.006 - 4.0 + 1.2 * random.normal() - 1.5 * random.exponential(),
        gap_ms,
        bounces: false,
    })
}
