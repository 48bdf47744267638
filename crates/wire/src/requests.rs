//! Request logs: CSV with a row for each commanded pulse.

use std::io::Read;

use serde::{Deserialize, Serialize};

use crate::direction::Direction;
use crate::error::WireError;
use crate::input::Input;
use crate::settings::{CsvColumns, TimeUnit};
use crate::table::{Table, usual};

/// The most requests of a log.
const MAX_REQUESTS: usize = 5_000_000;

/// One commanded pulse.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Request {
    /// Direction, where given.
    pub direction: Option<Direction>,
    /// Requested width, in ms.
    pub width_ms: f64,
    /// Time of issue, in seconds, where given.
    pub issued_s: Option<f64>,
    /// Line of the log, from 1.
    pub line: u64,
}

/// Reads a request log: CSV with columns `direction`, `requested_ms` and, where known, `issued_s`,
/// or as named in `columns`; in the order in which they were issued. Without a column of directions
/// they are unknown. A unit in the name of a column counts.
///
/// # Errors
/// A column that is missing, a value that can't be read, a width that isn't positive, times of issue
/// that run backwards, no request; each with its line. A last line that is cut off is an error too:
/// a request that is left out would make its pulse an extra one.
///
/// ```
/// let log = "direction,requested_ms,issued_s\nra+,250,1.5\ndec-,500,4\n";
/// let requests = wire::read_requests(log.as_bytes(), &Default::default()).unwrap();
/// assert_eq!(requests[1].width_ms, 500.0);
/// assert_eq!(requests[1].issued_s, Some(4.0));
/// ```
pub fn read_requests(
    mut input: impl Read,
    columns: &CsvColumns,
) -> Result<Vec<Request>, WireError> {
    let mut on_progress = |_| {};
    let mut input = Input::new(&mut input, &mut on_progress);
    let table = Table::open(&mut input)?;
    let direction = table.find(columns.direction.as_deref(), usual::DIRECTION)?;
    let requested = table.need(columns.requested.as_deref(), usual::REQUESTED)?;
    let issued = table.find(columns.issued.as_deref(), usual::ISSUED)?;
    let mut requests: Vec<Request> = Vec::new();
    let mut last_issued = f64::NEG_INFINITY;
    let cut = table.rows(&mut input, |fields, line| {
        let width_ms = table.quantity(fields, &requested, TimeUnit::Ms, TimeUnit::Ms, line)?;
        if width_ms <= 0.0 {
            return Err(WireError::line(
                line,
                format!("a requested width of {width_ms} ms"),
                "a width above 0",
                "correct or remove the line",
            ));
        }
        let issued_s =
            table.optional_quantity(fields, issued.as_ref(), TimeUnit::S, TimeUnit::S, line)?;
        if let Some(issued_s) = issued_s {
            if issued_s < last_issued {
                return Err(WireError::line(
                    line,
                    format!("time of issue {issued_s} s after {last_issued} s"),
                    "requests in the order in which they were issued",
                    "sort the log by its times, or correct the line",
                ));
            }
            last_issued = issued_s;
        }
        if requests.len() >= MAX_REQUESTS {
            return Err(WireError::line(
                line,
                format!("more than {MAX_REQUESTS} requests"),
                "at most that many",
                "cut the log and the capture in parts",
            ));
        }
        requests.push(Request {
            direction: table.direction(fields, direction.as_ref(), line)?,
            width_ms,
            issued_s,
            line,
        });
        Ok(())
    })?;
    if let Some(cut) = cut {
        return Err(WireError::line(
            requests.last().map_or(1, |request| request.line) + 1,
            cut.text,
            "whole rows",
            "save the log whole, or remove its last line",
        ));
    }
    if requests.is_empty() {
        return Err(WireError::line(
            1,
            "no request",
            "a row for each request",
            "check that the log was saved whole",
        ));
    }
    Ok(requests)
}
