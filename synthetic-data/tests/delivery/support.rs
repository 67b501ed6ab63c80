//! A small reader of its own, which shares nothing with the writer.

use std::collections::BTreeMap;
use std::path::Path;

use fitcohort_synthetic_data::{Scenario, Truth, write_delivery};

/// A delivery on disk, with its truth. The folder goes when it is dropped.
pub(crate) struct Delivery {
    pub(crate) folder: tempfile::TempDir,
    pub(crate) truth: Truth,
}

impl Delivery {
    pub(crate) fn of(scenario: &Scenario) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let truth = write_delivery(scenario, folder.path(), &|_| {}).unwrap();
        Self { folder, truth }
    }

    /// Rows of a table as lists of fields, without the header.
    pub(crate) fn rows(&self, table: &str) -> Vec<Vec<String>> {
        rows(&self.folder.path().join(format!("{table}.csv")))
    }

    /// Mean square deviation (dB squared) of each complete final curve at 65 dB SPL by fitting,
    /// over 500, 1000, 2000 and 4000 Hz, ears by mean; and root of it.
    pub(crate) fn rms_by_fitting(&self) -> BTreeMap<String, f64> {
        let mut curves: BTreeMap<(String, String), Vec<f64>> = BTreeMap::new();
        for row in self.rows("responses") {
            let headline = row[2] == "final" && row[4] == "65";
            let four = ["500", "1000", "2000", "4000"].contains(&row[5].as_str());
            if headline && four && !row[6].is_empty() {
                let deviation: f64 =
                    row[7].parse::<f64>().unwrap() - row[6].parse::<f64>().unwrap();
                curves
                    .entry((row[0].clone(), row[1].clone()))
                    .or_default()
                    .push(deviation * deviation);
            }
        }
        let mut ears: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for ((fitting, _), squares) in curves {
            if squares.len() == 4 {
                let mean = squares.iter().sum::<f64>() / 4.0;
                ears.entry(fitting).or_default().push(mean);
            }
        }
        ears.into_iter()
            .map(|(fitting, means)| {
                let mean = means.iter().sum::<f64>() / means.len() as f64;
                (fitting, mean.sqrt())
            })
            .collect()
    }

    /// Answered satisfaction (item 4) by fitting.
    pub(crate) fn satisfaction(&self) -> BTreeMap<String, u8> {
        self.rows("outcomes")
            .into_iter()
            .filter(|row| row[1] == "ioi-ha" && row[2] == "4")
            .map(|row| (row[0].clone(), row[3].parse().unwrap()))
            .collect()
    }
}

pub(crate) fn rows(path: &Path) -> Vec<Vec<String>> {
    csv::ReaderBuilder::new()
        .flexible(true)
        .from_path(path)
        .unwrap()
        .records()
        .map(|row| row.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

/// A scenario without bad rows.
pub(crate) fn clean(fittings: u64, seed: u64) -> Scenario {
    Scenario {
        planted_errors: 0.0,
        ..Scenario::demo(fittings, seed)
    }
}
