//! Histograms, one a line, under one axis.

use chain::Histogram;

/// Heights of a bar, from none to full.
const BARS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// A histogram with what stands before and after it.
pub struct Line<'a> {
    /// Before it.
    pub label: String,
    /// The counts.
    pub histogram: &'a Histogram,
    /// After it.
    pub remark: String,
}

/// The figure: each line's bars are scaled to its own highest; `‹` and `›` say that values lie beyond
/// the ends. All histograms share their bins.
pub fn histograms(lines: &[Line<'_>]) -> String {
    let Some(first) = lines.first() else {
        return String::new();
    };
    let label_width = lines
        .iter()
        .map(|l| l.label.chars().count())
        .max()
        .unwrap_or(0);
    let mut text = String::new();
    for line in lines {
        text += &format!(
            "  {:<label_width$} {}{}{}  {}\n",
            line.label,
            if line.histogram.below > 0 {
                '‹'
            } else {
                '│'
            },
            bars(&line.histogram.counts),
            if line.histogram.above > 0 {
                '›'
            } else {
                '│'
            },
            line.remark
        );
    }
    text += &axis(first.histogram, label_width + 4);
    text
}

fn bars(counts: &[u64]) -> String {
    let highest = counts.iter().copied().max().unwrap_or(0).max(1);
    let full = (BARS.len() - 1) as u64;
    counts
        .iter()
        // A single pulse still shows: rounded up.
        .map(|&n| BARS[(n * full).div_ceil(highest) as usize])
        .collect()
}

/// Numbers under the bins whose lower ends are round: every fifth, or every tenth where five columns
/// are too few for the widest number.
fn axis(histogram: &Histogram, indent: usize) -> String {
    let bins = histogram.counts.len() as i64;
    let decimals = (-histogram.bin_ms.log10().floor()).max(0.0) as usize;
    let first = (histogram.low_ms / histogram.bin_ms).round() as i64;
    let label = |number: i64| format!("{:.decimals$}", number as f64 * histogram.bin_ms);
    let widest = label(first).len().max(label(first + bins).len());
    let every = match bins {
        ..5 => 1,
        _ if widest < 5 => 5,
        _ => 10,
    };
    let mut text = " ".repeat(indent);
    for place in 0..=bins {
        let number = first + place;
        let written = text.len() - indent;
        // Never into the number before.
        if number.rem_euclid(every) == 0 && (written == 0 || written < place as usize) {
            text += &" ".repeat(place as usize - written);
            text += &label(number);
        }
    }
    text += " ms\n";
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn histogram(counts: Vec<u64>) -> Histogram {
        Histogram {
            low_ms: -2.0,
            bin_ms: 1.0,
            counts,
            below: 0,
            above: 2,
        }
    }

    #[test]
    fn a_single_pulse_shows_and_the_highest_is_full() {
        assert_eq!(bars(&[0, 1, 1000]), " ▁█");
        assert_eq!(bars(&[0, 0]), "  ");
    }

    #[test]
    fn the_axis_stands_under_its_bins() {
        let h = histogram(vec![0, 1, 5, 9, 3, 1, 0, 0, 0, 1, 0, 0, 1]);
        let lines = [Line {
            label: "50 ms".into(),
            histogram: &h,
            remark: "n 21".into(),
        }];
        let text = histograms(&lines);
        let rows: Vec<Vec<char>> = text.lines().map(|l| l.chars().collect()).collect();
        // The bin from 0 to 1 is the third, which holds 5; "0" stands under it.
        let zero = rows[1].iter().position(|&c| c == '0').unwrap();
        assert_eq!(rows[0][zero], BARS[(5 * 8u64).div_ceil(9) as usize]);
        assert!(text.contains('›') && !text.contains('‹'));
    }
}
