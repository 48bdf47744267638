//! What every request must pass: method, Host, token, Origin; and the headers of every response.

use std::net::{IpAddr, SocketAddr};

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::{Problem, Shared, Token};

/// Who is let in.
pub struct Gate {
    address: SocketAddr,
    names: Vec<String>,
    token: Option<Token>,
}

/// Headers of every response. Referrers stay on this origin, so that a form still says where it comes
/// from; everything that a page may load or do is named.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "same-origin"),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

const FETCH_SITE: &str = "sec-fetch-site";
const FETCH_MODE: &str = "sec-fetch-mode";

impl Gate {
    /// The gate of a server that listens at `address`, and may be called by these names too
    /// (`HOST` or `HOST:PORT`).
    pub fn new(address: SocketAddr, names: &[String], token: Option<Token>) -> Gate {
        Gate {
            address,
            names: names.iter().map(|name| name.to_ascii_lowercase()).collect(),
            token,
        }
    }

    /// Whether others than this computer can reach the server.
    pub fn is_open_to_others(&self) -> bool {
        !self.address.ip().is_loopback()
    }

    /// Whether a server here may be called by this name: a page of another name that was led here by a
    /// false name service is none of ours.
    fn answers_to(&self, host: &str) -> bool {
        let host = host.to_ascii_lowercase();
        if self.names.contains(&host) {
            return true;
        }
        let Some((name, port)) = split(&host) else {
            return false;
        };
        if port != self.address.port() {
            return false;
        }
        if self.names.iter().any(|known| known == name) {
            return true;
        }
        let literal = name
            .strip_prefix('[')
            .and_then(|name| name.strip_suffix(']'))
            .unwrap_or(name);
        let own = self.address.ip();
        match literal.parse::<IpAddr>() {
            // No name service stands between an address and its machine.
            Ok(ip) => ip == own || own.is_unspecified() || (own.is_loopback() && ip.is_loopback()),
            Err(_) => name == "localhost" && (own.is_loopback() || own.is_unspecified()),
        }
    }
}

/// Host name and port.
fn split(host: &str) -> Option<(&str, u16)> {
    let after_name = host.rfind(']').map_or(0, |end| end + 1);
    match host.get(after_name..)?.rfind(':') {
        Some(colon) => {
            let (name, port) = host.split_at(after_name + colon);
            Some((name, port.get(1..)?.parse().ok()?))
        }
        None => Some((host, 80)),
    }
}

/// Refuses what must not pass.
pub async fn guarded(State(app): State<Shared>, request: Request, next: Next) -> Response {
    match admit(&app.gate, &request) {
        Ok(()) => next.run(request).await,
        Err(response) => *response,
    }
}

/// Puts the headers on every response.
pub async fn headed(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let no_store = HeaderValue::from_static("no-store");
    headers.entry(header::CACHE_CONTROL).or_insert(no_store);
    response
}

fn admit(gate: &Gate, request: &Request) -> Result<(), Box<Response>> {
    let refuse = |problem: Problem| Err(Box::new(problem.outside().into_response()));
    let changes = match *request.method() {
        Method::GET | Method::HEAD => false,
        Method::POST => true,
        _ => {
            let mut response = not_allowed().outside().into_response();
            let allowed = HeaderValue::from_static("GET, HEAD, POST");
            response.headers_mut().insert(header::ALLOW, allowed);
            return Err(Box::new(response));
        }
    };
    let Some(host) = host(request) else {
        return refuse(Problem::new(
            StatusCode::BAD_REQUEST,
            "Found no Host in the request, or several; expected the one that the terminal printed.",
        ));
    };
    if !gate.answers_to(host) {
        return refuse(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "This server was called by a name that it does not go by. Open the address that the terminal printed; to allow another name, start it with --name HOST.",
        ));
    }
    let own = is_own(request.headers(), host);
    if changes && own != Some(true) {
        return refuse(Problem::new(
            StatusCode::FORBIDDEN,
            "Nothing was changed: this did not come from a page of this server. Open the page by the address that the terminal printed, and do it there; a script sends `Origin: http://HOST:PORT`.",
        ));
    }
    if !changes && own == Some(false) && !is_navigation(request.headers()) {
        return refuse(Problem::new(
            StatusCode::FORBIDDEN,
            "A page of another site asked for this; open it here instead.",
        ));
    }
    match &gate.token {
        // The page that refuses needs its looks; the program is no secret.
        Some(token) if !request.uri().path().starts_with("/assets/") => token.admit(request),
        _ => Ok(()),
    }
}

/// The one host that a request names.
fn host(request: &Request) -> Option<&str> {
    let mut hosts = request.headers().get_all(header::HOST).iter();
    let host = hosts.next()?.to_str().ok()?;
    let alone = hosts.next().is_none();
    // A request line may hold a whole address: it must then say the same.
    let agrees = request
        .uri()
        .authority()
        .is_none_or(|other| other.as_str() == host);
    (alone && agrees).then_some(host)
}

/// Whether a request says that it comes from a page of ours; `None` where it does not say.
fn is_own(headers: &HeaderMap, host: &str) -> Option<bool> {
    let site = headers
        .get(FETCH_SITE)
        .map(|site| site.as_bytes() == b"same-origin");
    let origin = headers.get(header::ORIGIN).map(|origin| {
        let name = origin.as_bytes().strip_prefix(b"http://");
        name.is_some_and(|name| name.eq_ignore_ascii_case(host.as_bytes()))
    });
    match (origin, site) {
        (Some(origin), Some(site)) => Some(origin && site),
        (Some(one), None) | (None, Some(one)) => Some(one),
        (None, None) => None,
    }
}

/// Whether a person goes to an address: typed it, or followed a link from elsewhere.
fn is_navigation(headers: &HeaderMap) -> bool {
    headers
        .get(FETCH_MODE)
        .is_some_and(|mode| mode.as_bytes() == b"navigate")
        || headers
            .get(FETCH_SITE)
            .is_some_and(|site| site.as_bytes() == b"none")
}

/// The answer to another method than an address takes.
pub fn not_allowed() -> Problem {
    Problem::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "This address does not take that kind of request.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gate(address: &str, names: &[&str]) -> Gate {
        let names: Vec<String> = names.iter().map(|&name| name.into()).collect();
        Gate::new(address.parse().expect("an address"), &names, None)
    }

    #[test]
    fn loopback_answers_to_its_own_names_alone() {
        let gate = gate("127.0.0.1:4747", &[]);
        assert!(!gate.is_open_to_others());
        for own in [
            "127.0.0.1:4747",
            "localhost:4747",
            "LOCALHOST:4747",
            "[::1]:4747",
        ] {
            assert!(gate.answers_to(own), "{own}");
        }
        for other in [
            "127.0.0.1",
            "127.0.0.1:4748",
            "localhost",
            "evil.test:4747",
            "localhost.evil.test:4747",
            "127.0.0.1.evil.test:4747",
            "192.168.1.2:4747",
            "",
            ":4747",
            "[::1",
            "]:4747",
            "a:b:4747",
            "localhost:4747:4747",
            "localhost:99999",
            "user@localhost:4747",
            "localhost:4747/",
        ] {
            assert!(!gate.answers_to(other), "{other}");
        }
    }

    #[test]
    fn off_loopback_addresses_and_given_names() {
        let all = gate("0.0.0.0:80", &["pier.lan", "pier.lan:8080"]);
        assert!(all.is_open_to_others());
        for own in [
            "192.168.1.2",
            "192.168.1.2:80",
            "[fe80::1]",
            "pier.lan",
            "Pier.lan:8080",
            "localhost",
        ] {
            assert!(all.answers_to(own), "{own}");
        }
        assert!(!all.answers_to("evil.test"));
        let one = gate("192.168.1.2:4747", &[]);
        assert!(one.answers_to("192.168.1.2:4747"));
        for other in ["192.168.1.3:4747", "localhost:4747"] {
            assert!(!one.answers_to(other), "{other}");
        }
    }

    #[test]
    fn the_origin_must_be_this_server() {
        let own = |pairs: &[(&'static str, &str)]| {
            let mut headers = HeaderMap::new();
            for (name, value) in pairs {
                headers.insert(*name, value.parse().expect("a header"));
            }
            is_own(&headers, "localhost:4747")
        };
        assert_eq!(own(&[]), None);
        assert_eq!(own(&[("origin", "http://localhost:4747")]), Some(true));
        assert_eq!(own(&[(FETCH_SITE, "same-origin")]), Some(true));
        for other in [
            "null",
            "",
            "https://localhost:4747",
            "http://localhost:4748",
            "http://evil.test",
        ] {
            assert_eq!(own(&[("origin", other)]), Some(false), "{other}");
            let both = [("origin", other), (FETCH_SITE, "same-origin")];
            assert_eq!(own(&both), Some(false), "{other}");
        }
        for other in ["cross-site", "same-site", "none"] {
            assert_eq!(own(&[(FETCH_SITE, other)]), Some(false), "{other}");
        }
    }
}
