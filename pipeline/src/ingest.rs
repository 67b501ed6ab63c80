//! From a delivery to a new snapshot of the cohort, or to nothing at all.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};

use crate::delivery::{self, Delivery, FileRead, RawRows, Unsettled, WaitingRows};
use crate::error::PipelineError;
use crate::identity::{Pseudonyms, same_as_before};
use crate::intake::Intake;
use crate::records::{Records, RowIssue};
use crate::rule_counts::{self, RuleCount};
use crate::rules::Rule;
use crate::settle::{Account, Outcome, settle_delivery};
use crate::store::{
    AccountEntry, Cohort, DeliveryEntry, Manifest, NewSnapshot, RuleEntry, SetAsideRows,
    WaitingFor, WhenLocked, WriteLock, rows_set_aside, set_aside_with_texts, write_set_aside_csv,
};
use crate::vocabulary::TableName;
use crate::waiting::{Returned, Waiting};

/// Where the work stands, for a progress bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// Another process has to end first.
    Waiting(WaitingFor),
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
    /// Rows set aside by table and rule, in the order of the tables and of the rule table.
    pub by_rule: Vec<RuleCount>,
    /// Files of the delivery as read.
    pub files: Vec<FileRead>,
    /// Things worth saying.
    pub notes: Vec<(Rule, String)>,
    /// Names in the folder that belong to no table.
    pub not_read: Vec<String>,
    /// Hash of the delivery's content.
    pub hash: String,
    delivery: Delivery,
    /// Rows set aside, sorted by table and place; none where the delivery was judged before.
    issues: Vec<RowIssue>,
    /// The cohort and the delivery's entry in it, where it was judged before.
    kept: Option<(PathBuf, DeliveryEntry)>,
    year_only: bool,
    pseudonyms: Option<Pseudonyms>,
}

impl Judgement {
    /// Rows set aside, sorted by table and place; none where the delivery was judged before.
    #[must_use]
    pub fn issues(&self) -> &[RowIssue] {
        &self.issues
    }

    /// Writes the rows set aside to a CSV file, with their texts, which are read from the delivery once more.
    ///
    /// # Errors
    /// [`PipelineError::Changed`] where the delivery is no longer the one that was judged, [`PipelineError::Read`] and
    /// [`PipelineError::Write`].
    pub fn write_set_aside_csv(&self, path: &Path) -> Result<(), PipelineError> {
        let rows = match &self.kept {
            Some((cohort, entry)) => rows_set_aside(cohort, entry)?,
            None => self.rows_set_aside(),
        };
        write_set_aside_csv(path, rows)
    }

    fn rows_set_aside(&self) -> SetAsideRows<'_> {
        let texts = RawRows::new(
            &self.delivery,
            &self.files,
            &self.issues,
            self.pseudonyms.as_ref(),
            self.year_only,
        );
        set_aside_with_texts(texts, &self.files)
    }

    /// Refuses a delivery of which too large a share of a table is set aside.
    fn held_to(self, most: Option<f64>) -> Result<Self, PipelineError> {
        let beyond = most.and_then(|most| {
            let found = self.accounts.iter().find(|(_, account)| {
                // Counts of rows are far below 2^53.
                account.rows_set_aside as f64 > most * account.rows_read as f64
            });
            found.map(|(table, account)| (*table, *account, most))
        });
        match beyond {
            None => Ok(self),
            Some((table, account, most)) => Err(PipelineError::TooManySetAside {
                table,
                rows_set_aside: account.rows_set_aside,
                rows_read: account.rows_read,
                most,
                judgement: Box::new(self),
            }),
        }
    }

    fn entry(&self) -> DeliveryEntry {
        let waiting = self.issues.iter().filter(|issue| issue.rule.waits());
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
                .by_rule
                .iter()
                .map(|count| RuleEntry {
                    table: count.table.word().to_owned(),
                    rule: count.rule.clone(),
                    rows: count.rows,
                })
                .collect(),
            waiting: waiting.count() as u64,
            pseudonyms: self.pseudonyms.as_ref().map(Into::into),
            ..DeliveryEntry::default()
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
    /// Rows of earlier deliveries that had been set aside and are so no longer, by table.
    pub returned: BTreeMap<TableName, u64>,
    cohort: PathBuf,
}

impl Ingested {
    /// Writes the delivery's rows set aside to a CSV file, as the cohort keeps them.
    ///
    /// # Errors
    /// [`PipelineError::Read`], [`PipelineError::DamagedStore`] and [`PipelineError::Write`].
    pub fn write_set_aside_csv(&self, path: &Path) -> Result<(), PipelineError> {
        let hash = &self.judgement.hash;
        let entries = &self.manifest.deliveries;
        let rows = match entries.iter().find(|entry| entry.hash == *hash) {
            Some(entry) => rows_set_aside(&self.cohort, entry)?,
            None => Box::new(std::iter::empty()),
        };
        write_set_aside_csv(path, rows)
    }
}

/// Reads and judges a delivery, and stores nothing. Rows of fittings that only a cohort has count as orphans.
///
/// # Errors
/// A refusal of the whole delivery by rule and place, [`PipelineError::TooManySetAside`], or [`PipelineError::Read`].
pub fn check(
    folder: &Path,
    intake: &Intake<'_>,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Judgement, PipelineError> {
    let (delivery, unsettled) = read(folder, intake, progress, false)?;
    let (judgement, _) = judge(delivery, intake, unsettled, Vec::new(), Records::default());
    judgement.held_to(intake.most_set_aside)
}

/// Adds a delivery to a cohort, which begins with its first delivery. Rows of earlier deliveries that waited for what it
/// brings are stored too. One process writes to a cohort at a time.
///
/// # Errors
/// A refusal of the whole delivery by rule and place, [`PipelineError::TooManySetAside`], or any error of the store; the
/// cohort is then as it was.
pub fn ingest(
    folder: &Path,
    cohort_folder: &Path,
    intake: &Intake<'_>,
    when_locked: WhenLocked,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Ingested, PipelineError> {
    let there = opened(cohort_folder)?;
    same_as_before(there.as_ref(), intake)?;
    if there.is_none() {
        return begin(folder, cohort_folder, intake, when_locked, progress);
    }
    let lock = locked(cohort_folder, when_locked, progress)?;
    let (delivery, mut unsettled) = read(folder, intake, progress, true)?;
    // Only what is seen under the lock counts.
    let cohort = Cohort::open(cohort_folder)?;
    same_as_before(Some(&cohort), intake)?;
    lock.remove_leftovers(cohort_folder, Some(&cohort))?;
    let hash = unsettled.content_hash();
    let deliveries = &cohort.manifest.deliveries;
    let known = deliveries.iter().position(|entry| entry.hash == hash);
    if known.is_some() {
        unsettled.pass_over();
    }
    let mut waiting = Waiting::find(&cohort, &mut unsettled, intake.plan)?;
    let ids: HashSet<&str> = unsettled
        .fittings
        .iter()
        .map(|(fitting, _)| &*fitting.id)
        .chain(unsettled.strangers.iter().map(|id| &**id))
        .chain(waiting.fittings())
        .collect();
    let replaced = cohort.quarters_with(&ids)?;
    drop(ids);
    let old = cohort.read_quarters(&replaced)?;
    let rows = waiting.judge(&unsettled, &old);
    let (mut judgement, outcome) = judge(delivery, intake, unsettled, rows, old);
    let Returned {
        mended,
        rows: returned,
    } = waiting.mend(&outcome.waited)?;
    if let Some(position) = known {
        let now = mended.iter().find(|mended| mended.position == position);
        let entry = now.map(|mended| &mended.entry).or(deliveries.get(position));
        if let Some(entry) = entry {
            judgement.accounts = accounts_of(entry);
            judgement.by_rule = rule_counts::of_entry(entry);
            // Until a snapshot is written, its rows set aside are those of the entry before.
            let before = deliveries.get(position).cloned();
            judgement.kept = before.map(|entry| (cohort_folder.to_path_buf(), entry));
        }
    }
    let judgement = judgement.held_to(intake.most_set_aside)?;
    let changed = known.is_none() || !mended.is_empty();
    let manifest = if changed {
        let new = known.is_none();
        let snapshot = NewSnapshot {
            folder: cohort_folder,
            before: Some(&cohort),
            records: &outcome.records,
            replaced: &replaced,
            delivery: new.then(|| (judgement.entry(), judgement.rows_set_aside())),
            mended,
            dates: intake.dates(),
        };
        commit(snapshot, &lock, progress)?
    } else {
        cohort.manifest.clone()
    };
    Ok(Ingested {
        judgement,
        manifest,
        already_there: !changed,
        returned,
        cohort: cohort_folder.to_path_buf(),
    })
}

/// Begins a cohort. Its folder is made only once the delivery has been judged: a refused one leaves nothing behind.
fn begin(
    folder: &Path,
    cohort_folder: &Path,
    intake: &Intake<'_>,
    when_locked: WhenLocked,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Ingested, PipelineError> {
    let (delivery, unsettled) = read(folder, intake, progress, false)?;
    let (judgement, outcome) = judge(delivery, intake, unsettled, Vec::new(), Records::default());
    let judgement = judgement.held_to(intake.most_set_aside)?;
    let lock = locked(cohort_folder, when_locked, progress)?;
    if opened(cohort_folder)?.is_some() {
        // Another process has begun it meanwhile.
        drop(lock);
        return ingest(folder, cohort_folder, intake, when_locked, progress);
    }
    lock.remove_leftovers(cohort_folder, None)?;
    let snapshot = NewSnapshot {
        folder: cohort_folder,
        before: None,
        records: &outcome.records,
        replaced: &HashSet::new(),
        delivery: Some((judgement.entry(), judgement.rows_set_aside())),
        mended: Vec::new(),
        dates: intake.dates(),
    };
    let manifest = commit(snapshot, &lock, progress)?;
    Ok(Ingested {
        judgement,
        manifest,
        already_there: false,
        returned: BTreeMap::new(),
        cohort: cohort_folder.to_path_buf(),
    })
}

fn commit(
    snapshot: NewSnapshot<'_>,
    lock: &WriteLock,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<Manifest, PipelineError> {
    let records = snapshot.records;
    let rows = [
        records.fittings.len(),
        records.ears.len(),
        records.curves.len(),
        records.answers.len(),
    ];
    progress(Progress::Writing(rows.iter().map(|&n| n as u64).sum()));
    snapshot.commit(lock, &|rows| progress(Progress::Written(rows)))
}

fn locked(
    cohort_folder: &Path,
    when_locked: WhenLocked,
    progress: &(dyn Fn(Progress) + Sync),
) -> Result<WriteLock, PipelineError> {
    WriteLock::take(cohort_folder, when_locked, &|whom| {
        progress(Progress::Waiting(whom))
    })
}

fn accounts_of(entry: &DeliveryEntry) -> Vec<(TableName, Account)> {
    TableName::ALL
        .iter()
        .filter_map(|&table| {
            let account = entry.accounts.iter().find(|a| a.table == table.word())?;
            let account = Account {
                rows_read: account.rows_read,
                rows_stored: account.rows_stored,
                rows_set_aside: account.rows_set_aside,
                exact_repeats: account.exact_repeats,
            };
            Some((table, account))
        })
        .collect()
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
    let delivery = Delivery::open(folder, intake.map)?;
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
    delivery: Delivery,
    intake: &Intake<'_>,
    mut unsettled: Unsettled,
    waiting: Vec<WaitingRows>,
    old: Records,
) -> (Judgement, Outcome) {
    let hash = unsettled.content_hash();
    let files = unsettled.files.clone();
    let notes = std::mem::take(&mut unsettled.notes);
    let mut outcome = settle_delivery(unsettled, waiting, old);
    let issues = std::mem::take(&mut outcome.issues);
    let judgement = Judgement {
        accounts: outcome.accounts.clone(),
        by_rule: rule_counts::of_issues(&issues, &files),
        issues,
        files,
        notes,
        not_read: delivery.not_read.clone(),
        hash,
        delivery,
        kept: None,
        year_only: intake.year_only,
        pseudonyms: intake.pseudonyms.cloned(),
    };
    (judgement, outcome)
}
