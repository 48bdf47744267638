//! Real ports: a pseudo-terminal, and TCP.
#![cfg(unix)]

use std::io::{Read, Write};
use std::net::TcpListener;
use std::time::{Duration, Instant};

use rig::port::Opener;
use rig::system::{SerialOpener, TcpOpener, list_ports};
use serialport::{SerialPort, TTYPort};

/// Reads until `count` bytes have come.
fn read(port: &mut dyn rig::Port, count: usize) -> Vec<u8> {
    let mut all = Vec::new();
    let mut part = [0; 64];
    while all.len() < count {
        let got = port.read(&mut part, Duration::from_millis(200)).unwrap();
        assert!(got > 0, "nothing more came");
        all.extend_from_slice(&part[..got]);
    }
    all
}

#[test]
fn a_serial_port_carries_bytes_both_ways_and_tells_when_it_is_gone() {
    let (mut far, near) = TTYPort::pair().unwrap();
    let name = near.name().unwrap();
    drop(near);
    let mut port = SerialOpener::rig(&name).open().unwrap();
    far.write_all(b"H 0000002A*1B\n").unwrap();
    assert_eq!(read(port.as_mut(), 14), b"H 0000002A*1B\n");
    port.write(b"?*3F\n").unwrap();
    let mut back = [0; 5];
    far.set_timeout(Duration::from_secs(1)).unwrap();
    far.read_exact(&mut back).unwrap();
    assert_eq!(&back, b"?*3F\n");
    let begun = Instant::now();
    assert_eq!(port.read(&mut back, Duration::from_millis(30)).unwrap(), 0);
    assert!(begun.elapsed() >= Duration::from_millis(25));
    drop(far);
    assert!(port.read(&mut back, Duration::from_millis(200)).is_err());
}

#[test]
fn a_port_that_one_program_has_is_refused_to_another() {
    let (_far, near) = TTYPort::pair().unwrap();
    let name = near.name().unwrap();
    drop(near);
    let first = SerialOpener::rig(&name).open().unwrap();
    let error = SerialOpener::rig(&name).open().err().expect("refused");
    assert!(
        error.to_string().contains("close the program that uses it"),
        "{error}"
    );
    drop(first);
    SerialOpener::rig(&name).open().unwrap();
}

#[test]
fn a_tcp_port_carries_bytes_both_ways_and_tells_when_it_is_gone() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut opener = TcpOpener {
        address: listener.local_addr().unwrap().to_string(),
        timeout: Duration::from_secs(1),
    };
    let mut port = opener.open().unwrap();
    let (mut far, _) = listener.accept().unwrap();
    far.write_all(b"abc").unwrap();
    assert_eq!(read(port.as_mut(), 3), b"abc");
    port.write(b"de").unwrap();
    let mut back = [0; 2];
    far.read_exact(&mut back).unwrap();
    assert_eq!(&back, b"de");
    drop(far);
    assert!(port.read(&mut back, Duration::from_millis(200)).is_err());
}

#[test]
fn listing_the_ports_names_each_once() {
    let ports = list_ports().unwrap();
    for (index, port) in ports.iter().enumerate() {
        assert!(!port.name.is_empty());
        assert!(ports[..index].iter().all(|other| other.name != port.name));
    }
}
