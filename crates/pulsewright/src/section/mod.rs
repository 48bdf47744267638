//! The parts that page and report share: each answer with its figures, tables, and how it was
//! computed, as HTML.

pub mod closed_loop;
pub mod comparison;
pub mod judgement;
pub mod proof;
mod pulses;
pub mod run;
pub mod sky;
pub mod star;
pub mod strip;
pub mod trim;
pub mod tuning;

use maud::{Markup, html};
use wire::Warning;

use crate::figure::Figure;
use crate::text::table::Table;

/// Where a section stands.
#[derive(Debug, Clone, Copy)]
pub struct Place<'a> {
    /// Keeps ids apart where several runs stand in one document: `run-3`.
    pub prefix: &'a str,
    /// Level of the section's headings: 2 to 5.
    pub level: u8,
    /// Whether what is folded stands open: on paper nobody can open it.
    pub unfolded: bool,
}

impl Place<'_> {
    /// A heading.
    pub fn heading(&self, text: &str) -> Markup {
        match self.level {
            ..=2 => html! { h2 { (text) } },
            3 => html! { h3 { (text) } },
            4 => html! { h4 { (text) } },
            5.. => html! { h5 { (text) } },
        }
    }

    /// A figure with title and caption.
    pub fn figure(&self, figure: &Figure) -> Markup {
        html! {
            figure.figure id={ (self.prefix) "-" (figure.id) } data-name=(figure.id) {
                p.figure-title { (figure.title) }
                div.plot { (figure.svg(self.prefix)) }
                figcaption { (figure.caption) }
            }
        }
    }

    /// What is told to those who ask: formula, source, numbers behind numbers.
    pub fn fold(&self, summary: &str, body: &Markup) -> Markup {
        html! {
            details open[self.unfolded] {
                summary { (summary) }
                div.fold { (body) }
            }
        }
    }
}

/// The answer, first of all.
pub fn answer(text: &str) -> Markup {
    html! { p.answer { (text) } }
}

/// What may spoil a result, and what to do about it; nothing where there is nothing.
pub fn warnings(warnings: &[Warning]) -> Markup {
    html! {
        @if !warnings.is_empty() {
            ul.warnings {
                @for warning in warnings {
                    li { strong { "Look: " } (warning.text) ". " span.advice { (crate::text::sentence(&warning.advice)) "." } }
                }
            }
        }
    }
}

/// A column of a table.
#[derive(Debug, Clone, Copy)]
pub enum Column<'a> {
    /// Words, to the left.
    Words(&'a str),
    /// Numbers, to the right.
    Numbers(&'a str),
}

/// A table with its caption. The first cell of each row is its head.
pub fn table(caption: &str, columns: &[Column<'_>], rows: &[Vec<Markup>]) -> Markup {
    let class = |column: &Column<'_>| matches!(column, Column::Numbers(_)).then_some("number");
    html! {
        div.table-frame tabindex="0" role="region" aria-label=(caption) {
            table {
                caption { (caption) }
                thead {
                    tr {
                        @for column in columns {
                            @let (Column::Words(name) | Column::Numbers(name)) = column;
                            th scope="col" class=[class(column)] { (name) }
                        }
                    }
                }
                tbody {
                    @for row in rows {
                        tr {
                            @for (cell, column) in row.iter().zip(columns).take(1) {
                                th scope="row" class=[class(column)] { (cell) }
                            }
                            @for (cell, column) in row.iter().zip(columns).skip(1) {
                                td class=[class(column)] { (cell) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A table of the text pages, with its caption.
pub fn shown(caption: &str, shown: &Table) -> Markup {
    let (titles, rows) = shown.parts();
    let columns: Vec<Column<'_>> = titles
        .into_iter()
        .map(|(title, words)| {
            if words {
                Column::Words(title)
            } else {
                Column::Numbers(title)
            }
        })
        .collect();
    let rows: Vec<Vec<Markup>> = rows
        .iter()
        .map(|row| row.iter().map(cell).collect())
        .collect();
    table(caption, &columns, &rows)
}

/// A cell of plain text.
pub fn cell(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}
