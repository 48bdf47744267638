//! A page that says what went wrong, and the way out.

use ::book::BookError;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use maud::html;

use super::Shared;
use super::layout::{self, Seen, Spot};
use crate::error::Error;

/// Why a request has no better answer: what was found, what was expected, the way out.
#[derive(Debug, Clone)]
pub struct Problem {
    /// The status of the answer.
    pub status: StatusCode,
    /// What was found and expected, in a sentence or two.
    pub text: String,
    /// The way out, where the text does not name it: an address and what it leads to.
    pub way_out: Option<(String, String)>,
    /// Whether it is told to somebody who was not let in, and must see nothing of what is here.
    outside: bool,
}

impl Problem {
    /// Something else than could be used was sent.
    pub fn bad(text: impl Into<String>) -> Problem {
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text)
    }

    /// What was asked for is not there.
    pub fn missing(text: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, text)
    }

    /// A problem with a status of its own.
    pub fn new(status: StatusCode, text: impl Into<String>) -> Problem {
        Problem {
            status,
            text: text.into(),
            way_out: None,
            outside: false,
        }
    }

    /// A fault of the program.
    pub fn broken() -> Problem {
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "The program failed at this, which is a fault of its own; the terminal that it was started in says more. Your lab book is as it was.",
        )
    }

    /// The same for somebody who was not let in.
    pub fn outside(self) -> Problem {
        Problem {
            outside: true,
            ..self
        }
    }

    /// The same with an address that leads on, and what is there.
    pub fn with_way_out(self, address: impl Into<String>, what: impl Into<String>) -> Problem {
        Problem {
            way_out: Some((address.into(), what.into())),
            ..self
        }
    }
}

impl From<BookError> for Problem {
    fn from(error: BookError) -> Problem {
        let (status, way_out) = match &error {
            BookError::Missing { .. } => (
                StatusCode::NOT_FOUND,
                ("/measure/upload", "Upload a capture: that makes the book"),
            ),
            BookError::NoSuchRun { .. } | BookError::NoSuchChain { .. } => (
                StatusCode::NOT_FOUND,
                ("/measure", "See the runs that there are"),
            ),
            BookError::Busy { .. } => (
                StatusCode::SERVICE_UNAVAILABLE,
                ("/measure", "Back to the runs"),
            ),
            _ => (
                StatusCode::INTERNAL_SERVER_ERROR,
                ("/measure", "Back to the runs"),
            ),
        };
        Problem::new(status, error.to_string()).with_way_out(way_out.0, way_out.1)
    }
}

impl From<Error> for Problem {
    fn from(error: Error) -> Problem {
        match error {
            Error::Book(error) => Problem::from(error),
            error => Problem::bad(error.to_string()),
        }
    }
}

impl IntoResponse for Problem {
    /// Plain text; [`dressed`] makes a page of it for those who read pages.
    fn into_response(self) -> Response {
        let mut response = (
            self.status,
            [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
            format!("{}\n", self.text),
        )
            .into_response();
        response.extensions_mut().insert(self);
        response
    }
}

/// Makes a page in the frame of each problem that a browser is to show.
pub async fn dressed(State(app): State<Shared>, request: Request, next: Next) -> Response {
    let wants_page = wants_page(request.headers());
    let seen = Seen::of(&app, request.uri(), request.headers());
    let mut response = next.run(request).await;
    match response.extensions_mut().remove::<Problem>() {
        Some(problem) if wants_page => page(&seen, &problem, response.headers()),
        _ => response,
    }
}

/// Whether a person looks at the answer, rather than a script.
fn wants_page(headers: &HeaderMap) -> bool {
    let accept = headers.get(header::ACCEPT);
    accept.is_some_and(|accept| {
        accept
            .as_bytes()
            .windows(9)
            .any(|part| part == b"text/html")
    })
}

fn page(seen: &Seen, problem: &Problem, headers: &HeaderMap) -> Response {
    let title = match problem.status {
        StatusCode::NOT_FOUND => "Not found",
        status if status.is_server_error() => "This did not work",
        StatusCode::UNAUTHORIZED => "Who are you?",
        StatusCode::FORBIDDEN | StatusCode::MISDIRECTED_REQUEST => "Refused",
        _ => "This can't be used",
    };
    let body = html! {
        h1 { (title) }
        // Several faults of one file stand a line each.
        @for line in problem.text.lines() { p.problem { (line.trim()) } }
        @if let Some((address, what)) = &problem.way_out {
            p { a.button href=(address) { (what) } }
        }
    };
    let mut response = if problem.outside {
        layout::outside(seen, title, &body)
    } else {
        layout::page(seen, Spot::of(&seen.path), title, &body)
    };
    *response.status_mut() = problem.status;
    for name in [header::ALLOW, header::WWW_AUTHENTICATE, header::RETRY_AFTER] {
        if let Some(value) = headers.get(&name) {
            response.headers_mut().insert(name, value.clone());
        }
    }
    response
}
