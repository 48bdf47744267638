//! What people read: answers, figures and tables as text.

mod figure;

pub mod check;
pub mod closed_loop;
pub mod comparison;
pub mod demo;
pub mod judge;
pub mod live;
pub mod plan;
pub mod proof;
pub mod report;
pub mod rig;
pub mod run;
pub mod runs;
pub mod setup;
pub mod star;
pub mod table;
pub mod trim;
pub mod tune;

use chain::Rounded;
use wire::Warning;

use crate::output::{ANSWER, FAINT, HEADING, WARNING, styled};

/// Widest line of running text: a terminal of usual width.
const WIDTH: usize = 96;

/// The answer, which stands first.
fn answer(text: &str) -> String {
    format!("{}\n\n", styled(ANSWER, &wrap(text, 0)))
}

/// A heading over a figure or table.
fn heading(text: &str) -> String {
    format!("{}\n", styled(HEADING, text))
}

/// Running text in paragraphs, wrapped.
pub fn paragraphs(text: &str) -> String {
    let wrapped: Vec<String> = text.split("\n\n").map(|part| wrap(part, 0)).collect();
    wrapped.join("\n\n")
}

/// A line of less weight; what it is indented by is kept where it is wrapped.
pub fn faint(text: &str) -> String {
    let bare = text.trim_start_matches(' ');
    let indent = text.len() - bare.len();
    format!("{:indent$}{}\n", "", styled(FAINT, &wrap(bare, indent)))
}

/// Warnings, each with what to do about it.
fn warnings(warnings: &[Warning]) -> String {
    if warnings.is_empty() {
        return String::new();
    }
    let mut page = heading("Look out");
    for warning in warnings {
        page += &format!("{} {}\n", styled(WARNING, "!"), wrap(&warning.text, 2));
        page += &format!("  {}\n", styled(FAINT, &wrap(&warning.advice, 2)));
    }
    page.push('\n');
    page
}

/// The words as the beginning of a sentence.
pub fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// `p = 0.03`, never as zero.
pub fn p_value(p: f64) -> String {
    if p < 1e-4 {
        "p < 0.0001".to_owned()
    } else if p < 0.095 {
        format!("p = {}", Rounded::to_uncertainty(p * 0.3).ms(p))
    } else {
        format!("p = {p:.1}")
    }
}

/// `text` in lines of at most [`WIDTH`] characters; all but the first are indented.
fn wrap(text: &str, indent: usize) -> String {
    let mut lines = vec![String::new()];
    let mut room = WIDTH - indent;
    for word in text.split(' ') {
        let length = word.chars().count();
        let line = lines.len() - 1;
        if length + 1 > room && !lines[line].is_empty() {
            lines.push(word.to_owned());
            room = (WIDTH - indent).saturating_sub(length);
        } else {
            if !lines[line].is_empty() {
                lines[line].push(' ');
            }
            lines[line].push_str(word);
            room = room.saturating_sub(length + 1);
        }
    }
    lines.join(&format!("\n{:indent$}", ""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_wrapped_and_nothing_is_lost() {
        let text = "word ".repeat(60).trim().to_owned();
        let wrapped = wrap(&text, 2);
        assert!(wrapped.lines().all(|line| line.chars().count() <= WIDTH));
        assert_eq!(wrapped.split_whitespace().count(), 60);
        let long = "x".repeat(300);
        assert_eq!(wrap(&long, 0), long);
    }
}
