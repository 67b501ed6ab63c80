//! What drives a change of the headline shares: the quarter under review against the four before it, pooled, taken apart
//! by groups into mix and what happened within them.

use std::collections::BTreeMap;

use fitcohort_pipeline::plan::Criterion;
use fitcohort_pipeline::quarter::Quarter;
use fitcohort_pipeline::vocabulary::{FREQUENCIES, UP_TO_4000};

use super::owner_moves::{MEASURES, before};
use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, ratio};
use crate::engine::{POINTS_WITHIN, SHARES};
use crate::error::QueryError;
use crate::fits::Measure;
use crate::order;
use crate::selection::Selection;
use crate::statistics::decomposition::{
    Decomposition, GroupCounts, decompose, dispersion_of_changes, within_interval,
};
use crate::statistics::proportion::{ClusterSums, difference_over_clusters};
use crate::statistics::{Z_95, Z_998};
use crate::table::Table;
use crate::tables::units::{share_counts, signal};

/// By what a change is taken apart.
const GROUPINGS: [&str; 3] = ["clinic_id", "coupling", "grade"];

/// Whether a measure can be taken apart by a grouping. A fitting's coupling is `mixed` only where two ears were fitted, so
/// the coupling follows from the fitting of two ears and drives nothing.
fn applies(measure: Measure, grouping: &str) -> bool {
    !(measure == Measure::TwoEar && grouping == "coupling")
}

/// As for funnels: fewer groups say too little about their over-dispersion.
const ENOUGH_GROUPS: u64 = 10;

/// The groups of one measure and grouping, with what they add to its change.
struct TakenApart<'a> {
    labels: Vec<&'a Option<String>>,
    groups: Vec<GroupCounts>,
    found: Decomposition,
    /// The factor on the variance of the groups' own changes, at least 1.
    phi: f64,
}

/// Both tables.
pub(super) struct Drivers {
    /// Every group: measure × grouping × group.
    pub(super) groups: Table,
    /// The sums over groups: measure × grouping.
    pub(super) totals: Table,
}

/// Takes the change of each headline share apart.
///
/// In the groups' table `n` and `n_before` are the measure's denominators, `n_all` that of the whole now; `share` and
/// `before` shares 0-1; `mix` and `within` differences of shares that add up to the change over all groups; `within_lo`
/// and `within_hi` 95 % limits; `outer_lo` and `outer_hi` 99.8 % limits after over-dispersion; `signal` is `low` or
/// `high` where those leave out 0. Sources: Kitagawa (1955), Newcombe (1998, method 10), over-dispersion as for funnels
/// (Spiegelhalter 2005).
pub(super) fn drivers(
    whole: &mut Analysis<'_>,
    quarter: Option<Quarter>,
) -> Result<Drivers, QueryError> {
    let mut groups = Builder::new(
        "drivers",
        &[],
        &[
            ("measure", Kind::Text),
            ("grouping", Kind::Text),
            ("group", Kind::Text),
            ("n", Kind::Integer),
            ("n_before", Kind::Integer),
            ("n_all", Kind::Integer),
            ("share", Kind::Real),
            ("before", Kind::Real),
            ("mix", Kind::Real),
            ("within", Kind::Real),
            ("within_lo", Kind::Real),
            ("within_hi", Kind::Real),
            ("outer_lo", Kind::Real),
            ("outer_hi", Kind::Real),
            ("signal", Kind::Text),
        ],
    );
    let mut totals = Builder::new(
        "driver_totals",
        &[],
        &[
            ("measure", Kind::Text),
            ("grouping", Kind::Text),
            ("n", Kind::Integer),
            ("n_before", Kind::Integer),
            ("n_groups", Kind::Integer),
            ("change", Kind::Real),
            ("mix", Kind::Real),
            ("within", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let mut counted = Vec::new();
    if let Some(quarter) = quarter {
        for grouping in GROUPINGS {
            counted.push((grouping, by_period(whole, quarter, grouping)?));
        }
    }
    for measure in MEASURES {
        for (grouping, counts) in counted.iter().filter(|(g, _)| applies(measure, g)) {
            let Some(apart) = take_apart(counts, measure) else {
                continue;
            };
            let sums = apart.groups.iter().fold((0, 0), |(now, then), group| {
                (now + group.now.1, then + group.before.1)
            });
            add_groups(&mut groups, measure, grouping, &apart, sums.0);
            totals.row(
                &[],
                vec![
                    measure.name().into(),
                    (*grouping).into(),
                    sums.0.into(),
                    sums.1.into(),
                    apart.groups.len().into(),
                    apart.found.change().into(),
                    apart.found.mix.into(),
                    apart.found.within.into(),
                    how(&apart).as_str().into(),
                ],
            );
        }
    }
    Ok(Drivers {
        groups: groups.build(),
        totals: totals.build(),
    })
}

/// Counts by label and measure in both periods.
type Counts = BTreeMap<Option<String>, BTreeMap<Measure, GroupCounts>>;

fn by_period(
    whole: &mut Analysis<'_>,
    quarter: Quarter,
    grouping: &str,
) -> Result<Counts, QueryError> {
    let by = ["quarter".to_owned(), grouping.to_owned()];
    let table = whole.run_on_fits(SHARES, &by)?;
    let earlier: Vec<String> = before(quarter).iter().map(Quarter::to_string).collect();
    let now = quarter.to_string();
    let mut out = Counts::new();
    for measure in MEASURES {
        let counts = share_counts(&table, measure);
        for (row, (successes, n)) in counts.into_iter().enumerate() {
            let Some(quarter) = table.text_at("quarter", row) else {
                continue;
            };
            let is_now = quarter == now;
            if !is_now && !earlier.iter().any(|known| known == quarter) {
                continue;
            }
            let label = table.text_at(grouping, row).map(str::to_owned);
            let group = out
                .entry(label)
                .or_default()
                .entry(measure)
                .or_insert(GroupCounts {
                    before: (0, 0),
                    now: (0, 0),
                });
            let period = if is_now {
                &mut group.now
            } else {
                &mut group.before
            };
            period.0 += successes;
            period.1 += n;
        }
    }
    Ok(out)
}

/// None where a period has nobody in the measure's denominator.
fn take_apart(counts: &Counts, measure: Measure) -> Option<TakenApart<'_>> {
    let (labels, groups): (Vec<_>, Vec<GroupCounts>) = counts
        .iter()
        .filter_map(|(label, measures)| Some((label, *measures.get(&measure)?)))
        .filter(|(_, group)| group.now.1 + group.before.1 > 0)
        .unzip();
    let found = decompose(&groups).ok()?;
    let phi = dispersion_of_changes(&groups)
        .ok()
        .filter(|dispersion| dispersion.groups >= ENOUGH_GROUPS)
        .map_or(1.0, |dispersion| dispersion.in_force());
    Some(TakenApart {
        labels,
        groups,
        found,
        phi,
    })
}

fn how(apart: &TakenApart<'_>) -> String {
    if apart.phi > 1.0 {
        format!(
            "99.8 % limits made with z times {:.2} for over-dispersion between groups",
            apart.phi.sqrt()
        )
    } else {
        "99.8 % limits by chance alone".to_owned()
    }
}

fn add_groups(
    out: &mut Builder,
    measure: Measure,
    grouping: &str,
    apart: &TakenApart<'_>,
    n_all: u64,
) {
    let mut rows: Vec<usize> = (0..apart.groups.len()).collect();
    let label = |row: usize| apart.labels.get(row).and_then(|label| label.as_deref());
    rows.sort_by(|&one, &other| order::labels(grouping, label(one), label(other)));
    for row in rows {
        let (Some(group), Some(part)) = (apart.groups.get(row), apart.found.parts.get(row)) else {
            continue;
        };
        let limits = |z: f64| within_interval(*group, part.weight, z).ok();
        let (inner, outer) = (limits(Z_95), limits(Z_998 * apart.phi.sqrt()));
        // The change lies beyond its limits where they leave out that there was none.
        let called = match signal(Some(0.0), outer) {
            Cell::Text(Some(side)) if side == "low" => Cell::from("high"),
            Cell::Text(Some(side)) if side == "high" => Cell::from("low"),
            other => other,
        };
        out.row(
            &[],
            vec![
                measure.name().into(),
                grouping.into(),
                Cell::Text(label(row).map(str::to_owned)),
                group.now.1.into(),
                group.before.1.into(),
                n_all.into(),
                part.share_now.into(),
                part.share_before.into(),
                part.mix.into(),
                part.within.into(),
                inner.map(|i| i.lo).into(),
                inner.map(|i| i.hi).into(),
                outer.map(|i| i.lo).into(),
                outer.map(|i| i.hi).into(),
                called,
            ],
        );
    }
}

/// The limits that points are held against, hundredths of a dB by frequency. A criterion on the RMS names no point: there,
/// 5 dB from 250 to 4000 Hz.
fn limits(criterion: &Criterion) -> Vec<(u16, i16)> {
    FREQUENCIES
        .iter()
        .zip(criterion.limits)
        .enumerate()
        .filter_map(|(place, (frequency, limit))| {
            let limit = match criterion.sum_of_squares_below {
                Some(_) => UP_TO_4000.contains(&place).then_some(500),
                None => limit,
            }?;
            Some((*frequency, limit))
        })
        .collect()
}

/// With fewer fittings in a period their spread says too little for an interval; as for clinicians in the bootstrap.
const ENOUGH_FITTINGS: u64 = 10;

/// Points inside the criterion's limit in the quarter and in the four before it: quantity × frequency_hz.
///
/// `limit_db` in dB; `share` and `before` of the points (ears, input levels), 0-1; `change` their difference with its 95 %
/// limits, which take fittings and not points as independent, since the points of one fitting go together; none below ten
/// fittings in a period, or where all fittings of a period have the same share. Points have no mix: each ear has its point
/// at every frequency.
pub(super) fn frequencies(
    whole: &Analysis<'_>,
    quarter: Option<Quarter>,
) -> Result<Table, QueryError> {
    let mut out = Builder::new(
        "driver_frequencies",
        &[],
        &[
            ("quantity", Kind::Text),
            ("frequency_hz", Kind::Integer),
            ("limit_db", Kind::Real),
            ("n_ears", Kind::Integer),
            ("n_fittings", Kind::Integer),
            ("n_ears_before", Kind::Integer),
            ("n_fittings_before", Kind::Integer),
            ("share", Kind::Real),
            ("before", Kind::Real),
            ("change", Kind::Real),
            ("change_lo", Kind::Real),
            ("change_hi", Kind::Real),
        ],
    );
    let Some(quarter) = quarter else {
        return Ok(out.build());
    };
    let earlier = before(quarter);
    let selection = Selection {
        from: earlier.last().copied(),
        to: Some(quarter),
        ..Selection::default()
    };
    let mut analysis = Analysis::open(whole.cohort, whole.plan, selection)?;
    let now = quarter.to_string();
    let keys = ["quarter".to_owned(), "quantity".to_owned()];
    for (frequency, limit) in limits(&analysis.criterion) {
        let places = analysis
            .places(&[])
            .with("frequency", frequency.to_string())
            .with("limit", limit.to_string());
        let found = analysis.run(POINTS_WITHIN, &keys, &places)?;
        // Now and before.
        let mut by_quantity: BTreeMap<String, [ClusterSums; 2]> = BTreeMap::new();
        for row in 0..found.rows() {
            let Some(quantity) = found.text_at("quantity", row) else {
                continue;
            };
            let [of_now, of_before] = by_quantity.entry(quantity.to_owned()).or_default();
            let period = if found.text_at("quarter", row) == Some(now.as_str()) {
                of_now
            } else {
                of_before
            };
            // A fitting is in one quarter, so the quarters of a period add up.
            let ClusterSums {
                clusters,
                trials,
                successes,
                trials_squared,
                products,
                successes_squared,
            } = period;
            for (sum, column) in [
                (clusters, "n_fittings"),
                (trials, "n_ears"),
                (successes, "n_within"),
                (trials_squared, "points_squared"),
                (products, "products"),
                (successes_squared, "within_squared"),
            ] {
                *sum += count_at(&found, column, row);
            }
        }
        for (quantity, [now, then]) in by_quantity {
            let share = ratio(now.successes, now.trials);
            let before = ratio(then.successes, then.trials);
            let enough = now.clusters.min(then.clusters) >= ENOUGH_FITTINGS;
            let change = difference_over_clusters(&now, &then)
                .ok()
                .filter(|_| enough);
            out.row(
                &[],
                vec![
                    quantity.as_str().into(),
                    i64::from(frequency).into(),
                    (f64::from(limit) / 100.0).into(),
                    now.trials.into(),
                    now.clusters.into(),
                    then.trials.into(),
                    then.clusters.into(),
                    share.into(),
                    before.into(),
                    share.zip(before).map(|(now, then)| now - then).into(),
                    change.map(|i| i.lo).into(),
                    change.map(|i| i.hi).into(),
                ],
            );
        }
    }
    let order = ["quantity".to_owned(), "frequency_hz".to_owned()];
    Ok(order::sorted(&out.build(), &order))
}
