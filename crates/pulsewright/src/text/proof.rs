//! The page of a proof: answer, table, how it was tested, warnings.

use std::path::Path;

use chain::{Proof, Rounded, count, significant};

use super::table::Table;
use super::{answer, faint, p_value, warnings};

/// The page; `names` are those of the runs before and after, `margin_from` is the setup that the margin
/// was taken from.
pub fn page(names: &[String; 2], proof: &Proof, margin_from: Option<&Path>) -> String {
    let mut page = answer(&proof.answer);
    page += &distances(names, proof).text();
    page.push('\n');
    page += &faint(&shift(proof));
    page += &faint(&tested(proof));
    if let Some(setup) = margin_from {
        page += &faint(&margin(setup));
    }
    page.push('\n');
    page + &warnings(&proof.warnings)
}

/// How far the pulses of both runs missed.
pub fn distances(names: &[String; 2], proof: &Proof) -> Table {
    let i = &proof.improvement;
    let half = 0.5 * (i.gain_ci95[1] - i.gain_ci95[0]);
    let round = Rounded::to_uncertainty(half);
    let mut table = Table::new(&["ms", "n", "mean distance from what was wanted"]);
    for (name, n, distance) in [
        (&names[0], proof.n[0], i.before_ms),
        (&names[1], proof.n[1], i.after_ms),
    ] {
        table.row(vec![name.clone(), count(n), round.ms(distance)]);
    }
    table
}

/// By how much the width error changed.
pub fn shift(proof: &Proof) -> String {
    let i = &proof.improvement;
    let shift = Rounded::of_interval(i.shift_ci95);
    format!(
        "Shift from before to after: {} ms (95 % {}, Hodges-Lehmann).",
        shift.ms(i.shift_ms),
        shift.interval(i.shift_ci95)
    )
}

/// How it was tested.
pub fn tested(proof: &Proof) -> String {
    format!(
        "Tested: two one-sided sign tests of the median within {} ms of none (Schuirmann 1987), {}; the gain by Welch's interval.",
        significant(proof.equivalence.margin_ms),
        p_value(proof.equivalence.p_value)
    )
}

/// Where the margin comes from.
pub fn margin(setup: &Path) -> String {
    format!(
        "The margin is what moves the star by a tenth of its width in {}.",
        setup.display()
    )
}
