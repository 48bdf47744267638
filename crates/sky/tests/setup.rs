//! The setup file: template, reading, and every kind of bad input.

use proptest::prelude::*;
use sky::{FieldKind, Harmonic, Law, Setup, SetupError, fields};

fn with(key: &str, value: &str) -> String {
    let (section, key) = key.split_once('.').unwrap();
    let mut here = String::new();
    let mut text = String::new();
    for line in Setup::template().lines() {
        if let Some(name) = line.strip_prefix('[') {
            here = name.split(']').next().unwrap().to_string();
        }
        let bare = line.trim_start_matches("# ");
        if here == section && bare.split(" =").next() == Some(key) {
            text.push_str(&format!("{key} = {value}\n"));
        } else {
            text.push_str(&format!("{line}\n"));
        }
    }
    text
}

fn line_of(text: &str, start: &str) -> usize {
    1 + text
        .lines()
        .position(|line| line.starts_with(start))
        .unwrap()
}

fn only_fault(result: Result<Setup, SetupError>) -> sky::Fault {
    let mut faults = result.unwrap_err().faults;
    assert_eq!(faults.len(), 1, "{faults:?}");
    faults.remove(0)
}

#[test]
fn the_template_reads_back_as_the_defaults_without_a_warning() {
    let reading = Setup::read(&Setup::template()).unwrap();
    assert_eq!(reading.setup, Setup::default());
    assert_eq!(reading.warnings, []);
    assert_eq!(reading.defaulted, Vec::<String>::new());
}

#[test]
fn every_line_of_the_template_has_a_comment() {
    for line in Setup::template().lines().filter(|line| !line.is_empty()) {
        let (_, comment) = line.rsplit_once("# ").unwrap();
        assert!(comment.len() > 3, "{line}");
    }
}

#[test]
fn every_default_and_example_is_inside_its_range() {
    for field in fields() {
        let (least, value, most) = match field.kind {
            FieldKind::Number {
                least,
                most,
                default,
            } => (least, default, most),
            FieldKind::Optional {
                least,
                most,
                example,
            } => (least, example, most),
            FieldKind::Whole {
                least,
                most,
                default,
            } => (least.into(), default.into(), most.into()),
            FieldKind::Law | FieldKind::Harmonics { .. } => continue,
        };
        assert!(
            least < most && least <= value && value <= most,
            "{}",
            field.name()
        );
    }
}

#[test]
fn the_optional_lines_of_the_template_work_when_uncommented() {
    let mut text = String::new();
    for line in Setup::template().lines() {
        text.push_str(line.strip_prefix("# ").unwrap_or(line));
        text.push('\n');
    }
    let setup = Setup::parse(&text).unwrap();
    assert_eq!(setup.camera.centroid_noise_arcsec, Some(0.15));
    assert_eq!(setup.mount.ra_drift_arcsec_per_min, Some(0.1));
    assert_eq!(setup.mount.dec_drift_arcsec_per_min, Some(0.5));
    assert_eq!(Setup::parse(&setup.to_toml()).unwrap(), setup);
}

#[test]
fn every_field_reaches_its_own_value() {
    for field in fields() {
        let value = match field.kind {
            FieldKind::Number { least, most, .. } | FieldKind::Optional { least, most, .. } => {
                // Near the middle of the range, which is no default.
                format!("{:?}", 0.507 * least + 0.493 * most)
            }
            FieldKind::Whole { most, .. } => most.to_string(),
            FieldKind::Law => "\"predictor\"".to_string(),
            FieldKind::Harmonics { .. } => continue,
        };
        // Alone in the file, so that the checks of pairs see one unusual value only.
        let text = format!(
            "version = 1\n[{}]\n{} = {value}\n",
            field.section, field.key
        );
        match Setup::read(&text) {
            Ok(reading) => {
                assert_ne!(reading.setup, Setup::default(), "{}", field.name());
                let json = serde_json::to_value(&reading.setup).unwrap();
                let read = json[field.section][field.key].to_string();
                assert_eq!(read, value, "{}", field.name());
            }
            Err(error) => {
                // Only a pair may object, and it names what it objects to.
                assert!(error.to_string().contains("loop."), "{error}");
            }
        }
    }
}

#[test]
fn a_missing_key_takes_its_default_and_is_said() {
    let reading = Setup::read("version = 1\n[mount]\nra_rate = 0.9\n").unwrap();
    assert_eq!(reading.setup.mount.ra_rate, 0.9);
    assert_eq!(
        reading.setup.mount.dec_rate,
        Setup::default().mount.dec_rate
    );
    assert!(reading.defaulted.contains(&"mount.dec_rate".to_string()));
    assert!(!reading.defaulted.contains(&"mount.ra_rate".to_string()));
    assert!(!reading.defaulted.iter().any(|key| key.contains("drift")));
}

#[test]
fn a_guide_rate_of_zero_names_its_line_and_the_way_out() {
    let text = with("mount.ra_rate", "0");
    let fault = only_fault(Setup::parse(&text));
    assert_eq!(fault.line, Some(line_of(&text, "ra_rate")));
    assert_eq!(fault.key, "mount.ra_rate");
    assert_eq!(fault.found, "0");
    assert!(fault.advice.contains("no pulse moves the mount"));
}

#[test]
fn a_declination_of_95_degrees_is_an_error() {
    let text = with("target.declination_deg", "95");
    let fault = only_fault(Setup::parse(&text));
    assert_eq!(
        fault.to_string(),
        format!(
            "line {}: target.declination_deg: found 95, expected a number from -90 to 90 degrees; \
             no star is beyond a pole: give the target's declination in degrees, south negative",
            line_of(&text, "declination_deg")
        )
    );
}

#[test]
fn a_declination_near_the_pole_is_a_warning() {
    let reading = Setup::read(&with("target.declination_deg", "-89.5")).unwrap();
    assert_eq!(reading.warnings.len(), 1);
    assert!(reading.warnings[0].text.contains("near the pole"));
}

#[test]
fn an_exposure_longer_than_the_cadence_is_an_error() {
    let text = with("camera.exposure_s", "4.0");
    let fault = only_fault(Setup::parse(&text));
    let first = 1 + text
        .lines()
        .position(|line| line == "exposure_s = 4.0")
        .unwrap();
    assert_eq!(fault.line, Some(first));
    assert!(fault.found.contains("cadence of 3 s"));
}

#[test]
fn exposure_and_readout_longer_than_the_cadence_is_a_warning() {
    let reading = Setup::read(&with("camera.exposure_s", "2.8")).unwrap();
    assert_eq!(reading.warnings.len(), 1);
    assert!(reading.warnings[0].text.contains("exposure and read-out"));
}

#[test]
fn a_newer_version_is_an_error_that_says_so() {
    let text = Setup::template().replace("version = 1", "version = 2");
    let fault = only_fault(Setup::parse(&text));
    assert_eq!((fault.line, fault.found.as_str()), (Some(1), "2"));
    assert!(fault.advice.contains("newer program"));
    for wrong in ["0", "1.0", "\"1\"", "-3"] {
        let text = Setup::template().replace("version = 1", &format!("version = {wrong}"));
        assert!(
            only_fault(Setup::parse(&text))
                .advice
                .contains("version = 1")
        );
    }
    assert_eq!(only_fault(Setup::parse("")).key, "version");
}

#[test]
fn an_unknown_key_names_the_nearest_known_one() {
    let fault = only_fault(Setup::parse("version = 1\n\n[mount]\nra_rat = 0.5\n"));
    assert_eq!(fault.line, Some(4));
    assert_eq!(fault.advice, "did you mean ra_rate?");
    let fault = only_fault(Setup::parse("version = 1\n[mount]\nreadout_s = 0.5\n"));
    assert_eq!(fault.advice, "move it under [camera]");
    let fault = only_fault(Setup::parse("version = 1\n[camra]\nreadout_s = 0.5\n"));
    assert_eq!(fault.advice, "did you mean [camera]?");
    let fault = only_fault(Setup::parse("version = 1\nreadout_s = 0.5\n"));
    assert_eq!(fault.advice, "move it under [camera]");
    let fault = only_fault(Setup::parse("version = 1\n[mount]\nxyzzyx = 0.5\n"));
    assert_eq!(fault.advice, "remove it");
}

#[test]
fn values_of_the_wrong_type_are_named() {
    for (key, value, found) in [
        ("mount.ra_rate", "\"0.5\"", "\"0.5\""),
        ("mount.ra_rate", "true", "true"),
        ("mount.ra_rate", "[0.5]", "a list"),
        ("mount.ra_rate", "nan", "NaN"),
        ("mount.ra_rate", "inf", "inf"),
        ("loop.predictor_harmonics", "2.5", "2.5"),
        ("loop.predictor_harmonics", "-1", "-1"),
        ("loop.predictor_harmonics", "9", "9"),
        ("loop.law", "\"memori\"", "\"memori\""),
        ("loop.law", "3", "3"),
        ("camera.centroid_noise_arcsec", "11", "11"),
    ] {
        let text = with(key, value);
        let fault = only_fault(Setup::parse(&text));
        assert_eq!(fault.key, key);
        assert_eq!(fault.found, found, "{key} = {value}");
        let name = key.split_once('.').unwrap().1;
        assert_eq!(fault.line, Some(line_of(&text, name)));
    }
    assert!(
        only_fault(Setup::parse(&with("loop.law", "\"memori\"")))
            .advice
            .contains("\"memory\"")
    );
    let fault = only_fault(Setup::parse("version = 1\nmount = 3\n"));
    assert_eq!(
        (fault.line, fault.expected.as_str()),
        (Some(2), "a section")
    );
}

#[test]
fn whole_numbers_and_underscores_are_numbers() {
    let setup = Setup::parse("version = 1\n[imaging_scope]\nfocal_length_mm = 2_000\n").unwrap();
    assert_eq!(setup.imaging_scope.focal_length_mm, 2_000.0);
    let setup = Setup::parse("version = 0x1\n[loop]\nshortest_ms = 3e1\n").unwrap();
    assert_eq!(setup.control.shortest_ms, 30.0);
}

#[test]
fn harmonics_are_read_and_checked_one_by_one() {
    let text = "version = 1\n[mount]\nharmonics = [\n  { order = 1, share = 1 },\n  \
                { order = 3, share = 0.25, phase_deg = 45.0 },\n]\n";
    assert_eq!(
        Setup::parse(text).unwrap().mount.harmonics,
        [
            Harmonic {
                order: 1,
                share: 1.0,
                phase_deg: 0.0
            },
            Harmonic {
                order: 3,
                share: 0.25,
                phase_deg: 45.0
            },
        ]
    );
    for wrong in [
        "{ order = 0, share = 1.0 }",
        "{ order = 1.5, share = 1.0 }",
        "{ order = 2 }",
        "{ order = 2, share = 1.0, phase = 3.0 }",
        "{ order = 2, share = \"1\" }",
        "7",
        "{ order = 2, share = 1.5 }",
        "{ order = 200, share = 0.5 }",
        "{ order = 2, share = 0.5, phase_deg = 999.0 }",
    ] {
        let text = format!(
            "version = 1\n[mount]\nharmonics = [ {{ order = 1, share = 1 }},\n  {wrong} ]\n"
        );
        let fault = only_fault(Setup::parse(&text));
        assert_eq!(fault.key, "mount.harmonics", "{wrong}");
        assert!(fault.line.is_some());
    }
    let many = "{ order = 1, share = 1 },".repeat(17);
    let text = format!("version = 1\n[mount]\nharmonics = [{many}]\n");
    assert_eq!(only_fault(Setup::parse(&text)).found, "17 harmonics");
    let text = "version = 1\n[mount]\nharmonics = []\n";
    assert!(
        only_fault(Setup::parse(text))
            .expected
            .contains("at least one")
    );
    let text = "version = 1\n[mount]\nharmonics = []\nperiodic_error_arcsec = 0\n";
    assert_eq!(Setup::parse(text).unwrap().mount.harmonics, []);
}

#[test]
fn text_that_is_not_toml_names_the_line() {
    let fault = only_fault(Setup::parse("version = 1\n[mount]\nra_rate 0.5\n"));
    assert_eq!(fault.line, Some(3));
    let fault = only_fault(Setup::parse(
        "version = 1\n[loop]\nra_gain = 1\nra_gain = 2\n",
    ));
    assert_eq!(fault.line, Some(4));
}

#[test]
fn all_faults_are_reported_at_once_in_the_order_of_the_file() {
    let text = "version = 1\n[mount]\nra_rate = 0\nbogus_thing = 1\n[sky]\nwind_m_s = -1\n";
    let lines: Vec<_> = Setup::parse(text)
        .unwrap_err()
        .faults
        .iter()
        .map(|fault| fault.line)
        .collect();
    assert_eq!(lines, [Some(3), Some(4), Some(6)]);
}

#[test]
fn a_setup_changed_in_code_is_checked_too() {
    let mut setup = Setup::default();
    setup.control.shortest_ms = 3_000.0;
    let error = setup.check().unwrap_err();
    assert_eq!(error.faults[0].key, "loop.shortest_ms");
    assert_eq!(error.faults[0].line, None);
    setup = Setup::default();
    setup.version = 7;
    assert!(setup.check().is_err());
    setup = Setup::default();
    setup.control.longest_ms = 5_000.0;
    setup.guide_scope.aperture_mm = 1_000.0;
    setup.sky.seeing_fwhm_arcsec = 1.0;
    assert_eq!(setup.check().unwrap().len(), 3);
}

#[test]
fn line_ends_of_every_kind_are_read() {
    let text = Setup::template().replace('\n', "\r\n");
    assert_eq!(Setup::parse(&text).unwrap(), Setup::default());
    let text = format!("\u{feff}{}", Setup::template());
    assert_eq!(Setup::parse(&text).unwrap(), Setup::default());
}

proptest! {
    #[test]
    fn a_written_setup_reads_back_as_itself(
        gain in 0.0..3.0_f64,
        rate in 0.01..4.0_f64,
        drift in proptest::option::of(-120.0..120.0_f64),
        law in 0..4_usize,
        share in 0.001..1.0_f64,
    ) {
        let mut setup = Setup::default();
        setup.control.ra_gain = gain;
        setup.mount.dec_rate = rate;
        setup.mount.ra_drift_arcsec_per_min = drift;
        setup.control.law = Law::ALL[law];
        setup.mount.harmonics[0].share = share;
        prop_assert_eq!(Setup::parse(&setup.to_toml()).unwrap(), setup);
    }

    #[test]
    fn no_text_makes_the_reader_panic(
        text in "(version = 1\n)?(\\[(mount|loop|sky|x)\\]\n)?([a-z_]{1,12} ?=? ?[\\[\\]{}\"'0-9a-z.,+-]{0,20}\n){0,6}\\PC{0,20}"
    ) {
        let _ = Setup::parse(&text).map_err(|error| error.to_string());
    }

    #[test]
    fn a_template_cut_anywhere_is_read_or_refused(cut in 0..4_000_usize) {
        let text = Setup::template();
        let text: String = text.chars().take(cut).collect();
        if let Err(error) = Setup::parse(&text) {
            prop_assert!(error.faults.iter().all(|fault| fault.line.is_some()));
        }
    }
}
