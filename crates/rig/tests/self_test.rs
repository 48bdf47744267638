//! Finding and testing a rig, against the simulated one.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use rig::port::Clock;
use rig::self_test::{Found, look, self_test};
use rig::simulated::{ChainLaw, LineFaults, RigOptions, SimulatedRig, VirtualClock};
use wire::Direction;

fn rig(options: RigOptions) -> (SimulatedRig, Arc<VirtualClock>) {
    let clock = Arc::new(VirtualClock::new());
    let rig = SimulatedRig::new(
        options,
        ChainLaw::default(),
        Arc::clone(&clock) as Arc<dyn Clock>,
    );
    (rig, clock)
}

#[test]
fn a_rig_is_found_and_a_silent_or_absent_port_is_told() {
    let (rig, clock) = rig(RigOptions::default());
    let stop = AtomicBool::new(false);
    let found = look(&mut rig.opener(), clock.as_ref(), &stop);
    assert!(matches!(found, Found::Rig(identity) if identity.serial == "simulated"));
    rig.set_faults(LineFaults {
        drop: 1.0,
        ..LineFaults::default()
    });
    let found = look(&mut rig.opener(), clock.as_ref(), &stop);
    assert!(matches!(found, Found::NoRig(heard) if heard == "silence"));
    rig.unplug();
    assert!(matches!(
        look(&mut rig.opener(), clock.as_ref(), &stop),
        Found::Failed(_)
    ));
}

#[test]
fn the_rate_and_the_inputs_come_out_as_they_are() {
    for rate_error_ppm in [-300.0, 35.0, 1200.0] {
        let (rig, clock) = rig(RigOptions {
            rate_error_ppm,
            ..RigOptions::default()
        });
        for i in 0..20 {
            let at = 5.0 + 0.05 * f64::from(i);
            rig.set_input(at, 2, i % 2 == 0);
        }
        let mut told = 0;
        let stop = AtomicBool::new(false);
        let test = self_test(&mut rig.opener(), clock.as_ref(), 60.0, &stop, &mut |_| {
            told += 1
        });
        let test = test.unwrap();
        let rate = test.rate_ppm.unwrap();
        assert!(
            rate.low <= rate_error_ppm && rate_error_ppm <= rate.high,
            "{rate:?}"
        );
        // Two least one-way delays of about 1.3 ms over a minute.
        assert!(rate.high - rate.low < 150.0, "{rate:?}");
        assert!((58..=60).contains(&told) && (59..=60).contains(&test.heartbeats));
        assert_eq!(test.input_edges, [0, 0, 20, 0]);
        assert_eq!((test.closed, test.edges_lost, test.resets), (Some(0), 0, 0));
        assert!(test.exchanges > 500 && test.most_edges_per_s >= 10);
        let warnings = test.warnings(&Direction::ALL);
        let unchanged = warnings.iter().filter(|w| w.text.contains("never changed"));
        assert_eq!(unchanged.count(), 3);
        let rates = warnings.iter().filter(|w| w.text.contains("ppm")).count();
        assert_eq!(rates, usize::from(rate_error_ppm.abs() > 250.0));
    }
}

#[test]
fn damage_losses_and_resets_are_counted() {
    let (rig, clock) = rig(RigOptions {
        buffer: 16,
        ..RigOptions::default()
    });
    rig.set_faults(LineFaults {
        flip: 1e-3,
        ..LineFaults::default()
    });
    for i in 0..200 {
        rig.set_input(5.0 + 1e-4 * f64::from(i), 0, i % 2 == 0);
    }
    let stop = AtomicBool::new(false);
    let mut seconds = 0;
    let test = self_test(&mut rig.opener(), clock.as_ref(), 30.0, &stop, &mut |_| {
        seconds += 1;
        if seconds == 15 {
            rig.reset();
        }
    });
    let test = test.unwrap();
    assert!(test.lines.bad_sums > 0 && test.edges_lost > 50, "{test:?}");
    assert_eq!(test.resets, 1);
    assert!(test.warnings(&Direction::ALL).len() >= 4);
}
