//! How far the numbers go, and where they stop.

use fitcohort_queries::review::{Reader, Review};
use maud::{Markup, html};

use super::number::of_context;

/// The same for all readers, with a line or two of their own.
pub(super) fn section(review: &Review) -> Markup {
    html! {
        section aria-labelledby="cautions" {
            h2 #cautions { "How far this goes" }
            ul {
                li { "Records of daily work, not an experiment: what goes together here need not be cause and effect." }
                li { "Nothing here is about one person's treatment. That rests with licensed clinicians and the codes that hold where they work." }
                li { "A pass at 5 dB misclassifies some ears: repeat measurements of the same ear differ (within-person standard deviation below 4 dB from 250 to 4000 Hz, more above). 6000 and 8000 Hz are therefore not scored by default." }
                li { "RMS deviation is the root of the mean square of measured less target over 500, 1000, 2000 and 4000 Hz, so that shortfall and excess do not cancel; the mean deviation keeps its sign. Over-dispersion: clinics, clinicians or quarters differ by more than chance alone on so many fittings, and limits that allow for it are wider." }
                li { "A fitting within criterion was within tolerance of its target at average input level, at the frequencies named. Whether the target suits the wearer is another question." }
                li { "A fitting is outside its criterion where any fitted ear is, within where all are, and otherwise not judged and left out. An incomplete curve can be judged outside but not within, so the share within leans low." }
                li { "Limits, but for their allowance for over-dispersion, and the intervals of shares (Wilson) take fittings as independent of each other. Fittings of one clinician are alike, so both may be too narrow." }
                @if review.reader == Reader::Owner {
                    li { "A referral rule that is met asks for a clinician's look and is no diagnosis. \"No referral recorded\" is not \"not referred\"; a missing threshold means that the rule cannot be evaluated." }
                }
                @if review.reader == Reader::Trainer {
                    li { "Clinicians stand in the order of their ids or letters, in the signature by how alike they are; neither is a ranking." }
                }
                @if review.context.letters {
                    li { "Letters stand for the clinicians, in an order drawn by chance; which letter is whom is written nowhere in this report. They do not hide a clinician whom the rest gives away: a clinic with one clinician, a caseload that everyone knows, an id of a fitting that can be looked up." }
                }
                @if review.context.year_only {
                    li { "Dates are kept to the year: where these pages speak of a quarter, a year is meant. Whether the cohort counts as de-identified (45 CFR 164.514(b)(2)) rests besides on its pseudonyms and labels, which no program can judge." }
                } @else {
                    li { "Dates are kept to the quarter, which is finer than 45 CFR 164.514(b)(2) allows for de-identified data: treat the cohort, and what is drawn from it, as a limited data set." }
                }
                li { "Answers come from those who answered. The response rate stands beside them." }
                li {
                    "Cells built on fewer than " (of_context(review, "minimum_cell"))
                    " people are withheld, and with them what else on these pages, or on those of other quarters made at once with them, would give them away. Reports made at another time or with another plan, held against these, may still do so: keep these pages inside the practice."
                }
            }
        }
    }
}
