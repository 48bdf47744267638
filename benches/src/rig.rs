//! The live side: edges a second from the rig's lines to the lab book, and the time from the end of a
//! pulse on the wire until it is told.

use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use book::{Book, NewRun};
use chain::{RunData, RunSummary};
use rig::Clock;
use rig::clock::Exchange;
use rig::journal::{Entry, Journal};
use rig::link::{Edge, FromRig, Identity, LineReader, Message, Received};
use rig::plan::{Plan, Planned};
use rig::record::{EdgeSettings, Record, Recorded};
use rig::session::{Event, Session, SessionOptions};
use rig::simulated::{ChainLaw, RigOptions, SimulatedRig};
use rig::system::SystemClock;
use rig::ticks::{Stamp, Unwrapper};
use stats::random::Random;
use wire::{Direction, Matching};

use crate::{median_s, time};

const ROUNDS: usize = 7;
const PULSES: u32 = 100_000;
const TICK_HZ: u32 = 2_000_000;
/// How fast the rig's clock is.
const SKEW: f64 = 35e-6;
/// From one request to the next.
const EVERY_S: f64 = 0.5;
/// What the host reads at once, as in a session.
const CHUNK: usize = 4096;

pub fn run(folder: &Path) {
    throughput(folder);
    latency(folder);
}

/// A record of a long night as the rig sends it, and what the host knows beside.
struct Night {
    text: Vec<u8>,
    /// When each line came, in host seconds.
    came_s: Vec<f64>,
    /// The request before each line, where there is one.
    requests: Vec<(usize, Planned, f64)>,
    edges: usize,
}

/// A request every half second, with its two edges 5 to 15 ms late and its width 8 to 18 ms long; a sync
/// and a heartbeat each second.
fn night() -> Night {
    let mut random = Random::new(7);
    let mut night = Night {
        text: Vec::new(),
        came_s: Vec::new(),
        requests: Vec::new(),
        edges: 0,
    };
    let tick = |at_s: f64| (at_s * f64::from(TICK_HZ) * (1.0 + SKEW)) as u64 as u32;
    let line = |night: &mut Night, message: FromRig, came_s: f64| {
        night.text.extend_from_slice(message.line().as_bytes());
        night.came_s.push(came_s);
    };
    let mut sequence = 0u16;
    for pulse in 0..PULSES {
        let slot_s = f64::from(pulse) * EVERY_S;
        let direction = Direction::ALL[random.below(4) as usize];
        let input = Direction::ALL.iter().position(|d| *d == direction);
        let width_ms = [50.0, 100.0, 150.0][random.below(3) as usize];
        let planned = Planned {
            direction,
            width_ms,
            pause_s: 0.3,
            round: 0,
        };
        let issued_s = slot_s + 0.01;
        night.requests.push((night.came_s.len(), planned, issued_s));
        let start_s = issued_s + 0.005 + 0.01 * random.uniform();
        let end_s = start_s + 1e-3 * (width_ms + 8.0 + 10.0 * random.uniform());
        for (at_s, closed) in [(start_s, 1), (end_s, 0)] {
            let edge = FromRig::Edge(Edge {
                sequence,
                tick: tick(at_s),
                levels: closed << input.unwrap_or_default(),
            });
            line(&mut night, edge, at_s + 0.002);
            sequence = sequence.wrapping_add(1);
            night.edges += 1;
        }
        if pulse % 2 == 0 {
            let at_s = slot_s + 0.3;
            let sync = FromRig::Sync {
                token: pulse,
                tick: tick(at_s),
            };
            line(&mut night, sync, at_s + 0.001 + 0.001 * random.uniform());
            line(&mut night, FromRig::Heartbeat(tick(at_s)), at_s + 0.004);
        }
    }
    night
}

/// The lines alone.
fn read(night: &Night) -> Vec<FromRig> {
    let mut reader = LineReader::new();
    let mut lines = Vec::with_capacity(night.came_s.len());
    for chunk in night.text.chunks(CHUNK) {
        reader.push(chunk, &mut |line| match line {
            Received::Message(message) => lines.push(message),
            other => panic!("{other:?}"),
        });
    }
    lines
}

/// Ticks that count on, as the entries that a session keeps.
fn unwrap(night: &Night, lines: &[FromRig]) -> Vec<Entry> {
    let mut unwrapper = Unwrapper::new(TICK_HZ);
    let mut entries = vec![
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
                tick_hz: TICK_HZ,
                inputs: 4,
                serial: "bench".into(),
            },
            host_s: 0.0,
        },
    ];
    let mut requests = night.requests.iter().enumerate().peekable();
    for (place, (line, came_s)) in lines.iter().zip(&night.came_s).enumerate() {
        if let Some((index, (_, planned, issued_s))) = requests.next_if(|(_, r)| r.0 == place) {
            let index = index as u64;
            entries.push(Entry::Request {
                index,
                planned: *planned,
                host_s: *issued_s,
            });
            entries.push(Entry::Issued {
                index,
                issued_s: Some(*issued_s),
                uncertainty_s: 1e-4,
            });
        }
        let mut count = |raw| match unwrapper.take(raw, *came_s) {
            Stamp::Tick(tick) => tick,
            Stamp::Restarted(_) => panic!("no reset was put in"),
        };
        entries.push(match line {
            FromRig::Edge(edge) => Entry::Edge {
                sequence: edge.sequence,
                tick: count(edge.tick),
                levels: edge.levels,
            },
            FromRig::Sync { tick, .. } => Entry::Exchange(Exchange {
                sent_s: came_s - 0.003,
                tick: count(*tick),
                received_s: *came_s,
            }),
            FromRig::Heartbeat(tick) => Entry::Tick { tick: count(*tick) },
            other => panic!("{other:?}"),
        });
    }
    let host_s = f64::from(PULSES) * EVERY_S;
    entries.push(Entry::EpochEnd {
        host_s,
        clean: true,
    });
    entries.push(Entry::End {
        host_s,
        complete: true,
    });
    entries
}

fn summarise(recorded: &Recorded, matching: &Matching) -> RunSummary {
    chain::summarise(&RunData {
        observations: &matching.observations,
        outcomes: matching.outcomes,
        instrument: recorded.instrument(),
        warnings: &[],
        seed: 1,
    })
    .expect("a good run")
}

fn store(path: &Path, summary: &RunSummary, matching: &Matching) {
    let mut book = Book::open_or_create(path).expect("a new book");
    book.add_run(&NewRun {
        chain: "bench",
        notes: &[],
        stored_at: "2026-01-01T00:00:00Z",
        program: "bench",
        settings: "{}",
        reading: "[]",
        summary,
        sources: &[],
        matching,
    })
    .expect("space on the disk");
}

fn throughput(folder: &Path) {
    const PARTS: [&str; 7] = [
        "put lines together and check them",
        "unwrap ticks",
        "follow the edges to pulses",
        "align the clocks, conclude",
        "match with the requests",
        "sum up",
        "store in the book, to the disk",
    ];
    let night = night();
    let mut parts: [Vec<Duration>; 7] = Default::default();
    let (mut whole, mut limit) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let (newlines, count) = time(|| memchr::memchr_iter(b'\n', &night.text).count());
        assert_eq!(count, night.came_s.len());
        limit.push(newlines);
        let (reading, lines) = time(|| read(&night));
        let (unwrapping, entries) = time(|| unwrap(&night, &lines));
        let (tracking, record) = time(|| Record::replay(EdgeSettings::default(), &entries));
        let (concluding, recorded) = time(|| record.conclude());
        let (matched, matching) = time(|| recorded.matching().expect("requests"));
        let (summed, summary) = time(|| summarise(&recorded, &matching));
        let book = folder.join(format!("rig-{round}.sqlite"));
        let (stored, ()) = time(|| store(&book, &summary, &matching));
        assert_eq!(matching.observations.len(), PULSES as usize);
        let times = [
            reading, unwrapping, tracking, concluding, matched, summed, stored,
        ];
        whole.push(times.iter().sum());
        for (part, took) in parts.iter_mut().zip(times) {
            part.push(took);
        }
    }
    let edges = night.edges as f64;
    let megabytes = night.text.len() as f64 / 1e6;
    println!("### From the rig's lines to the book\n");
    println!(
        "{} edges, {} lines, {megabytes:.1} MB.\n",
        night.edges,
        night.came_s.len()
    );
    println!("| what | ms | edges a second | MB/s |\n|---|---|---|---|");
    let row = |what: &str, s: f64| {
        println!(
            "| {what} | {:.1} | {:.2} million | {:.0} |",
            s * 1e3,
            edges / s / 1e6,
            megabytes / s
        );
    };
    row("limit: count the newlines with `memchr`", median_s(limit));
    for (what, times) in PARTS.iter().zip(parts) {
        row(what, median_s(times));
    }
    row("**all of it**", median_s(whole));
    println!(
        "\nThe firmware sends 534 edges a second, of 535 that its line carries (firmware/README.md).\n"
    );
}

/// Keeps entries as the program does: a line of JSON each, on the disk before it returns.
struct OnDisk(File, Vec<Duration>);

impl Journal for OnDisk {
    fn append(&mut self, entries: &[Entry]) -> io::Result<()> {
        let (took, result) = time(|| {
            let mut bytes = Vec::new();
            for entry in entries {
                serde_json::to_writer(&mut bytes, entry)?;
                bytes.push(b'\n');
            }
            self.0.write_all(&bytes)?;
            self.0.sync_data()
        });
        self.1.push(took);
        result
    }
}

fn latency(folder: &Path) {
    let plan = Plan {
        widths_ms: vec![20.0, 30.0, 40.0, 50.0, 60.0],
        rounds: 5,
        spacing_s: 0.15,
        random_phase_s: 0.05,
        ..Plan::default()
    };
    let clock = Arc::new(SystemClock::new());
    let rig = SimulatedRig::new(
        RigOptions::default(),
        ChainLaw::default(),
        Arc::clone(&clock) as Arc<dyn Clock>,
    );
    let file = File::create(folder.join("latency.jsonl")).expect("space on the disk");
    let mut journal = OnDisk(file, Vec::new());
    let mut told = Vec::new();
    let session = Session {
        plan: &plan,
        sender: &mut rig.sender(),
        opener: &mut rig.opener(),
        journal: &mut journal,
        clock: &*clock,
        stop: &AtomicBool::new(false),
        options: &SessionOptions::default(),
    };
    session
        .run(&[], &mut |event| {
            if let Event::Pulse(pulse) = event
                && let Some(index) = pulse.index
            {
                told.push((index, clock.now_s()));
            }
        })
        .expect("a simulated rig");
    // The chain misses none, so that they stand in the order of the requests.
    let truth = rig.true_pulses();
    let times: Vec<Duration> = told
        .iter()
        .filter_map(|(index, told_s)| {
            let end_s = truth.get(usize::try_from(*index).ok()?)?.end_s;
            Some(Duration::from_secs_f64((told_s - end_s).max(0.0)))
        })
        .collect();
    assert_eq!(times.len(), 100, "each pulse is told once");
    let worst = times.iter().max().map_or(0.0, Duration::as_secs_f64);
    let disk_worst = journal.1.iter().max().map_or(0.0, Duration::as_secs_f64);
    println!("### From the end of a pulse to its event\n");
    println!("| what | median ms | worst ms |\n|---|---|---|");
    println!(
        "| part: keep what happened on the disk | {:.2} | {:.1} |",
        median_s(journal.1) * 1e3,
        disk_worst * 1e3
    );
    println!(
        "| trailing edge to event, 100 pulses | {:.1} | {:.1} |",
        median_s(times) * 1e3,
        worst * 1e3
    );
    println!();
}
