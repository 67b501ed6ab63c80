//! Deliveries in any order of arrival that ends in the same set give the same cohort: drawn at random, each case from a
//! seed, and held against what a short model says of them.
//!
//! Which orders end in the same set:
//! * deliveries that bring rows of `fittings` of one id, stored or set aside, keep their order among themselves: the
//!   later corrects the earlier;
//! * other rows of a fitting stay before the correction that superseded them, or after the one they were added to; rows
//!   of a fitting's first record may also come before it;
//! * deliveries that say different things under one key of the same record keep their order; of an ear in rows of the
//!   long form, those that say different things of the whole ear or at one frequency, and those of which one has a row of
//!   the wide form, since that replaces what stands.
//!
//! The model also says which rows of ears are set aside by which rule, and which of them wait.
//!
//! `FITCOHORT_ARRIVALS=2000` runs that many cases, `FITCOHORT_ARRIVALS_FROM=17` begins with another seed.

mod drawn;
mod ear_model;
mod ears;
mod model;
mod written;

use std::collections::BTreeMap;

use fitcohort_pipeline::ingest::{Ingested, ingest};
use fitcohort_pipeline::intake::Intake;
use fitcohort_pipeline::map::ColumnMap;
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

/// Takes a delivery in, through its column map where it has one.
fn take_in(workspace: &Workspace, name: &str, cohort: &str, plan: &Plan) -> Ingested {
    let [folder, cohort, map] =
        [name, cohort, &written::map_of(name)].map(|name| workspace.path(name));
    let map = map
        .exists()
        .then(|| ColumnMap::read(&map).unwrap_or_else(|error| panic!("{error}")));
    let intake = Intake {
        map: map.as_ref(),
        ..Intake::plain(plan)
    };
    // A program that another test starts has a copy of the lock for the moment between fork and exec.
    ingest(&folder, &cohort, &intake, WhenLocked::Wait, &|_| {})
        .unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Takes deliveries in, some of them twice; the plan knows the instrument by the end.
fn arrive(workspace: &Workspace, cohort: &str, order: &[usize], plans: &Plans, draws: &mut Draws) {
    take_in(workspace, "opening", cohort, &plans.bare);
    for (step, delivery) in order.iter().enumerate() {
        let plan = |known: bool| if known { &plans.whole } else { &plans.bare };
        if step > 0 && draws.chance(20) {
            // The same once more: nothing is added, though what waited for the plan may return.
            let name = format!("d{}", order[draws.below(step)]);
            let said = take_in(workspace, &name, cohort, plan(draws.chance(50)));
            assert_eq!(said.manifest.deliveries.len(), step + 1, "{name} again");
        }
        let known = step + 1 == order.len() || draws.chance(50);
        let said = take_in(workspace, &format!("d{delivery}"), cohort, plan(known));
        assert!(!said.already_there, "d{delivery}");
    }
}

/// Each account closes, says what is in the file of rows set aside, and of ears what the model says.
fn accounts_close(workspace: &Workspace, cohort: &str, arrived: &[&Delivery]) {
    let opened = Cohort::open(&workspace.path(cohort)).expect("a cohort");
    let Manifest { deliveries, .. } = &opened.manifest;
    assert_eq!(deliveries.len(), arrived.len());
    let modelled = model::ears_set_aside(arrived);
    for ((entry, delivery), ears) in deliveries.iter().zip(arrived).zip(modelled) {
        let mut aside = 0;
        for account in &entry.accounts {
            let sum = account.rows_stored + account.rows_set_aside + account.exact_repeats;
            assert_eq!(account.rows_read, sum, "{account:?}");
            aside += account.rows_set_aside;
            if account.table == "ears" {
                assert_eq!(account.rows_read, delivery.ears(), "{account:?}");
            }
        }
        let by_rule: u64 = entry.rules.iter().map(|rule| rule.rows).sum();
        assert_eq!(by_rule, aside, "{entry:?}");
        let kept = kept(workspace, cohort, entry);
        let rows = kept.values().map(|(rows, _)| rows).sum::<u64>();
        let waiting = kept.values().map(|(_, waiting)| waiting).sum::<u64>();
        assert_eq!((rows, waiting), (aside, entry.waiting), "{entry:?}");
        let said = entry.rules.iter();
        let said = said.map(|r| ((r.table.clone(), r.rule.clone()), r.rows));
        let by_rule = kept.iter().map(|(key, (rows, _))| (key.clone(), *rows));
        assert!(by_rule.eq(said.collect::<BTreeMap<_, _>>()), "{entry:?}");
        let of_ears = kept.iter().filter(|((table, _), _)| table == "ears");
        let of_ears: BTreeMap<&str, (u64, u64)> = of_ears
            .map(|((_, rule), counts)| (rule.as_str(), *counts))
            .collect();
        assert_eq!(of_ears, ears, "{cohort}: {entry:?}");
    }
}

/// The rows in the file of a delivery's rows set aside by table and rule, and those that wait among them.
type Kept = BTreeMap<(String, String), (u64, u64)>;

fn kept(workspace: &Workspace, cohort: &str, entry: &DeliveryEntry) -> Kept {
    let mut kept = Kept::new();
    let Some(path) = &entry.set_aside else {
        return kept;
    };
    let rows = parquet_files::rows(&workspace.path(&format!("{cohort}/{path}")));
    for row in 0..rows.rows.len() {
        let key = ["table_name", "rule"].map(|column| rows.get(row, column).to_owned());
        let counts = kept.entry(key.into()).or_default();
        counts.0 += 1;
        counts.1 += u64::from(!rows.get(row, "record").is_empty());
    }
    kept
}

fn print(deliveries: &[Delivery], orders: &[Vec<usize>]) -> String {
    let mut out = format!("orders {orders:?}\n");
    for (number, delivery) in deliveries.iter().enumerate() {
        let Delivery { wide, mapped, .. } = delivery;
        out.push_str(&format!("d{number}, wide: {wide}, mapped: {mapped}\n"));
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
    let opening = drawn::opening();
    opening.write(&workspace, "opening", &mut draws);
    for (number, delivery) in deliveries.iter().enumerate() {
        delivery.write(&workspace, &format!("d{number}"), &mut draws);
    }
    modelled.left().write(&workspace, "left", &mut draws);
    let shown = || format!("seed {seed}, {}", print(&deliveries, &orders));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        take_in(&workspace, "left", "c", &plans.whole);
        for (order, cohort) in orders.iter().zip(["a", "b"]) {
            arrive(&workspace, cohort, order, plans, &mut draws);
            let arrived = order.iter().map(|&number| &deliveries[number]);
            let arrived: Vec<&Delivery> = std::iter::once(&opening).chain(arrived).collect();
            accounts_close(&workspace, cohort, &arrived);
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
