//! What only the trainer's page has: how much goes with the clinician.

use fitcohort_queries::review::Review;
use fitcohort_queries::table::Table;
use maud::{Markup, html};

use super::number::{interval, n, number};
use crate::drawing::text::clean;
use crate::words;

/// The section after the numbers.
pub(super) fn opening(review: &Review) -> Markup {
    let table = review.table("variance").where_text("component", "icc");
    html! {
        section aria-labelledby="variance" {
            h2 #variance { "How much goes with the clinician" }
            p {
                "The intraclass correlation (ICC) says how much of the variation between fittings goes with who fitted: 0 % means that no difference between clinicians was found, 100 % that each clinician's fittings are all alike. The covariates of the plan are taken into account; the clinic, and whatever of the case mix they do not tell, are mixed in with the clinician: what looks like one may be the other. Shares are fitted linearly, on 0 and 1. How each was made stands under the table."
            }
            @if table.rows() == 0 {
                p { "It cannot be estimated here: that takes several clinicians with several fittings each." }
            } @else {
                ul {
                    @for row in 0..table.rows() {
                        li { (icc(&table, row)) }
                    }
                }
            }
            p {
                "A low value means that comparing single clinicians tells little. A high one does not say why. A point beyond a limit is an invitation to look together at cases, coupling and method. It is no verdict: with many clinicians some lie beyond a limit by chance, and a funnel takes no account of who was fitted. The columns \"Adjusted\" and \"Shrunken\" of the table do, by the covariates of the plan, and even that is never the whole case mix."
            }
        }
    }
}

fn icc(table: &Table, row: usize) -> Markup {
    let key = "variance";
    let measure = words::of_value(table.text_at("measure", row).unwrap_or("measure"));
    if table.real_at("estimate", row).is_none() {
        return html! { (clean(measure)) ": not estimable." };
    }
    html! {
        (clean(measure)) ": " (number(key, table, row, "estimate")) " of the variation goes with the clinician ("
        (interval(key, table, row, ["lo", "hi"])) "; " (n(key, table, row, "n")) " fittings; "
        (number(key, table, row, "n_clinicians")) " clinicians); the rest is between fittings of the same clinician."
    }
}
