//! The accounts of the deliveries: rows read = rows stored + rows set aside + exact repeats, by table and to the row.

use std::collections::BTreeMap;

use super::Finding;
use crate::store::manifest::{DeliveryEntry, Manifest};
use crate::store::{MANIFEST, SNAPSHOTS};

/// Checks that the accounts close. Deliveries are numbered from 1, oldest first, as in the manifest.
pub(super) fn check(manifest: &Manifest, findings: &mut Vec<Finding>) {
    let path = format!("{SNAPSHOTS}/{}/{MANIFEST}", manifest.snapshot);
    for (delivery, number) in manifest.deliveries.iter().zip(1_u64..) {
        if let Err(detail) = check_one(delivery) {
            findings.push(Finding::new(&path, format!("delivery {number}: {detail}")));
        }
    }
}

/// Counts are below 2^63 together, as the reading of the manifest makes sure.
fn check_one(delivery: &DeliveryEntry) -> Result<(), String> {
    let mut set_aside: BTreeMap<&str, u64> = BTreeMap::new();
    for account in &delivery.accounts {
        let table = account.table.as_str();
        if set_aside.insert(table, account.rows_set_aside).is_some() {
            return Err(format!("{table} has two accounts"));
        }
        let found = account.rows_stored + account.rows_set_aside + account.exact_repeats;
        if account.rows_read != found {
            return Err(format!(
                "the account of {table} does not close: {} rows were read, and {found} stored, set aside or repeats",
                account.rows_read
            ));
        }
    }
    let mut by_rule: BTreeMap<&str, u64> = BTreeMap::new();
    for entry in &delivery.rules {
        *by_rule.entry(&entry.table).or_insert(0) += entry.rows;
    }
    for (table, rows) in &by_rule {
        if set_aside.get(table).copied().unwrap_or(0) != *rows {
            return Err(format!(
                "{rows} rows of {table} were set aside by rule, which its account does not say"
            ));
        }
    }
    let total: u64 = set_aside.values().sum();
    if by_rule.values().sum::<u64>() != total {
        return Err("rows were set aside by no rule".to_owned());
    }
    if (total > 0) != delivery.set_aside.is_some() {
        return Err(format!(
            "{total} rows were set aside, and {} file of them is named",
            if delivery.set_aside.is_some() {
                "a"
            } else {
                "no"
            }
        ));
    }
    match &delivery.set_aside_file {
        Some(file) if file.rows != total => Err(format!(
            "{total} rows were set aside, and their file has {}",
            file.rows
        )),
        _ => Ok(()),
    }
}
