//! An attack on withheld counts: everything that the three reports publish together, the sums that hang between their
//! tables, exact elimination, and bounds of whole numbers. No withheld count may come out, nor be narrowed to fewer values
//! than the smallest cell may have people. Lists of single records are no part of it: they are for the practice itself and
//! say so.

use std::collections::{BTreeMap, BTreeSet};

use crate::elimination::{Sum, System};
use crate::workspace::{Rows, Workspace};

/// The tables of the three reports as an attacker reads them.
struct Published {
    tables: BTreeMap<(String, String), Rows>,
    quarter: String,
}

/// Measures whose value is a share, so that it times n is a count as well.
const SHARES: [&str; 7] = [
    "within_criterion",
    "within_second",
    "verified",
    "two_ear",
    "answered",
    "satisfied",
    "returned",
];

impl Published {
    fn read(workspace: &Workspace, folder: &str) -> Self {
        let mut tables = BTreeMap::new();
        let mut quarter = String::new();
        for reader in ["owner", "researcher", "trainer"] {
            let results = results(workspace, &format!("{folder}/{reader}"));
            quarter = results["quarter"].as_str().expect("a quarter").to_owned();
            let below = workspace.path(&format!("{folder}/{reader}/tables"));
            for entry in std::fs::read_dir(below).expect("tables") {
                let path = entry.expect("an entry").path();
                let name = path
                    .file_stem()
                    .expect("a name")
                    .to_string_lossy()
                    .into_owned();
                let text = std::fs::read_to_string(&path).expect("a table");
                tables.insert((reader.to_owned(), name), Rows::parse(&text));
            }
        }
        Self { tables, quarter }
    }

    /// The rows of a table in whichever report has it, each as a map of its columns.
    fn rows(&self, name: &str) -> Vec<BTreeMap<&str, &str>> {
        self.tables
            .iter()
            .filter(|((_, key), _)| key == name)
            .flat_map(|(_, table)| {
                table.rows.iter().map(|row| {
                    table
                        .columns
                        .iter()
                        .map(String::as_str)
                        .zip(row.iter().map(String::as_str))
                        .collect()
                })
            })
            .collect()
    }

    /// Every count with a name of its own, and every sum that an attacker knows of.
    fn system(&self) -> System {
        let mut system = System::default();
        let all = &mut system;
        for table in ["trends", "headline"] {
            for row in self.rows(table) {
                let quarter = row.get("quarter").copied().unwrap_or(&self.quarter);
                unit(all, &row, &format!("q:{quarter}"), "value");
            }
        }
        for row in self.rows("clinics") {
            let clinic = format!("c:{}", row["clinic_id"]);
            unit(all, &row, &clinic, "observed");
            let measure = row["measure"];
            let total = format!("q:{}", self.quarter);
            all.part(
                &count_of(measure, &total),
                "clinics",
                &count_of(measure, &clinic),
            );
            all.part(
                &hits_of(measure, &total),
                "clinics",
                &hits_of(measure, &clinic),
            );
        }
        for row in self.rows("clinicians") {
            let clinician = format!("k:{}", row["clinician_id"]);
            unit(all, &row, &clinician, "observed");
            let measure = row["measure"];
            all.part(
                &count_of(measure, "clinicians"),
                "clinicians",
                &count_of(measure, &clinician),
            );
            all.part(
                &hits_of(measure, "clinicians"),
                "clinicians",
                &hits_of(measure, &clinician),
            );
        }
        for row in self.rows("trends") {
            let (measure, quarter) = (row["measure"], format!("q:{}", row["quarter"]));
            all.part(
                &count_of(measure, "quarters"),
                "trends",
                &count_of(measure, &quarter),
            );
            all.part(
                &hits_of(measure, "quarters"),
                "trends",
                &hits_of(measure, &quarter),
            );
            all.same(
                &count_of(measure, "clinicians"),
                &count_of(measure, "quarters"),
            );
            all.same(
                &hits_of(measure, "clinicians"),
                &hits_of(measure, "quarters"),
            );
        }
        self.changes(all);
        self.owner(all);
        self.trainer(all);
        self.researcher(all);
        system
    }

    fn owner(&self, all: &mut System) {
        let quarter = format!("q:{}", self.quarter);
        for row in self.rows("two_ear_by_grade") {
            let grade = row["grade"];
            all.count(&format!("g:{grade}"), row["n_candidates"]);
            all.known(&format!("gx:{grade}"), row["n_two_ear"]);
            all.part(
                &count_of("two_ear", &quarter),
                "two_ear_by_grade",
                &format!("g:{grade}"),
            );
            all.part(
                &hits_of("two_ear", &quarter),
                "two_ear_by_grade",
                &format!("gx:{grade}"),
            );
            all.at_most(&format!("gx:{grade}"), &format!("g:{grade}"));
        }
        for row in self.rows("referrals") {
            let id = format!("r:{}/{}", row["rule"], row["medical_referral"]);
            all.count(&id, row["n_fittings"]);
        }
        for row in self.rows("deviation") {
            let (band, hertz) = (row["input_band"], row["frequency_hz"]);
            let id = format!("d:{}/{band}/{hertz}", row["quantity"]);
            all.count(&id, row["n_ears"]);
            all.count(
                &format!("df:{}/{band}/{hertz}", row["quantity"]),
                row["n_fittings"],
            );
            // Up to the first quarter, the quarter is all there is.
            if band == "average" && self.is_only_quarter() {
                all.part(&format!("ears:{hertz}"), "deviation", &id);
            }
        }
    }

    /// The owner's changes: the quarter against the four before it, whole and by group.
    fn changes(&self, all: &mut System) {
        let this = format!("q:{}", self.quarter);
        for row in self.rows("moves") {
            let measure = row["measure"];
            all.count(&count_of(measure, &this), row["n"]);
            all.count(&count_of(measure, "before"), row["n_before"]);
        }
        let quarters: BTreeSet<&str> = self
            .rows("trends")
            .iter()
            .map(|row| row["quarter"])
            .collect();
        for row in self.rows("trends") {
            let (measure, quarter) = (row["measure"], row["quarter"]);
            if quarters
                .iter()
                .rev()
                .skip(1)
                .take(4)
                .any(|known| *known == quarter)
            {
                let quarter = format!("q:{quarter}");
                all.part(
                    &count_of(measure, "before"),
                    "trends",
                    &count_of(measure, &quarter),
                );
                all.part(
                    &hits_of(measure, "before"),
                    "trends",
                    &hits_of(measure, &quarter),
                );
            }
        }
        for row in self.rows("driver_totals") {
            let measure = row["measure"];
            all.count(&count_of(measure, &this), row["n"]);
            all.count(&count_of(measure, "before"), row["n_before"]);
        }
        for row in self.rows("drivers") {
            let measure = row["measure"];
            let group = match (row["grouping"], measure) {
                ("clinic_id", _) => format!("c:{}", row["group"]),
                (grouping, _) => format!("{grouping}:{}", row["group"]),
            };
            let now = count_of(measure, &group);
            let before = count_of(measure, &format!("before/{group}"));
            all.count(&now, row["n"]);
            all.count(&before, row["n_before"]);
            // Each grouping has a sum of its own.
            for (whole, part) in [(&this, &now), (&"before".to_owned(), &before)] {
                let sum = format!("{}: {}", row["grouping"], count_of(measure, whole));
                all.part(&sum, "drivers", part);
                all.same(&sum, &count_of(measure, whole));
            }
        }
        for row in self.rows("two_ear_by_grade") {
            let grade = format!("grade:{}", row["grade"]);
            all.same(&format!("g:{}", row["grade"]), &count_of("two_ear", &grade));
        }
    }

    fn is_only_quarter(&self) -> bool {
        let quarters: BTreeSet<String> = self
            .rows("trends")
            .iter()
            .map(|row| row["quarter"].to_owned())
            .collect();
        quarters.len() == 1
    }

    fn trainer(&self, all: &mut System) {
        for row in self.rows("spread") {
            let clinician = format!("k:{}", row["clinician_id"]);
            all.count(&count_of("signed", &clinician), row["n"]);
        }
        for row in self.rows("first_final") {
            let clinician = row["clinician_id"];
            all.count(&format!("ff:{clinician}"), row["n_first"]);
            all.count(&format!("ff:{clinician}"), row["n_final"]);
            all.count(&format!("fw:{clinician}"), row["n_within"]);
        }
        for row in self.rows("signature") {
            let id = format!("{}/{}", row["clinician_id"], row["frequency_hz"]);
            all.count(&format!("se:{id}"), row["n_ears"]);
            all.count(&format!("sf:{id}"), row["n_fittings"]);
            all.at_most(&format!("sf:{id}"), &format!("se:{id}"));
            if self.is_only_quarter() {
                all.part(
                    &format!("of ears:{}", row["frequency_hz"]),
                    "signature",
                    &format!("se:{id}"),
                );
                all.same(
                    &format!("of ears:{}", row["frequency_hz"]),
                    &format!("ears:{}", row["frequency_hz"]),
                );
            }
        }
    }

    fn researcher(&self, all: &mut System) {
        for row in self.rows("flow") {
            all.count(&format!("flow:{}", row["step"]), row["n"]);
        }
        for row in self.rows("flow").windows(2) {
            let lost = format!("lost:{}", row[1]["step"]);
            all.known(&lost, row[1]["lost"]);
            all.part(
                &format!("flow:{}", row[0]["step"]),
                "flow",
                &format!("flow:{}", row[1]["step"]),
            );
            all.part(&format!("flow:{}", row[0]["step"]), "flow", &lost);
        }
        all.same("flow:fitted", &count_of("verified", "quarters"));
        all.same("flow:verified", &hits_of("verified", "quarters"));
        all.same("flow:eligible", &count_of("rms", "quarters"));
        for row in self.rows("response_by_match") {
            let bin = row["bin_lo"];
            all.count(&format!("f:{bin}"), row["n_fittings"]);
            all.count(&format!("a:{bin}"), row["n_answered"]);
            all.part("flow:eligible", "response_by_match", &format!("f:{bin}"));
            all.part("of bins", "response_by_match", &format!("a:{bin}"));
            all.at_most(&format!("a:{bin}"), &format!("f:{bin}"));
        }
        all.same("flow:analysed", "of bins");
        for row in self.rows("dose_response") {
            all.count(&format!("a:{}", row["bin_lo"]), row["n"]);
        }
        for row in self.rows("rms_by_answer") {
            all.count(&format!("s:{}", row["score"]), row["n"]);
            all.part("of scores", "rms_by_answer", &format!("s:{}", row["score"]));
        }
        all.same("flow:analysed", "of scores");
        for row in self.rows("rms_histogram") {
            let id = format!("h:{}/{}", row["score"], row["bin_lo"]);
            all.count(&id, row["n"]);
            all.part(&format!("s:{}", row["score"]), "rms_histogram", &id);
        }
        for row in self.rows("association") {
            if row["weighted"] == "false" && matches!(row["method"], "spearman" | "kendall") {
                all.count("flow:analysed", row["n"]);
            }
        }
        for row in self.rows("outcomes") {
            all.count("flow:fitted", row["n_fittings"]);
            if row["instrument"] == "ioi-ha" && row["item"] == "4" {
                all.count(&count_of("satisfied", "quarters"), row["n_answered"]);
            }
        }
    }
}

/// The name of a count. Whether a response was measured and whether an answer came are shares of all fittings, and
/// whether somebody is satisfied is known of those who answered.
fn count_of(measure: &str, unit: &str) -> String {
    match measure {
        "answered" => format!("n:verified/{unit}"),
        "satisfied" => format!("x:answered/{unit}"),
        other => format!("n:{other}/{unit}"),
    }
}

/// The name of the number of those of whom a share holds.
fn hits_of(measure: &str, unit: &str) -> String {
    format!("x:{measure}/{unit}")
}

/// A row of measure × unit: its count, and the share times it.
fn unit(system: &mut System, row: &BTreeMap<&str, &str>, unit: &str, value: &str) {
    let measure = row["measure"];
    system.count(&count_of(measure, unit), row["n"]);
    if SHARES.contains(&measure) {
        let hits = match (row["n"].parse::<f64>(), row[value].parse::<f64>()) {
            (Ok(n), Ok(share)) => format!("{:.0}", n * share),
            _ => String::new(),
        };
        system.known(&hits_of(measure, unit), &hits);
        system.at_most(&hits_of(measure, unit), &count_of(measure, unit));
    }
}

fn results(workspace: &Workspace, folder: &str) -> serde_json::Value {
    let path = workspace.path(&format!("{folder}/results.json"));
    serde_json::from_str(&std::fs::read_to_string(path).expect("results")).expect("JSON")
}

fn report(workspace: &Workspace, minimum: u32, quarter: Option<&str>, folder: &str) -> Published {
    let plan = format!("{folder}.toml");
    workspace.write(
        &plan,
        format!("minimum_cell = {minimum}\npermutations = 99\nresamples = 100\n"),
    );
    let mut arguments = vec!["report", "c", "--out", folder, "--plan", &plan];
    if let Some(quarter) = quarter {
        arguments.extend(["--quarter", quarter]);
    }
    workspace.ok(&arguments);
    Published::read(workspace, folder)
}

/// Cohorts small enough to have cells of a few people: fittings, seed, and the quarter where it is not the last.
const COHORTS: [(u32, u32, Option<&str>); 3] =
    [(60, 3, None), (300, 11, None), (600, 5, Some("2024-Q4"))];

#[test]
fn no_withheld_count_follows_from_all_that_is_published() {
    let mut attacked = 0;
    for (fittings, seed, quarter) in COHORTS {
        let workspace = Workspace::invented(fittings, seed);
        // With nothing withheld every sum must hold, or the attack would be a weaker one than it looks.
        let open = report(&workspace, 1, quarter, "open").system();
        assert_eq!(open.broken(), Vec::<String>::new(), "{fittings} fittings");
        assert!(open.withheld().is_empty());
        for minimum in [5, 10] {
            let folder = format!("least-{minimum}");
            let published = report(&workspace, minimum, quarter, &folder);
            let system = published.system();
            let at = format!("{fittings} fittings, seed {seed}, at least {minimum}");
            assert!(!system.withheld().is_empty(), "{at}: nothing is withheld");
            attacked += system.withheld().len();
            let found = system.recovered(i64::from(minimum));
            assert!(found.is_empty(), "{at}: {found:#?}");
            drawings_show_no_small_count(&workspace, &folder, i64::from(minimum));
            files_agree(&workspace, &published, &folder);
        }
    }
    assert!(attacked > 300, "{attacked} counts were withheld");
}

/// The attack finds what is there to be found.
#[test]
fn the_attack_recovers_what_is_withheld_alone() {
    let mut system = System::default();
    for (name, n) in [("a", ""), ("b", "30"), ("c", "9"), ("total", "42")] {
        system.count(name, n);
    }
    for part in ["a", "b", "c"] {
        system.part("total", "parts", part);
    }
    assert_eq!(system.recovered(5).len(), 1);
    // Two that leave each other no room; two that do.
    for (total, found) in [("33", 2), ("45", 0)] {
        let mut system = System::default();
        for (name, n) in [("a", ""), ("b", "30"), ("c", ""), ("total", total)] {
            system.count(name, n);
        }
        for part in ["a", "b", "c"] {
            system.part("total", "parts", part);
        }
        assert_eq!(system.recovered(5).len(), found, "{total}");
    }
    // a + b = 40 and a - b = 34, neither known on its own.
    let mut system = System::default();
    system.count("a", "");
    system.count("b", "");
    system.sum(Sum::new(&[("a", 1), ("b", 1)], 40));
    assert_eq!(system.recovered(5).len(), 0);
    system.sum(Sum::new(&[("a", 1), ("b", -1)], 34));
    assert_eq!(system.recovered(5).len(), 2);
}

/// No drawing says "n = 3".
fn drawings_show_no_small_count(workspace: &Workspace, folder: &str, minimum: i64) {
    for reader in ["owner", "researcher", "trainer"] {
        let below = workspace.path(&format!("{folder}/{reader}/figures"));
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
fn files_agree(workspace: &Workspace, published: &Published, folder: &str) {
    for reader in ["owner", "researcher", "trainer"] {
        let results = results(workspace, &format!("{folder}/{reader}"));
        let numbers = results["numbers"].as_object().expect("numbers");
        for ((_, name), table) in published.tables.iter().filter(|((of, _), _)| of == reader) {
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
                assert_eq!(one, other, "{reader} {name} {column}");
            }
        }
    }
}
