//! An attack on withheld counts: everything that reports and pages of clinicians publish together, the sums that hang
//! between their tables, exact elimination, and bounds of whole numbers. No withheld count may come out, nor be narrowed to
//! fewer values than the smallest cell may have people. Lists of single records are no part of it: they are for the practice
//! itself and say so.

mod columns;
mod elimination_alone;
mod files;
mod names;
mod owner;
mod published;
mod researcher;
mod sets;
mod trainer;

use published::Published;

use crate::elimination::System;
use crate::workspace::{Rows, Workspace};

/// Every count with a name of its own, and every sum that an attacker knows of.
fn system(published: &Published) -> System {
    let mut all = System::default();
    owner::tell(published, &mut all);
    trainer::tell(published, &mut all);
    researcher::tell(published, &mut all);
    all.settle();
    all
}

/// An invented cohort small enough to have cells of a few people.
struct Cohort {
    fittings: u32,
    seed: u32,
    /// The quarter under review, where it is not the last.
    quarter: Option<&'static str>,
    /// Clinicians and clinics dealt anew, where it is not as invented.
    dealt: Option<[usize; 2]>,
}

impl Cohort {
    const fn new(fittings: u32, seed: u32) -> Self {
        Self {
            fittings,
            seed,
            quarter: None,
            dealt: None,
        }
    }

    const fn dealt(fittings: u32, seed: u32, clinicians: usize, clinics: usize) -> Self {
        Self {
            dealt: Some([clinicians, clinics]),
            ..Self::new(fittings, seed)
        }
    }

    fn words(&self) -> String {
        let Self {
            fittings,
            seed,
            dealt,
            ..
        } = self;
        format!("{fittings} fittings, seed {seed}, clinicians and clinics {dealt:?}")
    }

    /// Invents and ingests it.
    fn made(&self) -> Workspace {
        let Some(dealt) = self.dealt else {
            return Workspace::invented(self.fittings, self.seed);
        };
        let workspace = Workspace::new();
        let (fittings, seed) = (self.fittings.to_string(), self.seed.to_string());
        let arguments = ["--fittings", &fittings, "--seed", &seed, "--out", "d"];
        let none = ["--planted-errors", "0"];
        workspace.ok(&[&["synthesize"][..], &arguments, &none].concat());
        let path = "d/fittings.csv";
        let text = std::fs::read_to_string(workspace.path(path)).expect("fittings");
        workspace.write(path, deal(&text, dealt));
        // What was planted is no longer true.
        workspace.ok(&["ingest", "d", "--into", "c"]);
        workspace
    }
}

/// Deals fittings to so many clinicians and clinics, the second of each twice as many as the first, the third three times,
/// and so on.
fn deal(text: &str, [clinicians, clinics]: [usize; 2]) -> String {
    let table = Rows::parse(text);
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(&table.columns).expect("a header");
    let dealt = |row: usize, many: usize| {
        let all = many * (many + 1) / 2;
        let at = row % all;
        (1..=many)
            .find(|place| at < place * (place + 1) / 2)
            .unwrap_or(many)
    };
    for (place, row) in table.rows.iter().enumerate() {
        let cells = row.iter().zip(&table.columns).map(|(cell, column)| {
            match column.as_str() {
                "clinician_id" => format!("clinician-{:02}", dealt(place, clinicians)),
                // Out of step with the clinicians, so that a clinic has some of each.
                "clinic_id" => format!("clinic-{:02}", dealt(place * 11 + 5, clinics)),
                _ => cell.clone(),
            }
        });
        writer.write_record(cells).expect("a row");
    }
    String::from_utf8(writer.into_inner().expect("bytes")).expect("text")
}

/// Writes reports, and the pages of some clinicians beside them.
fn report(
    workspace: &Workspace,
    minimum: i64,
    folder: &str,
    options: &[&str],
    clinicians: &[String],
) -> Published {
    let plan = format!("{folder}.toml");
    workspace.write(
        &plan,
        format!("minimum_cell = {minimum}\npermutations = 99\nresamples = 100\n"),
    );
    let mut arguments = vec!["report", "c", "--out", folder, "--plan", &plan];
    arguments.extend(options);
    workspace.ok(&arguments);
    for clinician in clinicians {
        workspace.ok(&[&arguments[..], &["--clinician", clinician]].concat());
    }
    Published::read(workspace, folder)
}

/// The first and the last of the clinicians of a quarter's reports.
fn two_clinicians(published: &Published) -> Vec<String> {
    let mut found: Vec<String> = published
        .rows("clinicians")
        .iter()
        .map(|row| row.text("clinician_id").to_owned())
        .collect();
    found.dedup();
    let last = found.pop();
    found.truncate(1);
    found.extend(last);
    found
}

/// What comes out of reports that should not, and how much is withheld of them. A count that is known to be no small
/// cell, withheld as company, is no secret: what it would give away is in the bounds of the others.
fn attacked(published: &Published, minimum: i64, at: &str) -> (usize, Vec<String>) {
    let system = system(published);
    assert_eq!(system.broken(), Vec::<String>::new(), "{at}");
    let found = system
        .recovered(minimum)
        .into_iter()
        .filter(|(_, (lo, _))| *lo < i128::from(minimum))
        .filter(|(name, bounds)| !researcher::is_told_by_a_share(&system, name, *bounds))
        .map(|(name, (lo, hi))| format!("{name}: {lo} to {hi}"))
        .collect();
    (system.withheld().len(), found)
}

/// Attacks the reports of one quarter with the pages of two clinicians; gives how much was withheld.
fn attack(cohort: &Cohort) -> usize {
    let workspace = cohort.made();
    let options: Vec<&str> = cohort
        .quarter
        .iter()
        .flat_map(|quarter| ["--quarter", quarter])
        .collect();
    // With nothing withheld every sum must hold, or the attack would be a weaker one than it looks.
    let open = report(&workspace, 1, "open", &options, &[]);
    let clinicians = two_clinicians(&open);
    let open = report(&workspace, 1, "open", &options, &clinicians);
    let told = system(&open);
    assert_eq!(told.broken(), Vec::<String>::new(), "{}", cohort.words());
    assert!(told.withheld().is_empty());
    let left_out = columns::left_out(&open);
    assert!(left_out.is_empty(), "the attack leaves out {left_out:#?}");
    assert_eq!(columns::gone(&open), Vec::<String>::new());
    let (mut withheld, mut found) = (0, Vec::new());
    for minimum in [5, 10] {
        let folder = format!("least-{minimum}");
        let published = report(&workspace, minimum, &folder, &options, &clinicians);
        let at = format!("{}, at least {minimum}", cohort.words());
        let (some, came_out) = attacked(&published, minimum, &at);
        assert!(some > 0, "{at}: nothing is withheld");
        withheld += some;
        let came_out = came_out
            .into_iter()
            .chain(owner::sums_over_withheld(&published));
        found.extend(came_out.map(|name| format!("{at}: {name}")));
        files::drawings_show_no_small_count(&workspace, &published, &folder, minimum);
        files::results_hold_the_same(&published);
    }
    assert!(
        found.is_empty(),
        "{} of {withheld} withheld come out: {found:#?}",
        found.len()
    );
    withheld
}

#[test]
fn no_withheld_count_follows_from_all_that_is_published() {
    let very_few = attack(&Cohort::new(60, 3));
    let few = attack(&Cohort::new(300, 11));
    assert!(very_few + few > 300, "{very_few} and {few} were withheld");
}

#[test]
fn nor_in_a_quarter_that_is_not_the_last() {
    attack(&Cohort {
        quarter: Some("2024-Q4"),
        ..Cohort::new(600, 5)
    });
}

#[test]
fn nor_where_there_are_few_clinicians() {
    attack(&Cohort::dealt(200, 7, 2, 2));
    attack(&Cohort::dealt(300, 8, 5, 3));
}

#[test]
fn nor_where_there_are_many_clinics() {
    attack(&Cohort::dealt(600, 9, 12, 14));
}
