//! What `report` says when its file is written: the answers, and where they stand.

use super::{faint, heading, wrap};
use crate::json::ReportDocument;

/// The page; the answers alone where `quiet`.
pub fn page(document: &ReportDocument, quiet: bool) -> String {
    let mut page = String::new();
    let mut question = "";
    for answer in &document.answers {
        if quiet {
            page += &format!("{}: {}\n", answer.about, answer.sentence);
            continue;
        }
        if answer.question != question {
            question = answer.question;
            page += &heading(question);
        }
        let sentence = format!("{}: {}", answer.about, answer.sentence);
        page += &format!("  {}\n", wrap(&sentence, 2));
    }
    if quiet {
        return page;
    }
    page.push('\n');
    page + &faint(&format!(
        "Figures, tables and all that another person needs to remake every number: {} ({} kB). Open it in a browser; it prints too.",
        document.file,
        document.bytes.div_ceil(1000)
    ))
}
