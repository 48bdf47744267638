//! The real clock and the real ports.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::port::{Clock, Opener, Port};

/// The baud rate of link protocol 1.
pub const BAUD: u32 = 115_200;

/// How long a port may take no byte before that is an error.
const WRITE_TIMEOUT: Duration = Duration::from_secs(2);

/// The system's monotonic clock; 0 is when it was made.
#[derive(Clone, Copy, Debug)]
pub struct SystemClock {
    start: Instant,
}

impl SystemClock {
    /// A clock that starts now.
    pub fn new() -> SystemClock {
        SystemClock {
            start: Instant::now(),
        }
    }
}

impl Default for SystemClock {
    fn default() -> SystemClock {
        SystemClock::new()
    }
}

impl Clock for SystemClock {
    fn now_s(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }

    fn label_s(&self) -> f64 {
        match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => since.as_secs_f64(),
            Err(before) => -before.duration().as_secs_f64(),
        }
    }

    fn wait(&self, seconds: f64) {
        if seconds > 0.0 {
            // A day is longer than any wait here.
            std::thread::sleep(Duration::from_secs_f64(seconds.min(86_400.0)));
        }
    }
}

/// A serial port of this computer.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct PortFound {
    /// What to call it to open it.
    pub name: String,
    /// What the system knows of it, such as maker and product; may be empty.
    pub about: String,
    /// Whether it is on USB.
    pub usb: bool,
}

/// The serial ports of this computer, those on USB first, by name.
///
/// # Errors
/// The system doesn't tell.
pub fn list_ports() -> io::Result<Vec<PortFound>> {
    let mut found: Vec<PortFound> = serialport::available_ports()?
        .into_iter()
        .map(|port| {
            let (usb, about) = match port.port_type {
                serialport::SerialPortType::UsbPort(usb) => {
                    let words = [usb.manufacturer, usb.product, usb.serial_number];
                    let words: Vec<String> = words.into_iter().flatten().collect();
                    (true, words.join(" "))
                }
                serialport::SerialPortType::BluetoothPort => (false, "Bluetooth".into()),
                serialport::SerialPortType::PciPort => (false, "built in".into()),
                serialport::SerialPortType::Unknown => (false, String::new()),
            };
            PortFound {
                name: port.port_name,
                about,
                usb,
            }
        })
        .collect();
    found.sort_by(|a, b| b.usb.cmp(&a.usb).then_with(|| a.name.cmp(&b.name)));
    found.dedup_by(|a, b| a.name == b.name);
    Ok(found)
}

/// A serial port by its name, opened for this program alone.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SerialOpener {
    /// Its name, as [`list_ports`] gives it.
    pub name: String,
    /// Bits a second.
    pub baud: u32,
}

impl SerialOpener {
    /// A rig's port.
    pub fn rig(name: impl Into<String>) -> SerialOpener {
        SerialOpener {
            name: name.into(),
            baud: BAUD,
        }
    }
}

impl Opener for SerialOpener {
    fn open(&mut self) -> io::Result<Box<dyn Port>> {
        let port = serialport::new(&self.name, self.baud)
            .timeout(WRITE_TIMEOUT)
            .open()
            .map_err(|error| {
                let error = io::Error::from(error);
                let advice = match error.kind() {
                    // A port that another program has locked looks like one that isn't there.
                    ErrorKind::NotFound => {
                        "plug it in, close the program that uses it, or choose another port"
                    }
                    ErrorKind::PermissionDenied => {
                        "close the program that uses it, or join the group that may"
                    }
                    _ => "close the program that uses it, or choose another port",
                };
                io::Error::new(error.kind(), format!("{}: {error}; {advice}", self.name))
            })?;
        Ok(Box::new(Serial { port }))
    }

    fn name(&self) -> String {
        self.name.clone()
    }
}

struct Serial {
    port: Box<dyn serialport::SerialPort>,
}

impl Port for Serial {
    fn read(&mut self, buffer: &mut [u8], timeout: Duration) -> io::Result<usize> {
        // A timeout of 0 would be taken for none at all on some systems.
        self.port
            .set_timeout(timeout.max(Duration::from_millis(1)))?;
        match self.port.read(buffer) {
            // A serial port has no end but that of its device.
            Ok(0) => Err(ErrorKind::BrokenPipe.into()),
            other => quiet(other),
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.port.set_timeout(WRITE_TIMEOUT)?;
        self.port.write_all(bytes)?;
        self.port.flush()
    }
}

/// A TCP connection, to a rig behind a network or to a simulated one.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TcpOpener {
    /// `host:port`.
    pub address: String,
    /// How long to wait for the connection.
    pub timeout: Duration,
}

impl Opener for TcpOpener {
    fn open(&mut self) -> io::Result<Box<dyn Port>> {
        let stream = connect(&self.address, self.timeout)?;
        stream.set_write_timeout(Some(WRITE_TIMEOUT))?;
        Ok(Box::new(Tcp { stream }))
    }

    fn name(&self) -> String {
        self.address.clone()
    }
}

/// Connects to `host:port`, trying each of its addresses.
///
/// # Errors
/// The name isn't known, or no address answers within `timeout`.
pub(crate) fn connect(address: &str, timeout: Duration) -> io::Result<TcpStream> {
    let mut last = io::Error::new(ErrorKind::NotFound, "the name has no address");
    for one in address.to_socket_addrs()? {
        match TcpStream::connect_timeout(&one, timeout.max(Duration::from_millis(1))) {
            Ok(stream) => {
                // Small lines go out at once.
                stream.set_nodelay(true)?;
                return Ok(stream);
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}

struct Tcp {
    stream: TcpStream,
}

impl Port for Tcp {
    fn read(&mut self, buffer: &mut [u8], timeout: Duration) -> io::Result<usize> {
        self.stream
            .set_read_timeout(Some(timeout.max(Duration::from_millis(1))))?;
        match self.stream.read(buffer) {
            Ok(0) => Err(ErrorKind::ConnectionReset.into()),
            other => quiet(other),
        }
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.stream.write_all(bytes)?;
        self.stream.flush()
    }
}

/// Nothing came in time: no error.
fn quiet(result: io::Result<usize>) -> io::Result<usize> {
    match result {
        Err(error)
            if matches!(
                error.kind(),
                ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted
            ) =>
        {
            Ok(0)
        }
        other => other,
    }
}
