//! Reports of several quarters held against each other give away no more than those of one.

use super::{Cohort, attacked, columns, files, report};

/// Attacks a set of quarters; gives how much was withheld and what came out.
fn attack(cohort: &Cohort, quarters: &str) -> (usize, Vec<String>) {
    let workspace = cohort.made();
    let options = ["--quarters", quarters];
    let open = report(&workspace, 1, "open", &options, &[]);
    let at = format!("{}, {quarters} quarters", cohort.words());
    let (withheld, _) = attacked(&open, 1, &at);
    assert_eq!(withheld, 0, "{at}");
    let left_out = columns::left_out(&open);
    assert!(left_out.is_empty(), "the attack leaves out {left_out:#?}");
    let mut all = (0, Vec::new());
    for minimum in [5, 10] {
        let folder = format!("least-{minimum}");
        let published = report(&workspace, minimum, &folder, &options, &[]);
        assert!(
            published.reviewed().len() > 1,
            "{at}: one quarter is no set"
        );
        let (withheld, found) = attacked(&published, minimum, &at);
        all.0 += withheld;
        all.1.extend(
            found
                .into_iter()
                .map(|found| format!("{at}, at least {minimum}: {found}")),
        );
        files::drawings_show_no_small_count(&workspace, &published, &folder, minimum);
        files::results_hold_the_same(&published);
    }
    all
}

#[test]
fn no_withheld_count_follows_from_reports_of_several_quarters() {
    for cohort in [Cohort::new(300, 11), Cohort::dealt(600, 9, 5, 6)] {
        for quarters in ["4", "all"] {
            let (withheld, found) = attack(&cohort, quarters);
            assert!(withheld > 0, "nothing is withheld");
            assert!(
                found.is_empty(),
                "{} of {withheld} withheld come out: {found:#?}",
                found.len()
            );
        }
    }
}
