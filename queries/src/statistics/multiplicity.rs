//! Many p-values at once. One entry a test that was run; tests that were not run are not counted.

use super::NotEstimable;

/// The positions in ascending order of p-value, checked.
fn ascending(p: &[f64]) -> Result<Vec<usize>, NotEstimable> {
    if p.iter().any(|value| !(0.0..=1.0).contains(value)) {
        return Err(NotEstimable::OutOfRange { what: "a p-value" });
    }
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    Ok(order)
}

/// Holm's adjusted p-values, in the order given: compared with alpha they keep the chance of any false rejection in
/// the family at alpha, whatever the dependence between tests.
///
/// An empty family gives an empty answer. Source: Holm (1979), Scand J Stat 6:65.
///
/// # Errors
/// [`NotEstimable::OutOfRange`] for a p-value outside `0..=1`, NaN included.
pub fn holm(p: &[f64]) -> Result<Vec<f64>, NotEstimable> {
    let mut adjusted = vec![0.0; p.len()];
    let mut floor = 0.0_f64;
    for (done, place) in ascending(p)?.into_iter().enumerate() {
        floor = floor.max((p.len() - done) as f64 * p[place]).min(1.0);
        adjusted[place] = floor;
    }
    Ok(adjusted)
}

/// The Benjamini-Hochberg adjusted p-values, in the order given: rejecting those at most q keeps the expected share of
/// false ones among the rejected at q, for independent or positively dependent tests.
///
/// An empty family gives an empty answer. Source: Benjamini & Hochberg (1995), J R Stat Soc B 57:289.
///
/// # Errors
/// [`NotEstimable::OutOfRange`] for a p-value outside `0..=1`, NaN included.
pub fn benjamini_hochberg(p: &[f64]) -> Result<Vec<f64>, NotEstimable> {
    let mut adjusted = vec![0.0; p.len()];
    let mut ceiling = 1.0_f64;
    for (before, place) in ascending(p)?.into_iter().enumerate().rev() {
        ceiling = ceiling.min(p.len() as f64 / (before + 1) as f64 * p[place]);
        adjusted[place] = ceiling;
    }
    Ok(adjusted)
}
