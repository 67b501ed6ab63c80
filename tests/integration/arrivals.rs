//! Deliveries in any order of arrival that ends in the same set give the same cohort: drawn at random, each case from a
//! seed, and held against what a short model says of them.
//!
//! Which orders end in the same set:
//! * deliveries that bring rows of `fittings` of one id, stored or set aside, keep their order among themselves: the
//!   later corrects the earlier;
//! * other rows of a fitting stay before the correction that superseded them, or after the one they were added to; rows
//!   of a fitting's first record may also come before it;
//! * deliveries that say different things under one key of the same record keep their order.
//!
//! `FITCOHORT_ARRIVALS=2000` runs that many cases, `FITCOHORT_ARRIVALS_FROM=17` begins with another seed.

mod drawn;
mod model;

use std::collections::BTreeMap;
use std::path::Path;

use fitcohort_pipeline::ingest::{Ingested, ingest};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::plan::Plan;
use fitcohort_pipeline::store::{Cohort, DeliveryEntry, Manifest, WhenLocked};

use crate::deliveries::{assert_same, stored};
use crate::parquet_files;
use crate::workspace::Workspace;
use drawn::{Delivery, Draws};

const TABLES: [&str; 4] = ["fittings", "ears", "curves", "answers"];

/// Plans without and with the instrument that some answers are of.
struct Plans {
    bare: Plan,
    whole: Plan,
}

impl Plans {
    fn new() -> Self {
        let workspace = Workspace::new();
        let text = "[instruments.comfort]\nitems = ['overall']\nminimum = 0\nmaximum = 10\n";
        let path = workspace.write("plan.toml", text);
        Self {
            bare: Plan::default(),
            whole: Plan::read(&path).expect("a plan"),
        }
    }
}

fn take_in(folder: &Path, cohort: &Path, plan: &Plan) -> Ingested {
    // A program that another test starts has a copy of the lock for the moment between fork and exec.
    let intake = Intake::plain(plan);
    ingest(folder, cohort, &intake, WhenLocked::Wait, &|_| {})
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
}

/// Takes deliveries in, some of them twice; the plan knows the instrument by the end.
fn arrive(workspace: &Workspace, cohort: &str, order: &[usize], plans: &Plans, draws: &mut Draws) {
    let into = workspace.path(cohort);
    take_in(&workspace.path("opening"), &into, &plans.bare);
    for (step, delivery) in order.iter().enumerate() {
        let plan = |known: bool| if known { &plans.whole } else { &plans.bare };
        if step > 0 && draws.chance(20) {
            // The same once more: nothing is added, though what waited for the plan may return.
            let name = format!("d{}", order[draws.below(step)]);
            let said = take_in(&workspace.path(&name), &into, plan(draws.chance(50)));
            assert_eq!(said.manifest.deliveries.len(), step + 1, "{name} again");
        }
        let known = step + 1 == order.len() || draws.chance(50);
        let said = take_in(&workspace.path(&format!("d{delivery}")), &into, plan(known));
        assert!(!said.already_there, "d{delivery}");
    }
    accounts_close(workspace, cohort);
}

/// Each account closes, and says what is in the file of rows set aside.
fn accounts_close(workspace: &Workspace, cohort: &str) {
    let opened = Cohort::open(&workspace.path(cohort)).expect("a cohort");
    let Manifest { deliveries, .. } = &opened.manifest;
    for entry in deliveries {
        let mut aside = 0;
        for account in &entry.accounts {
            let sum = account.rows_stored + account.rows_set_aside + account.exact_repeats;
            assert_eq!(account.rows_read, sum, "{account:?}");
            aside += account.rows_set_aside;
        }
        let by_rule: u64 = entry.rules.iter().map(|rule| rule.rows).sum();
        assert_eq!(by_rule, aside, "{entry:?}");
        let (rows, waiting, by_rule) = kept(workspace, cohort, entry);
        assert_eq!((rows, waiting), (aside, entry.waiting), "{entry:?}");
        let said = entry.rules.iter();
        let said = said.map(|r| ((r.table.clone(), r.rule.clone()), r.rows));
        assert_eq!(by_rule, said.collect(), "{entry:?}");
    }
}

/// Rows in the file of a delivery's rows set aside, those that wait among them, and their rules.
fn kept(
    workspace: &Workspace,
    cohort: &str,
    entry: &DeliveryEntry,
) -> (u64, u64, BTreeMap<(String, String), u64>) {
    let mut by_rule = BTreeMap::new();
    let Some(path) = &entry.set_aside else {
        return (0, 0, by_rule);
    };
    let rows = parquet_files::rows(&workspace.path(&format!("{cohort}/{path}")));
    let mut waiting = 0;
    for row in 0..rows.rows.len() {
        let key = ["table_name", "rule"].map(|column| rows.get(row, column).to_owned());
        *by_rule.entry(key.into()).or_default() += 1;
        waiting += u64::from(!rows.get(row, "record").is_empty());
    }
    (rows.rows.len() as u64, waiting, by_rule)
}

fn print(deliveries: &[Delivery], orders: &[Vec<usize>]) -> String {
    let mut out = format!("orders {orders:?}\n");
    for (number, delivery) in deliveries.iter().enumerate() {
        out.push_str(&format!("d{number}, wide: {}\n", delivery.wide));
        for row in &delivery.rows {
            out.push_str(&format!("  {row:?}\n"));
        }
    }
    out
}

/// One case: a base order and another, and the cohort of what the model says is left. Whether the orders differ.
fn case(seed: u64, plans: &Plans, queries: bool) -> bool {
    let mut draws = Draws::new(seed);
    let deliveries = drawn::deliveries(&mut draws);
    let modelled = model::of(&deliveries);
    let base: Vec<usize> = (0..deliveries.len()).collect();
    let orders = [base, model::another_order(&modelled, &mut draws)];
    let workspace = Workspace::new();
    drawn::opening().write(&workspace, "opening", &mut draws);
    for (number, delivery) in deliveries.iter().enumerate() {
        delivery.write(&workspace, &format!("d{number}"), &mut draws);
    }
    modelled.left().write(&workspace, "left", &mut draws);
    let shown = || format!("seed {seed}, {}", print(&deliveries, &orders));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        take_in(&workspace.path("left"), &workspace.path("c"), &plans.whole);
        for (order, cohort) in orders.iter().zip(["a", "b"]) {
            arrive(&workspace, cohort, order, plans, &mut draws);
            for table in TABLES {
                assert_eq!(
                    stored(&workspace, cohort, table),
                    stored(&workspace, "c", table),
                    "{table} of cohort {cohort}"
                );
            }
            if queries {
                assert_same(&workspace, cohort, "c");
            }
        }
    }));
    assert!(outcome.is_ok(), "{}", shown());
    let [base, other] = &orders;
    base != other
}

fn from_environment(name: &str, otherwise: u64) -> u64 {
    let text = std::env::var(name).ok();
    text.map_or(otherwise, |text| text.parse().expect("a number"))
}

#[test]
fn any_order_of_arrival_gives_the_same_tables() {
    let plans = Plans::new();
    let first = from_environment("FITCOHORT_ARRIVALS_FROM", 1);
    let seeds = first..first + from_environment("FITCOHORT_ARRIVALS", 24);
    let cases = seeds.clone().count();
    let moved = seeds.filter(|&seed| case(seed, &plans, false)).count();
    assert!(
        moved * 2 > cases,
        "only {moved} of {cases} in another order"
    );
}

#[test]
fn any_order_of_arrival_gives_the_same_answers_to_queries() {
    let plans = Plans::new();
    // Until one was in another order.
    assert!((1_000_001..1_000_010).any(|seed| case(seed, &plans, true)));
}
