//! Indirect standardisation: what a unit would be expected to show, given the cases it sees.

use std::collections::BTreeMap;

use super::{NotEstimable, all_finite, at_least, finite, same_length};

/// One unit (a clinician, a clinic), see [`indirect`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// The label given.
    pub unit: u32,
    /// The number of rows.
    pub n: u64,
    /// The mean of the unit's own values.
    pub observed: f64,
    /// The mean over the unit's rows of the mean of each row's stratum.
    pub expected: f64,
    /// The overall mean plus `observed - expected`.
    pub adjusted: f64,
}

/// The outcome of [`indirect`].
#[derive(Debug, Clone, PartialEq)]
pub struct Standardised {
    /// The mean over all rows.
    pub overall: f64,
    /// The units by ascending label.
    pub units: Vec<Unit>,
}

/// Standardises the mean of each unit for case mix, indirectly.
///
/// `values`, `unit` and `stratum` have one entry a row: an outcome in any units (0 and 1 for a share), the label of the
/// unit, and that of the stratum of cases. Stratum means come from all units together, so a unit's own rows are part
/// of its standard. Adjusted means of two units compare each with the standard, not with each other: their case mixes
/// still differ. Sums run over sorted rows, so the order of rows cannot move a bit. Source: Keiding (1987), Int Stat
/// Rev 55:1; the additive form for means is common practice, no source.
///
/// # Errors
/// [`NotEstimable::TooFew`] without rows; [`NotEstimable::LengthsDiffer`]; [`NotEstimable::NotFinite`].
pub fn indirect(
    values: &[f64],
    unit: &[u32],
    stratum: &[u32],
) -> Result<Standardised, NotEstimable> {
    same_length(values.len(), unit.len())?;
    same_length(values.len(), stratum.len())?;
    at_least(1, values.len() as u64)?;
    all_finite(values)?;
    let mut rows: Vec<(u32, u32, f64)> = stratum
        .iter()
        .zip(unit)
        .zip(values)
        .map(|((&stratum, &unit), &value)| (stratum, unit, value))
        .collect();
    rows.sort_unstable_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)));

    let mut units: BTreeMap<u32, (u64, f64, f64)> = BTreeMap::new();
    let mut total = 0.0;
    for members in rows.chunk_by(|a, b| a.0 == b.0) {
        let sum: f64 = members.iter().map(|row| row.2).sum();
        let mean = sum / members.len() as f64;
        total += sum;
        for (_, unit, value) in members {
            let (n, observed, expected) = units.entry(*unit).or_default();
            *n += 1;
            *observed += value;
            *expected += mean;
        }
    }
    let overall = finite(total / values.len() as f64)?;
    let units = units.into_iter().map(|(unit, (n, observed, expected))| {
        let (observed, expected) = (observed / n as f64, expected / n as f64);
        Ok(Unit {
            unit,
            n,
            observed,
            expected,
            adjusted: finite(overall + observed - expected)?,
        })
    });
    Ok(Standardised {
        overall,
        units: units.collect::<Result<_, NotEstimable>>()?,
    })
}
