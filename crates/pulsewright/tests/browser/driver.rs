//! A browser that is driven by WebDriver (W3C Recommendation of 5 June 2018): as much of it as the tests use.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use tempfile::TempDir;

/// How long a test waits for what a page is to show.
pub const PATIENCE: Duration = Duration::from_secs(60);
/// The key of an element in WebDriver's JSON (section 11).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A browser of its own, closed at the end.
pub struct Browser {
    driver: Child,
    session: String,
    folder: TempDir,
}

/// An element of a page.
#[derive(Debug, Clone)]
pub struct Element(String);

impl Browser {
    /// Starts ChromeDriver and a headless Chromium with an empty profile.
    pub fn start() -> Browser {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver; install Debian's chromium and chromium-driver");
        let out = driver.stdout.take().expect("a pipe");
        let mut lines = BufReader::new(out).lines();
        let port: u16 = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, rest) = line.split_once("started successfully on port ")?;
                rest.trim_end_matches('.').trim().parse().ok()
            })
            .expect("chromedriver says its port");
        // What it says later must not fill the pipe.
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(drop));
        let downloads = folder.path().join("downloads");
        std::fs::create_dir(&downloads).expect("a folder");
        let profile = folder.path().join("profile");
        let capabilities = json!({"capabilities": {"alwaysMatch": {
            "browserName": "chrome",
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
            "goog:chromeOptions": {
                "args": ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
                    "--disable-background-networking", "--disable-component-update", "--disable-sync",
                    "--no-first-run", format!("--user-data-dir={}", profile.display())],
                "prefs": {"download.default_directory": downloads, "download.prompt_for_download": false},
            },
        }}});
        let base = format!("http://127.0.0.1:{port}/session");
        let made = send(&base, Some(capabilities));
        let id = made["sessionId"].as_str().expect("a session").to_owned();
        Browser {
            driver,
            session: format!("{base}/{id}"),
            folder,
        }
    }

    fn post(&self, path: &str, body: Value) -> Value {
        send(&format!("{}{path}", self.session), Some(body))
    }

    fn get(&self, path: &str) -> Value {
        send(&format!("{}{path}", self.session), None)
    }

    /// Goes to an address.
    pub fn go(&self, url: &str) {
        self.post("/url", json!({ "url": url }));
    }

    /// Where it is.
    pub fn url(&self) -> String {
        self.get("/url").as_str().expect("an address").to_owned()
    }

    /// Runs a script in the page; its arguments are `arguments[0]` and so on.
    pub fn script(&self, script: &str, arguments: Value) -> Value {
        self.post(
            "/execute/sync",
            json!({ "script": script, "args": arguments }),
        )
    }

    /// Runs a script that calls its last argument with the result.
    pub fn script_that_calls_back(&self, script: &str) -> Value {
        self.post("/execute/async", json!({ "script": script, "args": [] }))
    }

    /// All elements that a CSS selector finds now.
    pub fn all(&self, selector: &str) -> Vec<Element> {
        let found = self.post(
            "/elements",
            json!({ "using": "css selector", "value": selector }),
        );
        found
            .as_array()
            .expect("a list")
            .iter()
            .map(|element| Element(element[ELEMENT].as_str().expect("an element").to_owned()))
            .collect()
    }

    /// The first element that a CSS selector finds; waits for it.
    pub fn find(&self, selector: &str) -> Element {
        let found = self.until(&format!("`{selector}`"), || {
            self.all(selector).into_iter().next()
        });
        assert!(!self.source().contains("panicked"), "{}", self.source());
        found
    }

    /// The link or button with this text; waits for it.
    pub fn named(&self, text: &str) -> Element {
        // In one go, for a page that waits for a result loads itself again at any time.
        const NAMED: &str = "return [...document.querySelectorAll(
                'main a, main button, nav a, header a, header button, footer button')]
            .find(element => element.innerText.trim() === arguments[0]) ?? null;";
        self.until(&format!("a link or button `{text}`"), || {
            let found = self.script(NAMED, json!([text]));
            Some(Element(found.get(ELEMENT)?.as_str()?.to_owned()))
        })
    }

    /// Waits until `found` finds something.
    pub fn until<T>(&self, what: &str, found: impl Fn() -> Option<T>) -> T {
        let begun = Instant::now();
        loop {
            if let Some(found) = found() {
                return found;
            }
            assert!(
                begun.elapsed() < PATIENCE,
                "no {what} at {}:\n{}",
                self.url(),
                self.visible()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Waits until the page shows `text`.
    pub fn shows(&self, text: &str) {
        self.until(&format!("text `{text}`"), || {
            self.visible().contains(text).then_some(())
        });
    }

    /// What the page shows, as text.
    pub fn visible(&self) -> String {
        let text = self.script(
            "return document.body ? document.body.innerText : ''",
            json!([]),
        );
        text.as_str().unwrap_or_default().to_owned()
    }

    /// The page's HTML.
    pub fn source(&self) -> String {
        self.get("/source").as_str().unwrap_or_default().to_owned()
    }

    /// Clicks. An element under another is not clickable, which fails.
    pub fn click(&self, element: &Element) {
        self.post(&format!("/element/{}/click", element.0), json!({}));
    }

    /// Types into an element, or names a file to a file field.
    pub fn keys(&self, element: &Element, text: &str) {
        self.post(
            &format!("/element/{}/value", element.0),
            json!({ "text": text }),
        );
    }

    /// Empties a field and types into it.
    pub fn fill(&self, selector: &str, text: &str) {
        let element = self.find(selector);
        self.post(&format!("/element/{}/clear", element.0), json!({}));
        self.keys(&element, text);
    }

    /// Presses keys wherever the focus is.
    pub fn press(&self, keys: &str) {
        let actions: Vec<Value> = keys
            .chars()
            .flat_map(|key| {
                let value = key.to_string();
                [
                    json!({ "type": "keyDown", "value": value }),
                    json!({ "type": "keyUp", "value": value }),
                ]
            })
            .collect();
        self.post(
            "/actions",
            json!({ "actions": [{ "type": "key", "id": "keyboard", "actions": actions }] }),
        );
    }

    /// The text of the first element that a CSS selector finds now; empty where there is none.
    pub fn said(&self, selector: &str) -> String {
        let text = self.script(
            "return document.querySelector(arguments[0])?.innerText ?? ''",
            json!([selector]),
        );
        text.as_str().unwrap_or_default().trim().to_owned()
    }

    /// The size of the page's window, px.
    pub fn resize(&self, width: u32, height: u32) {
        self.post("/window/rect", json!({ "width": width, "height": height }));
    }

    /// Keeps a picture of the whole page.
    pub fn picture(&self, path: &Path) {
        let height = self.script("return document.documentElement.scrollHeight", json!([]));
        let width = self.script("return window.innerWidth", json!([]));
        let shot = self.post(
            "/goog/cdp/execute",
            json!({ "cmd": "Page.captureScreenshot", "params": {
                "captureBeyondViewport": true,
                "clip": { "x": 0, "y": 0, "width": width, "height": height, "scale": 1 },
            }}),
        );
        let bytes = STANDARD
            .decode(shot["data"].as_str().expect("a picture"))
            .expect("base64");
        std::fs::write(path, bytes).expect("a picture is written");
    }

    /// Switches scripts off or on for the pages to come.
    pub fn scripts(&self, on: bool) {
        self.post(
            "/goog/cdp/execute",
            json!({ "cmd": "Emulation.setScriptExecutionDisabled", "params": { "value": !on } }),
        );
    }

    /// What a download of this name holds; waits for it.
    pub fn downloaded(&self, name: &str) -> Vec<u8> {
        let path = self.folder.path().join("downloads").join(name);
        self.until(&format!("download `{name}`"), || std::fs::read(&path).ok())
    }

    /// Entries of a log of ChromeDriver's since the last call: `browser` or `performance`.
    pub fn log(&self, kind: &str) -> Vec<Value> {
        self.post("/se/log", json!({ "type": kind }))
            .as_array()
            .expect("a list")
            .clone()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The browser ends with its session; a driver that is gone needs no word.
        let _ = ureq::delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Sends a command, and gives its value. An error of the browser's fails the test.
fn send(url: &str, body: Option<Value>) -> Value {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(120)))
        .build()
        .into();
    let response = match &body {
        Some(body) => agent.post(url).send_json(body),
        None => agent.get(url).call(),
    };
    let mut response = response.expect("the driver answers");
    let mut answer: Value = response.body_mut().read_json().expect("JSON");
    let value = answer["value"].take();
    assert!(
        value.get("error").is_none_or(Value::is_null),
        "{url} {body:?}: {value}"
    );
    value
}
