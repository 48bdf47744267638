//! Tables with aligned columns.

/// Most characters in a cell: a path or a name may be of any length.
const MOST_IN_CELL: usize = 120;

/// A table of texts. The first column and those whose title begins with `<` are flush left, the others
/// flush right.
#[derive(Debug)]
pub struct Table {
    flush_left: Vec<bool>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table under these titles.
    pub fn new(titles: &[&str]) -> Table {
        let flush_left = titles
            .iter()
            .enumerate()
            .map(|(c, t)| c == 0 || t.starts_with('<'));
        Table {
            flush_left: flush_left.collect(),
            rows: vec![
                titles
                    .iter()
                    .map(|t| t.trim_start_matches('<').to_owned())
                    .collect(),
            ],
        }
    }

    /// Adds a row of as many cells as there are titles; long ones are cut.
    pub fn row(&mut self, cells: Vec<String>) {
        let cut = |cell: String| {
            if cell.chars().count() <= MOST_IN_CELL {
                return cell;
            }
            let head: String = cell.chars().take(MOST_IN_CELL - 3).collect();
            head + "..."
        };
        self.rows.push(cells.into_iter().map(cut).collect());
    }

    /// The titles with whether their columns are flush left, and the rows.
    pub fn parts(&self) -> (Vec<(&str, bool)>, &[Vec<String>]) {
        let titles = self.rows[0].iter().map(String::as_str);
        (
            titles.zip(self.flush_left.iter().copied()).collect(),
            &self.rows[1..],
        )
    }

    /// The table as text, two spaces between columns; columns with nothing but dashes are left out.
    pub fn text(&self) -> String {
        let cell = |row: &'_ Vec<String>, c: usize| row.get(c).cloned().unwrap_or_default();
        let shown: Vec<usize> = (0..self.flush_left.len())
            .filter(|&c| c == 0 || self.rows[1..].iter().any(|row| cell(row, c) != "-"))
            .collect();
        let width = |c: usize| {
            let widths = self.rows.iter().map(|row| cell(row, c).chars().count());
            widths.max().unwrap_or(0)
        };
        let widths: Vec<usize> = shown.iter().map(|&c| width(c)).collect();
        let mut text = String::new();
        for row in &self.rows {
            let mut line = String::new();
            for (&c, &width) in shown.iter().zip(&widths) {
                let cell = cell(row, c);
                line += &if self.flush_left[c] {
                    format!("  {cell:<width$}")
                } else {
                    format!("  {cell:>width$}")
                };
            }
            text += line.trim_end();
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_aligned_and_empty_ones_left_out() {
        let mut table = Table::new(&["name", "n", "none", "value"]);
        table.row(vec!["a".into(), "1".into(), "-".into(), "10.5".into()]);
        table.row(vec!["bcdef".into(), "12".into(), "-".into(), "-".into()]);
        assert_eq!(
            table.text(),
            "  name    n  value\n  a       1   10.5\n  bcdef  12      -\n"
        );
    }
}
