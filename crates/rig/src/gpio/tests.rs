//! Everything but the system calls: a source of made-up events in place of the kernel.

use std::sync::atomic::AtomicBool;
use std::time::Duration;

use proptest::prelude::*;
use wire::Direction;

use super::board::{BLIP_NS, HOLD_NS, LineEvent, TICK_HZ};
use super::*;
use crate::Clock;
use crate::journal::Entry;
use crate::link::{Edge, FromRig, LineReader, Message, Received, ToRig};
use crate::plan::Plan;
use crate::record::{GPIO_LATENCY_MS, GPIO_VERSION};
use crate::sender::{Ask, Issued, SendError, Sender};
use crate::session::{Ending, Event, Session, SessionOptions};
use crate::simulated::VirtualClock;
use crate::ticks::{Stamp, Unwrapper};
use crate::tracker::Tracker;

mod fake;

use fake::{Fake, SERVED_NS};

fn write(board: &mut Board<Fake>, line: ToRig) {
    board.write(line.line().as_bytes()).unwrap();
}

/// All lines until `seconds` have passed; panics at a damaged one.
fn lines(board: &mut Board<Fake>, clock: &VirtualClock, seconds: f64) -> Vec<FromRig> {
    let until = clock.now_s() + seconds;
    let mut reader = LineReader::new();
    let mut found = Vec::new();
    let mut buffer = [0; 7];
    while clock.now_s() < until {
        let left = Duration::from_secs_f64((until - clock.now_s()).max(1e-9));
        let count = board.read(&mut buffer, left).unwrap();
        reader.push(&buffer[..count], &mut |line| match line {
            Received::Message(message) => found.push(message),
            other => panic!("{other:?}"),
        });
    }
    // What was ready at the end, and comes in small pieces.
    loop {
        let count = board.read(&mut buffer, Duration::ZERO).unwrap();
        if count == 0 {
            return found;
        }
        reader.push(&buffer[..count], &mut |line| match line {
            Received::Message(message) => found.push(message),
            other => panic!("{other:?}"),
        });
    }
}

/// Edges and losses alone.
fn told(lines: &[FromRig]) -> Vec<String> {
    let wanted = |line: &&FromRig| matches!(line, FromRig::Edge(_) | FromRig::Lost(_));
    lines.iter().filter(wanted).map(Message::content).collect()
}

/// Opens a board on `fake`, says `G`, and gives what it tells within `seconds`.
fn run(fake: &Fake, seconds: f64) -> Vec<FromRig> {
    let mut board = fake.board();
    write(&mut board, ToRig::Go);
    lines(&mut board, &fake.clock, seconds)
}

#[test]
fn it_says_who_it_is_answers_and_beats() {
    let fake = Fake::new();
    let mut board = fake.board();
    let rig = format!(
        "RIG 1 gpio-{} 1000000 4 0:17,27,22,23",
        env!("CARGO_PKG_VERSION")
    );
    let first = lines(&mut board, &fake.clock, 1.5);
    let contents: Vec<String> = first.iter().map(Message::content).collect();
    assert_eq!(contents, [rig.clone(), "H 000F4240".into()]);
    write(&mut board, ToRig::Sync(0x1A));
    write(&mut board, ToRig::Identify);
    let then = lines(&mut board, &fake.clock, 0.6);
    let contents: Vec<String> = then.iter().map(Message::content).collect();
    // 1.5 s are 16E360 ticks, 2 s 1E8480.
    let expected = ["S 0000001A 0016E360".to_owned(), rig, "H 001E8480".into()];
    assert_eq!(contents, expected);
}

#[test]
fn edges_carry_the_kernels_stamps_and_levels() {
    let fake = Fake::new();
    fake.edge(100_000, 0, true);
    fake.edge(350_766, 0, false);
    fake.edge(400_000, 3, true);
    let found = told(&run(&fake, 0.5));
    // 100,000 is 186A0; 350,766 is 55A2E; 400,000 is 61A80.
    let expected = [
        "E 0000 000186A0 01",
        "E 0001 00055A2E 00",
        "E 0002 00061A80 08",
    ];
    assert_eq!(found, expected);
}

#[test]
fn edges_while_stopped_take_no_number_and_levels_are_found_at_go() {
    let fake = Fake::new();
    let mut board = fake.board();
    fake.edge(100_000, 0, true);
    fake.edge(200_000, 0, false);
    fake.edge(250_000, 1, true);
    *fake.levels.lock().unwrap() = 2;
    assert!(told(&lines(&mut board, &fake.clock, 0.3)).is_empty());
    write(&mut board, ToRig::Go);
    fake.edge(400_000, 0, true);
    // The last one is still with the kernel when the rig is stopped.
    fake.edge(500_000, 0, false);
    let mut found = told(&lines(&mut board, &fake.clock, 0.15));
    fake.clock.wait(0.1);
    write(&mut board, ToRig::Stop);
    write(&mut board, ToRig::Stop);
    fake.edge(600_000, 2, true);
    found.extend(told(&lines(&mut board, &fake.clock, 0.2)));
    assert_eq!(found, ["E 0000 00061A80 03", "E 0001 0007A120 02"]);
}

#[test]
fn inputs_that_change_in_one_tick_share_a_line() {
    let fake = Fake::new();
    fake.event(100_000_200, 0, true, SERVED_NS);
    fake.event(100_000_900, 2, true, SERVED_NS - 700);
    fake.event(100_001_100, 3, true, SERVED_NS);
    // The same input twice in a tick is two edges.
    fake.event(200_000_100, 0, false, SERVED_NS);
    fake.event(200_000_600, 0, true, SERVED_NS - 500);
    let found = told(&run(&fake, 0.3));
    let expected = [
        "E 0000 000186A0 05",
        "E 0001 000186A1 0D",
        "E 0002 00030D40 0C",
        "E 0003 00030D40 0D",
    ];
    assert_eq!(found, expected);
}

#[test]
fn events_that_the_kernels_threads_hand_on_in_another_order_are_put_back() {
    let fake = Fake::new();
    fake.event(100_000_000, 0, true, 900_000);
    fake.event(100_100_000, 1, true, 20_000);
    fake.event(100_200_000, 2, true, 20_000);
    let found = told(&run(&fake, 0.3));
    let expected = [
        "E 0000 000186A0 01",
        "E 0001 00018704 03",
        "E 0002 00018768 07",
    ];
    assert_eq!(found, expected);
}

#[test]
fn a_hole_in_the_kernels_numbers_is_told_with_its_count() {
    let fake = Fake::new();
    fake.edge(100_000, 0, true);
    fake.drop_events(257);
    fake.edge(200_000, 0, false);
    let lines = run(&fake, 0.3);
    let expected = ["E 0000 000186A0 01", "L 257", "E 0102 00030D40 00"];
    assert_eq!(told(&lines), expected);
}

#[test]
fn the_first_edge_of_an_input_that_a_hole_may_have_changed_is_no_bounce() {
    let fake = Fake::new();
    // The closing of input 1 is among the lost ones; its opening is an edge that changes nothing.
    fake.drop_events(2);
    fake.edge(100_000, 0, true);
    fake.edge(200_000, 1, false);
    fake.edge(300_000, 1, true);
    let found = told(&run(&fake, 0.4));
    let expected = [
        "L 2",
        "E 0002 000186A0 01",
        "E 0003 00030D40 01",
        "E 0004 000493E0 03",
    ];
    assert_eq!(found, expected);
}

#[test]
fn an_event_that_comes_after_it_was_given_up_makes_a_hole_of_its_own() {
    let fake = Fake::new();
    fake.event(100_000_000, 0, true, 3 * HOLD_NS);
    fake.event(100_100_000, 1, true, SERVED_NS);
    fake.edge(200_000, 1, false);
    let found = told(&run(&fake, 0.3));
    let expected = ["L 1", "E 0001 00018704 02", "L 1", "E 0003 00030D40 01"];
    assert_eq!(found, expected);
}

#[test]
fn a_stamp_far_out_of_order_is_a_loss_and_a_near_one_is_moved() {
    let fake = Fake::new();
    fake.event(100_000_000, 0, true, SERVED_NS);
    fake.event(99_950_000, 1, true, SERVED_NS + 50_000);
    fake.event(99_000_000, 2, true, SERVED_NS + 1_000_000);
    fake.edge(200_000, 0, false);
    let found = told(&run(&fake, 0.3));
    let expected = ["E 0000 000186A0 03", "L 1", "E 0002 00030D40 06"];
    assert_eq!(found, expected);
}

#[test]
fn a_switch_that_came_back_before_it_was_looked_at_bounced_if_that_was_soon() {
    let fake = Fake::new();
    fake.edge(100_000, 0, true);
    fake.event(150_000_000, 0, true, BLIP_NS / 2);
    fake.edge(200_000, 0, false);
    let found = told(&run(&fake, 0.3));
    let expected = [
        "E 0000 000186A0 01",
        "E 0001 000249F0 00",
        "E 0002 000249F0 01",
        "E 0003 00030D40 00",
    ];
    assert_eq!(found, expected);
}

#[test]
fn a_switch_that_came_back_before_it_was_looked_at_lost_an_edge_if_that_was_late() {
    let fake = Fake::new();
    fake.edge(100_000, 0, true);
    fake.event(150_000_000, 0, true, 60_000_000);
    fake.edge(300_000, 0, false);
    let found = told(&run(&fake, 0.4));
    let expected = [
        "E 0000 000186A0 01",
        "L 1",
        "E 0002 000249F0 01",
        "E 0003 000493E0 00",
    ];
    assert_eq!(found, expected);
}

/// The pulses in µs of what was told, with a bridge and a least width of 1 ms.
fn pulses(lines: &[FromRig]) -> Vec<(i64, i64, u32)> {
    let mut tracker = Tracker::new(&Direction::ALL, 0, 1000, 1000);
    for line in lines {
        match line {
            FromRig::Edge(edge) => {
                tracker.edge(edge.sequence, i64::from(edge.tick), edge.levels);
            }
            FromRig::Lost(count) => tracker.told_lost(*count),
            _ => {}
        }
    }
    tracker.end(true);
    let pulse = |p: &crate::tracker::TickPulse| (p.start, p.end, p.bridged);
    tracker.pulses.iter().map(pulse).collect()
}

#[test]
fn bounce_is_bridged_whether_the_kernel_saw_each_edge_or_not() {
    let fake = Fake::new();
    // Each edge is seen.
    for (at_us, closed) in [(0, true), (200, false), (500, true), (50_000, false)] {
        fake.edge(100_000 + at_us, 0, closed);
    }
    // The contact opens and closes again within 10 us, before the first interrupt is served.
    fake.event(300_000_000, 0, true, 40_000);
    fake.event(300_010_000, 0, true, 40_000);
    fake.event(300_020_000, 0, true, 40_000);
    fake.edge(350_000, 0, false);
    let found = pulses(&run(&fake, 0.5));
    // The first stamp of the second pulse is followed by two interrupts that found it closed.
    assert_eq!(found, [(100_000, 150_000, 1), (300_000, 350_000, 2)]);
}

#[test]
fn the_counter_wraps_and_the_host_counts_on() {
    let fake = Fake::new();
    let mut board = fake.board();
    write(&mut board, ToRig::Go);
    // 2^32 us are 4294.967296 s.
    fake.edge(4_294_967_295, 0, true);
    fake.edge(4_294_967_297, 0, false);
    let mut unwrapper = Unwrapper::new(TICK_HZ);
    let mut ticks = Vec::new();
    for _ in 0..430 {
        for line in lines(&mut board, &fake.clock, 10.0) {
            let at_s = fake.clock.now_s();
            match line {
                FromRig::Heartbeat(tick) => {
                    unwrapper.take(tick, at_s);
                }
                FromRig::Edge(edge) => ticks.push(unwrapper.take(edge.tick, at_s)),
                _ => {}
            }
        }
    }
    let expected = [4_294_967_295, 4_294_967_297].map(Stamp::Tick);
    assert_eq!(ticks, expected);
}

#[test]
fn the_kernels_own_number_wraps() {
    let fake = Fake::new();
    let mut board = fake.board();
    // As far as the numbers can be from each other and still tell which is later, several times.
    for step in 1..=5u64 {
        fake.drop_events(i32::MAX as u32 - 1);
        fake.edge(step * 1000, 0, step % 2 == 1);
        lines(&mut board, &fake.clock, 0.001);
        fake.clock.wait(0.01);
        lines(&mut board, &fake.clock, 0.001);
    }
    write(&mut board, ToRig::Go);
    fake.edge(500_000, 1, true);
    let found = told(&lines(&mut board, &fake.clock, 1.0));
    assert_eq!(found, ["E 0000 0007A120 02"]);
}

#[test]
fn a_chip_that_goes_away_breaks_the_port() {
    let fake = Fake::new();
    let mut board = fake.board();
    write(&mut board, ToRig::Go);
    fake.state().broken = true;
    let mut buffer = [0; 64];
    assert!(board.read(&mut buffer, Duration::ZERO).is_err());
}

proptest! {
    /// Events of four lines, some dropped by the kernel, some handed on late: the numbers of the edges
    /// and the counts of the holes add up to all of them, and each hole steps the sequence by its count.
    #[test]
    fn sent_and_lost_edges_are_all_edges(
        events in proptest::collection::vec((0u8..4, 100u64..3000, any::<bool>(), 0u64..2_000_000), 1..80),
    ) {
        let fake = Fake::new();
        let (mut at_us, mut levels, mut sent, mut dropped) = (1000, 0u8, 0, 0);
        for (input, gap_us, keep, served_ns) in events {
            at_us += gap_us;
            levels ^= 1 << input;
            if keep {
                let closed = levels & (1 << input) != 0;
                fake.event(at_us * 1000, input, closed, served_ns);
                sent += 1;
            } else {
                fake.drop_events(1);
                dropped += 1;
            }
        }
        // The kernel's last number shows that those before it are gone.
        fake.edge(at_us + 100_000, 0, levels & 1 == 0);
        let lines = run(&fake, 1.0);
        let (mut edges, mut lost, mut next) = (0, 0, 0u16);
        for line in &lines {
            match line {
                FromRig::Edge(Edge { sequence, .. }) => {
                    prop_assert_eq!(*sequence, next);
                    next = next.wrapping_add(1);
                    edges += 1;
                }
                FromRig::Lost(count) => {
                    next = next.wrapping_add(*count as u16);
                    lost += count;
                }
                _ => {}
            }
        }
        prop_assert_eq!(edges + lost, sent + dropped + 1);
        prop_assert!(lost >= dropped);
    }

    #[test]
    fn no_events_and_no_bytes_panic(
        events in proptest::collection::vec((any::<u32>(), any::<u64>(), any::<u8>(), any::<bool>()), 0..60),
        bytes in proptest::collection::vec(any::<u8>(), 0..60),
    ) {
        let fake = Fake::new();
        let mut board = fake.board();
        write(&mut board, ToRig::Go);
        for (sequence, at_ns, input, closed) in events {
            let event = LineEvent { sequence, at_ns, input, closed };
            fake.state().events.push_back((0, event));
        }
        board.write(&bytes).unwrap();
        lines(&mut board, &fake.clock, 0.05);
    }

    #[test]
    fn no_name_panics(name in "gpio:[a-z0-9/:, ]{0,20}") {
        if let Some(Ok(opener)) = opener(&name) {
            let serial = opener.serial();
            prop_assert!((1..=16).contains(&serial.len()));
        }
    }
}

/// Asks for pulses that come 3 ms later and are 12.345 ms too long.
struct FakeChain(Fake, Option<f64>);

impl Sender for FakeChain {
    fn begin(&mut self, ask: &Ask) -> Result<(), SendError> {
        let now = self.0.clock.now_s();
        let input = Direction::ALL.iter().position(|d| *d == ask.direction);
        let start_us = (now * 1e6).round() as u64 + 3000;
        let end_us = start_us + (ask.width_ms * 1000.0).round() as u64 + 12_345;
        for (at_us, closed) in [(start_us, true), (end_us, false)] {
            self.0.edge(at_us, input.unwrap() as u8, closed);
        }
        self.1 = Some(now);
        Ok(())
    }

    fn poll(&mut self) -> Option<Result<Issued, SendError>> {
        let issued_s = Some(self.1.take()?);
        Some(Ok(Issued {
            issued_s,
            uncertainty_s: 0.0,
        }))
    }

    fn stop(&mut self) {}
}

struct FakeOpener(Fake);

impl Opener for FakeOpener {
    fn open(&mut self) -> io::Result<Box<dyn Port>> {
        Ok(Box::new(self.0.board()))
    }

    fn name(&self) -> String {
        "gpio:fake".into()
    }
}

#[test]
fn a_whole_run_finds_the_width_error_and_the_start_delay_that_were_put_in() {
    let fake = Fake::new();
    let plan = Plan {
        widths_ms: vec![50.0, 250.0],
        rounds: 5,
        ..Plan::default()
    };
    let mut journal: Vec<Entry> = Vec::new();
    let stop = AtomicBool::new(false);
    let session = Session {
        plan: &plan,
        sender: &mut FakeChain(fake.clone(), None),
        opener: &mut FakeOpener(fake.clone()),
        journal: &mut journal,
        clock: &*fake.clock,
        stop: &stop,
        options: &SessionOptions::default(),
    };
    let mut told = Vec::new();
    let end = session.run(&[], &mut |event| told.push(event)).unwrap();
    assert_eq!((end.ending, end.done), (Ending::Complete, 40));
    let odd = |event: &Event| {
        matches!(
            event,
            Event::Lost { .. } | Event::Warning(_) | Event::Reset | Event::Missing { .. }
        )
    };
    assert!(!told.iter().any(odd));
    let matching = end.recorded.matching().unwrap();
    assert_eq!(matching.observations.len(), 40);
    let alignment_ms = end.recorded.alignment_s.unwrap() * 1000.0;
    assert!(alignment_ms < 0.1, "{alignment_ms}");
    assert_eq!(end.recorded.instrument().edge_ms, Some(GPIO_LATENCY_MS));
    assert_eq!(end.recorded.latency_ms, GPIO_LATENCY_MS);
    for pulse in &matching.observations {
        // A tick of 1 us; the rates agree to what the exchanges leave open.
        let error_ms = pulse.width_ms - pulse.requested_ms;
        assert!((error_ms - 12.345).abs() < 0.002, "{error_ms}");
        let delay_ms = pulse.start_delay_ms.unwrap();
        assert!((delay_ms - 3.0).abs() < alignment_ms + 0.002, "{delay_ms}");
    }
}

#[test]
fn names_are_read_and_faults_named() {
    let good = |name: &str| opener(name).unwrap().unwrap();
    let one = good("gpio:gpiochip0:17,27,22,23");
    assert_eq!(
        (one.chip.as_str(), &*one.lines),
        ("/dev/gpiochip0", &[17, 27, 22, 23][..])
    );
    assert_eq!(good("gpio:/dev/gpiochip4:5").chip, "/dev/gpiochip4");
    assert!(opener("localhost:4000").is_none());
    for (name, found) in [
        ("gpio:", "no lines"),
        ("gpio:gpiochip0", "no lines"),
        ("gpio::1", "the chip"),
        ("gpio:../sda:1", "the chip"),
        ("gpio:gpiochip0:", "the line \"\""),
        ("gpio:gpiochip0:1,,2", "the line \"\""),
        ("gpio:gpiochip0:+1", "the line \"+1\""),
        ("gpio:gpiochip0:70000", "the line \"70000\""),
        ("gpio:gpiochip0:1,2,1", "line 1 twice"),
        ("gpio:gpiochip0:0,1,2,3,4,5,6,7,8", "9 lines"),
    ] {
        let text = opener(name).unwrap().unwrap_err().to_string();
        assert!(
            text.contains(found) && text.contains("gpiochip0:17"),
            "{text}"
        );
    }
}

#[test]
fn serials_fit_the_link_and_tell_rigs_apart() {
    let serial = |name: &str| opener(name).unwrap().unwrap().serial();
    assert_eq!(serial("gpio:gpiochip0:17,27,22,23"), "0:17,27,22,23");
    assert_eq!(
        serial("gpio:/dev/gpiochip0:17"),
        serial("gpio:gpiochip0:17")
    );
    let long = ["100,101,102,103", "100,101,102,104", "100,101,102,10,4"]
        .map(|lines| serial(&format!("gpio:gpiochip12:{lines}")));
    assert!(long.iter().all(|serial| serial.len() == 16), "{long:?}");
    assert!(long[0] != long[1] && long[1] != long[2]);
    let rig = FromRig::Identity(crate::link::Identity {
        version: format!("{GPIO_VERSION}1"),
        tick_hz: TICK_HZ,
        inputs: 4,
        serial: serial("gpio:odd*chip:1"),
    });
    assert_eq!(FromRig::parse(&rig.content()), Some(rig));
}

#[test]
fn a_chip_that_is_not_there_is_named_with_the_way_out() {
    let mut none = opener("gpio:gpiochip-none:1").unwrap().unwrap();
    let error = none.open().map(|_| ()).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::NotFound);
    let text = error.to_string();
    assert!(
        text.contains("/dev/gpiochip-none") && text.contains("ls /dev/gpiochip*"),
        "{text}"
    );
    // A device, but no chip.
    let mut other = opener("gpio:null:1").unwrap().unwrap();
    let text = other.open().map(|_| ()).unwrap_err().to_string();
    assert!(text.contains("not a GPIO character device"), "{text}");
}

#[test]
fn what_the_kernel_refuses_is_told_with_the_way_out() {
    // Numbers of errors: asm-generic/errno-base.h of Linux.
    for (number, kind, advice) in [
        (2, io::ErrorKind::NotFound, "no such chip"),
        (13, io::ErrorKind::PermissionDenied, "join the group"),
        (
            16,
            io::ErrorKind::ResourceBusy,
            "another program or the kernel",
        ),
        (22, io::ErrorKind::InvalidInput, "no such line"),
        (6, io::Error::from_raw_os_error(6).kind(), "interrupts"),
    ] {
        let errno = gpiocdev_uapi::Errno(number);
        let of_call = gpiocdev::Error::Uapi(
            gpiocdev::UapiCall::GetLine,
            gpiocdev_uapi::Error::Os(errno.clone()),
        );
        for error in [gpiocdev::Error::Os(errno), of_call] {
            let told = super::kernel::refused("/dev/gpiochip0", &[17, 27], error);
            let text = told.to_string();
            assert_eq!(told.kind(), kind);
            assert!(text.contains("/dev/gpiochip0, lines 17, 27"), "{text}");
            assert!(text.contains(advice), "{text}");
        }
    }
}

#[test]
fn the_self_test_finds_the_rig_its_edges_and_the_clock_that_is_the_hosts_own() {
    let fake = Fake::new();
    for step in 0..10 {
        fake.edge(1_000_000 + step * 200_000, 1, step % 2 == 0);
    }
    let stop = AtomicBool::new(false);
    let mut opener = FakeOpener(fake.clone());
    let clock = &*fake.clock;
    let test = crate::self_test::self_test(&mut opener, clock, 5.0, &stop, &mut |_| {}).unwrap();
    assert_eq!(test.identity.serial, "0:17,27,22,23");
    assert_eq!(test.input_edges, [0, 10, 0, 0]);
    assert_eq!(
        (test.lines.bad_sums, test.edges_lost, test.resets),
        (0, 0, 0)
    );
    assert!((4..=5).contains(&test.heartbeats), "{}", test.heartbeats);
    let rate = test.rate_ppm.unwrap();
    // A question takes no time here, so that all that is left is the tick's step of 1 us in 5 s: 0.2 ppm.
    assert!(rate.low > -0.5 && rate.high < 0.5, "{rate:?}");
}
