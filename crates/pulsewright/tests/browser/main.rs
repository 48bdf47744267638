//! The page in a real browser: what a new user does, the keyboard alone, a live run, without script, what
//! leaves the machine, accessibility, and a picture of each place.

#[path = "../common/mod.rs"]
mod common;
mod driver;
mod served;

use std::path::{Path, PathBuf};
use std::time::Duration;

use driver::Browser;
use serde_json::{Value, json};
use served::Served;

const TAB: char = '\u{E004}';
const ENTER: char = '\u{E007}';
const RIGHT: char = '\u{E014}';

/// Fails where a request went anywhere but to `served`, or the console shows an error. The statuses in
/// `expected` are those that a step asked for.
fn nothing_went_wrong(browser: &Browser, served: &Served, expected: &[&str]) {
    for entry in browser.log("performance") {
        let text = entry["message"].as_str().unwrap_or_default();
        let message: Value = serde_json::from_str(text).expect("JSON");
        let message = &message["message"];
        if message["method"] != "Network.requestWillBeSent" {
            continue;
        }
        let url = message["params"]["request"]["url"]
            .as_str()
            .unwrap_or_default();
        let own = url.starts_with(&served.at("/"));
        let inside = ["data:", "blob:", "about:", "chrome:"]
            .iter()
            .any(|scheme| url.starts_with(scheme));
        assert!(own || inside, "a request left for {url}");
    }
    let wrong: Vec<String> = browser
        .log("browser")
        .iter()
        .map(|entry| entry["message"].as_str().unwrap_or_default().to_owned())
        .filter(|text| !expected.iter().any(|known| text.contains(known)))
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
}

/// Uploads a capture with its log, as a person does from the start page.
fn upload(browser: &Browser, chain: &str, capture: &Path, requests: &Path, map: &str) {
    browser.click(&browser.named("Upload a capture"));
    browser.fill("#chain", chain);
    browser.keys(&browser.find("#capture"), &capture.display().to_string());
    browser.keys(&browser.find("#requests"), &requests.display().to_string());
    browser.fill("#map", map);
    browser.click(&browser.find("main form button"));
    browser.until("the page of the run", || {
        browser.url().contains("/measure/run/").then_some(())
    });
}

#[test]
#[ignore = "needs a browser; install: apt-get install chromium chromium-driver"]
fn a_new_user_goes_from_a_capture_to_what_to_type_into_the_controller() {
    let served = Served::empty();
    served.bench.ok(&["demo", "made", "-q"]);
    let made = |name: &str| served.bench.path("made").join(name);
    let browser = Browser::start();
    browser.resize(1280, 900);

    // Measure: the empty page says what to do first.
    browser.go(&served.at("/"));
    upload(
        &browser,
        "attic-laptop",
        &made("attic-laptop.vcd"),
        &made("attic-laptop-requests.csv"),
        "ra+=D0,ra-=D1",
    );
    browser.shows("Pulses come out 11.9 ms too long");
    browser.go(&served.at("/measure"));
    upload(
        &browser,
        "pier-board",
        &made("pier-board.csv"),
        &made("pier-board-requests.csv"),
        "ra+=GP5,ra-=GP6",
    );
    browser.go(&served.at("/measure"));
    for run in ["1", "2"] {
        browser.click(&browser.find(&format!("input[name=run][value='{run}']")));
    }
    browser.click(&browser.named("Compare the ticked runs"));
    let compared = served.bench.ok(&["compare", "1", "2", "--json"]);
    browser.shows(answer_of(&compared, "answer").as_str());

    // Judge: no setup yet; a fault stands beside its field; then the verdict.
    browser.go(&served.at("/judge"));
    browser.click(&browser.named("Fill in the setup"));
    let scale = "[name='guide_scope.focal_length_mm']";
    browser.fill(scale, "-5");
    let save = "main form button[type=submit], main form button:not([type])";
    browser.click(&browser.find(save));
    browser.find(&format!("{scale}[aria-invalid=true]"));
    browser.fill(scale, "240");
    browser.click(&browser.find(save));
    browser.until("a setup file", || {
        served.bench.path("setup.toml").exists().then_some(())
    });
    browser.go(&served.at("/judge?run=1"));
    let judged = served
        .bench
        .ok(&["judge", "1", "--setup", "setup.toml", "--json"]);
    browser.shows(answer_of(&judged, "sentence").as_str());

    // Correct: the loop follows the hand.
    browser.go(&served.at("/correct?run=1"));
    browser.find("figure.dressed");
    let before = browser.said("#loop-shown .answer");
    browser.fill("[id='loop.ra_gain']", "0.2");
    browser.press(&TAB.to_string());
    browser.until("another answer", || {
        let now = browser.said("#loop-shown .answer");
        (!now.is_empty() && now != before && browser.url().contains("loop.ra_gain=0.2"))
            .then_some(())
    });
    browser.go(&served.at("/correct/trim?run=1"));
    browser.click(&browser.named("C header"));
    let header = String::from_utf8(browser.downloaded("trim.h")).expect("text");
    let printed = served.bench.ok(&[
        "trim",
        "1",
        "--setup",
        "setup.toml",
        "--json",
        "-o",
        "trim.json",
    ]);
    assert_eq!(printed, "");
    let trim = std::fs::read_to_string(served.bench.path("trim.json")).expect("a trim");
    assert!(
        header.contains(&answer_of(&trim, "answer")),
        "the header says what the trim does"
    );

    // The report.
    browser.go(&served.at("/report"));
    browser.click(&browser.find("input[name=run][value='1']"));
    browser.click(&browser.named("Make the report"));
    browser.click(&browser.named("Save the report"));
    let report = String::from_utf8(browser.downloaded("report-1.html")).expect("text");
    assert!(report.contains("11.9 ms too long"));
    nothing_went_wrong(&browser, &served, &["422"]);

    // The file stands by itself: no request, no error, figures that are read out.
    let kept = served.bench.path("kept.html");
    std::fs::write(&kept, report).expect("the report is written");
    browser.go(&format!("file://{}", kept.display()));
    browser.find("figure.dressed");
    let asked = browser.script(
        "return performance.getEntriesByType('resource').map(e => e.name)",
        json!([]),
    );
    assert_eq!(asked, json!([]));
    assert_eq!(browser.log("browser"), Vec::<Value>::new());
}

/// A text of a JSON document.
fn answer_of(document: &str, field: &str) -> String {
    let document: Value = serde_json::from_str(document).expect("JSON");
    document[field].as_str().expect("a text").to_owned()
}

#[test]
#[ignore = "needs a browser; install: apt-get install chromium chromium-driver"]
fn a_live_run_is_started_watched_and_stopped() {
    let served = Served::live();
    let browser = Browser::start();
    browser.go(&served.at("/measure"));
    browser.click(&browser.named("Live run"));
    browser.click(&browser.named("Start"));
    // The view moves by itself.
    browser.until("a last pulse", || {
        let text = browser.visible();
        (text.contains("median") && text.contains("too long")).then_some(())
    });
    browser.click(&browser.named("Stop"));
    browser.shows("Stopped after");
    // Again, to its end: the run is kept.
    browser.click(&browser.named("Start"));
    browser.shows("Kept as run");
    nothing_went_wrong(&browser, &served, &[]);
    let runs: Value = serde_json::from_str(&served.bench.ok(&["runs", "--json"])).expect("JSON");
    let chains: Vec<&str> = runs["runs"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|run| run["chain"].as_str())
        .collect();
    assert_eq!(
        chains
            .iter()
            .filter(|chain| **chain == "pier-board-live")
            .count(),
        1
    );
}

#[test]
#[ignore = "needs a browser; install: apt-get install chromium chromium-driver"]
fn the_keyboard_alone_reaches_everything() {
    let served = Served::demo();
    let browser = Browser::start();
    browser.resize(1280, 900);
    let focused = |what: &str| {
        let text = browser.script(
            "const e = document.activeElement; return e === document.body ? '' : (e.getAttribute('aria-label') || e.textContent || e.id || '').trim()",
            json!([]),
        );
        text.as_str().is_some_and(|text| text.contains(what))
    };
    let tab_to = |what: &str| {
        for _ in 0..80 {
            browser.press(&TAB.to_string());
            if focused(what) {
                let outlined = browser.script(
                    "const s = getComputedStyle(document.activeElement); return s.outlineStyle !== 'none' || s.boxShadow !== 'none'",
                    json!([]),
                );
                assert_eq!(outlined, true, "the focus on {what} is not to be seen");
                return;
            }
        }
        panic!(
            "{what} is not reached by the tabulator at {}",
            browser.url()
        );
    };
    browser.go(&served.at("/measure"));
    tab_to("To the content");
    browser.press(&ENTER.to_string());
    tab_to("Run 1");
    browser.press(&ENTER.to_string());
    browser.until("the run", || {
        browser.url().contains("/measure/run/1").then_some(())
    });
    browser.find("figure.dressed");
    // A figure is read point by point.
    tab_to("Width error");
    browser.press(&RIGHT.to_string().repeat(3));
    browser.until("a read-out", || {
        let said = browser.script(
            "return [...document.querySelectorAll('[role=status]')].map(e => e.textContent).join('')",
            json!([]),
        );
        said.as_str()
            .is_some_and(|text| text.contains("ms"))
            .then_some(())
    });
    browser.go(&served.at("/correct?run=1"));
    browser.find("figure.dressed");
    let before = browser.said("#loop-shown .answer");
    for _ in 0..200 {
        browser.press(&TAB.to_string());
        let range = browser.script("return document.activeElement.type === 'range'", json!([]));
        if range == true {
            break;
        }
    }
    browser.press(&RIGHT.to_string().repeat(20));
    browser.until("another answer", || {
        let now = browser.said("#loop-shown .answer");
        (!now.is_empty() && now != before).then_some(())
    });
    // Themes, too.
    tab_to("night");
    browser.press(&ENTER.to_string());
    browser.until("the night", || {
        let theme = browser.script("return document.documentElement.dataset.theme", json!([]));
        (theme == "night").then_some(())
    });
    nothing_went_wrong(&browser, &served, &[]);
}

#[test]
#[ignore = "needs a browser; install: apt-get install chromium chromium-driver"]
fn figures_are_zoomed_and_saved() {
    let served = Served::demo();
    let browser = Browser::start();
    browser.resize(1280, 900);
    browser.go(&served.at("/measure/run/1"));
    browser.find("figure.dressed");
    let name = browser.script(
        "return document.querySelector('figure.dressed').dataset.name",
        json!([]),
    );
    let name = name.as_str().expect("a name").to_owned();
    let ticks = || {
        browser.script(
            "return document.querySelector('figure.dressed svg').textContent",
            json!([]),
        )
    };
    let whole = ticks();
    browser.click(&browser.find("figure.dressed .plot"));
    browser.press("++");
    browser.until("other ticks", || (ticks() != whole).then_some(()));
    browser.press("0");
    browser.until("the whole again", || (ticks() == whole).then_some(()));
    browser.click(&browser.named("Save SVG"));
    let svg = String::from_utf8(browser.downloaded(&format!("{name}.svg"))).expect("text");
    roxmltree::Document::parse(&svg).expect("an SVG that stands by itself");
    browser.click(&browser.named("Save PNG"));
    let png = browser.downloaded(&format!("{name}.png"));
    assert!(png.starts_with(b"\x89PNG\r\n\x1a\n") && png.len() > 5_000);
    nothing_went_wrong(&browser, &served, &[]);
}

#[test]
#[ignore = "needs a browser; install: apt-get install chromium chromium-driver"]
fn everything_is_read_without_script() {
    let served = Served::demo();
    let browser = Browser::start();
    browser.scripts(false);
    browser.go(&served.at("/measure/run/1"));
    assert!(browser.source().contains("<svg"));
    let judged = served
        .bench
        .ok(&["judge", "1", "--setup", "setup.toml", "--json"]);
    browser.go(&served.at("/judge?run=1"));
    // The waiting page asks again by itself.
    let sentence = answer_of(&judged, "sentence");
    browser.until("the verdict", || {
        browser.source().contains(&sentence).then_some(())
    });
    browser.go(&served.at("/correct?run=1"));
    browser.fill("[id='loop.ra_gain']", "0.2");
    browser.click(&browser.find("#loop-controls button"));
    browser.until("the loop with that gain", || {
        browser.url().contains("loop.ra_gain=0.2").then_some(())
    });
    assert!(browser.source().contains("<svg"));
}

/// The places, with the name of their pictures.
const PLACES: [(&str, &str); 13] = [
    ("measure", "/measure"),
    ("run", "/measure/run/1"),
    ("compare", "/measure/compare?run=1&run=2&run=3"),
    ("upload", "/measure/upload"),
    ("live", "/measure/live"),
    ("judge", "/judge?run=1"),
    ("correct", "/correct?run=1"),
    ("tune", "/correct/tune?run=1"),
    ("trim", "/correct/trim?run=1"),
    ("prove", "/prove?before=1&after=5"),
    ("setup", "/setup"),
    ("book", "/book"),
    ("report", "/report"),
];
const THEMES: [&str; 3] = ["day", "dark", "night"];

/// Goes to a place, and waits for what takes its time there.
fn visit(browser: &Browser, served: &Served, address: &str) {
    browser.go(&served.at(address));
    browser.until("what takes its time", || {
        let waits = browser.script(
            "return document.querySelector('meta[http-equiv=refresh]') !== null",
            json!([]),
        );
        (waits == false).then_some(())
    });
}

/// Chooses a theme by its button.
fn theme(browser: &Browser, served: &Served, theme: &str) {
    browser.go(&served.at("/book"));
    browser.click(&browser.find(&format!("button[name=theme][value={theme}]")));
    browser.until("the theme", || {
        let now = browser.script("return document.documentElement.dataset.theme", json!([]));
        (now == theme).then_some(())
    });
}

#[test]
#[ignore = "needs a browser and axe-core; install: apt-get install chromium chromium-driver; npm install axe-core, and name axe.min.js in PULSEWRIGHT_AXE"]
fn axe_finds_nothing_serious_in_any_theme() {
    let path = std::env::var("PULSEWRIGHT_AXE").expect("PULSEWRIGHT_AXE names axe.min.js");
    let axe = std::fs::read_to_string(path).expect("axe-core");
    let served = Served::demo();
    let browser = Browser::start();
    let mut found = Vec::new();
    for (width, name) in [(1280, "day"), (390, "dark"), (1280, "night")] {
        browser.resize(width, 900);
        theme(&browser, &served, name);
        for (place, address) in PLACES {
            visit(&browser, &served, address);
            browser.script(&axe, json!([]));
            let result = browser.script_that_calls_back(
                "const done = arguments[arguments.length - 1]; axe.run({resultTypes: ['violations']}).then(r => done(r.violations), e => done([{id: String(e), impact: 'critical', nodes: []}]))",
            );
            for violation in result.as_array().expect("a list") {
                let impact = violation["impact"].as_str().unwrap_or_default();
                if ["serious", "critical"].contains(&impact) {
                    found.push(format!(
                        "{place}, {name}: {} ({impact}): {}",
                        violation["id"], violation["nodes"][0]["html"]
                    ));
                }
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// What sticks out to the right of the window, where the page has to be moved sideways.
const BEYOND: &str = "
    if (document.documentElement.scrollWidth <= window.innerWidth) return null;
    return [...document.querySelectorAll('body *')]
        .filter(e => e.getBoundingClientRect().right > window.innerWidth)
        .map(e => e.outerHTML.slice(0, 120));";

#[test]
#[ignore = "needs a browser, and a folder in PULSEWRIGHT_PICTURES; install: apt-get install chromium chromium-driver"]
fn a_picture_of_each_place_in_each_theme_and_width() {
    let Some(folder) = std::env::var_os("PULSEWRIGHT_PICTURES").map(PathBuf::from) else {
        panic!("PULSEWRIGHT_PICTURES names no folder");
    };
    std::fs::create_dir_all(&folder).expect("a folder");
    let served = Served::demo();
    let browser = Browser::start();
    for name in THEMES {
        browser.resize(1280, 900);
        theme(&browser, &served, name);
        for (width, device) in [(390, "phone"), (820, "tablet"), (1440, "desktop")] {
            browser.resize(width, 900);
            for (place, address) in PLACES {
                visit(&browser, &served, address);
                // What a script adds has its moment.
                std::thread::sleep(Duration::from_millis(50));
                let wide = browser.script(BEYOND, json!([]));
                assert_eq!(wide, Value::Null, "{place} is wider than a {device}");
                browser.picture(&folder.join(format!("{place}-{name}-{device}.png")));
            }
        }
    }
    nothing_went_wrong(&browser, &served, &[]);
}
