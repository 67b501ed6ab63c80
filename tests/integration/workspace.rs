//! A fresh folder a test, and runs of the program in it that show everything where one goes wrong.

use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

/// A fresh folder.
pub(crate) struct Workspace {
    folder: TempDir,
}

/// What a run gave.
#[derive(Debug)]
pub(crate) struct Run {
    pub(crate) code: i32,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
    command: String,
}

impl Workspace {
    pub(crate) fn new() -> Self {
        Self {
            folder: tempfile::tempdir().expect("a temporary folder"),
        }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file, with the folders above it.
    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().expect("inside the folder")).expect("folder");
        std::fs::write(&path, content).expect("file");
        path
    }

    /// Writes the tables of a delivery.
    pub(crate) fn delivery(&self, name: &str, tables: &[(&str, &str)]) -> PathBuf {
        for (table, content) in tables {
            self.write(&format!("{name}/{table}.csv"), content);
        }
        self.path(name)
    }

    /// Runs the program in the folder, whatever it returns.
    pub(crate) fn run(&self, arguments: &[&str]) -> Run {
        self.run_with_fault(arguments, None)
    }

    /// The same with a fault where the store touches the disk: point, fault and passage.
    pub(crate) fn run_with_fault(&self, arguments: &[&str], fault: Option<&str>) -> Run {
        let mut command = self.command(arguments);
        if let Some(fault) = fault {
            command.env("FITCOHORT_FAULT", fault);
        }
        let output = command.output().expect("the program starts");
        Run::new(arguments, &output)
    }

    /// The program in the folder, not started yet.
    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fitcohort"));
        command
            .args(arguments)
            .current_dir(self.folder.path())
            .env_remove("POLARS_MAX_THREADS")
            .env_remove("FITCOHORT_FAULT");
        command
    }

    /// Runs the program and expects it to end well.
    pub(crate) fn ok(&self, arguments: &[&str]) -> Run {
        let run = self.run(arguments);
        assert_eq!(run.code, 0, "{}", run.shown());
        run
    }

    /// Ingests a delivery, and gives what the program said about it.
    pub(crate) fn ingest(&self, delivery: &str, cohort: &str) -> serde_json::Value {
        self.ok(&["ingest", delivery, "--into", cohort, "--json"])
            .json()
    }

    /// The manifest in force of a cohort.
    pub(crate) fn manifest(&self, cohort: &str) -> serde_json::Value {
        let current =
            std::fs::read_to_string(self.path(&format!("{cohort}/CURRENT"))).expect("CURRENT");
        let snapshot = current.split_whitespace().next().expect("a snapshot");
        let path = self.path(&format!("{cohort}/snapshots/{snapshot}/manifest.json"));
        let text = std::fs::read_to_string(path).expect("a manifest");
        serde_json::from_str(&text).expect("JSON")
    }

    /// Invents a delivery `d` and ingests it into the cohort `c`.
    pub(crate) fn invented(fittings: u32, seed: u32) -> Self {
        let workspace = Self::new();
        let (fittings, seed) = (fittings.to_string(), seed.to_string());
        let arguments = ["--fittings", &fittings, "--seed", &seed, "--out", "d"];
        workspace.ok(&[&["synthesize"][..], &arguments].concat());
        workspace.ok(&["ingest", "d", "--into", "c"]);
        workspace
    }

    /// A query as rows of named values.
    pub(crate) fn query(&self, arguments: &[&str]) -> Rows {
        let mut all = vec!["query"];
        all.extend(arguments);
        all.extend(["--format", "csv"]);
        Rows::parse(&self.ok(&all).stdout)
    }
}

impl Run {
    pub(crate) fn new(arguments: &[&str], output: &std::process::Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
            command: arguments.join(" "),
        }
    }

    /// Everything about the run, for a message.
    pub(crate) fn shown(&self) -> String {
        format!(
            "fitcohort {}\nexit code {}\n--- stdout\n{}--- stderr\n{}",
            self.command, self.code, self.stdout, self.stderr
        )
    }

    pub(crate) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("{error}\n{}", self.shown()))
    }
}

/// CSV rows by column name.
#[derive(Debug, PartialEq)]
pub(crate) struct Rows {
    pub(crate) columns: Vec<String>,
    pub(crate) rows: Vec<Vec<String>>,
}

impl Rows {
    pub(crate) fn parse(text: &str) -> Self {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let columns = reader
            .headers()
            .expect("header")
            .iter()
            .map(str::to_owned)
            .collect();
        let rows = reader
            .records()
            .map(|record| record.expect("row").iter().map(str::to_owned).collect())
            .collect();
        Self { columns, rows }
    }

    pub(crate) fn get(&self, row: usize, column: &str) -> &str {
        let position = self
            .columns
            .iter()
            .position(|name| name == column)
            .unwrap_or_else(|| panic!("no column {column} in {:?}", self.columns));
        &self.rows[row][position]
    }

    pub(crate) fn real(&self, row: usize, column: &str) -> f64 {
        let text = self.get(row, column);
        text.parse()
            .unwrap_or_else(|_| panic!("{column} of row {row} is {text:?}"))
    }

    /// The only row in which every named column has the named value.
    pub(crate) fn find(&self, wanted: &[(&str, &str)]) -> usize {
        let found: Vec<usize> = (0..self.rows.len())
            .filter(|&row| {
                wanted
                    .iter()
                    .all(|(column, value)| self.get(row, column) == *value)
            })
            .collect();
        assert_eq!(found.len(), 1, "{wanted:?} in {self:#?}");
        found[0]
    }
}

/// Every file below a folder with its bytes, sorted.
pub(crate) fn files_below(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    fn walk(folder: &Path, root: &Path, out: &mut Vec<(PathBuf, Vec<u8>)>) {
        for entry in std::fs::read_dir(folder).expect("folder") {
            let path = entry.expect("entry").path();
            if path.is_dir() {
                walk(&path, root, out);
            } else {
                let name = path.strip_prefix(root).expect("below").to_path_buf();
                out.push((name, std::fs::read(&path).expect("file")));
            }
        }
    }
    let mut out = Vec::new();
    walk(folder, folder, &mut out);
    out.sort();
    out
}

/// Copies a folder with all that is in it.
pub(crate) fn copy(from: &Path, to: &Path) {
    for (name, bytes) in files_below(from) {
        let path = to.join(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("folder");
        std::fs::write(path, bytes).expect("file");
    }
}

/// Two fittings of a small invented practice that break no rule.
pub(crate) const FITTINGS: &str = "\
fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,experience,prescription,medical_referral,returned,x_region
F1,P1,north,anna-1,2026-08-17,71,new,NAL-R,none,false,coast
F2,P2,north,anna-1,2026-Q3,93,experienced,NAL-R,,,
";
/// Their ears: F1 has loss in both ears and was fitted in both; F2 was fitted in the left.
pub(crate) const EARS: &str = "\
fitting_id,ear,fitted,threshold_250,threshold_500,threshold_750,threshold_1000,threshold_1500,threshold_2000,threshold_3000,threshold_4000,threshold_6000,threshold_8000,coupling,style
F1,left,true,20,25,,35,,50,55,60,65,70,open,behind
F1,right,true,20,25,,35,,50,55,60,65,>110,vented,behind
F2,left,true,40,40,,40,,40,40,40,40,40,closed,behind
F2,right,false,10,10,,10,,10,10,10,10,10,,
";
/// Their responses: F1 left is the worked example (deviations 2 -1 -2 -6 -8 -12), F1 right and F2 left are on target.
pub(crate) const RESPONSES: &str = "\
fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db
F1,left,final,REIG,65,250,10,12
F1,left,final,REIG,65,500,15,14
F1,left,final,REIG,65,1000,20,18
F1,left,final,REIG,65,2000,25,19
F1,left,final,REIG,65,3000,22,14
F1,left,final,REIG,65,4000,20,8
F1,right,final,REIG,65,250,10,10
F1,right,final,REIG,65,500,15,15
F1,right,final,REIG,65,1000,20,20
F1,right,final,REIG,65,2000,25,25
F1,right,final,REIG,65,3000,22,22
F1,right,final,REIG,65,4000,20,20
F2,left,,REIG,65,250,10,15
F2,left,,REIG,65,500,15,20
F2,left,,REIG,65,1000,20,15
F2,left,,REIG,65,2000,25,20
F2,left,,REIG,65,3000,22,30
F2,left,,REIG,65,4000,20,12
";
/// Their answers.
pub(crate) const OUTCOMES: &str = "\
fitting_id,instrument,item,score,weeks_after
F1,ioi-ha,4,3,6
F1,ioi-ha,4,5,26
F1,use-log,hours_per_day,7.5,6
F2,ioi-ha,4,4,
";

/// The four tables of the small practice.
pub(crate) fn small_practice() -> [(&'static str, &'static str); 4] {
    [
        ("fittings", FITTINGS),
        ("ears", EARS),
        ("responses", RESPONSES),
        ("outcomes", OUTCOMES),
    ]
}
