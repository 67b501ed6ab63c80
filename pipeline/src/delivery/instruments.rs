//! The instruments whose answers are taken: two built in, and those that the plan declares.

use std::collections::HashMap;

use crate::decimal::Decimal;
use crate::plan::{BUILT_IN_INSTRUMENTS, Instrument, Plan, to_hundredths};
use crate::records::Labels;

/// Between instrument and item in a label of an item.
pub const ITEM_SEPARATOR: char = '\u{1f}';

/// The instruments by name.
#[derive(Debug)]
pub(crate) struct Instruments {
    known: HashMap<String, Known>,
}

/// An instrument ready for judging scores.
#[derive(Debug)]
pub(crate) struct Known {
    items: HashMap<String, u16>,
    minimum: i64,
    maximum: i64,
    pub(crate) whole: bool,
}

impl Known {
    /// Number of an item.
    pub(crate) fn item(&self, item: &[u8]) -> Option<u16> {
        self.items.get(std::str::from_utf8(item).ok()?).copied()
    }

    /// Whether a score is in range.
    pub(crate) fn holds(&self, score: Decimal) -> bool {
        score.within(self.minimum, self.maximum)
    }
}

impl Instruments {
    /// The built-in instruments and the plan's; items are numbered in `items`.
    pub(crate) fn new(plan: &Plan, items: &mut Labels) -> Self {
        // IOI-HA items are scored 1 to 5 (Cox et al. 2000), a day has 24 hours.
        let [ioi_ha, use_log] = BUILT_IN_INSTRUMENTS.map(|(name, items)| {
            let (minimum, maximum, whole) = match name {
                "use-log" => (0.0, 24.0, false),
                _ => (1.0, 5.0, true),
            };
            let items = items.iter().map(|item| (*item).to_owned()).collect();
            let instrument = Instrument {
                items,
                minimum,
                maximum,
                whole,
            };
            (name, instrument)
        });
        let built_in = [(ioi_ha.0, &ioi_ha.1), (use_log.0, &use_log.1)];
        let declared = plan.instruments.iter().map(|(name, i)| (name.as_str(), i));
        let known = built_in
            .into_iter()
            .chain(declared)
            .map(|(name, instrument)| {
                let known = Known {
                    items: instrument
                        .items
                        .iter()
                        .map(|item| {
                            let number = items.number(&format!("{name}{ITEM_SEPARATOR}{item}"));
                            (item.clone(), u16::try_from(number).unwrap_or(u16::MAX))
                        })
                        .collect(),
                    minimum: to_hundredths(instrument.minimum),
                    maximum: to_hundredths(instrument.maximum),
                    whole: instrument.whole,
                };
                (name.to_owned(), known)
            })
            .collect();
        Self { known }
    }

    pub(crate) fn named(&self, name: &[u8]) -> Option<&Known> {
        self.known.get(std::str::from_utf8(name).ok()?)
    }
}
