//! `clinicians` and `variance`: where units (clinicians, as a rule) differ, and how much of it is more than chance.

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, mean, ratio};
use crate::engine;
use crate::error::QueryError;
use crate::fits::{Fits, Group, Measure, groups_of};
use crate::statistics::description::mean_sd;
use crate::statistics::funnel::{
    Dispersion, Widening, binomial_limits, dispersion, normal_limits, z_of_share,
};
use crate::statistics::mixed::Level;
use crate::statistics::{Interval, NotEstimable};
use crate::study;
use crate::table::Table;

use super::case_mix::{CaseMix, Valued, compare, covariates_for};

/// Coverage of the limits beyond which a unit is called out.
pub(crate) const OUTER: f64 = 0.998;
/// Coverage of the inner limits, for drawing.
pub(crate) const INNER: f64 = 0.95;

/// Measures of the table: shares, then levels.
pub(crate) const SHARES: [Measure; 6] = [
    Measure::WithinCriterion,
    Measure::Verified,
    Measure::TwoEar,
    Measure::Answered,
    Measure::Satisfied,
    Measure::Returned,
];

/// The values of one measure, by unit.
pub(crate) struct UnitValues {
    /// For each unit the values of its rows.
    pub(crate) values: Vec<Vec<f64>>,
    /// The rows behind them, in the same order.
    rows: Vec<Vec<usize>>,
}

impl UnitValues {
    pub(crate) fn new(fits: &Fits, units: &[Group], measure: Measure, satisfied_from: f64) -> Self {
        let mut values = Vec::with_capacity(units.len());
        let mut rows = Vec::with_capacity(units.len());
        for unit in units {
            let (in_rows, in_values): (Vec<usize>, Vec<f64>) = unit
                .rows
                .iter()
                .filter_map(|&row| Some((row, fits.value(measure, row, satisfied_from)?)))
                .unzip();
            values.push(in_values);
            rows.push(in_rows);
        }
        Self { values, rows }
    }

    /// Unit, row and value of every value.
    fn valued(&self) -> Vec<Valued> {
        (0_u32..)
            .zip(self.rows.iter().zip(&self.values))
            .flat_map(|(unit, (rows, values))| {
                rows.iter()
                    .zip(values)
                    .map(move |(row, value)| (unit, *row, *value))
            })
            .collect()
    }

    /// The units compared after case mix.
    ///
    /// # Errors
    /// The reason, in words, why they cannot be.
    fn compare(&self, fits: &Fits, names: &[String]) -> Result<CaseMix, String> {
        compare(fits, names, &self.valued())
    }

    /// Each unit's level under a comparison; none where a unit has no value in it.
    fn levels(&self, compared: Option<&CaseMix>) -> Vec<Option<Level>> {
        let mut out = vec![None; self.values.len()];
        let levels = compared.and_then(|compared| compared.model.levels().ok());
        for level in levels.unwrap_or_default() {
            if let Some(slot) = out.get_mut(level.label as usize) {
                *slot = Some(level);
            }
        }
        out
    }
}

/// A unit's number, mean and sum of squared deviations.
struct Sufficient {
    n: u64,
    mean: f64,
    ss: f64,
}

fn sufficient(values: &[f64]) -> Option<Sufficient> {
    let mean = mean(values)?;
    let n = values.len() as u64;
    let ss = values.iter().map(|x| (x - mean) * (x - mean)).sum();
    Some(Sufficient { n, mean, ss })
}

/// Fewer units than this say too little about their over-dispersion: one outlier among five would hide itself in it.
const ENOUGH_UNITS: usize = 10;

fn enough(z: &[f64]) -> Option<&[f64]> {
    (z.len() >= ENOUGH_UNITS).then_some(z)
}

/// The limits of a funnel by size of unit.
pub(crate) enum Funnel {
    /// For a share: overall share, and factor on the variance.
    Share {
        /// Share over all units.
        target: f64,
        /// Winsorised over-dispersion, at least 1.
        phi: f64,
    },
    /// For a level: overall mean, SD within units, variance added between them.
    Level {
        /// Mean over all fittings, dB.
        target: f64,
        /// SD within units, dB.
        sd: f64,
        /// Winsorised additive over-dispersion, dB squared.
        tau_squared: f64,
    },
}

impl Funnel {
    /// The funnel of a share, from successes and sizes.
    pub(crate) fn of_share(counts: &[(u64, u64)]) -> Result<Self, NotEstimable> {
        let n: u64 = counts.iter().map(|(_, n)| n).sum();
        let successes: u64 = counts.iter().map(|(k, _)| k).sum();
        let target = ratio(successes, n).ok_or(NotEstimable::TooFew { needed: 1, got: 0 })?;
        let sized: Vec<(u64, u64)> = counts.iter().copied().filter(|(_, n)| *n > 0).collect();
        let z: Vec<f64> = sized
            .iter()
            .map(|&(k, n)| z_of_share(k, n, target))
            .collect::<Result<_, _>>()?;
        let errors: Vec<f64> = sized
            .iter()
            .map(|&(_, n)| (target * (1.0 - target) / n as f64).sqrt())
            .collect();
        let phi = enough(&z)
            .and_then(|z| dispersion(z, &errors).ok())
            .map_or(1.0, |d: Dispersion| d.in_force());
        Ok(Self::Share { target, phi })
    }

    /// The funnel of a level, from the values of each unit.
    pub(crate) fn of_level(values: &[Vec<f64>]) -> Result<Self, NotEstimable> {
        let groups: Vec<Sufficient> = values.iter().filter_map(|v| sufficient(v)).collect();
        let all: Vec<f64> = values.iter().flatten().copied().collect();
        let target = mean_sd(&all)?.mean;
        let n: u64 = groups.iter().map(|group| group.n).sum();
        let freedom = n.saturating_sub(groups.len() as u64);
        if freedom == 0 {
            return Err(NotEstimable::OnlySingletons);
        }
        let sd = (groups.iter().map(|group| group.ss).sum::<f64>() / freedom as f64).sqrt();
        if sd <= 0.0 {
            return Err(NotEstimable::NoVariation);
        }
        let errors: Vec<f64> = groups
            .iter()
            .map(|group| sd / (group.n as f64).sqrt())
            .collect();
        let z: Vec<f64> = groups
            .iter()
            .zip(&errors)
            .map(|(group, error)| (group.mean - target) / error)
            .collect();
        let tau_squared = enough(&z)
            .and_then(|z| dispersion(z, &errors).ok())
            .map_or(0.0, |d| d.tau_squared_winsorised);
        Ok(Self::Level {
            target,
            sd,
            tau_squared,
        })
    }

    /// The value over all units.
    pub(crate) fn target(&self) -> f64 {
        match self {
            Self::Share { target, .. } | Self::Level { target, .. } => *target,
        }
    }

    /// Limits for a unit of `n`.
    pub(crate) fn limits(&self, n: u64, coverage: f64) -> Result<Interval, NotEstimable> {
        match self {
            Self::Share { target, phi } => binomial_limits(*target, n, coverage, *phi),
            Self::Level {
                target,
                sd,
                tau_squared,
            } => {
                let error = sd / (n.max(1) as f64).sqrt();
                normal_limits(*target, error, coverage, Widening::Additive(*tau_squared))
            }
        }
    }
}

/// The unit columns of a selection: its grouping, or clinicians where there is none.
pub(crate) fn unit_columns(analysis: &Analysis<'_>) -> Vec<String> {
    if analysis.by().is_empty() {
        vec!["clinician_id".to_owned()]
    } else {
        analysis.by().to_vec()
    }
}

/// Which side of its limits a value is on.
pub(crate) fn signal(value: Option<f64>, limits: Option<Interval>) -> Cell {
    match (value, limits) {
        (Some(value), Some(limits)) if value < limits.lo => "low".into(),
        (Some(value), Some(limits)) if value > limits.hi => "high".into(),
        (Some(_), Some(_)) => "none".into(),
        _ => Cell::Text(None),
    }
}

/// Units against the funnel of all: unit × measure.
pub(super) fn clinicians(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = unit_columns(analysis);
    let plan = analysis.plan;
    study::check(plan, &analysis.cohort.manifest.label_columns)?;
    let satisfied_from = plan.outcome.satisfied_from;
    let counts = analysis.run_on_fits(engine::SHARES, &by)?;
    let fits = analysis.fits()?;
    let units = fits.groups(&by);
    let mut out = Builder::new(
        "clinicians",
        &by,
        &[
            ("measure", Kind::Text),
            ("n", Kind::Integer),
            ("observed", Kind::Real),
            ("adjusted", Kind::Real),
            ("shrunken", Kind::Real),
            ("shrunken_lo", Kind::Real),
            ("shrunken_hi", Kind::Real),
            ("limit_low", Kind::Real),
            ("limit_high", Kind::Real),
            ("signal", Kind::Text),
            ("how", Kind::Text),
        ],
    );
    let mut add = |measure: Measure,
                   values: &UnitValues,
                   funnel: Result<Funnel, NotEstimable>,
                   observed: &[(u64, Option<f64>)]| {
        let is_share = matches!(funnel, Ok(Funnel::Share { .. }));
        let bounded = |x: f64| if is_share { x.clamp(0.0, 1.0) } else { x };
        let compared = values.compare(fits, &covariates_for(plan, measure, &by));
        let how = match &compared {
            Ok(compared) => compared.how.clone(),
            Err(reason) => reason.clone(),
        };
        let compared = compared.ok();
        let levels = values.levels(compared.as_ref());
        let is_adjusted = compared.is_some_and(|compared| compared.adjusted);
        for (position, unit) in units.iter().enumerate() {
            let (n, value) = observed.get(position).copied().unwrap_or((0, None));
            let limits = funnel
                .as_ref()
                .ok()
                .filter(|_| n > 0)
                .and_then(|funnel| funnel.limits(n, OUTER).ok());
            let level = levels.get(position).and_then(Option::as_ref);
            let shrunk = level.map(|level| level.shrunken);
            let adjusted = level.filter(|_| is_adjusted).map(|level| level.adjusted);
            out.row(
                &unit.labels,
                vec![
                    measure.name().into(),
                    n.into(),
                    value.into(),
                    adjusted.into(),
                    shrunk.map(|s| bounded(s.estimate)).into(),
                    shrunk.map(|s| bounded(s.lo)).into(),
                    shrunk.map(|s| bounded(s.hi)).into(),
                    limits.map(|l| l.lo).into(),
                    limits.map(|l| l.hi).into(),
                    signal(value, limits),
                    how.as_str().into(),
                ],
            );
        }
    };
    for measure in SHARES {
        let pairs = share_counts(&counts, measure);
        let observed: Vec<(u64, Option<f64>)> =
            pairs.iter().map(|&(k, n)| (n, ratio(k, n))).collect();
        let values = UnitValues::new(fits, &units, measure, satisfied_from);
        add(measure, &values, Funnel::of_share(&pairs), &observed);
    }
    for measure in Measure::LEVELS {
        let values = UnitValues::new(fits, &units, measure, satisfied_from);
        let observed: Vec<(u64, Option<f64>)> = values
            .values
            .iter()
            .map(|v| (v.len() as u64, sufficient(v).map(|group| group.mean)))
            .collect();
        add(
            measure,
            &values,
            Funnel::of_level(&values.values),
            &observed,
        );
    }
    Ok(crate::order::sorted(&out.build(), &by))
}

/// Numerator and denominator of a share by row of a table of counts.
pub(crate) fn share_counts(counts: &Table, measure: Measure) -> Vec<(u64, u64)> {
    let denominator = format!("n_{}", measure.name());
    (0..counts.rows())
        .map(|row| {
            (
                count_at(counts, measure.name(), row),
                count_at(counts, &denominator, row),
            )
        })
        .collect()
}

/// Variance between clinicians and within, after case mix: group × measure × component. Variances are in the squared unit
/// of the measure (dB squared, or shares squared); the ICC is a share of the whole.
pub(super) fn variance(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let plan = analysis.plan;
    study::check(plan, &analysis.cohort.manifest.label_columns)?;
    let satisfied_from = plan.outcome.satisfied_from;
    let fits = analysis.fits()?;
    let clinician = ["clinician_id".to_owned()];
    let mut out = Builder::new(
        "variance",
        &by,
        &[
            ("measure", Kind::Text),
            ("component", Kind::Text),
            ("n", Kind::Integer),
            ("n_clinicians", Kind::Integer),
            ("estimate", Kind::Real),
            ("lo", Kind::Real),
            ("hi", Kind::Real),
            ("how", Kind::Text),
        ],
    );
    let measures = Measure::LEVELS
        .into_iter()
        .chain([Measure::WithinCriterion, Measure::Satisfied]);
    let stratified = fits.groups(&by);
    for measure in measures {
        let names = covariates_for(plan, measure, &by);
        for stratum in &stratified {
            let part = groups_of(fits.table(), &clinician, &stratum.rows);
            let values = UnitValues::new(fits, &part, measure, satisfied_from);
            let compared = values.compare(fits, &names);
            let how = match &compared {
                Ok(compared) => format!("{}; profile likelihood", compared.how),
                Err(reason) => reason.clone(),
            };
            let model = compared.ok().map(|compared| compared.model);
            let intervals = model.as_ref().and_then(|model| model.intervals().ok());
            let square = |i: Interval| Interval {
                lo: i.lo * i.lo,
                hi: i.hi * i.hi,
            };
            let components = [
                (
                    "clinician",
                    model.as_ref().map(|m| m.var_between),
                    intervals.map(|i| square(i.between_sd)),
                ),
                (
                    "residual",
                    model.as_ref().map(|m| m.var_within),
                    intervals.map(|i| square(i.within_sd)),
                ),
                (
                    "icc",
                    model.as_ref().map(|m| m.icc),
                    intervals.map(|i| i.icc),
                ),
            ];
            for (component, estimate, interval) in components {
                out.row(
                    &stratum.labels,
                    vec![
                        measure.name().into(),
                        component.into(),
                        model.as_ref().map_or(0, |m| m.observations).into(),
                        model.as_ref().map_or(0, |m| m.groups).into(),
                        estimate.into(),
                        interval.map(|i| i.lo).into(),
                        interval.map(|i| i.hi).into(),
                        how.as_str().into(),
                    ],
                );
            }
        }
    }
    Ok(crate::order::sorted(&out.build(), &by))
}
