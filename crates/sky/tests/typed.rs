//! The setup as a form holds it.

use proptest::prelude::*;
use sky::{Harmonic, Law, Setup, fields, sections};

fn with(name: &str, text: &str) -> Vec<(String, String)> {
    let mut pairs = Setup::default().typed();
    match pairs.iter_mut().find(|(known, _)| known == name) {
        Some(pair) => pair.1 = text.to_owned(),
        None => pairs.push((name.to_owned(), text.to_owned())),
    }
    pairs
}

/// The only fault, and where it is.
fn fault(name: &str, text: &str) -> (String, String) {
    let faults = Setup::from_typed(&with(name, text)).unwrap_err().faults;
    assert_eq!(faults.len(), 1, "{faults:?}");
    (faults[0].key.clone(), faults[0].to_string())
}

#[test]
fn what_is_typed_reads_back() {
    let mut setup = Setup::default();
    for _ in 0..2 {
        let reading = Setup::from_typed(&setup.typed()).unwrap();
        assert_eq!(reading.setup, setup);
        assert_eq!(reading.defaulted, Vec::<String>::new());
        setup.camera.centroid_noise_arcsec = Some(0.1 + 0.2);
        setup.control.law = Law::Predictor;
        setup.camera.star_flux_e_per_s = 1e9;
        setup.mount.harmonics.push(Harmonic {
            order: 7,
            share: 1.0 / 3.0,
            phase_deg: -12.5,
        });
    }
}

#[test]
fn every_field_has_a_label_of_its_own_in_its_section() {
    for (section, meaning) in sections() {
        assert!(meaning.ends_with('.'));
        let labels: Vec<String> = fields()
            .iter()
            .filter(|field| field.section == *section)
            .map(|field| field.label())
            .collect();
        assert!(!labels.is_empty());
        for (at, label) in labels.iter().enumerate() {
            assert!(
                !label.contains('_') && !labels[..at].contains(label),
                "{label}"
            );
        }
    }
    let label = |name: &str| {
        let field = fields().iter().find(|field| field.name() == name);
        field.unwrap().label()
    };
    assert_eq!(label("mount.ra_rate"), "right ascension guide rate");
    assert_eq!(label("camera.read_noise_e"), "read noise");
    assert_eq!(label("camera.background_e_per_s_px"), "background");
    assert_eq!(
        label("mount.ra_drift_arcsec_per_min"),
        "right ascension drift"
    );
    assert_eq!(label("sky.seeing_fwhm_arcsec"), "seeing FWHM");
}

#[test]
fn a_fault_stands_at_its_field() {
    for (name, text, words) in [
        (
            "mount.ra_rate",
            "fast",
            "found \"fast\", expected a number from 0.01 to 4",
        ),
        ("mount.ra_rate", "0", "guide rate of zero"),
        ("mount.ra_rate", "", "found nothing"),
        ("mount.ra_rate", "0,5", "write a point"),
        ("mount.ra_rate", "NaN", "from 0.01 to 4"),
        ("mount.ra_rate", "inf", "from 0.01 to 4"),
        ("camera.centroid_noise_arcsec", "some", "\"some\""),
        (
            "loop.predictor_harmonics",
            "2.5",
            "a whole number from 0 to 8",
        ),
        ("loop.law", "best", "\"predictor\""),
        ("camera.exposure_s", "4", "cadence"),
    ] {
        let (key, told) = fault(name, text);
        assert_eq!(key, name);
        assert!(told.contains(words), "{words} in {told}");
    }
    let (key, told) = fault("mount.harmonics.1.order", "x");
    assert_eq!(key, "mount.harmonics");
    assert!(told.contains("row 2") && told.contains("\"x\""), "{told}");
    let (_, told) = fault("loop.law", &"long ".repeat(100_000));
    assert!(told.len() < 300);
    // All faults at once.
    let mut pairs = with("mount.ra_rate", "fast");
    pairs.extend(
        with("sky.wind_m_s", "-1")
            .into_iter()
            .filter(|(n, _)| n == "sky.wind_m_s"),
    );
    pairs.retain(|(name, text)| name != "sky.wind_m_s" || text == "-1");
    assert_eq!(Setup::from_typed(&pairs).unwrap_err().faults.len(), 2);
}

#[test]
fn what_is_not_typed_is_left_out_or_takes_its_default() {
    let reading = Setup::from_typed(&[]).unwrap();
    assert_eq!(reading.setup, Setup::default());
    assert!(reading.defaulted.contains(&"mount.harmonics".to_owned()));
    assert!(
        !reading
            .defaulted
            .contains(&"camera.centroid_noise_arcsec".to_owned())
    );
    // An empty row is none, and a phase may be left out.
    let mut pairs = with("mount.harmonics.3.order", "");
    pairs.push(("mount.harmonics.4.order".into(), " 5 ".into()));
    pairs.push(("mount.harmonics.4.share".into(), "0.05".into()));
    pairs.push(("mount.harmonics.x.share".into(), "0.05".into()));
    pairs.push(("of.no.field".into(), "1".into()));
    let harmonics = Setup::from_typed(&pairs).unwrap().setup.mount.harmonics;
    assert_eq!(harmonics.len(), 4);
    assert_eq!((harmonics[3].order, harmonics[3].phase_deg), (5, 0.0));
}

#[test]
fn what_can_be_read_of_a_damaged_file_is_kept() {
    let text = "version = 1\nmystery = 2\n[mount]\nra_rate = 0.9\ndec_rate = \"fast\"\n";
    assert!(Setup::read(text).is_err());
    let setup = Setup::salvage(text);
    assert_eq!(setup.mount.ra_rate, 0.9);
    assert_eq!(setup.mount.dec_rate, Setup::default().mount.dec_rate);
    assert_eq!(Setup::salvage("no [toml"), Setup::default());
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(at in 0_usize..52, text in ".{0,30}") {
        let mut pairs = Setup::default().typed();
        let place = at % pairs.len();
        pairs[place].1 = text;
        if let Ok(reading) = Setup::from_typed(&pairs) {
            prop_assert_eq!(Setup::from_typed(&reading.setup.typed()).unwrap().setup, reading.setup);
        }
    }
}
