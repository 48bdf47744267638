//! The addresses of the page, as its sources name them: one that is added is tested too.

use std::path::Path;

/// An address.
#[derive(Debug, Clone)]
pub struct Place {
    /// With 1 for each part that varies.
    pub address: String,
    /// Whether it takes POST.
    pub post: bool,
}

/// All addresses of the page.
pub fn all() -> Vec<Place> {
    let mut places = Vec::new();
    collect(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page"),
        &mut places,
    );
    assert!(places.len() > 15, "{places:?}");
    places
}

fn collect(folder: &Path, places: &mut Vec<Place>) {
    for entry in std::fs::read_dir(folder).expect("the sources") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            collect(&path, places);
        } else if path.extension().is_some_and(|kind| kind == "rs") {
            let text = std::fs::read_to_string(&path).expect("a source");
            let before_tests = text.split("#[cfg(test)]").next().unwrap_or("");
            in_source(before_tests, places);
        }
    }
}

/// `.route("/address", get(...).post(...))`, with the address also by the name of a constant.
fn in_source(text: &str, places: &mut Vec<Place>) {
    for route in text.split(".route(").skip(1) {
        let end = route.find(['\n', ';']).unwrap_or(route.len());
        let whole_call = if route[..end].trim().is_empty() || !route[..end].contains(')') {
            // Wrapped by the formatter.
            let end = route
                .find("\n        .")
                .or(route.find("\n}"))
                .unwrap_or(route.len());
            &route[..end]
        } else {
            &route[..end]
        };
        let (first, handlers) = whole_call
            .split_once(',')
            .expect("an address and its handlers");
        let first = first.trim();
        let address = match first.strip_prefix('"') {
            Some(literal) => literal.trim_end_matches('"').to_owned(),
            None => constant(text, first),
        };
        let parts = address
            .split('/')
            .map(|part| if part.starts_with('{') { "1" } else { part });
        places.push(Place {
            address: parts.collect::<Vec<_>>().join("/"),
            post: handlers.contains("post("),
        });
    }
}

fn constant(text: &str, name: &str) -> String {
    let start = format!("const {name}: &str = \"");
    let value = text
        .split_once(&start)
        .unwrap_or_else(|| panic!("{name} is a constant beside its route"));
    value.1.split('"').next().unwrap_or("").to_owned()
}
