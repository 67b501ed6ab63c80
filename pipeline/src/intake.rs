//! What is decided about a delivery before it is read: by the plan, by a column map, and about identities.

use crate::identity::Pseudonyms;
use crate::map::ColumnMap;
use crate::plan::Plan;
use crate::store::Dates;

/// How a delivery is taken in.
#[derive(Clone, Copy, Debug)]
pub struct Intake<'a> {
    /// The plan; only its declared instruments matter here.
    pub plan: &'a Plan,
    /// How the sender's files and columns become ours; none where they are ours already.
    pub map: Option<&'a ColumnMap>,
    /// The columns that become keyed pseudonyms, and the key.
    pub pseudonyms: Option<&'a Pseudonyms>,
    /// Keep the year of a fitting only, instead of its quarter.
    pub year_only: bool,
    /// The largest share of a table's rows, 0-1, that may be set aside; beyond it nothing is stored. None: any.
    pub most_set_aside: Option<f64>,
}

impl<'a> Intake<'a> {
    /// A delivery in the published format, as it stands.
    #[must_use]
    pub fn plain(plan: &'a Plan) -> Self {
        Self {
            plan,
            map: None,
            pseudonyms: None,
            year_only: false,
            most_set_aside: None,
        }
    }

    /// How fine dates are kept.
    #[must_use]
    pub fn dates(&self) -> Dates {
        match self.year_only {
            true => Dates::Year,
            false => Dates::Quarter,
        }
    }
}
