//! `clinicians` and `variance`: where units (clinicians, as a rule) differ, and how much of it is more than chance.

use crate::analysis::Analysis;
use crate::builder::{Builder, Cell, Kind, count_at, mean, ratio};
use crate::engine;
use crate::error::QueryError;
use crate::fits::{Fits, Group, Measure, numbered};
use crate::statistics::description::mean_sd;
use crate::statistics::funnel::{
    Dispersion, Widening, binomial_limits, dispersion, normal_limits, z_of_share,
};
use crate::statistics::random_intercept::{self, RandomIntercept, Shrunken};
use crate::statistics::standardise::indirect;
use crate::statistics::{Interval, NotEstimable};
use crate::table::Table;

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

    /// Sufficient numbers of the units that have any value, with their positions.
    fn groups(&self) -> (Vec<usize>, Vec<random_intercept::Group>) {
        self.values
            .iter()
            .enumerate()
            .filter_map(|(unit, values)| Some((unit, sufficient(values)?)))
            .unzip()
    }

    /// The random-intercept fit, with the units' positions and groups.
    pub(crate) fn fit(
        &self,
    ) -> Result<(RandomIntercept, Vec<usize>, Vec<random_intercept::Group>), NotEstimable> {
        let (positions, groups) = self.groups();
        let fit = random_intercept::fit(&groups)?;
        Ok((fit, positions, groups))
    }

    /// Shrunken estimates by unit; none where a unit has no value or nothing can be estimated.
    fn shrunken(&self) -> Vec<Option<Shrunken>> {
        let mut out: Vec<Option<Shrunken>> = self.values.iter().map(|_| None).collect();
        if let Ok((fit, positions, groups)) = self.fit()
            && let Ok(estimates) = fit.shrunken(&groups)
        {
            for (position, estimate) in positions.into_iter().zip(estimates) {
                if let Some(slot) = out.get_mut(position) {
                    *slot = Some(estimate);
                }
            }
        }
        out
    }

    /// Means adjusted for case mix by indirect standardisation over grade, coupling and experience.
    fn adjusted(&self, fits: &Fits) -> Vec<Option<f64>> {
        let flat: Vec<(u32, usize, f64)> = (0_u32..)
            .zip(self.rows.iter().zip(&self.values))
            .flat_map(|(unit, (rows, values))| {
                rows.iter()
                    .zip(values)
                    .map(move |(row, value)| (unit, *row, *value))
            })
            .collect();
        let values: Vec<f64> = flat.iter().map(|(_, _, value)| *value).collect();
        let units: Vec<u32> = flat.iter().map(|(unit, _, _)| *unit).collect();
        let strata = numbered(flat.iter().map(|(_, row, _)| fits.case_mix(*row)));
        let mut out = vec![None; self.values.len()];
        if let Ok(standardised) = indirect(&values, &units, &strata) {
            for unit in standardised.units {
                if let Some(slot) = out.get_mut(unit.unit as usize) {
                    *slot = Some(unit.adjusted);
                }
            }
        }
        out
    }
}

fn sufficient(values: &[f64]) -> Option<random_intercept::Group> {
    let mean = mean(values)?;
    let n = values.len() as u64;
    let ss = values.iter().map(|x| (x - mean) * (x - mean)).sum();
    Some(random_intercept::Group { n, mean, ss })
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
        let groups: Vec<random_intercept::Group> =
            values.iter().filter_map(|v| sufficient(v)).collect();
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
    let satisfied_from = analysis.plan.outcome.satisfied_from;
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
        ],
    );
    let mut add = |measure: Measure,
                   values: &UnitValues,
                   funnel: Result<Funnel, NotEstimable>,
                   observed: &[(u64, Option<f64>)]| {
        let is_share = matches!(funnel, Ok(Funnel::Share { .. }));
        let bounded = |x: f64| if is_share { x.clamp(0.0, 1.0) } else { x };
        let shrunken = values.shrunken();
        let adjusted = values.adjusted(fits);
        for (position, unit) in units.iter().enumerate() {
            let (n, value) = observed.get(position).copied().unwrap_or((0, None));
            let limits = funnel
                .as_ref()
                .ok()
                .filter(|_| n > 0)
                .and_then(|funnel| funnel.limits(n, OUTER).ok());
            let shrunk = shrunken.get(position).and_then(Option::as_ref);
            out.row(
                &unit.labels,
                vec![
                    measure.name().into(),
                    n.into(),
                    value.into(),
                    adjusted.get(position).copied().flatten().into(),
                    shrunk.map(|s| bounded(s.estimate)).into(),
                    shrunk.map(|s| bounded(s.lo)).into(),
                    shrunk.map(|s| bounded(s.hi)).into(),
                    limits.map(|l| l.lo).into(),
                    limits.map(|l| l.hi).into(),
                    signal(value, limits),
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

/// Variance between clinicians and within: group × measure × component. Variances are in the squared unit of the
/// measure (dB squared, or shares squared); the ICC is a share of the whole.
pub(super) fn variance(analysis: &mut Analysis<'_>) -> Result<Table, QueryError> {
    let by = analysis.by().to_vec();
    let satisfied_from = analysis.plan.outcome.satisfied_from;
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
        ],
    );
    let measures = Measure::LEVELS
        .into_iter()
        .chain([Measure::WithinCriterion, Measure::Satisfied]);
    let stratified = fits.groups(&by);
    for measure in measures {
        for stratum in &stratified {
            let part = crate::fits::groups_of(fits.table(), &clinician, &stratum.rows);
            let values = UnitValues::new(fits, &part, measure, satisfied_from);
            let fit = values.fit().ok();
            let intervals = fit
                .as_ref()
                .and_then(|(fit, _, groups)| random_intercept::intervals(groups, fit).ok());
            let square = |i: Interval| Interval {
                lo: i.lo * i.lo,
                hi: i.hi * i.hi,
            };
            let components = [
                (
                    "clinician",
                    fit.as_ref().map(|(f, _, _)| f.var_between),
                    intervals.map(|i| square(i.between_sd)),
                ),
                (
                    "residual",
                    fit.as_ref().map(|(f, _, _)| f.var_within),
                    intervals.map(|i| square(i.within_sd)),
                ),
                (
                    "icc",
                    fit.as_ref().map(|(f, _, _)| f.icc),
                    intervals.map(|i| i.icc),
                ),
            ];
            for (component, estimate, interval) in components {
                out.row(
                    &stratum.labels,
                    vec![
                        measure.name().into(),
                        component.into(),
                        fit.as_ref().map_or(0, |(f, _, _)| f.observations).into(),
                        fit.as_ref().map_or(0, |(f, _, _)| f.groups).into(),
                        estimate.into(),
                        interval.map(|i| i.lo).into(),
                        interval.map(|i| i.hi).into(),
                    ],
                );
            }
        }
    }
    Ok(crate::order::sorted(&out.build(), &by))
}
