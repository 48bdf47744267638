//! Any reader, by what the content looks like.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| fuzz::read(data, None));
