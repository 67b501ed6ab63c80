//! A bracketed root of one function of one variable.

/// The place where `f` crosses zero between `lo` and `hi`, to the precision of f64.
///
/// `f(lo)` and `f(hi)` must differ in sign; if they do not, the end nearer to zero comes back. Method: Chandrupatla
/// (1997, Advances in Engineering Software 28:145): inverse quadratic steps where they are safe, else bisection, so
/// the bracket always shrinks.
pub(super) fn between(f: impl Fn(f64) -> f64, lo: f64, hi: f64) -> f64 {
    let (mut x1, mut x2) = (lo, hi);
    let (mut f1, mut f2) = (f(x1), f(x2));
    if f1 == 0.0 || (f1.signum() == f2.signum() && f1.abs() <= f2.abs()) {
        return x1;
    }
    if f2 == 0.0 || f1.signum() == f2.signum() {
        return x2;
    }
    let mut step = 0.5;
    // Bisection alone halves the bracket, so this bound is never the reason to stop for finite brackets.
    for _ in 0..300 {
        let x = x1 + step * (x2 - x1);
        let fx = f(x);
        let (x3, f3);
        if fx.signum() == f1.signum() {
            (x3, f3) = (x1, f1);
        } else {
            (x3, f3) = (x2, f2);
            (x2, f2) = (x1, f1);
        }
        (x1, f1) = (x, fx);
        let (best, f_best) = if f1.abs() < f2.abs() {
            (x1, f1)
        } else {
            (x2, f2)
        };
        let tolerance = 2.0 * f64::EPSILON * best.abs() + f64::MIN_POSITIVE;
        let least = tolerance / (x2 - x1).abs();
        if least > 0.5 || f_best == 0.0 {
            return best;
        }
        let xi = (x1 - x2) / (x3 - x2);
        let phi = (f1 - f2) / (f3 - f2);
        step = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            let quadratic = f1 / (f2 - f1) * f3 / (f2 - f3)
                + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2);
            if quadratic.is_finite() {
                quadratic
            } else {
                0.5
            }
        } else {
            0.5
        };
        step = step.clamp(least, 1.0 - least);
    }
    if f1.abs() < f2.abs() { x1 } else { x2 }
}

#[cfg(test)]
mod tests {
    use super::between;

    /// Roots known in closed form.
    #[test]
    fn finds_square_root_logarithm_and_triple_root() {
        assert!((between(|x| x * x - 2.0, 0.0, 2.0) - 2f64.sqrt()).abs() < 1e-15);
        assert!((between(|x| x.exp() - 10.0, -5.0, 50.0) - 10f64.ln()).abs() < 1e-14);
        assert!((between(|x| (x - 0.25).powi(3), -1.0, 3.0) - 0.25).abs() < 1e-5);
    }

    #[test]
    fn without_a_crossing_the_nearer_end_comes_back() {
        assert_eq!(between(|x| x + 1.0, 0.0, 2.0), 0.0);
        assert_eq!(between(|x| x - 3.0, 0.0, 2.0), 2.0);
    }
}
