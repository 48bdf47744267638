use super::*;
use proptest::prelude::*;

/// All that a reader makes of `bytes` in chunks of `chunk`.
fn read(bytes: &[u8], chunk: usize) -> (Vec<Received<FromRig>>, LineCounts) {
    let mut reader = LineReader::new();
    let mut lines = Vec::new();
    for part in bytes.chunks(chunk.max(1)) {
        reader.push(part, &mut |line| lines.push(line));
    }
    (lines, reader.counts())
}

fn from_rig() -> impl Strategy<Value = FromRig> {
    prop_oneof![
        ("[!-)+-~]{1,16}", 1..u32::MAX, 1..=8u8, "[!-)+-~]{1,16}").prop_map(
            |(version, tick_hz, inputs, serial)| FromRig::Identity(Identity {
                version,
                tick_hz,
                inputs,
                serial
            })
        ),
        (any::<u16>(), any::<u32>(), any::<u8>()).prop_map(|(sequence, tick, levels)| {
            FromRig::Edge(Edge {
                sequence,
                tick,
                levels,
            })
        }),
        (any::<u32>(), any::<u32>()).prop_map(|(token, tick)| FromRig::Sync { token, tick }),
        (1..=u32::MAX).prop_map(FromRig::Lost),
        any::<u32>().prop_map(FromRig::Heartbeat),
    ]
}

/// XORs worked out by hand: `?` is 3F, `G` 47, `X` 58; "S 0000001A": 53 ^ 20 = 73, six zeros
/// cancel, 31 ^ 41 = 70, together 03.
#[test]
fn sums_are_those_worked_out_by_hand() {
    assert_eq!(ToRig::Identify.line(), "?*3F\n");
    assert_eq!(ToRig::Go.line(), "G*47\n");
    assert_eq!(ToRig::Stop.line(), "X*58\n");
    assert_eq!(ToRig::Sync(26).line(), "S 0000001A*03\n");
}

/// Every example of docs/rig-link.md, from both sides: the line that begins with `>` or `<`.
#[test]
fn the_examples_of_the_link_document_are_read_and_written_the_same() {
    let document = include_str!("../../../../docs/rig-link.md");
    let mut found = 0;
    for line in document.lines() {
        let Some(example) = line.trim_start().strip_prefix("< ") else {
            if let Some(example) = line.trim_start().strip_prefix("> ") {
                let end = example.find('*').map(|star| star + 3).unwrap();
                let text = format!("{}\n", &example[..end]);
                let mut lines = Vec::new();
                LineReader::<ToRig>::new().push(text.as_bytes(), &mut |l| lines.push(l));
                let [Received::Message(message)] = lines.as_slice() else {
                    panic!("{text} is not read")
                };
                assert_eq!(message.line(), text);
                found += 1;
            }
            continue;
        };
        let end = example.find('*').map(|star| star + 3).unwrap();
        let text = format!("{}\n", &example[..end]);
        let (lines, _) = read(text.as_bytes(), 100);
        let [Received::Message(message)] = lines.as_slice() else {
            panic!("{text} is not read")
        };
        assert_eq!(message.line(), text);
        found += 1;
    }
    assert!(found >= 12, "only {found} examples");
}

#[test]
fn fields_that_the_document_forbids_make_a_line_unknown() {
    for content in [
        "L 0",
        "L 007",
        "L -1",
        "H 1E8480",
        "H 001e8480",
        "E 0 00A7D8C0 01",
        "E 0000  00A7D8C0 01",
        "E 0000 00A7D8C0 01 ",
        "RIG 1 0.1.0 2000000 9 x",
        "RIG 1 0.1.0 0 4 x",
        "RIG 1 0.1.0 2000000 4 12345678901234567",
        "S 0000001A",
    ] {
        let line = format!("{content}*{:02X}\n", sum(content.as_bytes()));
        assert_eq!(
            read(line.as_bytes(), 100).0,
            [Received::Unknown],
            "{content}"
        );
    }
}

#[test]
fn another_protocol_is_told_from_an_unknown_line() {
    let line = |content: &str| format!("{content}*{:02X}\n", sum(content.as_bytes()));
    let text = line("RIG 2 something else") + &line("Q 17");
    let (lines, counts) = read(text.as_bytes(), 3);
    assert_eq!(
        lines,
        [
            Received::Message(FromRig::OtherProtocol(2)),
            Received::Unknown
        ]
    );
    assert_eq!((counts.good, counts.unknown), (1, 1));
}

#[test]
fn a_line_without_end_costs_no_memory_and_the_next_is_read() {
    let mut reader = LineReader::new();
    let mut lines = Vec::new();
    for _ in 0..10_000 {
        reader.push(&[b'x'; 1000], &mut |line| lines.push(line));
    }
    assert!(reader.part.capacity() <= 2 * MOST_LINE_BYTES);
    reader.push(b"\n", &mut |line| lines.push(line));
    let good = FromRig::Heartbeat(9);
    reader.push(good.line().as_bytes(), &mut |line| lines.push(line));
    assert_eq!(lines, [Received::Damaged, Received::Message(good)]);
}

#[test]
fn a_gap_in_the_sequence_is_counted_over_its_wrap() {
    let mut check = SequenceCheck::default();
    assert_eq!(check.take(65_534), 0);
    assert_eq!(check.take(65_535), 0);
    assert_eq!(check.take(2), 2);
    check.restart();
    assert_eq!(check.take(900), 0);
}

proptest! {
    #[test]
    fn whatever_is_written_is_read_again_in_any_chunks(
        messages in proptest::collection::vec(from_rig(), 1..20),
        chunk in 1..40usize,
    ) {
        let text: String = messages.iter().map(Message::line).collect();
        let (lines, counts) = read(text.as_bytes(), chunk);
        prop_assert_eq!(counts.good, messages.len() as u64);
        let expected: Vec<_> = messages.into_iter().map(Received::Message).collect();
        prop_assert_eq!(lines, expected);
    }

    #[test]
    fn host_lines_are_read_again(token in any::<u32>()) {
        for message in [ToRig::Identify, ToRig::Sync(token), ToRig::Go, ToRig::Stop] {
            let mut lines = Vec::new();
            LineReader::<ToRig>::new().push(message.line().as_bytes(), &mut |l| lines.push(l));
            prop_assert_eq!(lines, [Received::Message(message)]);
        }
    }

    #[test]
    fn no_bytes_panic_and_every_line_is_counted(
        bytes in proptest::collection::vec(
            prop_oneof![any::<u8>(), proptest::sample::select(b"ESH 0*\nAF".to_vec())],
            0..600,
        ),
        chunk in 1..50usize,
    ) {
        let (lines, counts) = read(&bytes, chunk);
        let ended = bytes.split(|b| *b == b'\n').rev().skip(1).filter(|l| !l.is_empty());
        prop_assert_eq!(lines.len(), ended.count());
        prop_assert_eq!(counts.good + counts.bad_sums + counts.unknown, lines.len() as u64);
    }

    /// A single flipped bit changes the XOR, or ends the line early, or joins it to the next: no
    /// message but those sent ever comes out.
    #[test]
    fn a_flipped_bit_or_a_dropped_byte_never_makes_another_message(
        messages in proptest::collection::vec(from_rig(), 3..6),
        at in any::<proptest::sample::Index>(),
        bit in 0..9u8,
    ) {
        let mut bytes: Vec<u8> = messages.iter().map(Message::line).collect::<String>().into_bytes();
        let at = at.index(bytes.len());
        if bit < 8 {
            bytes[at] ^= 1 << bit;
        } else {
            bytes.remove(at);
        }
        let (lines, _) = read(&bytes, 7);
        let good = lines.iter().filter_map(|line| match line {
            Received::Message(message) => Some(message),
            _ => None,
        });
        let mut sent = messages.iter();
        for message in good {
            prop_assert!(sent.any(|s| s == message), "{message:?} was not sent");
        }
    }
}
