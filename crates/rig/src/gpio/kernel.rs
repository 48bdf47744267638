//! The system calls: lines of a GPIO character device, and the clock of their stamps.

use std::io::{self, ErrorKind};
use std::time::Duration;

use gpiocdev::Request;
use gpiocdev::line::{Bias, EdgeDetection, EdgeKind, EventClock, Value, Values};
use rustix::time::{ClockId, clock_gettime};

use super::board::{EdgeSource, LineEvent};

/// What the kernel is asked to buffer, in events; more it doesn't give
/// (`linereq_create` in `gpiolib-cdev.c`: 64 lines of 16).
const KERNEL_BUFFER: u32 = 1024;
/// Events that are read at once.
const BATCH: usize = 64;
/// Batches that are read before what came is looked at, so that a flood doesn't hold up the rest.
const MOST_BATCHES: usize = 32;

/// Lines of a chip that were requested for edges.
pub(super) struct Kernel {
    request: Request,
    lines: Vec<u32>,
    buffer: Vec<u64>,
}

impl Kernel {
    /// Requests `lines` of the chip at the path `chip`: inputs, pulled up, active low, both edges stamped by
    /// the monotonic clock.
    pub(super) fn open(chip: &str, lines: &[u32]) -> io::Result<Kernel> {
        let request = Request::builder()
            .on_chip(chip)
            .with_consumer("pulsewright")
            .with_kernel_event_buffer_size(KERNEL_BUFFER)
            .as_input()
            .as_active_low()
            .with_bias(Bias::PullUp)
            .with_edge_detection(EdgeDetection::BothEdges)
            .with_event_clock(EventClock::Monotonic)
            .with_lines(lines)
            .request()
            .map_err(|error| refused(chip, lines, error))?;
        let buffer = vec![0; BATCH * request.edge_event_u64_size()];
        Ok(Kernel {
            request,
            lines: lines.to_vec(),
            buffer,
        })
    }
}

impl EdgeSource for Kernel {
    fn now_ns(&mut self) -> u64 {
        let now = clock_gettime(ClockId::Monotonic);
        // The clock counts from the start of the computer: neither part is ever below 0.
        let part = |value: i64| u64::try_from(value).unwrap_or(0);
        part(now.tv_sec) * 1_000_000_000 + part(now.tv_nsec)
    }

    fn levels(&mut self) -> io::Result<u8> {
        let mut values = Values::default();
        self.request.values(&mut values).map_err(failed)?;
        let closed = |line: &u32| values.get(*line) == Some(Value::Active);
        let bits = self.lines.iter().enumerate();
        Ok(bits.fold(0, |levels, (input, line)| {
            levels | u8::from(closed(line)) << input
        }))
    }

    fn read(&mut self, events: &mut Vec<LineEvent>) -> io::Result<()> {
        for _ in 0..MOST_BATCHES {
            if !self.wait(Duration::ZERO)? {
                break;
            }
            let words = match self.request.read_edge_events_into_slice(&mut self.buffer) {
                Ok(words) => words,
                Err(error) => return quiet(failed(error)),
            };
            let read = self.buffer.get(..words).unwrap_or_default();
            for one in read.chunks_exact(self.request.edge_event_u64_size()) {
                let event = self.request.edge_event_from_slice(one).map_err(failed)?;
                let input = self.lines.iter().position(|line| *line == event.offset);
                if let Some(input) = input {
                    events.push(LineEvent {
                        sequence: event.seqno,
                        at_ns: event.timestamp_ns,
                        input: input as u8,
                        // Of an active-low line the logical level rises when the switch closes.
                        closed: event.kind == EdgeKind::Rising,
                    });
                }
            }
        }
        Ok(())
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<bool> {
        match self.request.wait_edge_event(timeout) {
            Ok(ready) => Ok(ready),
            Err(error) => quiet(failed(error)).map(|()| false),
        }
    }
}

/// A signal, such as that of Ctrl-C, ends a call early: no error.
fn quiet(error: io::Error) -> io::Result<()> {
    match error.kind() {
        ErrorKind::Interrupted => Ok(()),
        _ => Err(error),
    }
}

/// What the system said.
fn failed(error: gpiocdev::Error) -> io::Error {
    use gpiocdev::Error;
    match &error {
        Error::Os(errno) | Error::Uapi(_, gpiocdev_uapi::Error::Os(errno)) => {
            io::Error::from_raw_os_error(errno.0)
        }
        _ => io::Error::other(error.to_string()),
    }
}

/// Why lines can't be had, and the way out.
pub(super) fn refused(chip: &str, lines: &[u32], error: gpiocdev::Error) -> io::Error {
    let error = failed(error);
    let lines: Vec<String> = lines.iter().map(u32::to_string).collect();
    let advice = match error.kind() {
        ErrorKind::NotFound => {
            "there is no such chip: `ls /dev/gpiochip*` shows those of this computer"
        }
        ErrorKind::PermissionDenied => {
            "you may not use it: join the group that `ls -l /dev/gpiochip*` shows, and log in again"
        }
        ErrorKind::ResourceBusy => {
            "another program or the kernel has a line: end that program, or wire and name another line"
        }
        ErrorKind::InvalidInput => {
            "the chip has no such line, or can't pull it up: name lines that it has"
        }
        _ => "check the chip and the lines; it must give interrupts, and Linux be 5.10 or newer",
    };
    let text = format!("{chip}, lines {}: {error}; {advice}", lines.join(", "));
    io::Error::new(error.kind(), text)
}
