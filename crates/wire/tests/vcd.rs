//! Value change dumps, by the rules of IEEE Std 1364-2005, section 18.

mod common;

use common::{Random, check, every_edge, message, read, ticks, vcd};
use wire::{ChannelMap, Direction, Format, Level, Settings, read_capture};

const HEADER: &str = "$timescale 1us $end\n$scope module top $end\n$var wire 1 ! D0 $end\n$var wire 1 \" D1 $end\n$upscope $end\n$enddefinitions $end\n";

#[test]
fn every_timescale_of_the_standard_is_read() {
    let units = [
        ("s", 1.0),
        ("ms", 1e-3),
        ("us", 1e-6),
        ("ns", 1e-9),
        ("ps", 1e-12),
        ("fs", 1e-15),
    ];
    for (unit, seconds) in units {
        for number in [1, 10, 100] {
            for text in [
                format!("{number}{unit}"),
                format!("{number} {unit}"),
                format!("\n\t{number}\r\n{unit}\n"),
            ] {
                let changes = [(0, 0), (20, 1), (23, 0), (40, 0)];
                let capture = read(vcd(&text, "!", &changes).as_bytes(), &every_edge()).unwrap();
                assert_eq!(ticks(&capture), [(20, 23)]);
                let tick = f64::from(number) * seconds;
                assert!(
                    (capture.tick.seconds(1) / tick - 1.0).abs() < 1e-15,
                    "{text}"
                );
            }
        }
    }
    for text in ["2 us", "1 km", "us", "", "1000 ms"] {
        let text = vcd(text, "!", &[(0, 0), (20, 1), (23, 0)]);
        assert!(message(read(text.as_bytes(), &every_edge())).contains("line 1: found timescale"));
    }
}

#[test]
fn several_changes_on_a_line_and_all_kinds_of_white_space_are_read() {
    let body =
        "$dumpvars 0! 0\" $end\r\n#0 0! 0\" #10 1! #15\t0!\r\n\r\n#30 1!\n0! 1! #37\n 0! #50\n";
    let text = format!("{HEADER}{body}");
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(capture.format, Format::Vcd);
    assert_eq!(ticks(&capture), [(10, 15), (30, 37)]);
    assert_eq!((capture.begin, capture.end), (0, 50));
    assert!(
        capture
            .notes
            .iter()
            .any(|note| note.contains("top.D0 is the only one of 2"))
    );
}

#[test]
fn names_are_found_with_and_without_scopes_and_ambiguity_is_an_error() {
    let text = "$timescale 1 ns $end\n$scope module a $end $scope module b $end\n\
        $var wire 1 ! DATA $end $var reg 1 # bit [3] $end $upscope $end\n\
        $scope module c $end $var wire 1 \" DATA $end $var wire 1 ! ALIAS $end $upscope $end\n\
        $upscope $end $enddefinitions $end\n\
        #0 0! 0\" 0# #5 1! 1\" 1# #9 0! #11 0\" #13 0# #20\n";
    let named = |name: &str| {
        let settings = Settings {
            channels: ChannelMap::single(name),
            ..every_edge()
        };
        read(text.as_bytes(), &settings)
    };
    assert_eq!(ticks(&named("a.b.DATA").unwrap()), [(5, 9)]);
    assert_eq!(ticks(&named("b.DATA").unwrap()), [(5, 9)]);
    assert_eq!(ticks(&named("c.DATA").unwrap()), [(5, 11)]);
    assert_eq!(ticks(&named("ALIAS").unwrap()), [(5, 9)]);
    assert_eq!(ticks(&named("bit[3]").unwrap()), [(5, 13)]);
    let ambiguous = message(named("DATA"));
    assert!(ambiguous.contains("a.b.DATA, a.c.DATA"), "{ambiguous}");
    let none = message(named("NONE"));
    assert!(
        none.contains("a.b.DATA, a.b.bit[3], a.c.DATA, a.c.ALIAS"),
        "{none}"
    );
}

#[test]
fn channels_map_to_directions_and_pulses_come_in_order() {
    let text = format!("{HEADER}#0 0! 0\" #10 1! #20 1\" #22 0! #30 0\" #50\n");
    let settings = Settings {
        channels: ChannelMap::parse("dec-=D1, ra+=top.D0").unwrap(),
        ..every_edge()
    };
    let capture = read(text.as_bytes(), &settings).unwrap();
    let pulses: Vec<_> = capture
        .pulses
        .iter()
        .map(|p| (p.direction, p.start))
        .collect();
    assert_eq!(
        pulses,
        [
            (Some(Direction::RaPlus), 10),
            (Some(Direction::DecMinus), 20)
        ]
    );
    // Two that toggle, and none chosen.
    let error = message(read(text.as_bytes(), &every_edge()));
    assert!(
        error.contains("top.D0 with 2 edges, top.D1 with 2 edges"),
        "{error}"
    );
    for map in ["ra+", "ra+=", "up=D0", "ra+=D0,ra+=D1", "ra+=D0,ra-=D0"] {
        assert!(ChannelMap::parse(map).is_err(), "{map}");
    }
}

#[test]
fn unknown_levels_are_counted_and_the_edge_is_where_the_other_level_is_known() {
    let text = format!("{HEADER}#0 0! #10 x! #12 1! #15 z! #18 1! #20 0! #30 x! #32 0! #50\n");
    let settings = Settings {
        channels: ChannelMap::single("D0"),
        ..every_edge()
    };
    let capture = read(text.as_bytes(), &settings).unwrap();
    assert_eq!(ticks(&capture), [(12, 20)]);
    assert!(
        capture.warnings[0]
            .text
            .contains("unknown (x or z) 3 times")
    );
}

#[test]
fn a_level_that_is_unknown_at_first_cuts_the_pulse_that_it_begins_with() {
    let text = format!("{HEADER}$dumpvars x! x\" $end #0 #10 1! #20 0! #30 1! #35 0! #100\n");
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(ticks(&capture), [(30, 35)]);
    assert_eq!((capture.cut[0].start, capture.cut[0].end), (10, 20));
}

#[test]
fn vectors_reals_strings_and_comments_are_passed_over_and_a_vector_of_one_bit_is_a_level() {
    let text = "$comment all\nkinds $end $timescale 1 us $end $version some writer 1.0 $end\n\
        $var wire 1 ! D0 $end $var wire 8 \" BUS [7:0] $end $var real 64 # VOLTS $end\n\
        $var string 1 $ NAME $end $enddefinitions $end\n\
        $dumpvars b0 ! bxxxxxxxx \" r0 # sidle $ $end\n\
        #10 b1 ! b10 \" r3.3 # $comment 1! #5 $end #14 b0 ! swork $ #20 r-1e5 # #40\n";
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(ticks(&capture), [(10, 14)]);
    for (name, what) in [("BUS[7:0]", "8 bits"), ("VOLTS", "real values")] {
        let settings = Settings {
            channels: ChannelMap::single(name),
            ..every_edge()
        };
        assert!(message(read(text.as_bytes(), &settings)).contains(what));
    }
}

#[test]
fn a_dump_that_is_off_for_a_while_is_unknown_then() {
    let text = format!(
        "{HEADER}#0 0! 0\" #10 1! #14 0! #20 $dumpoff x! x\" $end #30 $dumpon 0! 0\" $end #40 1! #42 0! #60 $dumpall 0! 0\" $end\n"
    );
    let settings = Settings {
        channels: ChannelMap::single("D0"),
        ..every_edge()
    };
    let capture = read(text.as_bytes(), &settings).unwrap();
    assert_eq!(ticks(&capture), [(10, 14), (40, 42)]);
    assert_eq!(capture.warnings.len(), 1);
}

#[test]
fn time_that_runs_backwards_is_an_error_with_its_line() {
    let text = format!("{HEADER}#10\n0!\n#20\n1!\n#19\n0!\n");
    let error = message(read(text.as_bytes(), &every_edge()));
    assert!(
        error.starts_with("line 11: found time 19 after time 20"),
        "{error}"
    );
    // In the fast lines too.
    let mut changes: Vec<(i64, u8)> = (0..100)
        .map(|i| (10_000_000 + 10 * i, (i % 2) as u8))
        .collect();
    changes[77].0 = 10_000_000;
    let error = message(read(vcd("1 us", "!", &changes).as_bytes(), &every_edge()));
    assert!(
        error.starts_with("line 160: found time 10000000 after time 10000760"),
        "{error}"
    );
}

#[test]
fn what_cannot_be_read_is_named() {
    for (text, words) in [
        (
            "$timescale 1 us $end $var wire 1 ! D0 $end",
            "the end of the input in the header",
        ),
        (
            "$var wire 1 ! D0 $end $enddefinitions $end #0 1!",
            "no `$timescale`",
        ),
        (
            "$timescale 1 us $end $var wire 1 $end",
            "a variable of 2 words",
        ),
        ("$timescale 1 us $end $var wire one ! D0 $end", "size `one`"),
        (
            "$timescale 1 us $end $enddefinitions $end #0 1!",
            "found no edge",
        ),
        (&format!("{HEADER}#0 0! ?what"), "found `?what`"),
        (
            &format!("{HEADER}#0 0! #99999999999999999999 1! #5"),
            "time `99999999999999999999`",
        ),
        (&format!("{HEADER}#0 0! 0\" #50"), "top.D0 with 0 edges"),
    ] {
        let error = message(read(text.as_bytes(), &every_edge()));
        assert!(error.contains(words), "{error}");
    }
    let long = format!("{HEADER}#0 0! {}", "1".repeat(1_000_000));
    assert!(message(read(long.as_bytes(), &every_edge())).contains("and so on"));
}

#[test]
fn one_edge_makes_no_pulse_and_a_warning() {
    let capture = read(
        format!("{HEADER}#0 0! #20 1! #30\n").as_bytes(),
        &every_edge(),
    )
    .unwrap();
    assert!(capture.pulses.is_empty());
    assert_eq!(capture.cut.len(), 1);
    assert!(
        capture.warnings[0]
            .text
            .contains("no whole pulse: 1 edges, 1 pulses cut")
    );
}

#[test]
fn the_resolution_is_the_step_of_the_times_in_use() {
    let changes = [
        (7, 0),
        (1_007, 1),
        (5_007, 0),
        (61_007, 1),
        (62_007, 0),
        (90_000, 0),
    ];
    let capture = read(vcd("1 ns", "!", &changes).as_bytes(), &every_edge()).unwrap();
    assert_eq!(capture.resolution_s, 1e-6);
}

/// Changes as the fast lines must read them: the same as token by token, which is how they are read
/// when each line ends in CR LF.
#[test]
fn fast_lines_give_the_same_as_tokens() {
    let mut random = Random(1);
    for round in 0..400 {
        let mut time = 10i64.pow(random.below(17) as u32);
        let step = 10u64.pow(1 + random.below(9) as u32);
        let changes: Vec<(i64, u8)> = (0..300)
            .map(|i| {
                // Now and then a time or a level comes twice.
                if random.below(40) != 0 {
                    time += 1 + random.below(step) as i64;
                }
                (
                    time,
                    if random.below(60) == 0 {
                        0
                    } else {
                        (i % 2) as u8
                    },
                )
            })
            .collect();
        let code = ["!", "\"1", "abc"][round % 3];
        let text = vcd("1 us", code, &changes);
        let settings = Settings {
            bridge_s: if round % 2 == 0 {
                0.0
            } else {
                step as f64 * 1e-7
            },
            min_pulse_s: if round % 5 == 0 {
                0.0
            } else {
                step as f64 * 1e-7
            },
            idle: [None, Some(Level::Low), Some(Level::High)][round % 7 % 3],
            ..Settings::default()
        };
        let fast = read_capture(text.as_bytes(), &settings, &mut |_| {}).unwrap();
        let slow = read_capture(
            text.replace('\n', "\r\n").as_bytes(),
            &settings,
            &mut |_| {},
        )
        .unwrap();
        check(&fast);
        assert_eq!(fast.pulses, slow.pulses);
        assert_eq!(fast.cut, slow.cut);
        assert_eq!(fast.channels, slow.channels);
        assert_eq!(
            (
                fast.begin,
                fast.end,
                fast.bounces,
                fast.dropped_short,
                fast.resolution_s.to_bits()
            ),
            (
                slow.begin,
                slow.end,
                slow.bounces,
                slow.dropped_short,
                slow.resolution_s.to_bits()
            )
        );
        assert_eq!(fast.notes, slow.notes);
    }
}

#[test]
fn long_captures_whose_idle_level_was_settled_come_out_the_same_as_with_it_given() {
    let mut time = 0;
    let mut random = Random(5);
    let changes: Vec<(i64, u8)> = (0..250_000)
        .map(|i| {
            time += if i % 2 == 1 { 900_000 } else { 200_000 } + random.below(5_000) as i64;
            (time, (i % 2) as u8)
        })
        .collect();
    let text = vcd("1 us", "!", &changes);
    let found = read(text.as_bytes(), &Settings::default()).unwrap();
    let given = Settings {
        idle: Some(Level::Low),
        ..Settings::default()
    };
    let given = read(text.as_bytes(), &given).unwrap();
    assert_eq!(found.pulses, given.pulses);
    assert_eq!(found.pulses.len(), 124_999);
    let pulses = changes
        .windows(2)
        .skip(1)
        .step_by(2)
        .map(|pair| (pair[0].0, pair[1].0));
    assert!(ticks(&found).into_iter().eq(pulses));
}

/// The crate `vcd` from the registry reads the same changes.
#[test]
fn an_independent_parser_reads_the_same() {
    let mut random = Random(99);
    for round in 0..50 {
        let mut time = random.below(1_000_000) as i64;
        let mut level = 0u8;
        let changes: Vec<(i64, u8)> = (0..200)
            .map(|_| {
                time += 1 + random.below(10_000_000) as i64;
                level = 1 - level;
                (time, 1 - level)
            })
            .collect();
        let text = vcd(["1 ns", "10 us", "100 ps"][round % 3], "!", &changes);
        let capture = read(text.as_bytes(), &every_edge()).unwrap();
        let mut parser = vcd::Parser::new(text.as_bytes());
        let header = parser.parse_header().unwrap();
        let code = header.find_var(&["capture", "DATA"]).unwrap().code;
        let (mut now, mut edges) = (0, Vec::new());
        for command in parser {
            match command.unwrap() {
                vcd::Command::Timestamp(time) => now = time as i64,
                vcd::Command::ChangeScalar(id, vcd::Value::V1) if id == code => {
                    edges.push((now, true))
                }
                vcd::Command::ChangeScalar(id, vcd::Value::V0) if id == code => {
                    edges.push((now, false))
                }
                _ => {}
            }
        }
        let active = capture.channels[0].idle == Level::Low;
        // The first change tells the level to begin with; the pulse of the last is cut.
        let expected: Vec<(i64, i64)> = edges
            .windows(2)
            .skip(1)
            .filter(|pair| pair[0].1 == active)
            .map(|pair| (pair[0].0, pair[1].0))
            .collect();
        assert_eq!(ticks(&capture), expected);
    }
}

#[test]
fn a_capture_that_is_cut_off_anywhere_is_read_up_to_there() {
    let changes = [
        (0, 0),
        (1_000_000, 1),
        (1_250_000, 0),
        (2_000_000, 1),
        (2_100_000, 0),
        (3_000_000, 0),
    ];
    let text = vcd("1 us", "ab", &changes);
    let body = text.find("#0").unwrap();
    let whole = [(1_000_000, 1_250_000), (2_000_000, 2_100_000)];
    for end in body + 8..=text.len() {
        let result = read_capture(&text.as_bytes()[..end], &every_edge(), &mut |_| {});
        // Before the second change has its code there is no edge, and that is an error.
        let Ok(capture) = result else {
            assert!(!text[..end].contains("1ab"), "{end}");
            continue;
        };
        check(&capture);
        for pulse in ticks(&capture) {
            assert!(whole.contains(&pulse), "{pulse:?} of {end} bytes");
        }
    }
}
