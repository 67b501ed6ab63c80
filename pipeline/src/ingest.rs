//! From a delivery to a new snapshot of the cohort, or to nothing at all.

use std::collections::{BTreeMap, HashSet};
use std::path::Path;

use crate::again;
use crate::delivery::{self, Delivery, FileRead, Unsettled};
use crate::error::PipelineError;
use crate::identity::same_as_before;
use crate::intake::Intake;
use crate::records::{Records, RowIssue};
use crate::rules::Rule;
use crate::settle::{Account, Precedence, settle_delivery};
use crate::store::{
    AccountEntry, Cohort, DeliveryEntry, Manifest, NewSnapshot, RuleEntry, WriteLock,
};
use crate::vocabulary::TableName;

/// Where the work stands, for a progress bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// This many bytes of the delivery are to be read.
    Reading(u64),
    /// This many more bytes were read.
    Read(u64),
    /// This many rows are to be written.
    Writing(u64),
    /// This many more rows were written.
    Written(u64),
}

/// What became of a delivery.
#[derive(Clone, Debug)]
pub struct Judgement {
    /// Account of each table.
    pub accounts: Vec<(TableName, Account)>,
    /// Rows set aside, sorted by table and place.
    pub issues: Vec<RowIssue>,
    /// Files of the delivery as read.
    pub files: Vec<FileRead>,
    /// Things worth saying.
    pub notes: Vec<(Rule, String)>,
    /// Names in the folder that belong to no table.
    pub not_read: Vec<String>,
    /// Hash of the delivery's content.
    pub hash: String,
}

impl Judgement {
    /// Rows set aside by table and rule.
    #[must_use]
    pub fn by_rule(&self) -> BTreeMap<(TableName, Rule), u64> {
        let mut counts = BTreeMap::new();
        for issue in &self.issues {
            *counts.entry((issue.table, issue.rule)).or_insert(0) += 1;
        }
        counts
    }

    /// Joins the account of rows judged anew to that of the first time.
    fn add_to(&mut self, entry: &DeliveryEntry) {
        for (table, account) in &mut self.accounts {
            if let Some(first) = entry.accounts.iter().find(|a| a.table == table.word()) {
                let first = Account {
                    rows_read: first.rows_read,
                    rows_stored: first.rows_stored,
                    rows_set_aside: first.rows_set_aside,
                    exact_repeats: first.exact_repeats,
                };
                *account = again::account(first, *account);
            }
        }
    }

    fn entry(&self, intake: &Intake<'_>) -> DeliveryEntry {
        DeliveryEntry {
            snapshot: String::new(),
            hash: self.hash.clone(),
            accounts: self
                .accounts
                .iter()
                .map(|(table, account)| AccountEntry {
                    table: table.word().to_owned(),
                    rows_read: account.rows_read,
                    rows_stored: account.rows_stored,
                    rows_set_aside: account.rows_set_aside,
                    exact_repeats: account.exact_repeats,
                })
                .collect(),
            rules: self
                .by_rule()
                .into_iter()
                .map(|((table, rule), rows)| RuleEntry {
                    table: table.word().to_owned(),
                    rule: rule.code().to_owned(),
                    rows,
                })
                .collect(),
            set_aside: None,
            pseudonyms: intake.pseudonyms.map(Into::into),
        }
    }
}

/// What an ingest did.
#[derive(Clone, Debug)]
pub struct Ingested {
    /// What became of the delivery.
    pub judgement: Judgement,
    /// The snapshot now in force.
    pub manifest: Manifest,
    /// The same delivery was already there, and nothing was written.
    pub already_there: bool,
}

/// Reads and judges a delivery, and stores nothing. Rows of fittings that only a cohort has count as orphans.
///
/// # Errors
/// A refusal of the whole delivery by rule and place, or [`PipelineError::Read`].
pub fn check(
    folder: &Path,
    intake: &Intake<'_>,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Judgement, PipelineError> {
    let (delivery, unsettled) = read(folder, intake, progress, false)?;
    let old = Records::default();
    let (judgement, _) = judge(&delivery, unsettled, old, Precedence::Delivery);
    Ok(judgement)
}

/// Adds a delivery to a cohort, which begins with its first delivery.
///
/// # Errors
/// A refusal of the whole delivery by rule and place, or any error of the store; the cohort is then as it was.
pub fn ingest(
    folder: &Path,
    cohort_folder: &Path,
    intake: &Intake<'_>,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Ingested, PipelineError> {
    // A cohort that is there is locked at once. One that is not is begun only when the delivery has been read: a
    // refused delivery leaves no folder behind.
    let there = opened(cohort_folder)?;
    same_as_before(there.as_ref(), intake)?;
    let is_there = there.is_some();
    let early = is_there
        .then(|| WriteLock::take(cohort_folder))
        .transpose()?;
    let (delivery, mut unsettled) = read(folder, intake, progress, is_there)?;
    let lock = match early {
        Some(lock) => lock,
        None => WriteLock::take(cohort_folder)?,
    };
    // Only what is seen under the lock counts.
    let before = opened(cohort_folder)?;
    same_as_before(before.as_ref(), intake)?;
    let hash = unsettled.content_hash();
    let known = before.as_ref().and_then(|cohort| {
        let deliveries = &cohort.manifest.deliveries;
        let position = deliveries.iter().position(|entry| entry.hash == hash)?;
        Some((cohort, position, deliveries.get(position)?))
    });
    if let Some((cohort, _, entry)) = known {
        again::keep_set_aside(&mut unsettled, entry, cohort)?;
    }
    let (old, replaced) = match &before {
        None => (Records::default(), HashSet::new()),
        Some(cohort) => {
            let ids: HashSet<&str> = unsettled
                .fittings
                .iter()
                .map(|(fitting, _)| &*fitting.id)
                .chain(unsettled.strangers.iter().map(|id| &**id))
                .collect();
            let touched = cohort.quarters_with(&ids)?;
            (cohort.read_quarters(&touched)?, touched)
        }
    };
    let precedence = match known {
        Some(_) => Precedence::Cohort,
        None => Precedence::Delivery,
    };
    let (mut judgement, records) = judge(&delivery, unsettled, old, precedence);
    if let Some((cohort, _, entry)) = known {
        let anew: u64 = judgement.accounts.iter().map(|(_, a)| a.rows_stored).sum();
        judgement.add_to(entry);
        if anew == 0 {
            return Ok(Ingested {
                judgement,
                manifest: cohort.manifest.clone(),
                already_there: true,
            });
        }
    }
    let rows = [
        records.fittings.len(),
        records.ears.len(),
        records.curves.len(),
        records.answers.len(),
    ];
    progress(Progress::Writing(rows.iter().map(|&n| n as u64).sum()));
    let snapshot = NewSnapshot {
        folder: cohort_folder,
        before: before.as_ref().map(|cohort| &cohort.manifest),
        records: &records,
        replaced: &replaced,
        delivery: judgement.entry(intake),
        again: known.map(|(_, position, _)| position),
        issues: &judgement.issues,
        files: &judgement.files,
        dates: intake.dates(),
    };
    let manifest = snapshot.commit(&lock, &|rows| progress(Progress::Written(rows)))?;
    Ok(Ingested {
        judgement,
        manifest,
        already_there: false,
    })
}

/// The cohort, where the folder is one.
fn opened(cohort_folder: &Path) -> Result<Option<Cohort>, PipelineError> {
    match Cohort::open(cohort_folder) {
        Ok(cohort) => Ok(Some(cohort)),
        Err(PipelineError::NotACohort { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}

fn read(
    folder: &Path,
    intake: &Intake<'_>,
    progress: &(dyn Fn(Progress) + Sync),
    has_cohort: bool,
) -> Result<(Delivery, Unsettled), PipelineError> {
    let delivery = Delivery::open(folder)?;
    if !delivery.has(TableName::Fittings) && !has_cohort {
        return Err(PipelineError::refused(
            Rule::MissingTable,
            folder,
            None,
            "fittings",
        ));
    }
    progress(Progress::Reading(delivery.bytes()));
    let unsettled = delivery::read(&delivery, intake, &|bytes| progress(Progress::Read(bytes)))?;
    Ok((delivery, unsettled))
}

fn judge(
    delivery: &Delivery,
    mut unsettled: Unsettled,
    old: Records,
    precedence: Precedence,
) -> (Judgement, Records) {
    let hash = unsettled.content_hash();
    let files = unsettled.files.clone();
    let notes = std::mem::take(&mut unsettled.notes);
    let outcome = settle_delivery(unsettled, old, precedence);
    let judgement = Judgement {
        accounts: outcome.accounts,
        issues: outcome.issues,
        files,
        notes,
        not_read: delivery.not_read.clone(),
        hash,
    };
    (judgement, outcome.records)
}
