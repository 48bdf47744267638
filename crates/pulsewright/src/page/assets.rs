//! Style sheets and scripts, in the program itself: nothing is read from the disk.

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use sha2::{Digest, Sha256};

use super::{Problem, Shared};

/// Name, type and content of each.
const ASSETS: [(&str, &str, &str); 8] = [
    ("page.css", CSS, include_str!("assets/page.css")),
    ("figure.css", CSS, include_str!("assets/figure.css")),
    ("page.js", SCRIPT, include_str!("assets/page.js")),
    ("figure.js", SCRIPT, include_str!("assets/figure.js")),
    ("save.js", SCRIPT, include_str!("assets/save.js")),
    ("loop.js", SCRIPT, include_str!("assets/loop.js")),
    ("live.js", SCRIPT, include_str!("assets/live.js")),
    ("icon.svg", "image/svg+xml", include_str!("assets/icon.svg")),
];

const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// The route of the assets.
pub fn routes() -> Router<Shared> {
    Router::new().route("/assets/{name}", get(asset))
}

/// Kept by the browser, which asks whether it is still the same: an address without a version lets
/// one script import another.
async fn asset(Path(name): Path<String>, headers: HeaderMap) -> Result<Response, Problem> {
    let found = ASSETS.iter().find(|(known, _, _)| *known == name);
    let (_, kind, content) = found.ok_or_else(|| {
        Problem::missing(
            "There is no such file; the program serves its own style sheets and scripts alone.",
        )
    })?;
    let tag = format!("\"{}\"", crate::input::hex(&Sha256::digest(content)[..16]));
    let known = headers.get(header::IF_NONE_MATCH);
    let same = known.is_some_and(|known| known.as_bytes() == tag.as_bytes());
    let caching = [
        (header::ETAG, tag.as_str()),
        (header::CACHE_CONTROL, "no-cache"),
    ];
    if same {
        return Ok((StatusCode::NOT_MODIFIED, caching).into_response());
    }
    Ok((caching, [(header::CONTENT_TYPE, *kind)], *content).into_response())
}
