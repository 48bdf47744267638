//! The token that a server off loopback asks for: who holds it may do all, so only its SHA-256 is kept.

use axum::extract::Request;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

use super::Problem;
use super::layout::cookie;
use crate::error::Error;

/// Random bytes of a token: 256 bits, so that guessing is hopeless at any speed, and is not slowed.
const BYTES: usize = 32;
/// The field of the query that carries a token for the first time.
const FIELD: &str = "token";

/// The SHA-256 of a token.
pub struct Token {
    hash: [u8; 32],
    cookie: String,
}

impl Token {
    /// A new token for the server at this port: its text, to be shown once, and what is kept of it.
    ///
    /// # Errors
    /// [`Error::Usage`] where the system gives no random bits.
    pub fn new(port: u16) -> Result<(String, Token), Error> {
        let mut bytes = [0; BYTES];
        getrandom::fill(&mut bytes).map_err(|error| {
            Error::Usage(format!(
                "the system gave no random bits for a token ({error}); listen on 127.0.0.1, where none is needed"
            ))
        })?;
        let text = crate::input::hex(&bytes);
        let token = Token {
            hash: Sha256::digest(&text).into(),
            // Ports share the cookies of a host: servers beside each other must not share this one.
            cookie: format!("pulsewright-token-{port}"),
        };
        Ok((text, token))
    }

    /// Lets a request in that carries the token, in the cookie or as `Authorization: Bearer`. One that
    /// carries it in its address, as the terminal printed it, gets the cookie, and the address without
    /// the token.
    ///
    /// # Errors
    /// The answer in place of the one that was asked for: the redirect, or a problem.
    pub fn admit(&self, request: &Request) -> Result<(), Box<Response>> {
        let headers = request.headers();
        if bearer(headers)
            .or(cookie(headers, &self.cookie))
            .is_some_and(|text| self.is(text))
        {
            return Ok(());
        }
        let query = request.uri().query().unwrap_or("");
        let fields: Vec<_> = form_urlencoded::parse(query.as_bytes()).collect();
        let given = fields.iter().find(|(name, _)| name == FIELD);
        match given {
            Some((_, text)) if self.is(text) && request.method() == Method::GET => {
                let rest = fields.iter().filter(|(name, _)| name != FIELD);
                let rest = form_urlencoded::Serializer::new(String::new())
                    .extend_pairs(rest)
                    .finish();
                Err(Box::new(self.exchanged(request.uri().path(), &rest, text)))
            }
            _ => Err(Box::new(refused())),
        }
    }

    fn is(&self, text: &str) -> bool {
        // Equal hashes are equal texts; a hash tells nothing of the text by the time it takes.
        let hash: [u8; 32] = Sha256::digest(text).into();
        bool::from(hash.ct_eq(&self.hash))
    }

    fn exchanged(&self, path: &str, query: &str, text: &str) -> Response {
        // A path of two slashes would lead to another host.
        let path = format!("/{}", path.trim_start_matches('/'));
        let to = if query.is_empty() {
            path
        } else {
            format!("{path}?{query}")
        };
        // Not Secure: there is no TLS to ask for it.
        let cookie = format!("{}={text}; Path=/; HttpOnly; SameSite=Strict", self.cookie);
        ([(header::SET_COOKIE, cookie)], Redirect::to(&to)).into_response()
    }
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (kind, token) = value.split_once(' ')?;
    kind.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

fn refused() -> Response {
    let problem = Problem::new(
        StatusCode::UNAUTHORIZED,
        "This server lets in who holds its token, and found none or another. Open the whole address that the terminal printed when the server started (http://HOST:PORT/?token=...); a new start makes a new token. Scripts send it as `Authorization: Bearer TOKEN`.",
    );
    let mut response = problem.outside().into_response();
    response.headers_mut().insert(
        header::WWW_AUTHENTICATE,
        axum::http::HeaderValue::from_static("Bearer realm=\"pulsewright\""),
    );
    response
}
