//! What the owner's reports tell, and the headline that all readers have.

use std::collections::{BTreeMap, BTreeSet};

use super::names::{SHARES, bounded, count_of, hits_of, parts, unit};
use super::published::{Published, Row};
use crate::elimination::System;

pub(super) fn tell(published: &Published, all: &mut System) {
    quarters(published, all);
    clinics(published, all);
    grades(published, all);
    referrals(published, all);
    deviation(published, all);
    moves(published, all);
    driver_totals(published, all);
    drivers(published, all);
    driver_frequencies(published, all);
}

/// Trends and headline: quarters, and what the centre line says of all of them.
fn quarters(published: &Published, all: &mut System) {
    for row in published.rows("headline") {
        unit(all, &row, &format!("q:{}", row.quarter), ["n", "value"]);
        centre(all, &row);
    }
    for row in published.rows("trends") {
        let quarter = format!("q:{}", row.text("quarter"));
        unit(all, &row, &quarter, ["n", "value"]);
        let whole = format!("upto:{}", row.quarter);
        parts(all, row.text("measure"), &whole, "trends", &quarter);
        centre(all, &row);
    }
}

/// The centre of a chart of shares is the share of all quarters together.
fn centre(all: &mut System, row: &Row<'_>) {
    let (measure, whole) = (row.text("measure"), format!("upto:{}", row.quarter));
    if SHARES.contains(&measure) {
        row.share(
            all,
            "centre",
            &count_of(measure, &whole),
            &hits_of(measure, &whole),
        );
    }
}

fn clinics(published: &Published, all: &mut System) {
    for row in published.rows("clinics") {
        let clinic = format!("clinic_id:{}@{}", row.text("clinic_id"), row.quarter);
        unit(all, &row, &clinic, ["n", "observed"]);
        let whole = format!("q:{}", row.quarter);
        parts(all, row.text("measure"), &whole, "clinics", &clinic);
    }
}

fn grades(published: &Published, all: &mut System) {
    for row in published.rows("two_ear_by_grade") {
        let grade = format!("grade:{}@{}", row.text("grade"), row.quarter);
        let (n, hits) = (count_of("two_ear", &grade), hits_of("two_ear", &grade));
        all.count(&n, row.text("n_candidates"));
        all.known(&hits, row.text("n_two_ear"));
        row.share(all, "two_ear", &n, &hits);
        let whole = format!("q:{}", row.quarter);
        parts(all, "two_ear", &whole, "two_ear_by_grade", &grade);
    }
}

fn referrals(published: &Published, all: &mut System) {
    for row in published.rows("referrals") {
        let rule = format!("rule:{}@{}", row.text("rule"), row.quarter);
        let id = format!("{rule}/{}", row.text("medical_referral"));
        all.count(&id, row.text("n_fittings"));
        all.part(&rule, "referrals", &id);
        all.at_most(&rule, &count_of("verified", &format!("q:{}", row.quarter)));
    }
}

/// The name of points of curves: of ears or fittings, of a quantity at average input and a frequency.
pub(super) fn points(what: &str, quantity: &str, hertz: &str, when: &str) -> String {
    format!("points of {what}:{quantity}/average/{hertz} {when}")
}

fn deviation(published: &Published, all: &mut System) {
    for row in published.rows("deviation") {
        let (quantity, hertz) = (row.text("quantity"), row.text("frequency_hz"));
        let (quarter, band) = (row.quarter, row.text("input_band"));
        let name = |what: &str| match band {
            "average" => points(what, quantity, hertz, quarter),
            _ => format!("points of {what}:{quantity}/{band}/{hertz} {quarter}"),
        };
        let (ears, fittings) = (name("ears"), name("fittings"));
        all.count(&ears, row.text("n_ears"));
        all.count(&fittings, row.text("n_fittings"));
        all.at_most(&fittings, &ears);
        all.at_most(&fittings, &hits_of("verified", &format!("q:{quarter}")));
        row.share(all, "within_5", &ears, &name("ears within 5 dB"));
        row.share(all, "within_criterion", &ears, &name("ears within"));
        if band == "average" {
            let both = format!("ears at {hertz} in {quarter}");
            all.part(&both, "deviation", &ears);
        }
    }
    // Ears of all quarters together are those that the signatures tell of.
    let known: BTreeSet<(&str, &str)> = published
        .rows("deviation")
        .iter()
        .filter(|row| row.text("input_band") == "average")
        .map(|row| (row.quarter, row.text("frequency_hz")))
        .collect();
    for (quarter, hertz) in &known {
        for later in published.reviewed().range(*quarter..) {
            for part in published.up_to(later) {
                all.part(
                    &format!("ears at {hertz} upto {later}"),
                    "deviation",
                    &format!("ears at {hertz} in {part}"),
                );
            }
        }
    }
}

/// The quarter against the four before it.
fn moves(published: &Published, all: &mut System) {
    for row in published.rows("moves") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        // How many there were in the quarter, the headline says: withheld here for the sake of those before.
        let now = format!("q:{quarter}");
        all.known(&count_of(measure, &now), row.text("n"));
        row.share(
            all,
            "value",
            &count_of(measure, &now),
            &hits_of(measure, &now),
        );
        let before = format!("before:{quarter}");
        unit(all, &row, &before, ["n_before", "before"]);
        change(all, &row, &now, &before);
        let least = format!("least of {}", count_of(measure, &before));
        all.known(&least, row.text("n_least"));
        for earlier in published.before(quarter) {
            let earlier = format!("q:{earlier}");
            parts(all, measure, &before, "trends", &earlier);
            all.at_most(&least, &count_of(measure, &earlier));
        }
    }
}

/// A change is the difference of two shares, so that one follows from the other.
fn change(all: &mut System, row: &Row<'_>, now: &str, before: &str) {
    let measure = row.text("measure");
    if let Some(change) = row.number("change") {
        all.change(
            change,
            [&count_of(measure, now), &hits_of(measure, now)],
            [&count_of(measure, before), &hits_of(measure, before)],
        );
    }
}

fn driver_totals(published: &Published, all: &mut System) {
    for row in published.rows("driver_totals") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        let (now, before) = (format!("q:{quarter}"), format!("before:{quarter}"));
        all.known(&count_of(measure, &now), row.text("n"));
        all.count(&count_of(measure, &before), row.text("n_before"));
        change(all, &row, &now, &before);
    }
}

/// Sums of mix and within parts that are shown though a group of theirs is withheld: with all digits, and the groups'
/// counts known to add up, few counts fit them.
pub(super) fn sums_over_withheld(published: &Published) -> Vec<String> {
    let key = |row: &Row<'_>| [row.quarter, row.text("measure"), row.text("grouping")].join(" ");
    let withheld: BTreeSet<String> = published
        .rows("drivers")
        .iter()
        .filter(|row| row.text("n").is_empty())
        .map(key)
        .collect();
    published
        .rows("driver_totals")
        .iter()
        .filter(|row| row.number("mix").is_some() || row.number("within").is_some())
        .map(key)
        .filter(|key| withheld.contains(key))
        .map(|key| format!("the sums of mix and within of {key}"))
        .collect()
}

fn drivers(published: &Published, all: &mut System) {
    for row in published.rows("drivers") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        let (grouping, group) = (row.text("grouping"), row.text("group"));
        let now = format!("{grouping}:{group}@{quarter}");
        let before = format!("{grouping}:{group} before {quarter}");
        unit(all, &row, &now, ["n", "share"]);
        unit(all, &row, &before, ["n_before", "before"]);
        let wholes = [format!("q:{quarter}"), format!("before:{quarter}")];
        all.known(&count_of(measure, &wholes[0]), row.text("n_all"));
        for (whole, part) in wholes.iter().zip([&now, &before]) {
            // Each grouping has a sum of its own.
            parts(all, measure, whole, grouping, part);
        }
    }
    // Four quarters of a group are those that the reports of these quarters tell of; a quarter without a report of its
    // own stays open.
    let reviewed = published.reviewed();
    let mut told: BTreeMap<(&str, &str, &str), BTreeSet<&str>> = BTreeMap::new();
    for (table, grouping, label) in [
        ("clinics", "clinic_id", "clinic_id"),
        ("two_ear_by_grade", "grade", "grade"),
    ] {
        for row in published.rows(table) {
            let measure = match table {
                "two_ear_by_grade" => "two_ear",
                _ => row.text("measure"),
            };
            let key = (grouping, measure, row.quarter);
            told.entry(key).or_default().insert(row.text(label));
        }
    }
    for row in published.rows("drivers") {
        let key = (row.text("grouping"), row.text("measure"), row.quarter);
        told.entry(key).or_default().insert(row.text("group"));
    }
    for row in published.rows("drivers") {
        let (measure, quarter) = (row.text("measure"), row.quarter);
        let (grouping, group) = (row.text("grouping"), row.text("group"));
        let earlier = published.before(quarter);
        if !earlier
            .iter()
            .any(|earlier| told.contains_key(&(grouping, measure, *earlier)))
        {
            continue;
        }
        for earlier in earlier {
            let groups = told.get(&(grouping, measure, earlier));
            // Who is in no table of a quarter that has one had nobody in it.
            if reviewed.contains(earlier) && groups.is_some_and(|groups| !groups.contains(group)) {
                continue;
            }
            let part = format!("{grouping}:{group}@{earlier}");
            let whole = format!("{grouping}:{group} before {quarter}");
            parts(all, measure, &whole, "quarters", &part);
            bounded(all, measure, &part);
        }
    }
}

fn driver_frequencies(published: &Published, all: &mut System) {
    let told: BTreeSet<(&str, &str, &str)> = published
        .rows("deviation")
        .iter()
        .filter(|row| row.text("input_band") == "average")
        .map(|row| (row.text("quantity"), row.text("frequency_hz"), row.quarter))
        .collect();
    let reviewed = published.reviewed();
    for row in published.rows("driver_frequencies") {
        let (quantity, hertz) = (row.text("quantity"), row.text("frequency_hz"));
        let quarter = row.quarter;
        let before = format!("before {quarter}");
        let name = |what: &str, when: &str| points(what, quantity, hertz, when);
        let whats = ["ears", "fittings", "ears within"];
        let [ears, fittings, within] = whats.map(|what| name(what, quarter));
        let [ears_before, fittings_before, within_before] = whats.map(|what| name(what, &before));
        all.count(&ears, row.text("n_ears"));
        all.count(&fittings, row.text("n_fittings"));
        all.count(&ears_before, row.text("n_ears_before"));
        all.count(&fittings_before, row.text("n_fittings_before"));
        all.at_most(&fittings_before, &ears_before);
        row.share(all, "share", &ears, &within);
        row.share(all, "before", &ears_before, &within_before);
        if let Some(change) = row.number("change") {
            all.change(change, [&ears, &within], [&ears_before, &within_before]);
        }
        let earlier = published.before(quarter);
        if !earlier.iter().any(|earlier| reviewed.contains(earlier)) {
            continue;
        }
        for earlier in earlier {
            if !reviewed.contains(earlier) || told.contains(&(quantity, hertz, earlier)) {
                for what in whats {
                    all.part(&name(what, &before), "quarters", &name(what, earlier));
                }
            }
        }
    }
}
