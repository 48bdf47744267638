//! The reader of one format.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| fuzz::read(data, Some(wire::Format::Vcd)));
