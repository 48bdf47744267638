//! The rig's side of the loop: finding it, and what its lines mean.

use wire::Warning;

use super::super::{Ending, Event};
use super::{Engine, LINE_EVERY_S, Phase, RETRY_S};
use crate::connection::{Answer, Connection, Counted, ask_identity};
use crate::error::RigError;
use crate::journal::Entry;
use crate::link::{FromRig, Identity, LineReader, Received, ToRig};

/// One damaged line in so many is worth a warning.
const NOISY: u64 = 200;

impl Engine<'_, '_> {
    /// Opens the port, finds out who is there and asks for edges; tries for `wait_s`.
    pub(super) fn connect(&mut self, wait_s: f64) -> Result<(), RigError> {
        let begun = self.session.clock.now_s();
        let name = self.session.opener.name();
        loop {
            let error = match self.session.opener.open() {
                Ok(mut port) => {
                    let mut reader = LineReader::new();
                    let session = &self.session;
                    let stopped = || session.is_stopped();
                    let wait = session.options.first_wait_s;
                    let clock = session.clock;
                    match ask_identity(port.as_mut(), &mut reader, clock, &name, wait, &stopped)? {
                        Answer::Identity(identity, owed) => {
                            let now = clock.now_s();
                            let mut new = Connection::new(port, reader, identity.clone(), now);
                            new.owe(owed, now);
                            self.connection = Some(new);
                            return self.begin_epoch(identity);
                        }
                        Answer::Nothing(heard) => RigError::NoRig {
                            name: name.clone(),
                            heard,
                            waited_s: wait,
                        },
                        Answer::Broken(source) => RigError::Port {
                            name: name.clone(),
                            source,
                        },
                    }
                }
                Err(source) => RigError::Port {
                    name: name.clone(),
                    source,
                },
            };
            if self.session.is_stopped() {
                self.ending = Some(Ending::Stopped);
                return Ok(());
            }
            if self.session.clock.now_s() - begun >= wait_s {
                return Err(error);
            }
            self.session.clock.wait(RETRY_S);
        }
    }

    /// A rig answered: from here on ticks are on a new count.
    pub(super) fn begin_epoch(&mut self, identity: Identity) -> Result<(), RigError> {
        let name = self.session.opener.name();
        if let Some(first) = self.record.identity()
            && (first.serial != identity.serial || first.tick_hz != identity.tick_hz)
        {
            return Err(RigError::OtherRig {
                name,
                found: format!("{} at {} Hz", identity.serial, identity.tick_hz),
                expected: format!("{} at {} Hz", first.serial, first.tick_hz),
            });
        }
        let inputs = &self.session.options.edges.inputs;
        let place = |d: &wire::Direction| inputs.iter().position(|i| i == d);
        let needed = self.session.plan.directions.iter().filter_map(place).max();
        if let Some(needed) = needed.map(|last| last + 1)
            && needed > usize::from(identity.inputs)
        {
            return Err(RigError::TooFewInputs {
                name,
                found: identity.inputs,
                needed,
            });
        }
        let now = self.session.clock.now_s();
        self.keep(Entry::Epoch {
            identity: identity.clone(),
            host_s: now,
        });
        self.events.push(Event::Connected {
            identity,
            port: name,
        });
        self.phase = match self.phase {
            Phase::Settling { ending, .. } => Phase::Settling {
                due_s: now + self.session.options.settle_s,
                ending,
            },
            _ => Phase::Aligning,
        };
        self.aligning_since_s = now;
        self.next_sync_s = now;
        self.send_line(ToRig::Go);
        self.flush()
    }

    /// Takes a line that came at `at_s`.
    pub(super) fn line(&mut self, line: Received<FromRig>, at_s: f64) -> Result<(), RigError> {
        let message = match line {
            Received::Message(message) => message,
            Received::Damaged => {
                self.damaged();
                return Ok(());
            }
            Received::Unknown => return Ok(()),
        };
        let Some(connection) = &mut self.connection else {
            return Ok(());
        };
        connection.heard_s = at_s;
        match message {
            FromRig::Identity(_) if connection.is_answer(at_s) => Ok(()),
            FromRig::Identity(identity) => self.reset(identity),
            // A damaged line by chance: the rig answered as protocol 1 before.
            FromRig::OtherProtocol(_) => {
                self.damaged();
                Ok(())
            }
            FromRig::Lost(count) => {
                self.keep(Entry::Lost { count });
                Ok(())
            }
            FromRig::Edge(edge) => match connection.count(edge.tick, at_s) {
                Counted::Tick(tick) => {
                    self.keep(Entry::Edge {
                        sequence: edge.sequence,
                        tick,
                        levels: edge.levels,
                    });
                    // An exchange soon after shows that the contact has come to rest.
                    let rest_s = self.session.options.edges.bridge_s + LINE_EVERY_S;
                    self.next_sync_s = self.next_sync_s.min(at_s + rest_s);
                    Ok(())
                }
                other => self.not_counted(other),
            },
            FromRig::Heartbeat(tick) => match connection.count(tick, at_s) {
                Counted::Tick(tick) => {
                    self.keep(Entry::Tick { tick });
                    Ok(())
                }
                other => self.not_counted(other),
            },
            FromRig::Sync { token, tick } => match connection.count(tick, at_s) {
                Counted::Tick(tick) => {
                    match connection.answered(token, tick, at_s) {
                        Some(exchange) => self.keep(Entry::Exchange(exchange)),
                        // The token of nobody: its tick is not to be relied on.
                        None => self.damaged(),
                    }
                    Ok(())
                }
                other => self.not_counted(other),
            },
        }
    }

    fn not_counted(&mut self, counted: Counted) -> Result<(), RigError> {
        match counted {
            Counted::Reset => self.find_again(),
            _ => {
                self.damaged();
                Ok(())
            }
        }
    }

    fn damaged(&mut self) {
        self.keep(Entry::Damaged);
        let Some(connection) = &self.connection else {
            return;
        };
        let counts = connection.reader.counts();
        if !self.noisy && counts.bad_sums >= 3 && counts.bad_sums * NOISY > counts.good {
            self.noisy = true;
            self.events.push(Event::Warning(Warning::new(
                format!(
                    "{} of {} lines from the rig were damaged",
                    counts.bad_sums,
                    counts.bad_sums + counts.good
                ),
                "use a shorter or shielded cable, and keep it away from motors and power supplies",
            )));
        }
    }

    /// The rig said who it is without being asked: it was reset.
    fn reset(&mut self, identity: Identity) -> Result<(), RigError> {
        let host_s = self.session.clock.now_s();
        self.keep(Entry::EpochEnd {
            host_s,
            clean: false,
        });
        self.events.push(Event::Reset);
        self.session.sender.stop();
        self.abandon("the rig was reset while it was under way");
        if let Some(connection) = &mut self.connection {
            connection.restart(identity.clone());
        }
        self.begin_epoch(identity)
    }

    /// The count began again: the rig was reset, and its word of it was lost.
    fn find_again(&mut self) -> Result<(), RigError> {
        let Some(connection) = &mut self.connection else {
            return Ok(());
        };
        let session = &self.session;
        let answer = ask_identity(
            connection.port.as_mut(),
            &mut connection.reader,
            session.clock,
            &session.opener.name(),
            session.options.silence_s,
            &|| session.is_stopped(),
        )?;
        match answer {
            Answer::Identity(identity, owed) => {
                connection.owe(owed, self.session.clock.now_s());
                self.reset(identity)
            }
            Answer::Nothing(heard) => {
                self.disconnect(format!("the rig does not answer any more: {heard}"));
                Ok(())
            }
            Answer::Broken(error) => {
                self.lose(&error);
                Ok(())
            }
        }
    }
}
