use super::*;
use proptest::prelude::*;

fn faults(text: &str) -> String {
    Plan::read(text).expect_err("a fault").to_string()
}

#[test]
fn the_written_file_is_read_back() {
    let plan = Plan {
        stop: StopRule::Precision { half_width_ms: 0.4 },
        cap_arcsec: 31.25,
        ..Plan::default()
    };
    assert_eq!(Plan::read(&plan.to_toml()).unwrap().plan, plan);
    let reading = Plan::read(&Plan::default().to_toml()).unwrap();
    assert_eq!(reading.plan, Plan::default());
    assert!(reading.warnings.is_empty());
}

#[test]
fn errors_name_line_value_and_the_way_out() {
    let text = faults("version = 1\n[requests]\nwidths_ms = [100, -5]\nrepeat = 3\n");
    assert!(
        text.contains("line 3: requests.widths_ms: found [100, -5], expected"),
        "{text}"
    );
    assert!(
        text.contains("line 4: requests.repeat: found an unknown key"),
        "{text}"
    );
    let text = faults("version = 1\n[requests]\ndirections = [\"ra+\"]\n");
    assert!(
        text.contains("line 3: requests.directions: found ra+ without ra-"),
        "{text}"
    );
    let text = faults("version = 1\n[travel]\ncap_arcsec = 3\n");
    assert!(
        text.contains("line 3: travel.cap_arcsec: found 3, expected at least 7.52"),
        "{text}"
    );
    let text = faults("version = 2\n");
    assert!(
        text.contains("line 1: version: found 2, expected 1"),
        "{text}"
    );
    let text = faults("version = 1\nrequests = 4\n[timing\n");
    assert!(text.contains("line 3: found"), "{text}");
}

#[test]
fn an_unbalanced_plan_is_capped_by_all_it_moves() {
    let plan = Plan {
        directions: vec![Direction::RaPlus],
        balanced: false,
        ..Plan::default()
    };
    // 1.9 s a round at 7.52 arcsec/s, 20 times: 285.78 arcsec.
    let text = plan.check().expect_err("too far").to_string();
    assert!(text.contains("at least 285.78"), "{text}");
    let plan = Plan {
        cap_arcsec: 286.0,
        ..plan
    };
    let warnings = plan.check().unwrap();
    assert!(warnings.iter().any(|w| w.text.contains("not balanced")));
}

/// Worked by hand: 4 directions of 1.9 s and 20 pauses of 1.25 s make 32.6 s a round.
#[test]
fn the_estimated_time_is_that_of_the_schedule() {
    let plan = Plan::default();
    assert!((plan.estimated_s() - 652.0).abs() < 1e-9);
    let schedule = Schedule::new(&plan);
    let sum: f64 = schedule
        .requests
        .iter()
        .map(|r| r.pause_s + r.width_ms / 1000.0)
        .sum();
    // 400 pauses spread over 0.5 s: 0.5 / sqrt(12) * sqrt(400) = 2.9 s, four times that.
    assert!((sum - plan.estimated_s()).abs() < 11.6, "{sum}");
}

#[test]
fn a_seed_gives_one_schedule_and_another_seed_another() {
    let plan = Plan::default();
    assert_eq!(Schedule::new(&plan), Schedule::new(&plan));
    let other = Plan {
        seed: 2,
        ..plan.clone()
    };
    assert_ne!(Schedule::new(&plan), Schedule::new(&other));
}

proptest! {
    #[test]
    fn every_round_is_whole_balanced_and_within_the_cap(
        seed in any::<u32>(),
        widths in proptest::collection::btree_set(1..3000u32, 1..12),
        rounds in 1..6u32,
        spare in 1.0..4.0f64,
        rates in (0.1..1.0f64, 0.1..1.0f64),
        random_order in any::<bool>(),
    ) {
        let longest = *widths.last().unwrap();
        let plan = Plan {
            widths_ms: widths.iter().map(|w| f64::from(*w)).collect(),
            rounds,
            random_order,
            seed: u64::from(seed),
            ra_rate: rates.0,
            dec_rate: rates.1,
            cap_arcsec: spare * f64::from(longest) * 1e-3 * SIDEREAL_ARCSEC_PER_S * rates.0.max(rates.1),
            ..Plan::default()
        };
        let schedule = Schedule::new(&plan);
        prop_assert_eq!(schedule.requests.len(), plan.count());
        for travel in schedule.travel(&plan) {
            prop_assert!(travel.net_arcsec.abs() < 1e-6);
            prop_assert!(travel.furthest_arcsec <= plan.cap_arcsec * (1.0 + 1e-9));
        }
        for round in schedule.requests.chunks(plan.round_len()) {
            let mut kinds: Vec<_> = round.iter().map(|r| (r.direction, r.width_ms as u32)).collect();
            kinds.sort_unstable();
            kinds.dedup();
            prop_assert_eq!(kinds.len(), plan.round_len());
        }
    }

    #[test]
    fn no_text_panics(text in "[a-z\\[\\]=\"0-9.,+\\-\n _]{0,200}") {
        let _ = Plan::read(&text);
        let _ = Plan::read(&format!("version = 1\n[requests]\n{text}"));
    }
}
