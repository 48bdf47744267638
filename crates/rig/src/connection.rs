//! One open port with a rig that has answered.

use std::collections::VecDeque;
use std::time::Duration;

use crate::clock::{Alignment, Exchange, WINDOW_S};
use crate::error::RigError;
use crate::link::{FromRig, Identity, LineReader, Message, Received, ToRig};
use crate::port::{Clock, Port};
use crate::ticks::{Stamp, Unwrapper};

/// A board that is reset by opening its port says who it is within this time (docs/rig-link.md).
const AFTER_RESET_S: f64 = 2.0;
/// From one question to the next, in s.
const ASK_EVERY_S: f64 = 0.5;
/// Questions that may wait for their answer; older ones are given up.
const MOST_QUESTIONS: usize = 8;

/// An open port.
pub(crate) struct Connection {
    pub(crate) port: Box<dyn Port>,
    pub(crate) reader: LineReader<FromRig>,
    pub(crate) identity: Identity,
    unwrapper: Unwrapper,
    /// The last line did not continue the count: the next decides whether it was damaged or the rig
    /// was reset.
    doubtful: bool,
    /// Tokens that were sent, each with the time.
    questions: VecDeque<(u32, f64)>,
    next_token: u32,
    /// When the last good line came.
    pub(crate) heard_s: f64,
    exchanges: VecDeque<Exchange>,
    alignment: Option<Alignment>,
    /// Answers to questions that may still come, and until when.
    owed: u32,
    owed_until_s: f64,
}

/// What a tick turned out to be.
pub(crate) enum Counted {
    /// Unwrapped.
    Tick(i64),
    /// It can't be right.
    Damaged,
    /// The rig was reset.
    Reset,
}

/// What the wait for an identity line gave.
pub(crate) enum Answer {
    /// Who it is, and how many answers to questions may still come.
    Identity(Identity, u32),
    /// Nothing of use; what was heard.
    Nothing(String),
    /// The port broke.
    Broken(std::io::Error),
}

/// Waits for the identity line of a rig on `port`, and asks for it.
///
/// # Errors
/// A rig of another protocol.
pub(crate) fn ask_identity(
    port: &mut dyn Port,
    reader: &mut LineReader<FromRig>,
    clock: &dyn Clock,
    name: &str,
    wait_s: f64,
    stopped: &dyn Fn() -> bool,
) -> Result<Answer, RigError> {
    let begun = clock.now_s();
    let mut next_ask = begun + AFTER_RESET_S;
    let mut buffer = [0; 512];
    let mut bytes = 0;
    let mut asked: u32 = 0;
    loop {
        let now = clock.now_s();
        if now - begun > wait_s || stopped() {
            let heard = match (bytes, reader.counts().good) {
                (0, _) => "silence".to_owned(),
                (_, 0) => format!("{bytes} bytes that are no line of a rig"),
                _ => "a rig that does not say who it is".to_owned(),
            };
            return Ok(Answer::Nothing(heard));
        }
        if now >= next_ask {
            if let Err(error) = port.write(ToRig::Identify.line().as_bytes()) {
                return Ok(Answer::Broken(error));
            }
            next_ask = now + ASK_EVERY_S;
            asked += 1;
        }
        let count = match port.read(&mut buffer, Duration::from_millis(20)) {
            Ok(count) => count,
            Err(error) => return Ok(Answer::Broken(error)),
        };
        bytes += count;
        let mut found = None;
        let mut other = None;
        let mut alive = false;
        reader.push(buffer.get(..count).unwrap_or_default(), &mut |line| {
            if let Received::Message(message) = line {
                match message {
                    FromRig::Identity(identity) => found = Some(identity),
                    FromRig::OtherProtocol(number) => other = Some(number),
                    // Any line of a rig that runs: no need to wait for its reset.
                    _ => alive = true,
                }
            }
        });
        if let Some(found) = other {
            return Err(RigError::OtherProtocol {
                name: name.to_owned(),
                found,
            });
        }
        if let Some(identity) = found {
            return Ok(Answer::Identity(identity, asked.saturating_sub(1)));
        }
        if alive && asked == 0 {
            next_ask = clock.now_s();
        }
    }
}

impl Connection {
    pub(crate) fn new(
        port: Box<dyn Port>,
        reader: LineReader<FromRig>,
        identity: Identity,
        now_s: f64,
    ) -> Connection {
        Connection {
            unwrapper: Unwrapper::new(identity.tick_hz),
            port,
            reader,
            identity,
            doubtful: false,
            questions: VecDeque::new(),
            next_token: 1,
            heard_s: now_s,
            exchanges: VecDeque::new(),
            alignment: None,
            owed: 0,
            owed_until_s: now_s,
        }
    }

    /// So many answers to questions may still come.
    pub(crate) fn owe(&mut self, answers: u32, now_s: f64) {
        self.owed = answers;
        self.owed_until_s = now_s + AFTER_RESET_S;
    }

    /// Whether an identity line at `at_s` is an answer; else it means a reset.
    pub(crate) fn is_answer(&mut self, at_s: f64) -> bool {
        let owed = self.owed > 0 && at_s <= self.owed_until_s;
        self.owed = self.owed.saturating_sub(1);
        owed
    }

    /// The rig was reset, or answered anew: counter and alignment begin again.
    pub(crate) fn restart(&mut self, identity: Identity) {
        self.unwrapper = Unwrapper::new(identity.tick_hz);
        self.identity = identity;
        self.doubtful = false;
        self.questions.clear();
        self.exchanges.clear();
        self.alignment = None;
    }

    /// Asks for the counter.
    pub(crate) fn ask_tick(&mut self, clock: &dyn Clock) -> std::io::Result<()> {
        let token = self.next_token;
        self.next_token = self.next_token.wrapping_add(1);
        if self.questions.len() >= MOST_QUESTIONS {
            self.questions.pop_front();
        }
        self.questions.push_back((token, clock.now_s()));
        self.port.write(ToRig::Sync(token).line().as_bytes())
    }

    /// Unwraps the counter of a line that came at `at_s`.
    pub(crate) fn count(&mut self, raw: u32, at_s: f64) -> Counted {
        let mut trial = self.unwrapper.clone();
        match trial.take(raw, at_s) {
            Stamp::Tick(tick) => {
                self.doubtful = false;
                self.unwrapper = trial;
                // A tick from the future is a damaged one whose sum is right by chance.
                match &self.alignment {
                    Some(alignment) if alignment.host_s(tick).low > at_s + 1e-3 => Counted::Damaged,
                    _ => Counted::Tick(tick),
                }
            }
            Stamp::Restarted(_) if self.doubtful => Counted::Reset,
            Stamp::Restarted(_) => {
                self.doubtful = true;
                Counted::Damaged
            }
        }
    }

    /// The exchange that the answer `token` at `at_s` ends; `None` of an unknown token.
    pub(crate) fn answered(&mut self, token: u32, tick: i64, at_s: f64) -> Option<Exchange> {
        let place = self.questions.iter().position(|(t, _)| *t == token)?;
        let (_, sent_s) = self.questions.remove(place)?;
        let exchange = Exchange {
            sent_s,
            tick,
            received_s: at_s,
        };
        self.exchanges.push_back(exchange);
        while self
            .exchanges
            .front()
            .is_some_and(|first| first.sent_s < at_s - WINDOW_S)
        {
            self.exchanges.pop_front();
        }
        let window: Vec<Exchange> = self.exchanges.iter().copied().collect();
        self.alignment = Alignment::fit(&window, self.identity.tick_hz);
        Some(exchange)
    }

    /// The alignment over the last window.
    pub(crate) fn alignment(&self) -> Option<&Alignment> {
        self.alignment.as_ref()
    }

    /// Exchanges of the last window.
    pub(crate) fn exchanges(&self) -> usize {
        self.exchanges.len()
    }
}
