//! Asking the chain under test for a pulse.
//!
//! The time of issue is taken as near the act as the system allows: on the host's monotonic clock just
//! before and just after it. The middle is the time of issue, and half of what lies between its
//! uncertainty.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender as Channel, TryRecvError, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use wire::Direction;

use crate::chain_file::{ChainFile, Way};
use crate::port::Clock;
use crate::system::SerialOpener;

mod http;
mod line;
mod program;
#[cfg(test)]
mod tests;

pub(crate) use http::parts as http_parts;

/// A sender that was told to stop does so within this time.
const STOPS_WITHIN: Duration = Duration::from_millis(500);

/// A pulse to ask for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Ask {
    /// Direction.
    pub direction: Direction,
    /// Requested width in ms.
    pub width_ms: f64,
}

/// A pulse that was asked for.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Issued {
    /// Time of issue in host seconds; `None` where it can't be known.
    pub issued_s: Option<f64>,
    /// How far the time of issue may be off, in s.
    pub uncertainty_s: f64,
}

impl Issued {
    /// The act took place between `before_s` and `after_s`.
    pub(crate) fn between(before_s: f64, after_s: f64) -> Issued {
        Issued {
            issued_s: Some(0.5 * (before_s + after_s)),
            uncertainty_s: 0.5 * (after_s - before_s),
        }
    }
}

/// Why a chain could not be asked.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum SendError {
    /// It could not be reached, started or written to.
    #[error("{what}; {advice}")]
    Failed {
        /// What was tried, and what the system said.
        what: String,
        /// The way out.
        advice: String,
    },
    /// It did not answer in time, and was stopped.
    #[error(
        "{what} did not end within {after_s} s and was stopped; see why it hangs, or raise timeout_s in the chain file"
    )]
    TimedOut {
        /// What was waited for.
        what: String,
        /// For how long, in s.
        after_s: f64,
    },
    /// It answered that it will not.
    #[error("{what} refused: {answer}; check the chain's own settings and the chain file")]
    Refused {
        /// What was asked.
        what: String,
        /// What it said.
        answer: String,
    },
    /// The run was stopped.
    #[error("stopped")]
    Stopped,
}

/// Something that asks a chain for pulses, one at a time.
pub trait Sender {
    /// Begins to ask for a pulse, and returns at once.
    ///
    /// # Errors
    /// It is known at once that this fails.
    fn begin(&mut self, ask: &Ask) -> Result<(), SendError>;

    /// The result, once; `None` while there is none.
    fn poll(&mut self) -> Option<Result<Issued, SendError>>;

    /// Gives up what is under way, at once. Where the chain can be told to end a pulse, it is.
    fn stop(&mut self);

    /// What the user must be told for `ask`; `None` where no user is needed.
    fn prompt(&self, _ask: &Ask) -> Option<String> {
        None
    }

    /// How long to wait for the pulse before the next request, in s; `None` where the plan's pauses
    /// are kept.
    fn wait_for_pulse_s(&self) -> Option<f64> {
        None
    }
}

/// The blocking part of a sender; runs in a thread of its own.
pub(crate) trait Act: Send {
    /// Asks, and waits for the answer; gives up when `stop` is set.
    fn act(&mut self, ask: &Ask, clock: &dyn Clock, stop: &AtomicBool)
    -> Result<Issued, SendError>;
}

/// The sender that a chain file describes. `None` of a simulated chain: that comes with its rig.
pub fn from_file(file: &ChainFile, clock: Arc<dyn Clock>) -> Option<Box<dyn Sender + Send>> {
    let act: Box<dyn Act> = match &file.way {
        Way::Program { command, arguments } => Box::new(program::Program {
            file: file.clone(),
            command: command.clone(),
            arguments: arguments.clone(),
        }),
        Way::Http {
            method,
            address,
            headers,
            body,
        } => Box::new(http::Http {
            file: file.clone(),
            method: method.clone(),
            address: address.clone(),
            headers: headers.clone(),
            body: body.clone(),
        }),
        Way::Tcp { address, line } => Box::new(line::Line {
            file: file.clone(),
            line: line.clone(),
            opener: Box::new(crate::system::TcpOpener {
                address: address.clone(),
                timeout: Duration::from_secs_f64(file.timeout_s),
            }),
            port: None,
        }),
        Way::Serial { port, baud, line } => Box::new(line::Line {
            file: file.clone(),
            line: line.clone(),
            opener: Box::new(SerialOpener {
                name: port.clone(),
                baud: *baud,
            }),
            port: None,
        }),
        Way::Hand { prompt, wait_s } => {
            return Some(Box::new(Hand {
                file: file.clone(),
                prompt: prompt.clone(),
                wait_s: *wait_s,
                asked: false,
            }));
        }
        Way::Simulated(_) => return None,
    };
    Some(Box::new(Worker::new(act, clock)))
}

/// Runs an [`Act`] in a thread.
struct Worker {
    asks: Option<Channel<Ask>>,
    results: Receiver<Result<Issued, SendError>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    busy: bool,
}

impl Worker {
    fn new(mut act: Box<dyn Act>, clock: Arc<dyn Clock>) -> Worker {
        let (asks, to_do) = channel::<Ask>();
        let (done, results) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            while let Ok(ask) = to_do.recv() {
                let result = act.act(&ask, clock.as_ref(), &flag);
                if done.send(result).is_err() {
                    break;
                }
            }
        });
        Worker {
            asks: Some(asks),
            results,
            stop,
            thread: Some(thread),
            busy: false,
        }
    }
}

impl Sender for Worker {
    fn begin(&mut self, ask: &Ask) -> Result<(), SendError> {
        // What was stopped ends soon; its result is of no use any more.
        if self.busy && self.results.recv_timeout(STOPS_WITHIN).is_ok() {
            self.busy = false;
        }
        let failed = || SendError::Failed {
            what: "the request before has not ended".into(),
            advice: "see why the chain hangs, and start the run again".into(),
        };
        if self.busy {
            return Err(failed());
        }
        self.stop.store(false, Ordering::SeqCst);
        let sent = self.asks.as_ref().map(|asks| asks.send(*ask));
        if !matches!(sent, Some(Ok(()))) {
            return Err(failed());
        }
        self.busy = true;
        Ok(())
    }

    fn poll(&mut self) -> Option<Result<Issued, SendError>> {
        if !self.busy {
            return None;
        }
        let result = match self.results.try_recv() {
            Ok(result) => result,
            Err(TryRecvError::Empty) => return None,
            Err(TryRecvError::Disconnected) => Err(SendError::Failed {
                what: "the sender has ended".into(),
                advice: "start the run again".into(),
            }),
        };
        self.busy = false;
        Some(result)
    }

    fn stop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        self.asks = None;
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has nothing left to wait for.
            let _ = thread.join();
        }
    }
}

/// The user asks.
struct Hand {
    file: ChainFile,
    prompt: String,
    wait_s: f64,
    asked: bool,
}

impl Sender for Hand {
    fn begin(&mut self, _: &Ask) -> Result<(), SendError> {
        self.asked = true;
        Ok(())
    }

    fn poll(&mut self) -> Option<Result<Issued, SendError>> {
        std::mem::take(&mut self.asked).then_some(Ok(Issued {
            issued_s: None,
            uncertainty_s: 0.0,
        }))
    }

    fn stop(&mut self) {
        self.asked = false;
    }

    fn prompt(&self, ask: &Ask) -> Option<String> {
        Some(self.file.fill(&self.prompt, ask.direction, ask.width_ms))
    }

    fn wait_for_pulse_s(&self) -> Option<f64> {
        Some(self.wait_s)
    }
}
