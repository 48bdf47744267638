//! The CSV readers, on the forms that are met in practice (common practice, no source, but for RFC
//! 4180).

mod common;

use common::{Random, every_edge, message, read, sampled, ticks};
use wire::{
    ChannelMap, Coupling, CsvColumns, Direction, Format, Level, Settings, TickLength, TimeUnit,
    read_requests,
};

/// Start and end of each pulse in milliseconds.
fn ms(capture: &wire::Capture) -> Vec<(f64, f64)> {
    let pulses = capture.pulses.iter();
    pulses
        .map(|p| (capture.tick.ms(p.start), capture.tick.ms(p.end)))
        .collect()
}

#[test]
fn edges_are_read_in_every_usual_spelling() {
    for text in [
        "t_s,channel,level\n0,D0,0\n1.000001,D0,1\n1.25,D0,0\n2,D0,0\n",
        "\u{feff}# made by hand\r\nt_s,channel,level\r\n0,D0,0\r\n\r\n1.000001,D0,1\r\n1.25,D0,0\r\n2,D0,0\r\n",
        "Time [us];Channel;State\n0;D0;low\n1000001;D0;high\n1250000;D0;low\n2000000;D0;low\n",
        "time (s)\tchannel\tlevel\n0\tD0\t0\n1,000001\tD0\t1\n1,25\tD0\t0\n2,0\tD0\t0\n",
        "t_ms,level\n0,0\n1000.001,1\n1.25e3,0\n2000,0\n",
        "\"t_ns\",\"channel\",\"edge\"\n\"0\",\"D0\",\"falling\"\n\"1000001000\",\"D0\",\"rising\"\n\"1250000000\",\"D0\",\"falling\"\n\"2000000000\",\"D0\",\"falling\"",
        "t_s,D0,D1\n0,0,1\n1.000001,1,1\n1.25,0,1\n2,0,1\n",
        "Time(ms);D0\n0,0;0\n1000,001;1\n1250,0;0\n2000,0;0\n",
    ] {
        let capture = read(text.as_bytes(), &every_edge()).unwrap();
        assert_eq!(capture.format, Format::EdgesCsv, "{text}");
        assert_eq!(capture.tick, TickLength::PICOSECOND);
        assert_eq!(
            ticks(&capture),
            [(1_000_001_000_000, 1_250_000_000_000)],
            "{text}"
        );
        assert_eq!(capture.end, 2_000_000_000_000);
    }
}

#[test]
fn a_unit_of_times_is_refused_where_the_format_states_its_own() {
    let settings = Settings {
        time_unit: Some(TimeUnit::Ms),
        ..every_edge()
    };
    let vcd = "$timescale 1 us $end $var wire 1 ! D0 $end $enddefinitions $end #0 0! #9 1!";
    let told = message(read(vcd.as_bytes(), &settings));
    assert!(
        told.contains("time unit: found `ms`, expected none") && told.contains("format vcd"),
        "{told}"
    );
    let pulses = "direction,requested_ms,width_ms\nra+,250,262\n";
    let told = message(read(pulses.as_bytes(), &settings));
    assert!(told.contains("format pulses-csv"), "{told}");
}

#[test]
fn columns_and_units_can_be_named() {
    let text = "when,pin,v,note\n0,a,0,x\n1000,a,1,y\n1250,a,0,\"z, z\"\n2000,b,1,\n";
    let settings = Settings {
        format: Some(Format::EdgesCsv),
        channels: ChannelMap::single("a"),
        columns: CsvColumns {
            time: Some("When".to_owned()),
            channel: Some("pin".to_owned()),
            level: Some("V".to_owned()),
            ..CsvColumns::default()
        },
        time_unit: Some(TimeUnit::Ms),
        ..every_edge()
    };
    assert_eq!(
        ms(&read(text.as_bytes(), &settings).unwrap()),
        [(1000.0, 1250.0)]
    );
    let other = Settings {
        channels: ChannelMap::single("c"),
        ..settings.clone()
    };
    assert!(
        message(read(text.as_bytes(), &other)).contains("no channel `c`, expected one of: a, b")
    );
    let missing = Settings {
        columns: CsvColumns {
            time: Some("clock".to_owned()),
            ..CsvColumns::default()
        },
        ..settings
    };
    let error = message(read(text.as_bytes(), &missing));
    assert!(
        error.contains("columns when, pin, v, note, expected a column `clock`"),
        "{error}"
    );
}

#[test]
fn channels_named_as_directions_are_mapped_by_their_names() {
    let text = "t_s,channel,level\n0,ra+,0\n0,dec-,0\n1,ra+,1\n1.5,dec-,1\n1.6,ra+,0\n2.5,dec-,0\n9,ra+,0\n";
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    let directions: Vec<_> = capture.pulses.iter().map(|p| p.direction).collect();
    assert_eq!(
        directions,
        [Some(Direction::RaPlus), Some(Direction::DecMinus)]
    );
}

#[test]
fn a_first_row_after_the_beginning_is_an_edge() {
    let text = "t_s,channel,level\n0,D0,0\n0.5,D1,1\n0.75,D1,0\n2,D0,0\n";
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(capture.channels[0].name, "D1");
    assert_eq!(ms(&capture), [(500.0, 750.0)]);
}

#[test]
fn times_since_an_epoch_are_read_to_the_nanosecond() {
    let text = "t_s,D0\n1700000000.000000001,0\n1700000001.25,1\n1700000001.5,0\n1700000009,0\n";
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(capture.tick, TickLength::NANOSECOND);
    assert_eq!(capture.begin, 1_700_000_000_000_000_001);
    assert_eq!(capture.width_ms(&capture.pulses.first().unwrap()), 250.0);
}

#[test]
fn rows_that_cannot_be_read_are_named_by_line_and_column() {
    for (text, words) in [
        (
            "t_s,D0\n0,0\n1,1\n0.5,0\n",
            "line 4: found time 0.5 s after 1 s",
        ),
        (
            "t_s,level\n0,0\nnan,1\n",
            "line 3: found `nan` in column t_s, expected a time",
        ),
        (
            "t_s,level\n0,0\n1,maybe\n2,0\n",
            "line 3: found `maybe` in column level",
        ),
        (
            "t_s,level\n0,0\n1\n2,0\n",
            "line 3: found 1 fields, expected 2 fields",
        ),
        (
            "t_s,level\n0,0\n\"1,1\n2,0\n",
            "line 3: found `\"1,1` without a closing quote",
        ),
        (
            "t_s,level\n0,0\n1e30,1\n2,0\n",
            "line 3: found `1e30` in column t_s, expected a time within",
        ),
        ("t_s,level\n", "no edge"),
        ("t_s,level\n0,0\n1,0\n", "found no edge"),
        (
            "channel,level\nD0,0\nD0,1\n",
            "columns channel, level, expected a column `t`",
        ),
        ("t_s,channel\n0,D0\n", "expected a column `level`"),
    ] {
        let settings = Settings {
            format: Some(Format::EdgesCsv),
            ..every_edge()
        };
        let error = message(read(text.as_bytes(), &settings));
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn a_last_row_that_is_cut_off_is_warned_of() {
    let text = "t_s,channel,level\n0,D0,0\n1,D0,1\n1.25,D0,0\n2,D0";
    let capture = read(text.as_bytes(), &every_edge()).unwrap();
    assert_eq!(capture.pulses.len(), 1);
    assert!(capture.warnings[0].text.contains("in the middle of line 5"));
}

/// A trace of two pulses, 5 kHz, 100 and 250 ms long, with edges that meet the 50 % level at the
/// instants named.
const PULSES: [(f64, f64); 2] = [(0.50003, 0.60003), (1.20001, 1.45013)];

fn trace() -> Vec<f64> {
    sampled(5_000, 2.0, 0.001, &PULSES)
}

fn rows(row: impl Fn(usize, f64) -> String) -> String {
    trace()
        .iter()
        .enumerate()
        .map(|(i, v)| row(i, *v))
        .collect()
}

#[test]
fn samples_are_read_as_oscilloscopes_write_them() {
    let plain = |i: usize, v: f64| format!("{:.4},{v:.5}\n", i as f64 / 5e3);
    let comma = |i: usize, v: f64| format!("{:.4};{v:.5}\n", i as f64 / 5e3).replace('.', ",");
    let science = |i: usize, v: f64| format!("{:.6e},{v:.6e},0.0\r\n", i as f64 / 5e3 - 0.2);
    let alone = |_: usize, v: f64| format!("{v:.5}\n");
    let numbered = |i: usize, v: f64| format!("{i},{v:.5},\n");
    for (text, shift) in [
        (format!("Time,CH1\ns,V\n{}", rows(plain)), 0.0),
        (format!("Second,Volt\n{}", rows(plain)), 0.0),
        (rows(plain), 0.0),
        (format!("Zeit [s];U [V]\n{}", rows(comma)), 0.0),
        (format!("t_s;volts\n{}", rows(comma)), 0.0),
        (
            format!(
                "Model,bench\r\nRecord length,10000\r\nTrigger level,1.5,V\r\n\r\nTIME,CH1,CH2\r\n{}",
                rows(science)
            ),
            -0.2,
        ),
        (
            format!("Sample interval,0.2,ms\nCH1\nV\n{}", rows(alone)),
            0.0,
        ),
        (format!("Sample rate [Hz],5000\nCH1\n{}", rows(alone)), 0.0),
        (
            format!(
                "X,CH1,Start,Increment\nSequence,Volt,-1.0e-1,2.0e-4\n{}",
                rows(numbered)
            ),
            0.0,
        ),
        (
            format!(
                "Time (ms),CH1 (mV)\n{}",
                rows(|i, v| format!("{},{:.2}\n", i as f64 / 5.0, v * 1e3))
            ),
            0.0,
        ),
    ] {
        let settings = Settings {
            format: Some(Format::SamplesCsv),
            ..Settings::default()
        };
        let capture = read(text.as_bytes(), &settings).unwrap();
        assert_eq!(capture.pulses.len(), 2, "{}", &text[..80]);
        for (pulse, (start, end)) in capture.pulses.iter().zip(PULSES) {
            // On a straight edge linear interpolation is exact, up to the five decimals of the
            // voltages: 1e-5 V of 700 V/s.
            let close = |ticks, at: f64| (capture.tick.seconds(ticks) - at - shift).abs() < 3e-8;
            assert!(
                close(pulse.start, start) && close(pulse.end, end),
                "{}",
                &text[..80]
            );
        }
        let levels = capture.channels[0].levels.unwrap();
        assert!((levels.low - 0.1).abs() < 1e-4 && (levels.high - 0.8).abs() < 1e-4);
        assert!((levels.reference - 0.45).abs() < 1e-4);
        // From 10 to 90 % of a ramp of 1 ms; near the ends of the ramp the line between two samples
        // cuts the corner, by up to a quarter of the sample interval at either end.
        assert!((levels.transition_s.unwrap() - 0.0008).abs() < 1e-4);
        assert_eq!(capture.coupling, Some(Coupling::Dc));
        assert!((capture.resolution_s - 0.0002).abs() < 1e-9);
        // Told by its content too, where the content tells.
        if !text.starts_with("CH1") {
            assert_eq!(
                read(text.as_bytes(), &Settings::default()).unwrap().format,
                Format::SamplesCsv
            );
        }
    }
}

#[test]
fn a_threshold_and_a_column_of_volts_can_be_given() {
    let text = format!(
        "t,a,b\n{}",
        rows(|i, v| format!("{:.4},{:.5},{v:.5}\n", i as f64 / 5e3, 0.5))
    );
    let settings = Settings {
        columns: CsvColumns {
            volts: Some("b".to_owned()),
            ..CsvColumns::default()
        },
        threshold_v: Some(0.38),
        ..Settings::default()
    };
    let capture = read(text.as_bytes(), &settings).unwrap();
    let levels = capture.channels[0].levels.unwrap();
    assert_eq!(levels.reference, 0.38);
    // The ramp of 0.7 V in 1 ms meets 0.38 V 0.1 ms before the 50 % level of 0.45 V.
    let first = capture.pulses.first().unwrap();
    assert!((capture.start_s(&first) - 0.49993).abs() < 3e-8);
    assert!((capture.width_ms(&first) - 100.2).abs() < 1e-4);
}

#[test]
fn samples_that_cannot_be_read_are_named() {
    for (text, words) in [
        ("t,v\n0,1\n1,inf\n2,1\n", "line 3: found `inf` in column v"),
        ("t,v\n0,1\n2,1\n1,1\n", "line 4: found time 1 s after 2 s"),
        ("t,v\n0,1\n2\n1,1\n", "line 3: found 1 numbers, expected 2"),
        ("only,words\nand,more\n", "no row of numbers"),
        ("CH1\n1\n2\n", "no sample interval before it"),
        ("t,v\n0,1\n1,1\n2,1\n", "found no edge"),
    ] {
        let settings = Settings {
            format: Some(Format::SamplesCsv),
            ..Settings::default()
        };
        let error = message(read(text.as_bytes(), &settings));
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn long_captures_are_read_in_one_pass_whenever_the_first_pulse_comes() {
    // More samples than are held to learn the levels: noise alone at first, then pulses.
    let mut random = Random(3);
    let mut text = String::from("t_s,CH1\n");
    for i in 0..900_000u32 {
        let on = i > 600_000 && i % 20_000 > 15_000;
        let volts = if on { 3.3 } else { 0.0 } + 0.2 * (random.share() - 0.5);
        text.push_str(&format!("{:.4},{volts:.3}\n", f64::from(i) / 1e4));
    }
    let capture = read(text.as_bytes(), &Settings::default()).unwrap();
    assert_eq!(capture.pulses.len() + capture.cut.len(), 15);
    assert_eq!(capture.channels[0].idle, Level::Low);
    assert!(capture.warnings.is_empty(), "{:?}", capture.warnings);
    for pulse in &capture.pulses {
        assert!((capture.width_ms(&pulse) - 499.9).abs() < 0.1);
    }
}

#[test]
fn pulses_that_were_measured_are_read() {
    let text =
        "direction,requested_ms,width_ms,issued_s,start_s\nra+,250,262.125,1,1.02\nDEC-,500,,,\n";
    let error = message(read(text.as_bytes(), &Settings::default()));
    assert!(
        error.contains("line 3: found nothing in column width_ms"),
        "{error}"
    );
    let text = "direction,requested_ms,width_ms,issued_s,start_s\nra+,250,262.125,1,1.02\nDEC-,500,511.5,,\n";
    let capture = read(text.as_bytes(), &Settings::default()).unwrap();
    assert_eq!(capture.format, Format::PulsesCsv);
    // Two widths share a divisor of 0.375 ms by chance: what is known is the last decimal place.
    assert_eq!(capture.resolution_s, 1e-6);
    let rows = capture.measured.unwrap();
    assert_eq!(rows[0].direction, Some(Direction::RaPlus));
    assert_eq!((rows[0].issued_s, rows[0].start_s), (Some(1.0), Some(1.02)));
    assert_eq!((rows[1].width_ms, rows[1].start_s), (511.5, None));
    let text = "requested_us;width_s\n250000;0,262\n";
    let capture = read(text.as_bytes(), &Settings::default()).unwrap();
    let row = capture.measured.unwrap()[0];
    assert_eq!((row.requested_ms, row.width_ms), (250.0, 262.0));
    for (text, words) in [
        (
            "requested_ms,width_ms\n250,-3\n",
            "line 2: found `-3` in column width_ms",
        ),
        (
            "requested_ms,width_ms\n0,3\n",
            "line 2: found `0` in column requested_ms",
        ),
        (
            "direction,requested_ms,width_ms\nup,250,3\n",
            "line 2: found `up` in column direction",
        ),
        ("requested_ms,width_ms\n", "no pulse"),
    ] {
        let error = message(read(text.as_bytes(), &Settings::default()));
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn request_logs_are_read() {
    let columns = CsvColumns::default();
    let log = "# run 1\ndirection;requested_ms;issued_s\nra+;250,5;0\n;500;1,5\n";
    let requests = read_requests(log.as_bytes(), &columns).unwrap();
    assert_eq!(requests[0].direction, Some(Direction::RaPlus));
    assert_eq!((requests[0].width_ms, requests[0].line), (250.5, 3));
    assert_eq!(
        (requests[1].direction, requests[1].issued_s),
        (None, Some(1.5))
    );
    for (log, words) in [
        ("", "no row"),
        ("requested_ms\n", "no request"),
        (
            "requested_ms\n250\n0\n",
            "line 3: found a requested width of 0 ms",
        ),
        (
            "requested_ms,issued_s\n250,2\n250,1\n",
            "line 3: found time of issue 1 s after 2 s",
        ),
        (
            "requested_ms,issued_s\n250,2\n250,NaN\n",
            "line 3: found `NaN` in column issued_s",
        ),
        (
            "direction,requested_ms\nra+,250\nde",
            "line 3: found the file ends in the middle of line 3",
        ),
        ("width_ms\n250\n", "expected a column `requested`"),
    ] {
        let error = read_requests(log.as_bytes(), &columns)
            .unwrap_err()
            .to_string();
        assert!(error.contains(words), "{error}");
    }
    // A last line that is whole but for its end is read.
    assert_eq!(
        read_requests(&b"requested_ms\n250"[..], &columns)
            .unwrap()
            .len(),
        1
    );
}

#[test]
fn settings_keep_their_meaning_through_json() {
    let settings = Settings {
        channels: ChannelMap::parse("ra+=D0,dec-=x").unwrap(),
        idle: Some(Level::High),
        format: Some(Format::EdgesCsv),
        ..every_edge()
    };
    let json = serde_json::to_string(&settings).unwrap();
    assert!(
        json.contains("\"edges-csv\"") && json.contains("\"ra+\"") && json.contains("\"high\"")
    );
    assert_eq!(serde_json::from_str::<Settings>(&json).unwrap(), settings);
}

#[test]
fn the_step_is_inferred_from_many_widths_and_not_from_few() {
    let edges = |widths_us: &[u32]| {
        let mut text = String::from("t_s,D0\n0,0\n");
        for (i, width) in (1u32..).zip(widths_us) {
            let start = i * 1_000_000;
            for (time, level) in [(start, 1), (start + width, 0)] {
                text += &format!("{}.{:06},{level}\n", time / 1_000_000, time % 1_000_000);
            }
        }
        text + "100,0\n"
    };
    let step = |widths: &[u32]| {
        let text = edges(widths);
        read(text.as_bytes(), &Settings::default())
            .unwrap()
            .resolution_s
    };
    // Thirty equal pulses of 512 ms share a divisor of 8 ms; their last decimal place is 1 ms.
    assert_eq!(step(&[512_000; 30]), 0.001);
    // Twelve widths that are all multiples of 4 ms do tell of a step.
    let widths: Vec<u32> = (0..12).map(|i| 60_000 + 4_000 * i).collect();
    assert_eq!(step(&widths), 0.004);
}
