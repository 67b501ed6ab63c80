//! Bounds of a mean or a share when some answers are not known.
//!
//! The bounds assume nothing about those who did not answer, except that their answers lie on the scale. The truth
//! may be anywhere between the bounds, and more data of the same kind would not narrow them. The intervals add the
//! sampling error of independent units on top; for clustered units, bootstrap the bounds over clusters.

use statrs::distribution::{ContinuousCDF, Normal};

use super::super::{Interval, NotEstimable, Z_95, all_finite, at_least, finite, root, same_length};

/// The bounds of a share, a mean or a difference, in its units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// The least and the greatest value that the missing answers allow.
    pub region: Interval,
    /// The standard error of the lower bound.
    pub se_lo: f64,
    /// The standard error of the upper bound.
    pub se_hi: f64,
    /// The factor of the standard errors, between 1.645 and 1.960, see [`critical_value`].
    pub critical: f64,
    /// The 95 % interval of the quantity itself, sampling error and missing answers together.
    pub interval: Interval,
    /// The answers known.
    pub answered: u64,
    /// The answers missing.
    pub missing: u64,
}

/// Answers behind a share.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShareAnswers {
    /// The answers that count.
    pub successes: u64,
    /// The answers known.
    pub answered: u64,
    /// The answers missing.
    pub missing: u64,
}

impl ShareAnswers {
    fn total(self) -> Result<u64, NotEstimable> {
        if self.successes > self.answered {
            return Err(NotEstimable::OutOfRange {
                what: "a count of successes",
            });
        }
        let total = self
            .answered
            .checked_add(self.missing)
            .ok_or(NotEstimable::OutOfRange {
                what: "a count of answers",
            })?;
        at_least(1, total)?;
        Ok(total)
    }
}

/// The normal quantile at 0.95, for an interval that errs on one side only.
const Z_90: f64 = 1.6448536269514722;

/// The factor of the standard errors that makes an interval around bounds cover the quantity with 95 %.
///
/// The root C of Φ(C + d) − Φ(−C) = 0.95, d being the width of the bounds over the larger of their standard errors
/// (any value from 0 up, infinity too). With bounds that coincide the interval errs on two sides, and C is 1.960; with
/// bounds far apart the quantity can be missed on one side only, and C falls to 1.645. Source: Imbens & Manski (2004),
/// Econometrica 72:1845, equations 6 and 7 (numbers from memory).
///
/// # Errors
/// [`NotEstimable::OutOfRange`] for a negative width or NaN.
pub fn critical_value(d: f64) -> Result<f64, NotEstimable> {
    if d.is_nan() || d < 0.0 {
        return Err(NotEstimable::OutOfRange {
            what: "the width of bounds",
        });
    }
    if d == 0.0 {
        return Ok(Z_95);
    }
    let normal = Normal::standard();
    // In upper tails, which keep their digits: 1 − sf(C + d) − sf(C) = 0.95.
    let excess = |c: f64| 0.05 - normal.sf(c + d) - normal.sf(c);
    Ok(root::between(excess, Z_90, Z_95))
}

/// The factor for bounds `width` apart with the given standard errors.
fn factor(width: f64, se_lo: f64, se_hi: f64) -> Result<f64, NotEstimable> {
    let se = se_lo.max(se_hi);
    // Without a standard error nothing is known about d; bounds that coincide then take the wider factor.
    critical_value(if width == 0.0 { 0.0 } else { width / se })
}

/// Best- and worst-case bounds of a share: all missing answers count, or none does.
///
/// The region is r/N to (r + m)/N, with r successes, m missing and N in all. Both ends are shares of N, so their limits
/// are score limits (Wilson 1927, J Am Stat Assoc 22:209) with the factor of [`critical_value`] in place of 1.960;
/// with no answer missing the interval is that of [`super::super::proportion::wilson`]. The paper's own limits,
/// C standard errors, would have no width at 0 and 1. Source of the bounds: Manski (1990), Am Econ Rev 80:319.
///
/// # Errors
/// [`NotEstimable::TooFew`] with nobody asked; [`NotEstimable::OutOfRange`] for more successes than answers, or counts
/// whose sum leaves the range of u64.
pub fn of_share(answers: ShareAnswers) -> Result<Bounds, NotEstimable> {
    let (lo, hi) = ends(answers)?;
    let (se_lo, se_hi) = (lo.se(), hi.se());
    let critical = factor(hi.share - lo.share, se_lo, se_hi)?;
    Ok(Bounds {
        region: Interval {
            lo: lo.share,
            hi: hi.share,
        },
        se_lo,
        se_hi,
        critical,
        interval: Interval {
            lo: lo.score_limits(critical).lo,
            hi: hi.score_limits(critical).hi,
        },
        answered: answers.answered,
        missing: answers.missing,
    })
}

/// Bounds of the difference of two shares, `first - second`, of independent groups.
///
/// The region runs from (worst of the first − best of the second) to (best − worst). The interval joins the score
/// limits of the ends in squares, as method 10 of Newcombe (1998, Stat Med 17:873) does, with the factor of
/// [`critical_value`]; with no answer missing it is that of [`super::super::proportion::newcombe_difference`].
///
/// # Errors
/// As [`of_share`], for either group.
pub fn of_share_difference(
    first: ShareAnswers,
    second: ShareAnswers,
) -> Result<Bounds, NotEstimable> {
    let (first_lo, first_hi) = ends(first)?;
    let (second_lo, second_hi) = ends(second)?;
    let region = Interval {
        lo: first_lo.share - second_hi.share,
        hi: first_hi.share - second_lo.share,
    };
    let se_lo = first_lo.se().hypot(second_hi.se());
    let se_hi = first_hi.se().hypot(second_lo.se());
    // Without a missing answer both ends are one sum, so that their difference is exactly 0.
    let critical = factor((region.hi - region.lo).max(0.0), se_lo, se_hi)?;
    let below = |end: End| end.share - end.score_limits(critical).lo;
    let above = |end: End| end.score_limits(critical).hi - end.share;
    Ok(Bounds {
        region,
        se_lo,
        se_hi,
        critical,
        interval: Interval {
            lo: (region.lo - below(first_lo).hypot(above(second_hi))).max(-1.0),
            hi: (region.hi + above(first_hi).hypot(below(second_lo))).min(1.0),
        },
        answered: sum(first.answered, second.answered)?,
        missing: sum(first.missing, second.missing)?,
    })
}

/// One end of the bounds of a share: itself a share of all units.
#[derive(Clone, Copy)]
struct End {
    count: u64,
    total: u64,
    share: f64,
}

impl End {
    fn new(count: u64, total: u64) -> Self {
        Self {
            count,
            total,
            share: count as f64 / total as f64,
        }
    }

    fn se(self) -> f64 {
        (self.share * (1.0 - self.share) / self.total as f64).sqrt()
    }

    /// The score limits with any factor; exactly 0 and 1 at the ends of the scale.
    fn score_limits(self, factor: f64) -> Interval {
        let (r, n) = (self.count as f64, self.total as f64);
        let square = factor * factor;
        let middle = 2.0 * r + square;
        let half = factor * (square + 4.0 * r * (1.0 - self.share)).sqrt();
        let divisor = 2.0 * (n + square);
        Interval {
            lo: if self.count == 0 {
                0.0
            } else {
                (middle - half) / divisor
            },
            hi: if self.count == self.total {
                1.0
            } else {
                (middle + half) / divisor
            },
        }
    }
}

/// The share with none, and with all, of the missing answers counted.
fn ends(answers: ShareAnswers) -> Result<(End, End), NotEstimable> {
    let total = answers.total()?;
    Ok((
        End::new(answers.successes, total),
        End::new(answers.successes + answers.missing, total),
    ))
}

fn sum(a: u64, b: u64) -> Result<u64, NotEstimable> {
    a.checked_add(b).ok_or(NotEstimable::OutOfRange {
        what: "a count of answers",
    })
}

/// Best- and worst-case bounds of a mean: every missing answer is the lowest of the scale, or the highest.
///
/// `answers` holds the known ones, `scale` the lowest and highest answer there can be, in the same units. The standard
/// error of each end is that of the mean with the missing answers filled in; the interval is C of them outwards, C from
/// [`critical_value`], and kept on the scale. Sources: Manski (1990), Am Econ Rev 80:319; Imbens & Manski (2004),
/// Econometrica 72:1845.
///
/// # Errors
/// As [`of_counted_mean`].
pub fn of_mean(answers: &[f64], missing: u64, scale: Interval) -> Result<Bounds, NotEstimable> {
    // In ascending order, so that the last bits do not depend on the order of the answers.
    let mut sorted = answers.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    of_counted_mean(&sorted, &vec![1; sorted.len()], missing, scale)
}

/// [`of_mean`] of answers that are counted: `counts[i]` answers with the score `scores[i]`.
///
/// # Errors
/// [`NotEstimable::TooFew`] with fewer than two asked; [`NotEstimable::OutOfRange`] for a scale whose ends are not
/// apart, an answer off the scale, or counts whose sum leaves the range of u64; [`NotEstimable::AllEqual`] when no
/// answer is missing and all are equal, so that there is no standard error; [`NotEstimable::LengthsDiffer`];
/// [`NotEstimable::NotFinite`].
pub fn of_counted_mean(
    scores: &[f64],
    counts: &[u64],
    missing: u64,
    scale: Interval,
) -> Result<Bounds, NotEstimable> {
    same_length(scores.len(), counts.len())?;
    all_finite(scores)?;
    all_finite(&[scale.lo, scale.hi])?;
    if scale.lo >= scale.hi {
        return Err(NotEstimable::OutOfRange {
            what: "the scale of the answers",
        });
    }
    if !scores.iter().all(|score| scale.contains(*score)) {
        return Err(NotEstimable::OutOfRange { what: "an answer" });
    }
    let answered = counts.iter().try_fold(0, |all, &count| sum(all, count))?;
    let total = sum(answered, missing)?;
    at_least(2, total)?;
    let filled = |fill: f64| -> Result<(f64, f64), NotEstimable> {
        let n = total as f64;
        let share = missing as f64 / n;
        let shares = || scores.iter().zip(counts).map(|(s, &c)| (*s, c as f64 / n));
        let rough: f64 = shares().map(|(s, w)| s * w).sum::<f64>() + fill * share;
        let rest = shares().map(|(s, w)| (s - rough) * w).sum::<f64>() + (fill - rough) * share;
        let mean = finite(rough + rest)?.clamp(scale.lo, scale.hi);
        let spread = shares().map(|(s, w)| (s - mean).powi(2) * w).sum::<f64>()
            + (fill - mean).powi(2) * share;
        Ok((mean, finite((spread / (n - 1.0)).sqrt())?))
    };
    let ((lo, se_lo), (hi, se_hi)) = (filled(scale.lo)?, filled(scale.hi)?);
    if missing == 0 && same(scores, counts) {
        return Err(NotEstimable::AllEqual);
    }
    let region = Interval { lo, hi };
    let critical = factor(hi - lo, se_lo, se_hi)?;
    Ok(Bounds {
        region,
        se_lo,
        se_hi,
        critical,
        interval: Interval {
            lo: (lo - critical * se_lo).max(scale.lo),
            hi: (hi + critical * se_hi).min(scale.hi),
        },
        answered,
        missing,
    })
}

/// Whether all answers that occur have one score.
fn same(scores: &[f64], counts: &[u64]) -> bool {
    let mut held = scores.iter().zip(counts).filter(|(_, c)| **c > 0);
    let first = held.next();
    held.all(|(score, _)| first.is_some_and(|(first, _)| first == score))
}

/// Bounds of the difference of two means, `first - second`, of independent groups, each from [`of_mean`].
///
/// The region runs from (worst of the first − best of the second) to (best − worst); standard errors join in squares,
/// and the interval is C of them outwards, C from [`critical_value`].
///
/// # Errors
/// [`NotEstimable::NotFinite`] or [`NotEstimable::OutOfRange`] for bounds that are none.
pub fn of_mean_difference(first: &Bounds, second: &Bounds) -> Result<Bounds, NotEstimable> {
    let region = Interval {
        lo: finite(first.region.lo - second.region.hi)?,
        hi: finite(first.region.hi - second.region.lo)?,
    };
    let se_lo = finite(first.se_lo.hypot(second.se_hi))?;
    let se_hi = finite(first.se_hi.hypot(second.se_lo))?;
    let critical = factor(region.hi - region.lo, se_lo, se_hi)?;
    Ok(Bounds {
        region,
        se_lo,
        se_hi,
        critical,
        interval: Interval {
            lo: finite(region.lo - critical * se_lo)?,
            hi: finite(region.hi + critical * se_hi)?,
        },
        answered: sum(first.answered, second.answered)?,
        missing: sum(first.missing, second.missing)?,
    })
}
