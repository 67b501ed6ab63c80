//! Drawings and `results.json` obey as the tables do.

use super::published::Published;
use crate::workspace::Workspace;

/// No drawing says "n = 3".
pub(super) fn drawings_show_no_small_count(
    workspace: &Workspace,
    published: &Published,
    folder: &str,
    minimum: i64,
) {
    for report in &published.reports {
        let below = workspace.path(&format!("{folder}/{}/figures", report.folder));
        for entry in std::fs::read_dir(below).expect("figures") {
            let path = entry.expect("an entry").path();
            let svg = std::fs::read_to_string(&path).expect("a figure");
            for piece in svg.split("n\u{a0}=\u{a0}").skip(1) {
                let digits: String = piece
                    .chars()
                    .filter(|c| *c != '\u{202f}')
                    .take_while(char::is_ascii_digit)
                    .collect();
                let n: i64 = digits.parse().expect("a count");
                assert!(n == 0 || n >= minimum, "{}: n = {n}", path.display());
            }
        }
    }
}

/// `results.json` holds the counts of the tables, and no other.
pub(super) fn results_hold_the_same(published: &Published) {
    for report in &published.reports {
        let numbers = report.results["numbers"].as_object().expect("numbers");
        for (name, table) in &report.tables {
            let prefix = format!("{name}/");
            for (place, column) in table.columns.iter().enumerate() {
                if !column.starts_with('n') {
                    continue;
                }
                let mut one: Vec<String> = numbers
                    .iter()
                    .filter(|(key, _)| key.starts_with(&prefix) || *key == name)
                    .map(|(_, row)| row[column].to_string().replace("null", ""))
                    .collect();
                let mut other: Vec<String> =
                    table.rows.iter().map(|row| row[place].clone()).collect();
                one.sort();
                other.sort();
                assert_eq!(one, other, "{} {name} {column}", report.folder);
            }
        }
    }
}
