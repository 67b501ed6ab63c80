//! Whether the covariates separate the categories, so that no finite estimate exists.
//!
//! Move all parameters in one direction: thresholds by δ, coefficients by v. A row's probability never falls on the
//! way when the threshold above it gains on its linear predictor, and the linear predictor on the threshold below:
//! both δ(above) − x'v and x'v − δ(below) are then at least 0. If that holds for all rows and one of these margins is
//! over 0, the likelihood rises without end, and there is no finite maximum; if no direction does this, there is one.
//! Source: Albert & Anderson (1984), Biometrika 71:1 (from memory), for the logistic model: all margins over 0 is their
//! complete separation, some of them 0 their quasi-complete one. The argument needs no more than a likelihood that is
//! concave and rises in each margin, which holds for ordered categories as well.
//!
//! Two checks look for such a direction, and both end with a witness that is tested on every row:
//!
//! 1. The parameters themselves. When every linear predictor lies inside its own category, the direction is found,
//!    without any tolerance.
//! 2. Newton's step. With separation the step keeps lengthening the margins of the rows at the border by about 1
//!    (the log-likelihood falls off there as exp(−margin), for which Newton's step is exactly 1), while the rows that
//!    still hold each other come to rest. With a finite maximum the steps shrink quadratically instead. So a step
//!    counts when no margin loses more than 1e-6 and some margin gains at least 0.5, and three such steps in a row
//!    are needed.
//!
//! What the tolerance means: covariates whose categories overlap by less than about a millionth of the distance
//! between the rows at the border and the others count as separated. Their estimate would be finite, but rests on the
//! seventh digit of a covariate. The tests hold both checks against linear programmes, which look for the direction
//! itself (as in Konis 2007, thesis, University of Oxford, from memory), and against data with a narrow overlap.

use rayon::prelude::*;

use super::super::NotEstimable;
use super::design::{BLOCK, Design};
use super::likelihood::{Likelihood, Parameters, ends, predictors};

/// The largest loss of a margin in one step that counts as none.
const HELD: f64 = 1e-6;

/// The smallest gain of a margin in one step that counts as running away; in theory it is 1.
const GAINED: f64 = 0.5;

/// Steps that must run away one after the other.
const WITNESSES: u32 = 3;

/// Steps before the second check begins. Most fits have settled by then, and are spared its pass over the rows.
const SPARED: u32 = 5;

/// The watch over one search.
#[derive(Default)]
pub(super) struct Watch {
    witnesses: u32,
}

impl Watch {
    /// The first check: whether all rows lie inside their own category.
    pub(super) fn complete(
        design: &Design,
        parameters: &Parameters,
        at: &Likelihood,
    ) -> Result<(), NotEstimable> {
        if at.smallest_margin > 0.0 {
            return Err(separation(design, &parameters.coefficients));
        }
        Ok(())
    }

    /// The second check, on the step that `iteration` would take.
    pub(super) fn quasi_complete(
        &mut self,
        design: &Design,
        step: &Parameters,
        iteration: u32,
    ) -> Result<(), NotEstimable> {
        if iteration <= SPARED {
            return Ok(());
        }
        let (smallest, largest) = margins(design, step);
        if smallest >= -HELD && largest >= GAINED {
            self.witnesses += 1;
        } else {
            self.witnesses = 0;
        }
        if self.witnesses >= WITNESSES {
            return Err(separation(design, &step.coefficients));
        }
        Ok(())
    }
}

/// The smallest and the largest margin over all rows in one direction.
fn margins(design: &Design, direction: &Parameters) -> (f64, f64) {
    let parts: Vec<(f64, f64)> = design
        .tasks
        .par_iter()
        .map(|task| {
            let (below, above) = ends(&direction.thresholds, task.category);
            let mut eta = [0.0; BLOCK];
            let (mut smallest, mut largest) = (f64::INFINITY, f64::NEG_INFINITY);
            for start in task.rows.clone().step_by(BLOCK) {
                let n = (task.rows.end - start).min(BLOCK);
                predictors(design, &direction.coefficients, start, &mut eta[..n]);
                for eta in &eta[..n] {
                    let gains = [
                        above.map(|above| above - eta),
                        below.map(|below| eta - below),
                    ];
                    for gain in gains.into_iter().flatten() {
                        smallest = smallest.min(gain);
                        largest = largest.max(gain);
                    }
                }
            }
            (smallest, largest)
        })
        .collect();
    parts.into_iter().fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(smallest, largest), part| (smallest.min(part.0), largest.max(part.1)),
    )
}

/// Names the covariate that moves the linear predictors furthest in a direction.
fn separation(design: &Design, direction: &[f64]) -> NotEstimable {
    let mut found = (0, 0.0);
    for (column, (v, reach)) in direction.iter().zip(&design.reach).enumerate() {
        let distance = v.abs() * reach;
        if distance > found.1 {
            found = (column, distance);
        }
    }
    NotEstimable::Separation { column: found.0 }
}
