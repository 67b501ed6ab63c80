//! The fit-level table in a form that may leave the house: one row a fitting, and nobody told apart.
//!
//! What others may know about a person (quarter, clinic, clinician, ears, coupling, experience, age, hearing, labels)
//! is published only as far as at least `minimum_cell` patients share it: each combination of these values in the
//! table is that of so many patients (k-anonymity, Samarati & Sweeney 1998, from memory). What would tell fewer apart
//! is made coarser or left blank, in a stated order (`details.rs`); ids are not published at all, and clinics and
//! clinicians are numbered by the rows they have in the table itself. Measures are rounded, and the outermost levels
//! capped (`measures.rs`).
//!
//! The protection is worked out over the whole snapshot, whatever is selected: a selection takes or leaves whole
//! combinations of the same protected table. So exports of one snapshot under one plan cannot be subtracted from each
//! other: together they tell no more than the whole. Exports of different snapshots, or under different plans, can.
//!
//! Not protected: what is the same for everybody in a combination (no l-diversity, Machanavajjhala et al. 2007, from
//! memory); that a blank stands where a value was rare or not known; and whoever already knows somebody's measures may
//! find the row by them. Holds the fit-level table in memory, about 1 KB a fitting.

mod account;
mod details;
mod measures;
mod numbering;
mod package;
mod protect;

use std::fs;
use std::path::Path;

use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::Cohort;
use fitcohort_pipeline::table_schema::DESCRIPTOR;

use crate::analysis::Analysis;
use crate::error::QueryError;
use crate::export::{to_csv, write_parquet};
use crate::selection::Selection;
use crate::table::{Table, Values};
use account::Account;
use details::Details;
use measures::Measures;

/// Names of the files of an export, in the order of their writing.
pub const FILES: [&str; 4] = [
    "fittings.csv",
    "fittings.parquet",
    DESCRIPTOR,
    "provenance.json",
];

/// An export, ready to be written.
#[derive(Clone, Debug)]
pub struct Release {
    /// The table: values that others may know, then measures; sorted by its own values.
    pub table: Table,
    /// Fittings of the snapshot that were withheld, since all patients together are too few.
    pub withheld: usize,
    /// The descriptor of `fittings.csv`, as JSON text.
    descriptor: String,
    /// Where the numbers come from, as JSON text.
    provenance: String,
}

/// Makes an export of a snapshot. The selection says which rows of the protected table are taken, by their published
/// values; it has no grouping.
///
/// # Errors
/// [`QueryError`] where the plan or the selection does not make sense, or the fit-level table cannot be made.
pub fn release(
    cohort: &Cohort,
    plan: &Plan,
    selection: &Selection,
    version: &str,
) -> Result<Release, QueryError> {
    let labels = &cohort.manifest.label_columns;
    selection.check("the export", labels)?;
    if let Some((column, _)) = selection.filters.iter().find(|(_, value)| value.is_empty()) {
        return Err(QueryError::Selection {
            what: format!(
                "an export cannot be limited to fittings whose {column} is not known: what is blank in it may have been blanked"
            ),
        });
    }
    let mut whole = Analysis::open(cohort, plan, Selection::default())?;
    let fits = whole.fits()?;
    let minimum = usize::try_from(plan.minimum_cell).unwrap_or(usize::MAX);

    let patients = details::patients(fits);
    let mut details = Details::of(fits, labels);
    let enough = protect::distinct(&patients, 0..fits.len()) >= minimum;
    let rows: Vec<usize> = if enough {
        let published = protect::protect(&details.steps(), &patients, minimum);
        details.publish(published);
        (0..fits.len()).collect()
    } else {
        Vec::new()
    };
    let measures = Measures::of(fits, &rows, &patients, minimum, plan.outcome.satisfied_from);
    let [clinics, clinicians] = numbering::numbered(&details, &measures, &rows);
    let account = Account::of(&details, &measures, &rows, &patients);

    let mut sorted = rows.clone();
    sorted.sort_by_cached_key(|&row| {
        let mut key = details.key(row);
        key.extend([clinics.at(row), clinicians.at(row)]);
        key.extend(measures.key(row));
        key
    });
    let taken: Vec<usize> = sorted
        .into_iter()
        .filter(|&row| details.is_in(selection, row))
        .collect();
    let mut table = Table::new("fittings");
    for (name, values) in details.columns(&taken) {
        table = table.with(&name, values);
        // Beside each other, and where a reader looks for them.
        if name == "experience" {
            table = table
                .with("clinic", Values::Integer(clinics.column(&taken)))
                .with("clinician", Values::Integer(clinicians.column(&taken)));
        }
    }
    for (name, values) in measures.columns(&taken) {
        table = table.with(name, values);
    }

    let invented = details.is_invented();
    let context = package::Context {
        plan,
        criterion: &whole.criterion,
        second_criterion: &whole.second_criterion,
        snapshot: &cohort.manifest.snapshot,
        version,
        selection,
        invented,
        account: &account,
        clinics: clinics.count(),
        clinicians: clinicians.count(),
    };
    Ok(Release {
        withheld: account.withheld,
        descriptor: package::descriptor(&context, &table),
        provenance: package::provenance(&context, &table),
        table,
    })
}

impl Release {
    /// Writes the files of [`FILES`] into a folder, which is made where it is not there; files of the same names are
    /// replaced, others left alone. The same snapshot, plan and selection give the same bytes.
    ///
    /// # Errors
    /// [`QueryError::Write`].
    pub fn write(&self, folder: &Path) -> Result<(), QueryError> {
        let failed = |path: &Path| {
            let path = path.to_path_buf();
            move |source| QueryError::Write { path, source }
        };
        fs::create_dir_all(folder).map_err(failed(folder))?;
        let [csv, parquet, descriptor, provenance] = FILES.map(|name| folder.join(name));
        fs::write(&csv, to_csv(&self.table)).map_err(failed(&csv))?;
        write_parquet(&self.table, &parquet)?;
        fs::write(&descriptor, &self.descriptor).map_err(failed(&descriptor))?;
        fs::write(&provenance, &self.provenance).map_err(failed(&provenance))
    }
}
