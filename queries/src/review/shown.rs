//! What follows from other cells of the tables: the order of the signature's rows and the runs of the owner's charts. It
//! is made after withholding, of what is shown alone, so that it can tell of nothing else.

use super::Review;
use super::owner_moves::with_runs;
use super::similarity::ordered;
use crate::table::Table;

/// Adds both to a review.
///
/// `clinicians` holds every id of the snapshot in the order that decides where nothing else does.
pub(super) fn add(review: &mut Review, clinicians: &[String]) {
    if let Some(signature) = review.tables.remove("signature") {
        let ordered = ordered(signature, clinicians);
        review
            .tables
            .insert("signature".to_owned(), marks_last(ordered));
    }
    if let Some(moves) = review.tables.remove("moves") {
        let quarter = review.context.quarter.as_deref();
        let told = with_runs(moves, review.table("trends"), quarter);
        review.tables.insert("moves".to_owned(), marks_last(told));
    }
}

/// The table with the column that says what is withheld at its end.
fn marks_last(mut table: Table) -> Table {
    let place = table.columns.iter().position(|c| c.name == "withheld");
    if let Some(place) = place {
        let marks = table.columns.remove(place);
        table.columns.push(marks);
    }
    table
}
