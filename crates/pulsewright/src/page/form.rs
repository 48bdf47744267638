//! What a form or a query says, read with an error for what it can't.

use std::ops::RangeInclusive;

use axum::body::Bytes;
use axum::extract::{FromRequest, Request};
use axum::http::{Method, StatusCode, header};
use axum::response::IntoResponse;

use super::{Problem, Shared};

/// Most bytes of a form.
pub const MOST_FORM: usize = 64 * 1024;
/// Most fields of a form or a query.
const MOST_FIELDS: usize = 1000;

/// The fields of a query (GET) or of a form (POST), in their order.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    pairs: Vec<(String, String)>,
}

impl Asked {
    /// The fields of a query or of an encoded form.
    pub fn of(encoded: &[u8]) -> Asked {
        let pairs = form_urlencoded::parse(encoded).into_owned();
        Asked {
            pairs: pairs.take(MOST_FIELDS).collect(),
        }
    }

    /// All fields.
    pub fn pairs(&self) -> &[(String, String)] {
        &self.pairs
    }

    /// What stands in a field, without the blanks around it; `None` where it is empty or not there.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.all(name).next()
    }

    /// What stands in each field of this name, without blanks around it and without empty ones.
    pub fn all<'a>(&'a self, name: &str) -> impl Iterator<Item = &'a str> + use<'a> {
        let name = name.to_owned();
        let values = self.pairs.iter().filter(move |(key, _)| *key == name);
        values
            .map(|(_, value)| value.trim())
            .filter(|v| !v.is_empty())
    }

    /// A number within a range; `None` where the field is empty or not there. `unit` is for the error.
    ///
    /// # Errors
    /// [`Problem::bad`] where it is no such number.
    pub fn number(
        &self,
        name: &str,
        unit: &str,
        range: RangeInclusive<f64>,
    ) -> Result<Option<f64>, Problem> {
        let Some(text) = self.text(name) else {
            return Ok(None);
        };
        let number = text.parse().ok().filter(|n| range.contains(n));
        let number = number.ok_or_else(|| expected(name, text, unit, &range))?;
        Ok(Some(number))
    }

    /// A whole number within a range; `None` where the field is empty or not there.
    ///
    /// # Errors
    /// [`Problem::bad`] where it is no such number.
    pub fn whole(&self, name: &str, range: RangeInclusive<u64>) -> Result<Option<u64>, Problem> {
        let Some(text) = self.text(name) else {
            return Ok(None);
        };
        let number = text.parse().ok().filter(|n| range.contains(n));
        let number = number.ok_or_else(|| expected(name, text, "(a whole number)", &range))?;
        Ok(Some(number))
    }
}

fn expected<T: std::fmt::Display>(
    name: &str,
    found: &str,
    unit: &str,
    range: &RangeInclusive<T>,
) -> Problem {
    let found: String = found.chars().take(60).collect();
    let (low, high) = (range.start(), range.end());
    Problem::bad(format!(
        "{name}: found `{found}`, expected a number from {low} to {high} {unit}; go back and change it."
    ))
}

impl FromRequest<Shared> for Asked {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &Shared) -> Result<Asked, Problem> {
        if matches!(*request.method(), Method::GET | Method::HEAD) {
            return Ok(Asked::of(request.uri().query().unwrap_or("").as_bytes()));
        }
        let kind = request.headers().get(header::CONTENT_TYPE);
        let is_form = kind.is_some_and(|kind| {
            kind.as_bytes()
                .starts_with(b"application/x-www-form-urlencoded")
        });
        if !is_form {
            return Err(Problem::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "Found another kind of body, expected the fields of a form (application/x-www-form-urlencoded).",
            ));
        }
        let body = Bytes::from_request(request, app).await;
        let body = body.map_err(|rejection| match rejection.into_response().status() {
            StatusCode::PAYLOAD_TOO_LARGE => Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                format!("Found a form of more than {MOST_FORM} bytes, expected less; nothing was changed."),
            ),
            status => Problem::new(status, "The form did not arrive whole; nothing was changed. Send it again."),
        })?;
        Ok(Asked::of(&body))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_read_and_faults_are_named() {
        let asked = Asked::of(b"run=1&run=2&gain=0.5&empty=+&odd=NaN&far=9e9&n=3&name=a%26b");
        assert_eq!(asked.all("run").collect::<Vec<_>>(), ["1", "2"]);
        assert_eq!(asked.text("name"), Some("a&b"));
        assert_eq!(asked.text("empty"), None);
        assert_eq!(asked.number("gain", "", 0.0..=1.0).ok(), Some(Some(0.5)));
        assert_eq!(asked.number("none", "", 0.0..=1.0).ok(), Some(None));
        assert_eq!(asked.whole("n", 1..=3).ok(), Some(Some(3)));
        assert!(asked.whole("gain", 0..=3).is_err());
        for name in ["odd", "far", "name"] {
            let problem = asked.number(name, "ms", 0.0..=1.0).expect_err("a fault");
            assert!(problem.text.starts_with(name), "{}", problem.text);
            assert!(problem.text.contains("from 0 to 1 ms"), "{}", problem.text);
        }
    }
}
