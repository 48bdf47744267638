//! How many edges a second go from the bytes of the line to pulses: reading, unwrapping, tracking,
//! clock, and the pulses of the whole run in the end.

use std::time::Instant;

use rig::journal::Entry;
use rig::link::{Edge, FromRig, Identity, LineReader, Message, Received};
use rig::plan::Plan;
use rig::record::{EdgeSettings, Record};
use rig::ticks::{Stamp, Unwrapper};

#[test]
#[ignore = "measures speed; run: cargo test --release -p rig --test speed -- --ignored --nocapture"]
fn at_least_100_000_edges_a_second_become_pulses() {
    const EDGES: u32 = 400_000;
    let mut text = String::new();
    for i in 0..EDGES {
        // 1000 edges a second of the rig, more than its line carries.
        let tick = i.wrapping_mul(2000);
        text += &FromRig::Edge(Edge {
            sequence: i as u16,
            tick,
            levels: (i % 2 == 0).into(),
        })
        .line();
        if i % 1000 == 0 {
            text += &FromRig::Sync { token: i, tick }.line();
        }
    }
    let begun = Instant::now();
    let mut record = RecordOf::new();
    let mut reader = LineReader::new();
    let mut unwrapper = Unwrapper::new(2_000_000);
    for chunk in text.as_bytes().chunks(512) {
        reader.push(chunk, &mut |line| record.take(line, &mut unwrapper));
    }
    let recorded = record.0.conclude();
    let seconds = begun.elapsed().as_secs_f64();
    let rate = f64::from(EDGES) / seconds;
    eprintln!("{rate:.0} edges a second");
    // Without the first, which begins with the epoch, and the last, which is not at its end.
    assert_eq!(recorded.capture.pulses.len(), EDGES as usize / 2 - 2);
    assert!(rate > 100_000.0, "{rate}");
}

struct RecordOf(Record);

impl RecordOf {
    fn new() -> RecordOf {
        let begin = [
            Entry::Begin {
                plan: Plan::default(),
            },
            Entry::Leg {
                label_s: 0.0,
                host_s: 0.0,
            },
            Entry::Epoch {
                identity: Identity {
                    version: "1".into(),
                    tick_hz: 2_000_000,
                    inputs: 4,
                    serial: "x".into(),
                },
                host_s: 0.0,
            },
        ];
        RecordOf(Record::replay(EdgeSettings::default(), &begin))
    }

    fn take(&mut self, line: Received<FromRig>, unwrapper: &mut Unwrapper) {
        match line {
            Received::Message(FromRig::Edge(edge)) => {
                // By the tick itself, so that every wrap is counted.
                let host_s = self.0.edges() as f64 * 1e-3;
                if let Stamp::Tick(tick) = unwrapper.take(edge.tick, host_s) {
                    self.0.take(&Entry::Edge {
                        sequence: edge.sequence,
                        tick,
                        levels: edge.levels,
                    });
                }
            }
            Received::Message(FromRig::Sync { token, .. }) => {
                let at = f64::from(token) * 1e-3;
                self.0.take(&Entry::Exchange(rig::clock::Exchange {
                    sent_s: at - 0.001,
                    tick: i64::from(token) * 2000,
                    received_s: at + 0.001,
                }));
            }
            other => panic!("{other:?}"),
        }
    }
}
