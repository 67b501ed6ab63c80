//! Sums that are polynomials in the multiplicities of clusters: linear, quadratic and cubic ones, several of each.

/// Polynomials of one degree. Those of one monomial stand together, since all are wanted at once.
struct Forms {
    count: usize,
    coefficients: Vec<f64>,
}

impl Forms {
    fn new(count: usize, monomials: usize) -> Self {
        Self {
            count,
            coefficients: vec![0.0; count * monomials],
        }
    }

    fn slot(&mut self, monomial: usize, form: usize) -> &mut f64 {
        &mut self.coefficients[monomial * self.count + form]
    }

    /// Adds what a monomial of some value gives to each polynomial.
    #[inline(always)]
    fn take(&self, monomial: usize, value: f64, totals: &mut [f64]) {
        let coefficients = &self.coefficients[monomial * self.count..][..self.count];
        for (total, coefficient) in totals.iter_mut().zip(coefficients) {
            *total += value * coefficient;
        }
    }

    fn add(&mut self, other: &Self) {
        for (sum, more) in self.coefficients.iter_mut().zip(&other.coefficients) {
            *sum += more;
        }
    }
}

/// The place of c, or of c and d, or of c, d and e among the monomials; c ≥ d ≥ e.
fn pair(c: usize, d: usize) -> usize {
    c * (c + 1) / 2 + d
}

fn triple(c: usize, d: usize, e: usize) -> usize {
    c * (c + 1) * (c + 2) / 6 + pair(d, e)
}

/// The polynomials of all degrees.
pub(super) struct Polynomials {
    linear: Forms,
    quadratic: Forms,
    cubic: Forms,
}

/// The values of the polynomials for some multiplicities.
pub(super) struct Values {
    pub(super) linear: Vec<f64>,
    pub(super) quadratic: Vec<f64>,
    pub(super) cubic: Vec<f64>,
    /// The clusters drawn and how often.
    drawn: Vec<(usize, f64)>,
}

impl Polynomials {
    /// So many of each degree, all 0.
    pub(super) fn new(clusters: usize, [linear, quadratic, cubic]: [usize; 3]) -> Self {
        Self {
            linear: Forms::new(linear, clusters),
            quadratic: Forms::new(quadratic, pair(clusters, 0)),
            cubic: Forms::new(cubic, triple(clusters, 0, 0)),
        }
    }

    pub(super) fn add_linear(&mut self, form: usize, c: usize, more: f64) {
        *self.linear.slot(c, form) += more;
    }

    /// Adds to the coefficient of two clusters in any order.
    pub(super) fn add_quadratic(&mut self, form: usize, c: usize, d: usize, more: f64) {
        *self.quadratic.slot(pair(c.max(d), c.min(d)), form) += more;
    }

    /// Adds to the coefficient of three clusters in any order.
    pub(super) fn add_cubic(&mut self, form: usize, mut clusters: [usize; 3], more: f64) {
        clusters.sort_unstable();
        let [e, d, c] = clusters;
        *self.cubic.slot(triple(c, d, e), form) += more;
    }

    /// Adds the coefficients of others, of which there are as many.
    pub(super) fn add(&mut self, other: &Self) {
        self.linear.add(&other.linear);
        self.quadratic.add(&other.quadratic);
        self.cubic.add(&other.cubic);
    }

    /// Room for values.
    pub(super) fn values(&self) -> Values {
        Values {
            linear: vec![0.0; self.linear.count],
            quadratic: vec![0.0; self.quadratic.count],
            cubic: vec![0.0; self.cubic.count],
            drawn: Vec::new(),
        }
    }

    /// Fills the values. Clusters not drawn cost nothing.
    pub(super) fn evaluate(&self, multiplicities: &[u32], values: &mut Values) {
        let Values {
            linear,
            quadratic,
            cubic,
            drawn,
        } = values;
        for totals in [&mut *linear, &mut *quadratic, &mut *cubic] {
            totals.fill(0.0);
        }
        drawn.clear();
        let all = multiplicities.iter().map(|&times| f64::from(times));
        drawn.extend(all.enumerate().filter(|(_, times)| *times > 0.0));
        for (last, &(c, times)) in drawn.iter().enumerate() {
            self.linear.take(c, times, linear);
            for (second, &(d, also)) in drawn[..=last].iter().enumerate() {
                let times = times * also;
                self.quadratic.take(pair(c, d), times, quadratic);
                let start = triple(c, d, 0);
                for &(e, also) in &drawn[..=second] {
                    self.cubic.take(start + e, times * also, cubic);
                }
            }
        }
    }
}
