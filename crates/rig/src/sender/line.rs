//! A line to a TCP or serial port for each pulse, over a connection that stays open.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::{Act, Ask, Issued, SendError};
use crate::chain_file::{ChainFile, LineTemplate};
use crate::port::{Clock, Opener, Port};

/// How long one read waits before the stop flag is looked at.
const SLICE: Duration = Duration::from_millis(50);
/// An answer without an end is cut here.
const MOST_ANSWER: usize = 4096;

pub(super) struct Line {
    pub(super) file: ChainFile,
    pub(super) line: LineTemplate,
    pub(super) opener: Box<dyn Opener>,
    pub(super) port: Option<Box<dyn Port>>,
}

impl Act for Line {
    fn act(
        &mut self,
        ask: &Ask,
        clock: &dyn Clock,
        stop: &AtomicBool,
    ) -> Result<Issued, SendError> {
        let name = self.opener.name();
        let failed = |error: std::io::Error| SendError::Failed {
            what: format!("{name}: {error}"),
            advice: "check that the chain's program or device is there and free".into(),
        };
        let mut port = match self.port.take() {
            Some(port) => port,
            None => self.opener.open().map_err(failed)?,
        };
        // What the chain said before has nothing to do with this request; and a connection that it
        // closed shows here, before anything is asked.
        if drain(port.as_mut()).is_err() {
            port = self.opener.open().map_err(failed)?;
        }
        let text = self.file.fill(&self.line.line, ask.direction, ask.width_ms);
        let before = clock.now_s();
        port.write(text.as_bytes()).map_err(failed)?;
        let after = clock.now_s();
        if let Some(expect) = &self.line.expect {
            let limit_s = self.file.timeout_s + ask.width_ms / 1000.0;
            let mut answer = Vec::new();
            let mut part = [0; 256];
            while !answer.contains(&b'\n') && answer.len() < MOST_ANSWER {
                let count = port.read(&mut part, SLICE).map_err(failed)?;
                answer.extend_from_slice(part.get(..count).unwrap_or_default());
                // An answer may have no line end.
                if answer.len() >= expect.len() && answer.starts_with(expect.as_bytes()) {
                    break;
                }
                if stop.load(Ordering::SeqCst) {
                    return Err(SendError::Stopped);
                }
                if clock.now_s() - after > limit_s {
                    return Err(SendError::TimedOut {
                        what: name,
                        after_s: limit_s,
                    });
                }
            }
            if !answer.starts_with(expect.as_bytes()) {
                let said = String::from_utf8_lossy(&answer);
                return Err(SendError::Refused {
                    what: name,
                    answer: format!("{:?}", said.trim().chars().take(200).collect::<String>()),
                });
            }
        }
        self.port = Some(port);
        Ok(Issued::between(before, after))
    }
}

/// Reads what is there and forgets it.
fn drain(port: &mut dyn Port) -> std::io::Result<()> {
    let mut part = [0; 256];
    for _ in 0..64 {
        if port.read(&mut part, Duration::from_millis(1))? == 0 {
            break;
        }
    }
    Ok(())
}
