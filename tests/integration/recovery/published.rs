//! The tables of reports as an attacker reads them, noting each column that is read.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::elimination::System;
use crate::workspace::{Rows, Workspace};

/// The tables of one folder.
pub(super) struct Report {
    /// The folder, as the set has it.
    pub(super) folder: String,
    /// The quarter under review.
    pub(super) quarter: String,
    /// Whose page it is.
    pub(super) clinician: Option<String>,
    pub(super) tables: BTreeMap<String, Rows>,
    pub(super) results: serde_json::Value,
}

/// Everything that was published together: reports of one quarter or several, and pages of clinicians.
#[derive(Default)]
pub(super) struct Published {
    pub(super) reports: Vec<Report>,
    /// Table and column of what was read.
    pub(super) seen: RefCell<BTreeSet<(String, String)>>,
}

/// A row of a table.
pub(super) struct Row<'a> {
    /// The quarter under review of the report it stands in.
    pub(super) quarter: &'a str,
    /// Whose page it stands on.
    pub(super) clinician: Option<&'a str>,
    name: &'a str,
    table: &'a Rows,
    row: usize,
    seen: &'a RefCell<BTreeSet<(String, String)>>,
}

impl<'a> Row<'a> {
    /// The text of a column.
    pub(super) fn text(&self, column: &str) -> &'a str {
        self.seen
            .borrow_mut()
            .insert((self.name.to_owned(), column.to_owned()));
        self.table.get(self.row, column)
    }

    /// The number of a column, where there is one.
    pub(super) fn number(&self, column: &str) -> Option<f64> {
        self.text(column).parse().ok()
    }

    /// Tells of a share in a column that it is one of a count, and another count so many of it.
    pub(super) fn share(&self, all: &mut System, column: &str, of: &str, hits: &str) {
        if let Some(share) = self.number(column) {
            all.share(share, of, hits);
        }
        all.at_most(hits, of);
    }
}

impl Published {
    /// Reads every report below a folder, but for that of another seed or plan there is none.
    pub(super) fn read(workspace: &Workspace, folder: &str) -> Self {
        let mut out = Self::default();
        out.walk(&workspace.path(folder), "");
        assert!(!out.reports.is_empty(), "no report in {folder}");
        out
    }

    fn walk(&mut self, root: &Path, below: &str) {
        let folder = root.join(below);
        if folder.join("results.json").exists() {
            self.reports.push(Report::read(&folder, below));
        }
        let mut names: Vec<String> = std::fs::read_dir(&folder)
            .expect("a folder")
            .map(|entry| entry.expect("an entry").path())
            .filter(|path| path.is_dir())
            .filter_map(|path| Some(path.file_name()?.to_str()?.to_owned()))
            .filter(|name| name != "tables" && name != "figures")
            .collect();
        names.sort();
        for name in names {
            let below = match below {
                "" => name,
                _ => format!("{below}/{name}"),
            };
            self.walk(root, &below);
        }
    }

    /// The rows of a table in whichever reports have it.
    pub(super) fn rows<'a>(&'a self, name: &'a str) -> Vec<Row<'a>> {
        let of_report = |report: &'a Report| {
            let table = report.tables.get(name)?;
            Some((0..table.rows.len()).map(|row| Row {
                quarter: &report.quarter,
                clinician: report.clinician.as_deref(),
                name,
                table,
                row,
                seen: &self.seen,
            }))
        };
        self.reports
            .iter()
            .filter_map(of_report)
            .flatten()
            .collect()
    }

    /// The quarters under review.
    pub(super) fn reviewed(&self) -> BTreeSet<&str> {
        self.reports
            .iter()
            .map(|report| report.quarter.as_str())
            .collect()
    }

    /// Every quarter that the trends tell of, in time.
    pub(super) fn quarters(&self) -> Vec<&str> {
        let found: BTreeSet<&str> = self
            .rows("trends")
            .iter()
            .map(|row| row.text("quarter"))
            .collect();
        found.into_iter().collect()
    }

    /// The quarters up to one.
    pub(super) fn up_to(&self, quarter: &str) -> Vec<&str> {
        let mut found = self.quarters();
        found.retain(|known| *known <= quarter);
        found
    }

    /// The four quarters before one.
    pub(super) fn before(&self, quarter: &str) -> Vec<&str> {
        let mut found = self.up_to(quarter);
        found.retain(|known| *known != quarter);
        found.split_off(found.len().saturating_sub(4))
    }
}

impl Report {
    fn read(folder: &Path, below: &str) -> Self {
        let text = std::fs::read_to_string(folder.join("results.json")).expect("results");
        let results: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let quarter = results["quarter"].as_str().expect("a quarter").to_owned();
        let mut tables = BTreeMap::new();
        for entry in std::fs::read_dir(folder.join("tables")).expect("tables") {
            let path = entry.expect("an entry").path();
            let name = path.file_stem().expect("a name").to_string_lossy();
            let text = std::fs::read_to_string(&path).expect("a table");
            tables.insert(name.into_owned(), Rows::parse(&text));
        }
        let last = below.rsplit('/').next().unwrap_or_default();
        Self {
            folder: below.to_owned(),
            quarter,
            clinician: last.strip_prefix("clinician-").map(str::to_owned),
            tables,
            results,
        }
    }
}
