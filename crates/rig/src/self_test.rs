//! Finding rigs, and testing one: link, rate, edges, inputs.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use wire::{Direction, Warning};

use crate::clock::Bounded;
use crate::connection::{Answer, Connection, Counted, ask_identity};
use crate::error::RigError;
use crate::link::{FromRig, Identity, LineCounts, LineReader, Message, Received, ToRig};
use crate::port::{Clock, Opener};
use crate::record::EdgeSettings;
use crate::tracker::Tracker;

/// From one sync exchange to the next, in s.
const SYNC_EVERY_S: f64 = 0.1;
/// The longest wait for bytes.
const SLICE: Duration = Duration::from_millis(10);
/// How long to wait for an answer, in s: a board that is reset by opening its port needs two.
const ANSWER_S: f64 = 3.5;
/// A rate further off than a cheap resonator's 0.5 % is none of a sound board (common practice, no
/// source); a crystal is within 0.01 %.
const RESONATOR_PPM: f64 = 5000.0;
/// More than this is worth a word, for it is a resonator and no crystal.
const CRYSTAL_PPM: f64 = 200.0;

/// What a port answered.
#[derive(Debug)]
pub enum Found {
    /// A rig.
    Rig(Identity),
    /// Something else; what was heard.
    NoRig(String),
    /// It can't be opened, or speaks another protocol.
    Failed(RigError),
}

/// Asks the port of `opener` for a rig. Opening may reset the board; that takes up to two seconds.
pub fn look(opener: &mut dyn Opener, clock: &dyn Clock, stop: &AtomicBool) -> Found {
    match open(opener, clock, stop) {
        Ok(connection) => Found::Rig(connection.identity),
        Err(RigError::NoRig { heard, .. }) => Found::NoRig(heard),
        Err(error) => Found::Failed(error),
    }
}

fn open(
    opener: &mut dyn Opener,
    clock: &dyn Clock,
    stop: &AtomicBool,
) -> Result<Connection, RigError> {
    let name = opener.name();
    let port = |source| RigError::Port {
        name: name.clone(),
        source,
    };
    let mut opened = opener.open().map_err(port)?;
    let mut reader = LineReader::new();
    let stopped = || stop.load(Ordering::SeqCst);
    match ask_identity(
        opened.as_mut(),
        &mut reader,
        clock,
        &name,
        ANSWER_S,
        &stopped,
    )? {
        Answer::Identity(identity, owed) => {
            let now = clock.now_s();
            let mut connection = Connection::new(opened, reader, identity, now);
            connection.owe(owed, now);
            Ok(connection)
        }
        Answer::Nothing(heard) => Err(RigError::NoRig {
            name,
            heard,
            waited_s: ANSWER_S,
        }),
        Answer::Broken(source) => Err(port(source)),
    }
}

/// How a test stands; the last one is its result.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub struct SelfTest {
    /// The rig.
    pub identity: Identity,
    /// How long it has been tested, in s.
    pub seconds: f64,
    /// Lines.
    pub lines: LineCounts,
    /// Heartbeats; one each second.
    pub heartbeats: u64,
    /// Sync exchanges.
    pub exchanges: usize,
    /// The least round trip in s; half of it bounds how far a time of the rig may be off.
    pub round_trip_s: Option<f64>,
    /// How much faster the rig's clock runs than its nominal rate by the host's clock, in ppm, with
    /// its range by the exchanges; the host's own error comes on top.
    pub rate_ppm: Option<Bounded>,
    /// Edges of each input.
    pub input_edges: Vec<u64>,
    /// Which switches are closed, bit 0 for input 0; `None` before the first edge.
    pub closed: Option<u8>,
    /// The most edges within one second.
    pub most_edges_per_s: u64,
    /// Edges lost.
    pub edges_lost: u64,
    /// Times that the rig was reset.
    pub resets: u64,
}

impl SelfTest {
    /// What deserves a second look; nothing where all is well.
    pub fn warnings(&self, directions: &[Direction]) -> Vec<Warning> {
        let mut warnings = Vec::new();
        let mut warn = |text: String, advice: &str| warnings.push(Warning::new(text, advice));
        if self.lines.bad_sums > 0 {
            warn(
                format!(
                    "{} of {} lines were damaged",
                    self.lines.bad_sums,
                    self.lines.bad_sums + self.lines.good
                ),
                "use a shorter or shielded cable; the first line after opening may be cut",
            );
        }
        if self.lines.unknown > 0 {
            warn(
                format!("{} lines were not understood", self.lines.unknown),
                "the rig's firmware may be newer than this program",
            );
        }
        if self.resets > 0 {
            warn(
                format!("the rig was reset {} times", self.resets),
                "check its power and its cable",
            );
        }
        if self.edges_lost > 0 {
            warn(
                format!("{} edges were lost", self.edges_lost),
                "look for an open input that catches noise: the line carries about 500 edges a second",
            );
        }
        if self.exchanges == 0 {
            warn(
                "no sync question was answered".to_owned(),
                "the host's lines don't reach the rig: check the cable's other wire",
            );
        }
        if let Some(rate) = self.rate_ppm {
            let least = rate.low.abs().min(rate.high.abs());
            let sure = rate.low > 0.0 || rate.high < 0.0;
            if sure && least >= 0.9 * RESONATOR_PPM {
                warn(
                    format!("the rig's clock is off by at least {least:.0} ppm"),
                    "check that the firmware was built for the board's clock",
                );
            } else if sure && least > CRYSTAL_PPM {
                warn(
                    format!(
                        "the rig's clock is off by at least {least:.0} ppm, as a resonator's may be"
                    ),
                    "this is corrected; a board with a crystal keeps time better",
                );
            }
        }
        for (input, edges) in self.input_edges.iter().enumerate() {
            if *edges == 0 {
                let direction = directions.get(input);
                let of = direction.map_or(String::new(), |d| format!(" ({d})"));
                warn(
                    format!("input {input}{of} never changed"),
                    "press its button, send a pulse, or check its wire",
                );
            }
        }
        warnings
    }
}

/// Tests the rig at the port of `opener` for `seconds`, or until `stop` is set, and tells `progress`
/// how it stands each second.
///
/// # Errors
/// The port can't be opened or goes away; no rig, or one of another protocol, answers.
pub fn self_test(
    opener: &mut dyn Opener,
    clock: &dyn Clock,
    seconds: f64,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(&SelfTest),
) -> Result<SelfTest, RigError> {
    let mut connection = open(opener, clock, stop)?;
    let name = opener.name();
    let port = |source| RigError::Port {
        name: name.clone(),
        source,
    };
    let begun = clock.now_s();
    let before = connection.reader.counts();
    let tracker = || Tracker::new(&EdgeSettings::default().inputs, 0, 0, 0);
    let mut counter = Counter {
        tracker: tracker(),
        second: 0,
        edges: 0,
        test: SelfTest {
            identity: connection.identity.clone(),
            seconds: 0.0,
            lines: LineCounts::default(),
            heartbeats: 0,
            exchanges: 0,
            round_trip_s: None,
            rate_ppm: None,
            input_edges: vec![0; usize::from(connection.identity.inputs)],
            closed: None,
            most_edges_per_s: 0,
            edges_lost: 0,
            resets: 0,
        },
    };
    connection
        .port
        .write(ToRig::Go.line().as_bytes())
        .map_err(port)?;
    let mut next_sync = begun + 0.01;
    let mut next_tell = begun + 1.0;
    let mut buffer = [0; 4096];
    loop {
        let now = clock.now_s();
        let over = now - begun >= seconds || stop.load(Ordering::SeqCst);
        if over || now >= next_tell {
            next_tell = now + 1.0;
            counter.sum_up(&connection, now - begun, before);
            if over {
                counter.end();
                break;
            }
            progress(&counter.test);
        }
        if now >= next_sync {
            next_sync = now + SYNC_EVERY_S;
            connection.ask_tick(clock).map_err(port)?;
        }
        let count = connection.port.read(&mut buffer, SLICE).map_err(port)?;
        let at_s = clock.now_s();
        let mut lines = Vec::new();
        connection
            .reader
            .push(buffer.get(..count).unwrap_or_default(), &mut |line| {
                lines.push(line)
            });
        for line in lines {
            if counter.line(&mut connection, line, at_s) {
                counter.tracker = tracker();
                connection
                    .port
                    .write(ToRig::Go.line().as_bytes())
                    .map_err(port)?;
            }
        }
    }
    connection
        .port
        .write(ToRig::Stop.line().as_bytes())
        .map_err(port)?;
    Ok(counter.test)
}

struct Counter {
    tracker: Tracker,
    /// The second of the test, and its edges so far.
    second: u64,
    edges: u64,
    test: SelfTest,
}

impl Counter {
    /// Takes a line; whether the rig was reset.
    fn line(&mut self, connection: &mut Connection, line: Received<FromRig>, at_s: f64) -> bool {
        let Received::Message(message) = line else {
            self.tracker.damaged();
            return false;
        };
        let raw = match &message {
            FromRig::Edge(edge) => edge.tick,
            FromRig::Heartbeat(tick) | FromRig::Sync { tick, .. } => *tick,
            FromRig::Lost(count) => {
                self.tracker.told_lost(*count);
                return false;
            }
            FromRig::Identity(_) if connection.is_answer(at_s) => return false,
            FromRig::Identity(identity) => {
                connection.restart(identity.clone());
                self.test.resets += 1;
                self.end();
                return true;
            }
            FromRig::OtherProtocol(_) => return false,
        };
        let tick = match connection.count(raw, at_s) {
            Counted::Tick(tick) => tick,
            Counted::Damaged => return false,
            Counted::Reset => {
                let identity = connection.identity.clone();
                connection.restart(identity);
                self.test.resets += 1;
                self.end();
                return true;
            }
        };
        match message {
            FromRig::Edge(edge) => {
                self.tracker.edge(edge.sequence, tick, edge.levels);
                self.test.closed = Some(edge.levels);
                let hz = i64::from(connection.identity.tick_hz.max(1));
                let second = tick.div_euclid(hz).unsigned_abs();
                self.edges = if second == self.second {
                    self.edges + 1
                } else {
                    1
                };
                self.second = second;
                self.test.most_edges_per_s = self.test.most_edges_per_s.max(self.edges);
            }
            FromRig::Heartbeat(_) => self.test.heartbeats += 1,
            FromRig::Sync { token, .. } => {
                let answered = connection.answered(token, tick, at_s);
                self.test.exchanges += usize::from(answered.is_some());
            }
            _ => {}
        }
        false
    }

    /// Ends a count.
    fn end(&mut self) {
        self.tracker.end(true);
        self.take_edges();
    }

    /// Adds the edges so far.
    fn take_edges(&mut self) {
        for (sum, edges) in self
            .test
            .input_edges
            .iter_mut()
            .zip(self.tracker.input_edges)
        {
            *sum += edges;
        }
        self.test.edges_lost += self.tracker.lost;
        self.tracker.input_edges = [0; 8];
        self.tracker.lost = 0;
    }

    fn sum_up(&mut self, connection: &Connection, seconds: f64, before: LineCounts) {
        self.take_edges();
        self.test.seconds = seconds;
        let now = connection.reader.counts();
        self.test.lines = LineCounts {
            good: now.good - before.good,
            bad_sums: now.bad_sums - before.bad_sums,
            unknown: now.unknown - before.unknown,
        };
        if let Some(alignment) = connection.alignment() {
            self.test.round_trip_s = Some(alignment.least_round_trip_s());
            // The rig is fast where the host's second is shorter than its nominal one.
            let ppm = |skew: f64| (1.0 / (1.0 + skew) - 1.0) * 1e6;
            let skew = alignment.skew();
            self.test.rate_ppm = Some(Bounded {
                value: ppm(skew.value),
                low: ppm(skew.high),
                high: ppm(skew.low),
            });
        }
    }
}
