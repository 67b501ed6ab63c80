//! The instruments whose answers are taken: two built in, and those that the plan declares.

use crate::decimal::Decimal;
use crate::plan::{Instrument, Plan, to_hundredths};
use crate::records::Labels;

/// Between instrument and item in a label of an item.
pub const ITEM_SEPARATOR: char = '\u{1f}';

/// The instruments by name.
#[derive(Debug)]
pub(crate) struct Instruments {
    known: Vec<Known>,
}

/// An instrument ready for judging scores.
#[derive(Debug)]
pub(crate) struct Known {
    name: String,
    items: Vec<(String, u16)>,
    minimum: i64,
    maximum: i64,
    pub(crate) whole: bool,
}

impl Known {
    /// Number of an item.
    pub(crate) fn item(&self, item: &[u8]) -> Option<u16> {
        self.items
            .iter()
            .find(|(name, _)| name.as_bytes() == item)
            .map(|(_, number)| *number)
    }

    /// Whether a score is in range.
    pub(crate) fn holds(&self, score: Decimal) -> bool {
        score.within(self.minimum, self.maximum)
    }
}

impl Instruments {
    /// The built-in instruments and the plan's; items are numbered in `items`.
    pub(crate) fn new(plan: &Plan, items: &mut Labels) -> Self {
        // IOI-HA: seven items scored 1 to 5 (Cox et al. 2000). use-log: hours a day.
        let ioi_ha = Instrument {
            items: (1..=7).map(|item| item.to_string()).collect(),
            minimum: 1.0,
            maximum: 5.0,
            whole: true,
        };
        let use_log = Instrument {
            items: vec!["hours_per_day".to_owned()],
            minimum: 0.0,
            maximum: 24.0,
            whole: false,
        };
        let built_in = [("ioi-ha", &ioi_ha), ("use-log", &use_log)];
        let declared = plan.instruments.iter().map(|(name, i)| (name.as_str(), i));
        let known = built_in
            .into_iter()
            .chain(declared)
            .map(|(name, instrument)| Known {
                name: name.to_owned(),
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
            })
            .collect();
        Self { known }
    }

    pub(crate) fn named(&self, name: &[u8]) -> Option<&Known> {
        self.known
            .iter()
            .find(|instrument| instrument.name.as_bytes() == name)
    }
}
