//! The reader of request logs, and the alignment of what it gives with a capture.
#![no_main]

use wire::{MatchOptions, RequestSource, Settings, match_pulses, read_capture, read_requests};

const CAPTURE: &str = "t_s,ra+,ra-\n0,0,0\n1,1,0\n1.25,0,0\n1.4,1,0\n1.5,0,1\n2,0,0\n3,0,0\n";

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Ok(requests) = read_requests(data, &Default::default()) else {
        return;
    };
    let capture = read_capture(CAPTURE.as_bytes(), &Settings::default(), &mut |_| {})
        .expect("the capture is a good one");
    for shared_clock in [false, true] {
        let options = MatchOptions {
            shared_clock,
            ..MatchOptions::default()
        };
        let matching = match_pulses(&capture, RequestSource::Log(&requests), &options)
            .expect("a log that was read matches");
        let outcomes = matching.outcomes;
        assert_eq!(outcomes.requests, Some(requests.len() as u64));
        assert_eq!(
            outcomes.requests,
            outcomes
                .missing
                .map(|missing| missing + outcomes.delivered + outcomes.broken + outcomes.cut)
        );
    }
});
