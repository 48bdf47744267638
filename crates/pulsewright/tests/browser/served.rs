//! A lab book that is served for a test.

use crate::common::Bench;
use crate::common::server::Server;

/// A folder with what is in it, served.
pub struct Served {
    pub bench: Bench,
    pub server: Server,
}

impl Served {
    /// Serves an empty folder: no book, no setup.
    pub fn empty() -> Served {
        Served::of(Bench::new(), &[])
    }

    /// Serves the demo's book and setup.
    pub fn demo() -> Served {
        let bench = Bench::new();
        bench.ok(&["demo", ".", "-q"]);
        Served::of(bench, &[])
    }

    /// Serves the demo's book with a live run that is simulated.
    pub fn live() -> Served {
        let bench = Bench::new();
        bench.ok(&["demo", ".", "-q"]);
        bench.ok(&["plan", "new", "--widths", "20ms,40ms", "--rounds", "3"]);
        let chain = "version = 1\nname = \"pier-board-live\"\n[simulated]\n";
        bench.file("chain.toml", chain);
        let live = [
            "--live",
            "--plan",
            "plan.toml",
            "--chain",
            "chain.toml",
            "--yes",
        ];
        Served::of(bench, &live)
    }

    fn of(bench: Bench, options: &[&str]) -> Served {
        let server = Server::start(&bench, options);
        Served { bench, server }
    }

    /// An address of the server's.
    pub fn at(&self, path: &str) -> String {
        format!("http://{}{path}", self.server.host)
    }
}
