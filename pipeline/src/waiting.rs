//! Rows of earlier deliveries that were set aside for want of a fitting, of an ear, or of a plan that knows their
//! instrument. An ingest that brings what they waited for judges them anew, as if it had been there when they came.
//!
//! A row belongs to the record of its fitting that was there, or the first that came. Where that record is superseded
//! whole before the row found its ear or instrument, the correction stands for the row too, and it waits no longer. (Of
//! a row that waits for its instrument it is not known whether its fitting's own row had been set aside; it counts as
//! one of the record that was there.)

use std::collections::{BTreeMap, HashMap, HashSet};

use crate::delivery::columns::columns_for;
use crate::delivery::{Instruments, Record, STRANGER, Unsettled, WaitingRows, sentence_by};
use crate::error::PipelineError;
use crate::plan::Plan;
use crate::records::{Records, RowIssue};
use crate::rules::{RULES, Rule};
use crate::settle::Waited;
use crate::store::{
    AccountEntry, Cohort, DeliveryEntry, Mended, RuleEntry, SetAsideRow, rows_set_aside,
};
use crate::vocabulary::TableName;

/// A row that waits.
#[derive(Debug)]
struct Row {
    table: TableName,
    rule: Rule,
    record: Record,
}

impl Row {
    fn cell(&self, column: &str) -> &str {
        self.record.get(column).map_or("", String::as_str)
    }

    fn fitting(&self) -> &str {
        self.cell("fitting_id")
    }
}

/// Rows of one earlier delivery for which the wait may be over.
#[derive(Debug)]
struct OfDelivery {
    /// Position of the delivery in the manifest.
    position: usize,
    /// By their numbers in the file of its rows set aside.
    rows: BTreeMap<u32, Row>,
    /// Rows whose fitting is superseded: they wait no longer.
    released: Vec<u32>,
    /// The numbers of the rows that are judged anew, by table and place.
    numbers: [Vec<u32>; TableName::ALL.len()],
}

/// Rows of earlier deliveries for which the wait may be over, the earliest delivery first.
pub(crate) struct Waiting<'a> {
    cohort: &'a Cohort,
    instruments: Instruments,
    deliveries: Vec<OfDelivery>,
}

/// What became of the rows that waited.
pub(crate) struct Returned {
    /// The deliveries whose accounts have changed.
    pub(crate) mended: Vec<Mended>,
    /// Rows that are set aside no longer, by table.
    pub(crate) rows: BTreeMap<TableName, u64>,
}

/// What became of a row that waited.
#[derive(Debug)]
enum Fate {
    /// It is stored, or says again what is stored.
    Returned,
    /// It is set aside by another rule.
    SetAsideBy(RowIssue),
    /// It waits no longer.
    Released,
}

impl<'a> Waiting<'a> {
    /// Looks for rows that wait for something a delivery brings, or that the plan knows.
    pub(crate) fn find(
        cohort: &'a Cohort,
        unsettled: &mut Unsettled,
        plan: &Plan,
    ) -> Result<Self, PipelineError> {
        // Items are numbered as those of the delivery's own answers are.
        let instruments = Instruments::new(plan, &mut unsettled.items);
        let unsettled = &*unsettled;
        let ears: HashSet<&str> = unsettled
            .ears
            .iter()
            .filter(|record| record.fitting & STRANGER != 0)
            .filter_map(|record| {
                unsettled
                    .strangers
                    .get((record.fitting & !STRANGER) as usize)
            })
            .map(|id| &**id)
            .collect();
        let mut deliveries = Vec::new();
        for (position, entry) in cohort.manifest.deliveries.iter().enumerate() {
            let mut rows = BTreeMap::new();
            cohort.each_waiting(entry, |number, table, rule, record| {
                let (Some(table), Some(rule), Ok(record)) = (
                    TableName::from_word(table.as_bytes()),
                    Rule::from_code(rule),
                    serde_json::from_str::<Record>(record),
                ) else {
                    return;
                };
                let row = Row {
                    table,
                    rule,
                    record,
                };
                let may_be_over = unsettled.brings(row.fitting())
                    || match rule {
                        Rule::OrphanEar => ears.contains(row.fitting()),
                        Rule::UnknownInstrument => knows(&instruments, &row),
                        _ => false,
                    };
                if may_be_over {
                    rows.insert(number, row);
                }
            })?;
            if !rows.is_empty() {
                deliveries.push(OfDelivery {
                    position,
                    rows,
                    released: Vec::new(),
                    numbers: Default::default(),
                });
            }
        }
        Ok(Self {
            cohort,
            instruments,
            deliveries,
        })
    }

    /// The fittings that the rows name.
    pub(crate) fn fittings(&self) -> impl Iterator<Item = &str> {
        let rows = self.deliveries.iter().flat_map(|of| of.rows.values());
        rows.map(Row::fitting)
    }

    /// Judges rows anew, the rows of each delivery apart; `old` holds the cohort's records of all fittings concerned.
    pub(crate) fn judge(&mut self, unsettled: &Unsettled, old: &Records) -> Vec<WaitingRows> {
        let is_stored = |id: &str| {
            let found = old.fittings.binary_search_by(|f| (*f.id).cmp(id));
            found.is_ok()
        };
        let instruments = &self.instruments;
        self.deliveries
            .iter_mut()
            .map(|of| {
                let mut judged: BTreeMap<TableName, Vec<(u32, &Record)>> = BTreeMap::new();
                for (&number, row) in &of.rows {
                    let (brought, stored) =
                        (unsettled.brings(row.fitting()), is_stored(row.fitting()));
                    if row.rule != Rule::Orphan && brought && stored {
                        of.released.push(number);
                        continue;
                    }
                    let can_return = match row.rule {
                        Rule::UnknownInstrument => knows(instruments, row) && (brought || stored),
                        _ => true,
                    };
                    if can_return {
                        judged
                            .entry(row.table)
                            .or_default()
                            .push((number, &row.record));
                    }
                }
                let mut rows = WaitingRows::default();
                for (table, records) in judged {
                    rows.add(table, &records, instruments);
                }
                of.numbers.clone_from(&rows.numbers);
                rows
            })
            .collect()
    }

    /// The deliveries whose accounts change by what became of their rows.
    pub(crate) fn mend(self, waited: &[Waited]) -> Result<Returned, PipelineError> {
        let mut returned = Returned {
            mended: Vec::new(),
            rows: BTreeMap::new(),
        };
        for (of, waited) in self.deliveries.into_iter().zip(waited) {
            let Some(entry) = self.cohort.manifest.deliveries.get(of.position) else {
                continue;
            };
            let fates = of.fates(waited);
            if fates.is_empty() {
                continue;
            }
            let mut mended = entry.clone();
            of.account(&mut mended, &fates, waited, &mut returned.rows);
            let stored = rows_set_aside(&self.cohort.folder, entry)?;
            let mut next = 0_u32;
            let rows = stored.map(move |rows| {
                let rows = rows?.into_iter().filter_map(|row| {
                    let fate = fates.get(&next);
                    next = next.saturating_add(1);
                    after(row, fate)
                });
                Ok(rows.collect())
            });
            returned.mended.push(Mended {
                position: of.position,
                entry: mended,
                rows: Box::new(rows),
            });
        }
        Ok(returned)
    }
}

fn knows(instruments: &Instruments, row: &Row) -> bool {
    instruments
        .named(row.cell("instrument").as_bytes())
        .is_some()
}

impl OfDelivery {
    /// What became of the rows, where it is anything.
    fn fates(&self, waited: &Waited) -> HashMap<u32, Fate> {
        let again: HashMap<(TableName, u32), &RowIssue> = waited
            .issues
            .iter()
            .map(|issue| ((issue.table, issue.place.line), issue))
            .collect();
        let mut fates: HashMap<u32, Fate> = self
            .released
            .iter()
            .map(|&number| (number, Fate::Released))
            .collect();
        for (table, numbers) in TableName::ALL.iter().zip(&self.numbers) {
            for (line, number) in (0..).zip(numbers) {
                let rule = self.rows.get(number).map(|row| row.rule);
                let fate = match again.get(&(*table, line)) {
                    None => Fate::Returned,
                    Some(issue) if Some(issue.rule) == rule => continue,
                    Some(issue) => Fate::SetAsideBy(**issue),
                };
                fates.insert(*number, fate);
            }
        }
        fates
    }

    /// Mends the account of the delivery, and counts the rows that returned.
    fn account(
        &self,
        entry: &mut DeliveryEntry,
        fates: &HashMap<u32, Fate>,
        waited: &Waited,
        returned: &mut BTreeMap<TableName, u64>,
    ) {
        let mut back: BTreeMap<TableName, u64> = BTreeMap::new();
        for (number, row) in &self.rows {
            let Some(fate) = fates.get(number) else {
                continue;
            };
            let waits = match fate {
                Fate::Released => false,
                Fate::Returned => {
                    *back.entry(row.table).or_default() += 1;
                    count_rule(entry, row.table, row.rule, -1);
                    false
                }
                Fate::SetAsideBy(issue) => {
                    count_rule(entry, row.table, row.rule, -1);
                    count_rule(entry, row.table, issue.rule, 1);
                    issue.rule.waits()
                }
            };
            entry.waiting = entry.waiting.saturating_sub(u64::from(!waits));
        }
        for (table, rows) in back {
            let repeats = waited.exact_repeats.get(table as usize).copied();
            let repeats = repeats.unwrap_or_default();
            let word = table.word();
            if let Some(account) = entry.accounts.iter_mut().find(|a| a.table == word) {
                take_back(account, rows, repeats);
            }
            *returned.entry(table).or_default() += rows;
        }
    }
}

/// Rows that were set aside are stored, or are repeats.
fn take_back(account: &mut AccountEntry, rows: u64, repeats: u64) {
    account.rows_set_aside = account.rows_set_aside.saturating_sub(rows);
    account.exact_repeats += repeats;
    account.rows_stored += rows.saturating_sub(repeats);
}

/// Counts a row by its rule; the rules stay in the order of the tables and of the rule table.
fn count_rule(entry: &mut DeliveryEntry, table: TableName, rule: Rule, rows: i64) {
    let is_it = |e: &RuleEntry| e.table == table.word() && e.rule == rule.code();
    if !entry.rules.iter().any(is_it) {
        entry.rules.push(RuleEntry {
            table: table.word().to_owned(),
            rule: rule.code().to_owned(),
            rows: 0,
        });
        entry.rules.sort_by_key(|e| {
            (
                TableName::from_word(e.table.as_bytes()),
                RULES.iter().position(|text| text.code == e.rule),
            )
        });
    }
    if let Some(found) = entry.rules.iter_mut().find(|e| is_it(e)) {
        found.rows = found.rows.saturating_add_signed(rows);
    }
    entry.rules.retain(|e| e.rows > 0);
}

/// A row set aside after what became of it; none where it is set aside no longer.
fn after(mut row: SetAsideRow, fate: Option<&Fate>) -> Option<SetAsideRow> {
    match fate {
        None => {}
        Some(Fate::Returned) => return None,
        Some(Fate::Released) => row.record = None,
        Some(Fate::SetAsideBy(issue)) => {
            let record = row.record.take();
            let names: Vec<String> = record
                .as_deref()
                .and_then(|record| serde_json::from_str::<Record>(record).ok())
                .map(|record| record.into_keys().collect())
                .unwrap_or_default();
            let names: Vec<String> = columns_for(issue.table, &names)
                .iter()
                .map(|column| column.name.to_owned())
                .collect();
            row.column = issue
                .column
                .and_then(|column| names.get(usize::from(column)))
                .cloned();
            row.rule = issue.rule.code().to_owned();
            row.sentence = sentence_by(issue, &names);
            row.record = record.filter(|_| issue.rule.waits());
        }
    }
    Some(row)
}
