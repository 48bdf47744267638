//! The page: how soon it paints, how soon the loop's controls answer, how much the server takes.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::json;

use crate::driver::Browser;
use crate::program::{built, store};
use crate::{median_s, time};

const ROUNDS: usize = 21;
/// Memory is read after so long without a request.
const IDLE: Duration = Duration::from_secs(3);

pub fn run(folder: &Path) {
    println!("### The page\n");
    println!("| what | median | worst |\n|---|---|---|");
    let many = folder.join("many.sqlite");
    store(&many, 100, 10_000);
    let server = Server::start(&many, folder);
    server.row("limit: a small file from memory", |_| {
        "/assets/icon.svg".into()
    });
    server.row("Measure, of 100 runs and 1,000,000 pulses", |_| {
        "/measure".into()
    });
    server.row("a run of 10,000 pulses", |i| {
        format!("/measure/run/{}", 1 + i)
    });
    server.row("the loop's controls, another gain each time", |i| {
        format!(
            "/correct/loop?run=1&loop.ra_gain={:.2}",
            0.30 + 0.01 * i as f64
        )
    });
    for chain in ["perfect", "trimmed"] {
        server.row(&format!("the same, chain {chain}"), |i| {
            format!(
                "/correct/loop?run=1&chain={chain}&loop.ra_gain={:.2}",
                0.30 + 0.01 * i as f64
            )
        });
    }
    let large = folder.join("large.sqlite");
    store(&large, 1, 1_000_000);
    let one = Server::start(&large, folder);
    one.row("a run of 1,000,000 pulses", |_| "/measure/run/1".into());
    drop(one);
    std::thread::sleep(IDLE);
    println!(
        "\nThe server at rest after all this: {} MB.\n",
        server.resident_mb()
    );
    paint(&server);
}

/// First paint in a browser, beside that of a page that holds one letter.
fn paint(server: &Server) {
    let browser = Browser::start();
    let pages = [
        ("limit: one letter", "data:text/html,<p>x".to_owned()),
        ("Measure, of 100 runs", server.at("/measure")),
        ("a run of 10,000 pulses", server.at("/measure/run/1")),
    ];
    println!(
        "| first contentful paint in headless Chromium | median ms | worst ms |\n|---|---|---|"
    );
    for (what, url) in pages {
        let times: Vec<Duration> = (0..ROUNDS)
            .map(|_| {
                browser.go(&url);
                let ms = browser.until("first paint", || {
                    browser
                        .script(
                            "const p = performance.getEntriesByName('first-contentful-paint')[0]; return p ? p.startTime : null",
                            json!([]),
                        )
                        .as_f64()
                });
                Duration::from_secs_f64(ms / 1e3)
            })
            .collect();
        let worst = times.iter().max().copied().unwrap_or_default();
        println!(
            "| {what} | {:.0} | {:.0} |",
            1e3 * median_s(times),
            1e3 * worst.as_secs_f64()
        );
    }
    println!();
}

/// The program, serving a book.
struct Server {
    child: Child,
    base: String,
    agent: ureq::Agent,
}

impl Server {
    fn start(book: &Path, folder: &Path) -> Server {
        let setup = folder.join("setup.toml");
        std::fs::write(&setup, sky::Setup::template()).expect("space on the disk");
        let mut child = Command::new(built())
            .args(["serve", "--listen", "127.0.0.1:0", "--setup"])
            .arg(&setup)
            .arg("--book")
            .arg(book)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let said = child.stderr.take().expect("a pipe");
        let mut lines = BufReader::new(said).lines();
        let base = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| {
                let at = line.find("http://")?;
                let address = line[at..].split_whitespace().next()?;
                Some(address.trim_end_matches('/').to_owned())
            })
            .expect("an address");
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(drop));
        Server {
            child,
            base,
            agent: ureq::Agent::new_with_defaults(),
        }
    }

    fn at(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }

    /// Asks for an address in each round, and prints how long the whole answer takes.
    fn row(&self, what: &str, path: impl Fn(usize) -> String) {
        let times: Vec<Duration> = (0..ROUNDS)
            .map(|round| {
                let url = self.at(&path(round));
                time(|| {
                    let mut response = self.agent.get(&url).call().expect(&url);
                    response.body_mut().read_to_vec().expect("a body")
                })
                .0
            })
            .collect();
        let worst = times.iter().max().copied().unwrap_or_default();
        println!(
            "| {what} | {:.1} ms | {:.1} ms |",
            1e3 * median_s(times),
            1e3 * worst.as_secs_f64()
        );
    }

    /// Resident memory, MB; `?` where the system doesn't say.
    fn resident_mb(&self) -> String {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()));
        status
            .ok()
            .and_then(|text| {
                let line = text.lines().find(|line| line.starts_with("VmRSS:"))?;
                let kb: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
                Some(format!("{:.0}", kb / 1000.0))
            })
            .unwrap_or_else(|| "?".to_owned())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // One that has ended needs no word.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
