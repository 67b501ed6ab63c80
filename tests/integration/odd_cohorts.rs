//! Cohorts at the edges: hostile labels, long names, one of something, a great many, or none. Each report is made, says
//! in words what is missing, and holds nothing that is no number.
//!
//! `FITCOHORT_ODD_PAGES=FOLDER` keeps the pages there, for the test in a browser and for looking at them.

use std::fmt::Write;
use std::path::PathBuf;

use crate::workspace::{Workspace, copy, files_below};

const READERS: [&str; 3] = ["owner", "researcher", "trainer"];

/// How a cohort is odd; the rest of it is plain.
struct Odd {
    name: &'static str,
    fittings: usize,
    clinicians: usize,
    clinics: usize,
    quarters: usize,
    verified: bool,
    answers: bool,
    /// Begins the name of each clinic.
    clinic: &'static str,
    style: &'static str,
    prescription: &'static str,
    /// Columns and values of further labels.
    labels: &'static [(&'static str, &'static str)],
    /// What the plan says besides few resamples.
    plan: &'static str,
}

/// A plain practice: 3 clinics, 6 clinicians, 6 quarters.
const PLAIN: Odd = Odd {
    name: "plain",
    fittings: 240,
    clinicians: 6,
    clinics: 3,
    quarters: 6,
    verified: true,
    answers: true,
    clinic: "clinic-",
    style: "behind",
    prescription: "NAL-R",
    labels: &[],
    plan: "",
};

/// A number from 0 to 999 that looks like chance and is the same each time.
fn chance(one: usize, two: usize) -> usize {
    let mixed = (one * 7919 + two * 104_729 + 13).wrapping_mul(2_654_435_761);
    (mixed >> 7) % 1000
}

impl Odd {
    /// Writes the delivery and the plan.
    fn write(&self, workspace: &Workspace) {
        let cell = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
        let mut fittings = String::from(
            "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,experience,prescription,medical_referral",
        );
        for (column, _) in self.labels {
            let _ = write!(fittings, ",{column}");
        }
        fittings.push('\n');
        let mut ears = String::from(
            "fitting_id,ear,fitted,threshold_250,threshold_500,threshold_1000,threshold_2000,threshold_3000,\
             threshold_4000,threshold_6000,threshold_8000,coupling,style\n",
        );
        let mut responses = String::from(
            "fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db\n",
        );
        let mut outcomes = String::from("fitting_id,instrument,item,score,weeks_after\n");
        for fitting in 0..self.fittings {
            let clinician = fitting % self.clinicians;
            let clinic = clinician % self.clinics;
            let period = fitting / self.clinicians % self.quarters;
            let (year, quarter) = (2016 + period / 4, period % 4 + 1);
            let experience = if chance(fitting, 1) < 500 {
                "new"
            } else {
                "experienced"
            };
            let _ = write!(
                fittings,
                "F{fitting:05},P{fitting:05},{}{clinic:03},clinician-{clinician:03},{year}-Q{quarter},{},{experience},{},none",
                self.clinic,
                55 + chance(fitting, 2) % 35,
                cell(self.prescription),
            );
            for (_, value) in self.labels {
                // Half of them, so that there is something to compare with.
                let value = if chance(fitting, 3) < 500 {
                    value
                } else {
                    "coast"
                };
                let _ = write!(fittings, ",{}", cell(value));
            }
            fittings.push('\n');
            let off = chance(fitting, 4) % 6;
            for ear in ["left", "right"] {
                // One in ten hears worse on the left, so that there is a referral to look at.
                let worse_ear = if ear == "left" && chance(fitting, 9) < 100 {
                    25
                } else {
                    0
                };
                let loss = 25 + 5 * (chance(fitting, 5) % 6) + worse_ear;
                let _ = write!(ears, "F{fitting:05},{ear},true");
                for steeper in [0, 0, 5, 10, 15, 20, 25, 25] {
                    let _ = write!(ears, ",{}", loss + steeper);
                }
                let _ = writeln!(ears, ",open,{}", cell(self.style));
                if !self.verified || chance(fitting, 6) > 900 {
                    continue;
                }
                for (stage, worse) in [("first", 4), ("final", 0)] {
                    for (frequency, target) in [
                        (250, 10),
                        (500, 15),
                        (1000, 20),
                        (2000, 25),
                        (3000, 22),
                        (4000, 20),
                    ] {
                        let measured = target + 1 - (off + worse + chance(fitting, frequency) % 3);
                        let _ = writeln!(
                            responses,
                            "F{fitting:05},{ear},{stage},REIG,65,{frequency},{target},{measured}"
                        );
                    }
                }
            }
            if self.answers && chance(fitting, 7) < 700 {
                let score = 5 - (off / 2 + chance(fitting, 8) % 3).min(4);
                let _ = writeln!(outcomes, "F{fitting:05},ioi-ha,4,{score},8");
            }
        }
        let mut tables = vec![("fittings", fittings.as_str()), ("ears", ears.as_str())];
        if self.verified {
            tables.push(("responses", &responses));
        }
        if self.answers {
            tables.push(("outcomes", &outcomes));
        }
        workspace.delivery("d", &tables);
        let plan = format!("permutations = 100\nresamples = 100\n{}", self.plan);
        workspace.write("plan.toml", plan);
    }

    /// The reports, made; what must be true of all of them is held.
    fn pages(&self) -> Pages {
        let workspace = Workspace::new();
        self.write(&workspace);
        workspace.ok(&["ingest", "d", "--into", "c"]);
        let mut arguments = vec!["report", "c", "--out", "r", "--plan", "plan.toml"];
        arguments.extend(["--quarters", "1"]);
        workspace.ok(&arguments);
        Pages::read(workspace, self.name)
    }
}

/// The pages of a cohort that is odd.
struct Pages {
    workspace: Workspace,
    name: &'static str,
    pages: Vec<String>,
}

impl Pages {
    fn read(workspace: Workspace, name: &'static str) -> Self {
        let mut pages = Vec::new();
        let files = files_below(&workspace.path("r"));
        for reader in READERS {
            let page = files
                .iter()
                .find(|(name, _)| name.ends_with(format!("{reader}/index.html")));
            let (_, bytes) = page.unwrap_or_else(|| panic!("no page for the {reader}"));
            pages.push(String::from_utf8(bytes.clone()).expect("UTF-8"));
        }
        for (file, bytes) in &files {
            let text = String::from_utf8_lossy(bytes);
            for word in ["NaN", ">inf", "\"inf", ",inf", "Infinity"] {
                assert!(!text.contains(word), "{name}: {word} in {}", file.display());
            }
            if file.extension().is_some_and(|ending| ending == "svg") {
                assert!(
                    bytes.len() < 200_000,
                    "{name}: {} bytes in {}",
                    bytes.len(),
                    file.display()
                );
                assert!(
                    text.matches("<text").count() >= 2,
                    "{name}: {} is empty",
                    file.display()
                );
            }
        }
        if let Some(folder) = std::env::var_os("FITCOHORT_ODD_PAGES") {
            copy(&workspace.path("r"), &PathBuf::from(folder).join(name));
        }
        Self {
            workspace,
            name,
            pages,
        }
    }

    /// The page of a reader.
    fn of(&self, reader: &str) -> &str {
        let place = READERS.iter().position(|known| *known == reader);
        &self.pages[place.expect("a reader")]
    }

    /// Expects a sentence on the page of a reader.
    fn say(&self, reader: &str, sentence: &str) {
        assert!(
            self.of(reader).contains(sentence),
            "{}: the {reader}'s page does not say {sentence:?}",
            self.name
        );
    }
}

#[test]
fn hostile_labels_are_text_on_every_page() {
    let hostile = Odd {
        name: "hostile-labels",
        style: "</style><b>behind</b>",
        prescription: "NAL\" onload=\"alert(1)",
        labels: &[
            ("x_region", "zone <script>alert(1)</script>"),
            ("x_note", "'\"><img src=x onerror=alert(1)>"),
        ],
        plan: r##"
criterion = "our \"<i>\" criterion"
covariates = ["age_years", "x_region", "style"]
[tolerance."our \"<i>\" criterion"]
source = "agreed <script>alert(2)</script> in \"January\""
limits = { 500 = 5.0, 1000 = 5.0, 2000 = 5.0, 4000 = 8.0 }
[primary]
hypothesis = "Closer <script>alert(3)</script> & better -->"
[[exclusions]]
column = "x_note"
values = ["<!--other reports-->"]
reason = "</script><script>alert(4)</script>"
"##,
        ..PLAIN
    };
    let pages = hostile.pages();
    for reader in READERS {
        let page = pages.of(reader);
        assert_eq!(page.matches("<script").count(), 1, "{reader}");
        for raw in [
            "<script>alert",
            "<img",
            "<i>",
            "<b>",
            "\" onload",
            "</style><b",
        ] {
            assert!(!page.contains(raw), "{reader}: {raw}");
        }
        assert_eq!(page.matches("<!--other reports-->").count(), 1, "{reader}");
    }
    pages.say(
        "researcher",
        "&lt;script&gt;alert(3)&lt;/script&gt; &amp; better --&gt;",
    );
    pages.say("researcher", "&lt;script&gt;alert(4)");
    pages.say("researcher", "zone &lt;script&gt;alert(1)");
    for (file, bytes) in files_below(&pages.workspace.path("r")) {
        if file.extension().is_some_and(|ending| ending == "svg") {
            let text = String::from_utf8(bytes).expect("UTF-8");
            assert!(
                !text.contains("<script") && !text.contains("<i>"),
                "{}",
                file.display()
            );
        }
    }
}

#[test]
fn an_id_with_quotes_is_set_aside_and_counted() {
    let workspace = Workspace::new();
    PLAIN.write(&workspace);
    workspace.write(
        "d/fittings-2.csv",
        "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\n\
         \"F\"\"9'<b>\",P90000,clinic-001,clinician-001,2017-Q1\n",
    );
    let said = workspace.ingest("d", "c");
    assert!(said.to_string().contains("set_aside"), "{said}");
    workspace.ok(&["report", "c", "--out", "r", "--plan", "plan.toml"]);
    let pages = Pages::read(workspace, "quoted-id");
    for reader in READERS {
        assert!(!pages.of(reader).contains("F\"9"), "{reader}");
        assert!(
            !pages.of(reader).contains("F&quot;9"),
            "{reader}: an id that was set aside is shown"
        );
    }
    let rows = pages.workspace.query(&["quality", "c"]);
    let total = rows.find(&[("table_name", "fittings"), ("rule", "")]);
    assert_eq!(rows.get(total, "rows_set_aside"), "1");
}

#[test]
fn a_clinic_name_may_have_64_characters() {
    let pages = Odd {
        name: "long-clinic-names",
        clinic: "a-clinic-with-a-name-as-long-as-the-format-allows-for-000000-",
        ..PLAIN
    }
    .pages();
    // The longest there may be.
    let name = "a-clinic-with-a-name-as-long-as-the-format-allows-for-000000-001";
    assert_eq!(name.len(), 64);
    pages.say("owner", name);
}

#[test]
fn one_clinician_cannot_be_compared_with_others() {
    let pages = Odd {
        name: "one-clinician",
        clinicians: 1,
        clinics: 1,
        ..PLAIN
    }
    .pages();
    pages.say("trainer", "clinician-000");
    pages.say("trainer", "The funnel of clinicians compares nobody");
}

#[test]
fn three_hundred_clinicians_fit_on_a_page() {
    Odd {
        name: "300-clinicians",
        fittings: 1800,
        clinicians: 300,
        clinics: 60,
        ..PLAIN
    }
    .pages();
}

#[test]
fn one_quarter_has_nothing_before_it() {
    let pages = Odd {
        name: "one-quarter",
        quarters: 1,
        ..PLAIN
    }
    .pages();
    pages.say("owner", "2016-Q1");
    pages.say("owner", "No change can be taken apart");
}

#[test]
fn forty_quarters_fit_in_a_figure() {
    let pages = Odd {
        name: "40-quarters",
        fittings: 1200,
        quarters: 40,
        ..PLAIN
    }
    .pages();
    pages.say("owner", "2025-Q4");
}

#[test]
fn nobody_answered() {
    let pages = Odd {
        name: "no-answers",
        answers: false,
        ..PLAIN
    }
    .pages();
    pages.say("owner", "no value can be shown");
    pages.say("researcher", "No association can be shown");
    pages.say("researcher", "It cannot be estimated");
}

#[test]
fn nobody_was_verified() {
    let pages = Odd {
        name: "nobody-verified",
        verified: false,
        ..PLAIN
    }
    .pages();
    pages.say(
        "owner",
        "Nothing to compare with: no quarter of the four before has a value",
    );
    pages.say("trainer", "The signature by frequency cannot be shown");
    pages.say("researcher", "It cannot be estimated");
}

#[test]
fn a_single_fitting_shows_no_share_of_one_person() {
    let pages = Odd {
        name: "single-fitting",
        fittings: 1,
        clinicians: 1,
        clinics: 1,
        quarters: 1,
        ..PLAIN
    }
    .pages();
    for reader in READERS {
        // How much of the delivery was left blank is said whatever its size; it is nothing about a person.
        let shares = pages.of(reader).split("<data ").filter(|piece| {
            piece.contains("100\u{202f}%</data>") && !piece.contains("data-of=\"missing/")
        });
        assert_eq!(shares.count(), 0, "{reader}");
    }
    pages.say("owner", "withheld");
    pages.say("trainer", "The funnel of clinicians cannot be shown");
    pages.say("researcher", "It cannot be estimated");
}

#[test]
fn a_cohort_without_a_fitting_says_so() {
    let workspace = Workspace::new();
    workspace.delivery(
        "d",
        &[(
            "fittings",
            "fitting_id,patient_id,clinic_id,clinician_id,fitted_on\n",
        )],
    );
    workspace.ok(&["ingest", "d", "--into", "c"]);
    workspace.ok(&["report", "c", "--out", "r"]);
    let several = workspace.run(&["report", "c", "--out", "r", "--quarters", "all"]);
    assert_eq!(several.code, 2, "{}", several.shown());
    assert!(several.stderr.contains("no fitting"), "{}", several.shown());
    let pages = Pages::read(workspace, "no-fitting");
    for reader in READERS {
        pages.say(reader, "The cohort holds no fitting");
    }
    pages.say("owner", "There is no number to show");
}
