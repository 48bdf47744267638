//! How wide a text will be, and how to break or shorten it so that it fits: the server draws without
//! knowing the reader's font, so it reckons with a wide one.

use maud::{Markup, html};

/// Size of all text of a figure, in its user units: legible on a phone, where a figure shrinks to
/// about half.
pub const SIZE: f64 = 15.0;

/// From one line of text to the next.
pub const LINE: f64 = 19.0;

/// About how wide `text` is, in user units; wide sans-serif fonts (those of Linux desktops) set the
/// measure.
pub fn width(text: &str) -> f64 {
    let ems: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '\'' | '|' => 0.29,
            ' ' | '.' | ',' | ':' | ';' => 0.33,
            'f' | 't' | 'r' | '-' | '(' | ')' | '[' | ']' | '/' | '!' => 0.41,
            'm' | 'w' | 'M' | 'W' | '%' | '@' => 0.99,
            'A'..='Z' => 0.75,
            '+' | '=' | '<' | '>' | '~' | '#' => 0.84,
            c if c.is_ascii() => 0.64,
            c if u32::from(c) > 0x2e7f => 1.1,
            _ => 0.7,
        })
        .sum();
    ems * SIZE
}

/// `text` as it is if it fits into `room`, otherwise cut and ended by `…`.
pub fn shortened(text: &str, room: f64) -> String {
    if width(text) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    let mut used = width("…");
    for c in text.chars() {
        used += width(c.encode_utf8(&mut [0; 4]));
        if used > room {
            break;
        }
        kept.push(c);
    }
    kept.truncate(kept.trim_end().len());
    kept.push('…');
    kept
}

/// `text` in lines that fit into `room`, broken at spaces and after hyphens; a word that is wider is
/// shortened.
pub fn wrapped(text: &str, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_inclusive([' ', '-']) {
        match lines.last_mut() {
            Some(line) if width(&format!("{line}{}", word.trim_end())) <= room => {
                line.push_str(word)
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
        .iter()
        .map(|line| shortened(line.trim_end(), room))
        .collect()
}

/// Lines of text below each other, the first with its base line at `y`. `anchor` is `start`, `middle`
/// or `end`.
pub fn lines(class: &str, x: f64, y: f64, anchor: &str, lines: &[String]) -> Markup {
    html! {
        @for (i, line) in lines.iter().enumerate() {
            text class=(class) x=(super::path::round(x)) y=(super::path::round(y + LINE * i as f64))
                text-anchor=(anchor) { (line) }
        }
    }
}
