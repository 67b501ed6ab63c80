//! Local lines with a band over clusters.

mod resample;
mod sample;
mod window;

use rayon::prelude::*;

use super::super::{NotEstimable, all_finite};
use super::span;
use sample::Sample;
use window::Window;

/// The rows of a curve, one entry a row in each slice.
#[derive(Debug, Clone, Copy)]
pub struct Rows<'a> {
    /// What the curve runs along, in any units.
    pub x: &'a [f64],
    /// What it shows, in any units.
    pub y: &'a [f64],
    /// The cluster of each row, any labels.
    pub cluster: &'a [u32],
    /// Probability weights, all above 0; without them every row weighs the same. Only their ratios matter.
    pub weights: Option<&'a [f64]>,
}

/// How the curve and its band are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// The share of the weight of all rows that each local line uses, above 0 and up to 1.
    pub fraction: f64,
    /// The resamples behind the band, 40 at least.
    pub replicates: u32,
    /// The root of the random streams.
    pub seed: u64,
}

/// Finds the weights of the rows anew in a resample.
///
/// It gets how often each cluster was drawn, in ascending order of label, and gives one weight a row, in the order of
/// the rows and all above 0. How often the row's cluster was drawn is multiplied in afterwards.
pub type Reweigh<'a> = dyn Fn(&[u32]) -> Result<Vec<f64>, NotEstimable> + Sync + 'a;

/// One place of the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The place, in the units of `x`.
    pub at: f64,
    /// The local line there, in the units of `y`.
    pub fit: f64,
    /// The lower limit of the pointwise 95 % band.
    pub lo: f64,
    /// The upper limit.
    pub hi: f64,
    /// Kish's effective number of rows under the local weights: `(sum of w)^2 / sum of w^2`.
    pub n_effective: f64,
    /// The clusters with any row under the local weights.
    pub clusters: u64,
    /// The distance at which the local weights end, in the units of `x`.
    pub bandwidth: f64,
}

/// A place of the grid where there is no curve.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The place, in the units of `x`.
    pub at: f64,
    /// Why there is none.
    pub reason: NotEstimable,
}

/// The curve, see [`dose_response`]. Every place of the grid is in one of the two lists, in the order given.
#[derive(Debug, Clone, PartialEq)]
pub struct DoseResponse {
    /// The places with a fit.
    pub points: Vec<Point>,
    /// The places without.
    pub left_out: Vec<LeftOut>,
    /// The clusters drawn from.
    pub clusters: u64,
}

/// The fewest resamples: with fewer, a limit would be the most extreme of them.
const LEAST_REPLICATES: u32 = 40;

/// Local linear fits at the places of a grid, with a pointwise 95 % band that holds for clustered rows.
///
/// At each place a straight line is fitted to the nearest rows, weighted by the tricube of their distance. The window
/// is the nearest `fraction` of the rows as in [`super::lowess`]; with weights, that share of the weight. There are no
/// robustness weights: the scores of a scale are answers, and an extreme one is no error.
///
/// The band is the percentile interval of a bootstrap of whole clusters, at levels widened for their number
/// ([`Levels::Expanded`](super::super::resampling::Levels::Expanded)): each replicate draws as many clusters as there
/// are, on its own random stream `"dose-response"`. The bandwidth of the full sample is kept in the replicates, so the
/// band is that of a curve with this bandwidth; bias from smoothing is not in it. How often it holds a straight line is
/// in `docs/calibration.md`. Sources: Cleveland (1979), J Am Stat Assoc 74:829; Davison & Hinkley (1997), Bootstrap
/// Methods and their Application, section 3.8 (from memory); Hesterberg (2015), Am Stat 69:371, for the levels.
///
/// With `reweigh` the weights are found anew in each replicate, for weights that come from a model of the same rows.
///
/// Nothing is rounded or binned. Rows of equal x are summed, and one replicate costs O(clusters · places), or O(rows +
/// different x · places) where that is less or `reweigh` is given; rounding `x` beforehand makes the second cheaper.
/// The result depends neither on the order of rows nor on the number of threads.
///
/// A place is left out outside the range of `x` ([`NotEstimable::OutOfRange`]), with fewer than 3 effective rows
/// ([`NotEstimable::TooFew`], rounded down) or fewer than two clusters ([`NotEstimable::TooFewClusters`]) under the
/// local weights, with more than 5 % of the replicates without a fit ([`NotEstimable::ResamplesFailed`]), and where
/// the fit leaves the range of f64 ([`NotEstimable::NotFinite`]).
///
/// # Errors
/// [`NotEstimable::TooFew`] below two rows; [`NotEstimable::TooFewClusters`] below two clusters;
/// [`NotEstimable::AllEqual`] when `x` has one value only; [`NotEstimable::LengthsDiffer`];
/// [`NotEstimable::NotFinite`], also for the grid; [`NotEstimable::OutOfRange`] for a fraction outside `0..=1` or of
/// 0, fewer than 40 replicates, or a weight that is not above 0.
pub fn dose_response(
    rows: Rows<'_>,
    grid: &[f64],
    settings: Settings,
    reweigh: Option<&Reweigh<'_>>,
) -> Result<DoseResponse, NotEstimable> {
    all_finite(grid)?;
    if settings.replicates < LEAST_REPLICATES {
        return Err(NotEstimable::OutOfRange {
            what: "the number of replicates",
        });
    }
    let sample = Sample::new(rows)?;
    let needed =
        sample.weight() * span(settings.fraction, sample.y.len())? as f64 / sample.y.len() as f64;
    let windows: Vec<Result<Window, NotEstimable>> = grid
        .par_iter()
        .map(|&at| Window::new(&sample, at, needed))
        .collect();
    let kept: Vec<&Window> = windows.iter().filter_map(|w| w.as_ref().ok()).collect();
    let replicates = resample::fits(&sample, &kept, settings, reweigh);

    let mut curve = DoseResponse {
        points: Vec::new(),
        left_out: Vec::new(),
        clusters: sample.clusters as u64,
    };
    let mut columns = (0..kept.len()).map(|place| {
        let mut column: Vec<f64> = replicates
            .iter()
            .filter_map(|fits| fits.get(place).copied().flatten())
            .collect();
        column.sort_unstable_by(f64::total_cmp);
        column
    });
    for (&at, window) in grid.iter().zip(&windows) {
        let point = match window {
            Ok(window) => window.point(at, &sample, &columns.next().unwrap_or_default(), settings),
            Err(reason) => Err(reason.clone()),
        };
        match point {
            Ok(point) => curve.points.push(point),
            Err(reason) => curve.left_out.push(LeftOut { at, reason }),
        }
    }
    Ok(curve)
}
