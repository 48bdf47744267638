//! The frame of every page: rail, themes, title.

use std::convert::Infallible;

use axum::Router;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::post;
use maud::{DOCTYPE, Markup, html};

use super::form::Asked;
use super::{Problem, Shared};

/// What the frame needs of a request.
#[derive(Clone)]
pub struct Seen {
    /// The theme that was chosen; none is as the system has it.
    pub theme: Option<Theme>,
    /// The path of the address.
    pub path: String,
    /// Path and query of the address, to come back to.
    pub address: String,
    /// What the server answers from.
    pub app: Shared,
}

/// Colours of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Theme {
    /// Dark on light.
    Day,
    /// Light on dark.
    Dark,
    /// Red on black: spares the eyes that look at the sky.
    Night,
}

/// The places of the rail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spot {
    /// What does the chain do to a pulse?
    Measure,
    /// Does it matter on my sky?
    Judge,
    /// What should I change, and to what?
    Correct,
    /// Did it work?
    Prove,
    /// Mount and optics.
    Setup,
    /// The lab book.
    Book,
    /// One file to print or to send.
    Report,
}

impl Spot {
    const QUESTIONS: [Spot; 4] = [Spot::Measure, Spot::Judge, Spot::Correct, Spot::Prove];
    const DESK: [Spot; 3] = [Spot::Setup, Spot::Book, Spot::Report];

    /// The place that an address belongs to: its first part; Measure for any other.
    pub fn of(path: &str) -> Spot {
        let first = path.split('/').nth(1).unwrap_or("");
        let all = Spot::QUESTIONS.into_iter().chain(Spot::DESK);
        let named = |spot: &Spot| spot.address().get(1..) == Some(first);
        all.into_iter().find(named).unwrap_or(Spot::Measure)
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Spot::Measure => "Measure",
            Spot::Judge => "Judge",
            Spot::Correct => "Correct",
            Spot::Prove => "Prove",
            Spot::Setup => "Setup",
            Spot::Book => "Book",
            Spot::Report => "Report",
        }
    }

    /// Its question, or what it holds.
    pub fn question(self) -> &'static str {
        match self {
            Spot::Measure => "What does the chain do to a pulse?",
            Spot::Judge => "Does it matter on my sky?",
            Spot::Correct => "What should I change, and to what?",
            Spot::Prove => "Did it work?",
            Spot::Setup => "Mount and optics",
            Spot::Book => "Chains, notes, search, backup",
            Spot::Report => "One file to print or to send",
        }
    }

    /// Its address.
    pub fn address(self) -> &'static str {
        match self {
            Spot::Measure => "/measure",
            Spot::Judge => "/judge",
            Spot::Correct => "/correct",
            Spot::Prove => "/prove",
            Spot::Setup => "/setup",
            Spot::Book => "/book",
            Spot::Report => "/report",
        }
    }
}

impl Theme {
    const ALL: [Theme; 3] = [Theme::Day, Theme::Dark, Theme::Night];

    fn name(self) -> &'static str {
        match self {
            Theme::Day => "day",
            Theme::Dark => "dark",
            Theme::Night => "night",
        }
    }

    fn named(name: &str) -> Option<Theme> {
        Theme::ALL.into_iter().find(|theme| theme.name() == name)
    }
}

impl Seen {
    /// What a request says.
    pub fn of(app: &Shared, uri: &Uri, headers: &HeaderMap) -> Seen {
        Seen {
            theme: cookie(headers, THEME).and_then(Theme::named),
            path: uri.path().to_owned(),
            address: uri
                .path_and_query()
                .map_or("/", |both| both.as_str())
                .to_owned(),
            app: app.clone(),
        }
    }
}

impl FromRequestParts<Shared> for Seen {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, app: &Shared) -> Result<Seen, Infallible> {
        Ok(Seen::of(app, &parts.uri, &parts.headers))
    }
}

/// The cookie of the theme.
const THEME: &str = "pulsewright-theme";

/// The value of a cookie.
pub fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let lines = headers.get_all(header::COOKIE).into_iter();
    let pairs = lines
        .filter_map(|line| line.to_str().ok())
        .flat_map(|line| line.split(';'));
    let mut values = pairs.filter_map(|pair| pair.trim().strip_prefix(name)?.strip_prefix('='));
    values.next()
}

/// A page: `body` in the frame, with the place marked on the rail.
pub fn page(request: &Seen, place: Spot, title: &str, body: &Markup) -> Response {
    framed(request, place, title, body, &html! {}).into_response()
}

/// A page that asks for itself again after so many seconds where no script keeps it fresh.
pub fn page_again(
    request: &Seen,
    place: Spot,
    title: &str,
    body: &Markup,
    seconds: u32,
) -> Response {
    let head = html! { noscript { meta http-equiv="refresh" content=(seconds); } };
    framed(request, place, title, body, &head).into_response()
}

/// The page that shows the share that is done, 0 to 1, and asks again each second by itself.
pub fn waiting(request: &Seen, place: Spot, title: &str, share: f64) -> Response {
    let percent = (share.clamp(0.0, 1.0) * 100.0).floor();
    let body = html! {
        h1 { (title) }
        p.answer role="status" { "Computing: " (percent) " % done." }
        progress max="100" value=(percent) aria-label="Share that is done" { (percent) " %" }
        p.hint { "This page asks again by itself each second; the result is kept." }
    };
    let head = html! { meta http-equiv="refresh" content="1"; };
    let page = framed(request, place, title, &body, &head);
    (StatusCode::ACCEPTED, page).into_response()
}

/// A page for somebody who was not let in: nothing of what is here is on it.
pub fn outside(request: &Seen, title: &str, body: &Markup) -> Response {
    let body = html! { main #main { (body) } };
    document(request, title, &body, &html! {}).into_response()
}

/// A script of ours that a page needs beside the usual ones.
pub fn script(name: &str) -> Markup {
    html! { script type="module" src={ "/assets/" (name) } {} }
}

/// The route that keeps the choice of a theme.
pub fn routes() -> Router<Shared> {
    Router::new().route("/theme", post(choose))
}

async fn choose(asked: Asked) -> Result<Response, Problem> {
    let name = asked.text("theme").unwrap_or("");
    let (value, seconds) = match (Theme::named(name), name) {
        (Some(theme), _) => (theme.name(), 365 * 24 * 3600),
        // As the system has it: the cookie goes.
        (None, "system") => ("", 0),
        (None, _) => {
            return Err(Problem::bad(
                "theme: expected day, dark, night or system; choose one at the foot of the rail.",
            ));
        }
    };
    let cookie = format!("{THEME}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict");
    let back = asked
        .text("back")
        .filter(|back| is_here(back))
        .unwrap_or("/");
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(back)).into_response())
}

/// Whether an address leads to this server and nowhere else.
fn is_here(address: &str) -> bool {
    address.starts_with('/')
        && !address.starts_with("//")
        && address.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
}

fn framed(request: &Seen, place: Spot, title: &str, body: &Markup, head: &Markup) -> Html {
    let body = html! {
        a.skip href="#main" { "To the content" }
        (rail(request, place))
        main #main tabindex="-1" { (body) }
        (foot(request))
    };
    document(request, title, &body, head)
}

fn document(request: &Seen, title: &str, body: &Markup, head: &Markup) -> Html {
    let theme = request.theme.map(Theme::name);
    Html(html! {
        (DOCTYPE)
        html lang="en" data-theme=[theme] {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) " - Pulsewright" }
                link rel="icon" type="image/svg+xml" href="/assets/icon.svg";
                link rel="stylesheet" href="/assets/figure.css";
                link rel="stylesheet" href="/assets/page.css";
                (script("page.js"))
                (script("figure.js"))
                (script("save.js"))
                (head)
            }
            body { (body) }
        }
    })
}

/// A document of HTML.
struct Html(Markup);

impl IntoResponse for Html {
    fn into_response(self) -> Response {
        axum::response::Html(self.0.into_string()).into_response()
    }
}

/// The run that a page is about, by its address.
fn run_of(request: &Seen) -> Option<i64> {
    if let Some(number) = request.path.strip_prefix("/measure/run/") {
        return number.parse().ok();
    }
    let (path, query) = request.address.split_once('?')?;
    let about_one = path == "/judge" || path.starts_with("/correct");
    let asked = about_one.then(|| Asked::of(query.as_bytes()))?;
    asked.text("run")?.parse().ok()
}

fn rail(request: &Seen, place: Spot) -> Markup {
    let current = |spot: Spot| (spot == place).then_some("page");
    // From one question to the next with the same run.
    let run = run_of(request);
    let address = |spot: Spot| match (spot, run) {
        (Spot::Judge | Spot::Correct, Some(run)) => format!("{}?run={run}", spot.address()),
        (Spot::Measure, Some(run)) => format!("/measure/run/{run}"),
        _ => spot.address().to_owned(),
    };
    html! {
        header.rail {
            a.home href="/" { "Pulsewright" }
            nav aria-label="The four questions" {
                ol.questions {
                    @for spot in Spot::QUESTIONS {
                        li {
                            a href=(address(spot)) aria-current=[current(spot)] {
                                span.place { (spot.name()) }
                                span.question { (spot.question()) }
                            }
                        }
                    }
                }
            }
            nav aria-label="Setup, book and report" {
                ul.desk {
                    @for spot in Spot::DESK {
                        li {
                            a href=(spot.address()) aria-current=[current(spot)] title=(spot.question()) {
                                (spot.name())
                            }
                        }
                    }
                }
            }
            (themes(request))
        }
    }
}

fn themes(request: &Seen) -> Markup {
    let pressed = |theme: Option<Theme>| {
        if theme == request.theme {
            "true"
        } else {
            "false"
        }
    };
    html! {
        form.themes method="post" action="/theme" aria-label="Colours of the page" {
            input type="hidden" name="back" value=(request.address);
            @for theme in Theme::ALL {
                button name="theme" value=(theme.name()) aria-pressed=(pressed(Some(theme))) { (theme.name()) }
            }
            button name="theme" value="system" aria-pressed=(pressed(None)) { "system" }
        }
    }
}

fn foot(request: &Seen) -> Markup {
    html! {
        footer.foot {
            p {
                "Pulsewright " (env!("CARGO_PKG_VERSION")) ". Lab book: "
                code { (request.app.book.display()) } "."
            }
            @if request.app.gate.is_open_to_others() {
                p.unencrypted {
                    strong { "Not encrypted. " }
                    "Others on this network can read what passes between this browser and the program."
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_to_come_back_to_is_ours() {
        for ours in ["/", "/measure/run/3?x=1&y=%20", "/judge"] {
            assert!(is_here(ours), "{ours}");
        }
        for other in [
            "",
            "//x.test",
            "/\\x.test",
            "http://x.test",
            "/a\r\nb",
            "/\tx",
            "javascript:x",
            "x",
        ] {
            assert!(!is_here(other), "{other}");
        }
    }

    #[test]
    fn places_are_told_from_addresses() {
        assert_eq!(Spot::of("/judge"), Spot::Judge);
        assert_eq!(Spot::of("/correct/tune"), Spot::Correct);
        assert_eq!(Spot::of("/nowhere"), Spot::Measure);
        assert_eq!(Spot::of(""), Spot::Measure);
    }

    #[test]
    fn a_cookie_is_found_by_its_whole_name() {
        let mut headers = HeaderMap::new();
        headers.insert(
            header::COOKIE,
            "pulsewright-themes=x; pulsewright-theme=night"
                .parse()
                .expect("a header"),
        );
        assert_eq!(cookie(&headers, THEME), Some("night"));
        assert_eq!(cookie(&headers, "pulsewright"), None);
    }
}
