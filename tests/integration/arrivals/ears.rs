//! Rows of ears: what they say, in which form, and how they are drawn.

use super::drawn::{Delivery, Draws, Row};

/// Frequencies at which ears and curves are drawn, by position.
pub(super) const FREQUENCIES: [u16; 3] = [250, 1000, 4000];
const EARS: [&str; 2] = ["left", "right"];
const THRESHOLDS: [&str; 3] = ["40", "45", ">110"];
const COUPLINGS: [&str; 2] = ["open", "vented"];

/// How many of a hundred rows say the same of an ear; the others contradict some of them, and bind the order.
const AGREE: usize = 80;
/// How many of a hundred rows are of the long form where most are. One of the wide form binds the order of all.
const LONG: usize = 93;

/// What is said of an ear; numbers stand for values.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Said {
    pub(super) fitted: Option<bool>,
    pub(super) coupling: Option<usize>,
    pub(super) style: Option<usize>,
    pub(super) thresholds: [Option<usize>; FREQUENCIES.len()],
}

/// A row of ears.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct EarRow {
    pub(super) id: usize,
    pub(super) ear: usize,
    /// A row a threshold: it says just one.
    pub(super) long: bool,
    pub(super) said: Said,
}

impl EarRow {
    /// An ear in a row of the wide form that says little.
    pub(super) fn plain(id: usize) -> Self {
        let mut said = Said {
            fitted: Some(true),
            ..Said::default()
        };
        said.thresholds[1] = Some(0);
        Self {
            id,
            ear: 0,
            long: false,
            said,
        }
    }

    /// A row of an ear of which most rows say what `truth` says.
    fn draw(id: usize, ear: usize, long: bool, truth: &Said, draws: &mut Draws) -> Self {
        let mut said = |truth: Option<usize>, values: usize, shown: usize| {
            let other = Some(draws.below(values));
            let value = if draws.chance(AGREE) { truth } else { other };
            value.filter(|_| draws.chance(shown))
        };
        let coupling = said(truth.coupling, COUPLINGS.len(), 20);
        let style = said(truth.style, 2, 20);
        let shown = if long { 100 } else { 50 };
        let mut thresholds = truth
            .thresholds
            .map(|truth| said(truth, THRESHOLDS.len(), shown));
        if long {
            let kept = draws.below(FREQUENCIES.len());
            for (position, threshold) in thresholds.iter_mut().enumerate() {
                *threshold = threshold.filter(|_| position == kept);
            }
        }
        let said = Said {
            // Most rows of the long form leave to another whether the ear was fitted; its row may never come.
            fitted: draws
                .chance(if long { 20 } else { 100 })
                .then(|| draws.chance(AGREE)),
            coupling,
            style,
            thresholds,
        };
        Self {
            id,
            ear,
            long,
            said,
        }
    }

    /// The ear's name, and what is said of the whole ear.
    pub(super) fn whole_text(&self) -> [String; 5] {
        let Said {
            fitted,
            coupling,
            style,
            ..
        } = &self.said;
        [
            format!("F{}", self.id),
            EARS[self.ear].to_owned(),
            fitted.map_or(String::new(), |fitted| fitted.to_string()),
            coupling.map_or(String::new(), |coupling| COUPLINGS[coupling].to_owned()),
            style.map_or(String::new(), |style| format!("style-{style}")),
        ]
    }

    /// Its thresholds by position, blank where there is none.
    pub(super) fn threshold_texts(&self) -> [String; FREQUENCIES.len()] {
        let text = |said: Option<usize>| said.map_or("", |value| THRESHOLDS[value]).to_owned();
        self.said.thresholds.map(text)
    }

    /// The position of its first threshold.
    pub(super) fn position(&self) -> usize {
        let mut said = self.said.thresholds.iter();
        said.position(Option::is_some).unwrap_or_default()
    }
}

/// Draws the ears of a fitting: in the wide form, or most of them a row a threshold, spread over the deliveries.
pub(super) fn draw(id: usize, out: &mut [Delivery], draws: &mut Draws) {
    let truths = EARS.map(|_| Said {
        fitted: None,
        coupling: Some(draws.below(COUPLINGS.len())),
        style: Some(draws.below(2)),
        thresholds: FREQUENCIES.map(|_| Some(draws.below(THRESHOLDS.len()))),
    });
    let spread = draws.chance(60);
    for _ in 0..draws.below(if spread { 10 } else { 4 }) {
        let long = spread && draws.chance(LONG);
        let ear = draws.below(EARS.len());
        let row = Row::Ear(EarRow::draw(id, ear, long, &truths[ear], draws));
        if draws.chance(30) {
            let copy = draws.below(out.len());
            out[copy].rows.push(row.clone());
        }
        let at = draws.below(out.len());
        out[at].rows.push(row);
    }
}
