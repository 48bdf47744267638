//! The page of a check: answer, each limit with its value.

use chain::{Limit, Limited, Rounded, Stand, significant};

use super::table::Table;
use super::{answer, faint};
use crate::json::CheckDocument;

/// A value with its interval: `12.1 ms (95 % 11.9 to 12.3)`, or per cent for missing requests.
pub fn value(what: Limited, value: f64, ci95: Option<[f64; 2]>) -> String {
    let (scale, unit) = match what {
        Limited::Missing => (100.0, "%"),
        _ => (1.0, "ms"),
    };
    let Some([low, high]) = ci95.map(|ci| ci.map(|end| scale * end)) else {
        return format!("{} {unit}", significant(scale * value));
    };
    let round = Rounded::to_uncertainty(0.5 * (high - low));
    format!(
        "{} {unit} (95 % {})",
        round.ms(scale * value),
        round.interval([low, high])
    )
}

/// A limit: `15 ms`, `1 %`.
pub fn limit(limit: &Limit) -> String {
    match limit.what {
        Limited::Missing => format!("{} %", significant(100.0 * limit.most)),
        _ => format!("{} ms", significant(limit.most)),
    }
}

/// The page; the answer alone where `quiet`.
pub fn page(document: &CheckDocument, quiet: bool) -> String {
    if quiet {
        return format!("{}\n", document.answer);
    }
    let mut page = answer(&document.answer);
    let stand = |stand: Stand| match stand {
        Stand::Within => "within",
        Stand::Unsure => "can't be told",
        Stand::Beyond => "beyond",
    };
    let mut table = Table::new(&["", "found", "allowed", "<"]);
    for held in &document.limits {
        table.row(vec![
            held.limit.what.name().to_owned(),
            value(held.limit.what, held.value, held.ci95),
            limit(&held.limit),
            stand(held.stand).to_owned(),
        ]);
    }
    if let Some(baseline) = &document.baseline {
        let held = &baseline.held;
        table.row(vec![
            format!("farther off than in run {}", baseline.run),
            value(Limited::Mean, held.worse_ms, Some(held.worse_ci95)),
            format!("{} ms", significant(held.slack_ms)),
            stand(held.stand).to_owned(),
        ]);
    }
    page += &table.text();
    page.push('\n');
    page + &faint(
        "The 95 % interval decides, not the value alone: a limit within it can't be told, which passes unless --strict is given.",
    )
}
