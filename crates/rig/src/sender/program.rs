//! A program is started for each pulse, without a shell.

use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::{Act, Ask, Issued, SendError};
use crate::chain_file::ChainFile;
use crate::port::Clock;

/// How often an ending is looked for, in s.
const LOOK_S: f64 = 0.002;
/// So much of what the program wrote to its standard error is shown.
const MOST_SHOWN: usize = 300;

pub(super) struct Program {
    pub(super) file: ChainFile,
    pub(super) command: String,
    pub(super) arguments: Vec<String>,
}

impl Act for Program {
    fn act(
        &mut self,
        ask: &Ask,
        clock: &dyn Clock,
        stop: &AtomicBool,
    ) -> Result<Issued, SendError> {
        let arguments = self
            .arguments
            .iter()
            .map(|argument| self.file.fill(argument, ask.direction, ask.width_ms));
        let mut command = Command::new(&self.command);
        command
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped());
        // A group of its own, so that what the program starts can be ended with it.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let before = clock.now_s();
        let started = command.spawn();
        let after = clock.now_s();
        let mut child = started.map_err(|error| SendError::Failed {
            what: format!("{} could not be started: {error}", self.command),
            advice: "check its name, path and permission in the chain file".into(),
        })?;
        let stderr = child.stderr.take();
        // A thread reads it, so that a program that writes much doesn't wait for ever.
        let words = std::thread::spawn(move || {
            let mut kept = Vec::new();
            let mut part = [0; 4096];
            let Some(mut stderr) = stderr else {
                return kept;
            };
            while let Ok(count @ 1..) = stderr.read(&mut part) {
                let room = MOST_SHOWN.saturating_sub(kept.len());
                kept.extend_from_slice(part.get(..count.min(room)).unwrap_or_default());
            }
            kept
        });
        let limit_s = self.file.timeout_s + ask.width_ms / 1000.0;
        loop {
            match child.try_wait() {
                Ok(Some(status)) if status.success() => return Ok(Issued::between(before, after)),
                Ok(Some(status)) => {
                    // What the program left running may hold its standard error open.
                    let said = if words.is_finished() || settles(&words, clock) {
                        words.join().unwrap_or_default()
                    } else {
                        Vec::new()
                    };
                    let said = String::from_utf8_lossy(&said).trim().replace('\n', ", ");
                    let said = if said.is_empty() {
                        String::new()
                    } else {
                        format!(" and said: {said}")
                    };
                    return Err(SendError::Refused {
                        what: self.command.clone(),
                        answer: format!("it ended with {status}{said}"),
                    });
                }
                Ok(None) => {}
                Err(error) => {
                    end(&mut child);
                    return Err(SendError::Failed {
                        what: format!("{} is lost: {error}", self.command),
                        advice: "start the run again".into(),
                    });
                }
            }
            if stop.load(Ordering::SeqCst) {
                end(&mut child);
                return Err(SendError::Stopped);
            }
            if clock.now_s() - after > limit_s {
                end(&mut child);
                return Err(SendError::TimedOut {
                    what: self.command.clone(),
                    after_s: limit_s,
                });
            }
            clock.wait(LOOK_S);
        }
    }
}

/// Waits a little for the thread to end.
fn settles(words: &std::thread::JoinHandle<Vec<u8>>, clock: &dyn Clock) -> bool {
    for _ in 0..50 {
        if words.is_finished() {
            return true;
        }
        clock.wait(LOOK_S);
    }
    false
}

/// How long a program that is told to end may take, to open a relay that it closed, say.
#[cfg(unix)]
const GRACE: Duration = Duration::from_millis(300);

/// Ends the program and all that it started, and takes note of its end: asked first, so that it can open
/// what it closed, then killed. Any of it may fail only where it has ended already.
fn end(child: &mut Child) {
    #[cfg(unix)]
    {
        use rustix::process::{Pid, Signal, kill_process_group};
        if let Some(group) = Pid::from_raw(child.id() as i32) {
            let _ = kill_process_group(group, Signal::TERM);
            let asked = Instant::now();
            while asked.elapsed() < GRACE && matches!(child.try_wait(), Ok(None)) {
                std::thread::sleep(Duration::from_millis(5));
            }
            let _ = kill_process_group(group, Signal::KILL);
        }
    }
    let _ = child.kill();
    let _ = child.wait();
}
