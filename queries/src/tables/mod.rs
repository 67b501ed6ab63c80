//! The tables of `query`: one function a table, the columns as documented.

pub(crate) mod association;
pub(crate) mod case_mix;
mod ears;
pub(crate) mod matching;
pub(crate) mod people;
pub(crate) mod trends;
pub(crate) mod units;

use crate::analysis::Analysis;
use crate::error::QueryError;
use crate::table::Table;

pub use people::NOT_EVALUATED;

/// A query: its name and what a row of it is.
#[derive(Clone, Copy, Debug)]
pub struct QueryName {
    /// The name.
    pub name: &'static str,
    /// What it answers, in a line.
    pub about: &'static str,
}

/// The queries by name.
pub const QUERIES: [QueryName; 11] = [
    QueryName {
        name: "match",
        about: "deviation from target by frequency, input band, quantity and stage",
    },
    QueryName {
        name: "curves",
        about: "measures of whole curves, and fittings within the criterion",
    },
    QueryName {
        name: "verification",
        about: "fittings with any final real-ear response",
    },
    QueryName {
        name: "ears",
        about: "two-ear uptake among people with loss in both ears",
    },
    QueryName {
        name: "outcomes",
        about: "answers by instrument and item",
    },
    QueryName {
        name: "association",
        about: "does closer match go with satisfaction?",
    },
    QueryName {
        name: "clinicians",
        about: "clinicians (or another unit, by --by) against the funnel of all",
    },
    QueryName {
        name: "variance",
        about: "variance between and within clinicians",
    },
    QueryName {
        name: "trends",
        about: "the headline measures by quarter, with limits",
    },
    QueryName {
        name: "referrals",
        about: "fittings that an asymmetry rule flags, by recorded referral; --list names them",
    },
    QueryName {
        name: "quality",
        about: "the account of every row read",
    },
];

impl Analysis<'_> {
    /// Answers a query by name.
    ///
    /// # Errors
    /// [`QueryError::UnknownQuery`] for another name; otherwise as the query says.
    pub fn query(&mut self, name: &str) -> Result<Table, QueryError> {
        match name {
            "match" => matching::matches(self, false),
            "curves" => matching::curves(self),
            "verification" => matching::verification(self),
            "ears" => ears::ears(self),
            "outcomes" => people::outcomes(self),
            "association" => association::association(self),
            "clinicians" => units::clinicians(self),
            "variance" => Ok(units::variance(self)?.without(&["n", "n_clinicians"])),
            "trends" => trends::trends(self),
            "referrals" => people::referrals(self),
            "quality" => people::quality(self),
            _ => Err(QueryError::UnknownQuery {
                name: name.to_owned(),
                known: QUERIES.map(|query| query.name).join(", "),
            }),
        }
    }

    /// `match` with the number of fittings behind each row, in the column `n_fittings`.
    ///
    /// # Errors
    /// [`QueryError::Engine`].
    pub(crate) fn matches_with_fittings(&mut self) -> Result<Table, QueryError> {
        matching::matches(self, true)
    }

    /// `variance` with the numbers of fittings and of clinicians behind each fit, `n` and `n_clinicians`.
    ///
    /// # Errors
    /// [`QueryError::Engine`].
    pub(crate) fn variance_with_counts(&mut self) -> Result<Table, QueryError> {
        units::variance(self)
    }

    /// The fittings that the asymmetry rules flag, one row a rule and fitting. It names single records: keep it local.
    ///
    /// # Errors
    /// [`QueryError::Engine`].
    pub fn referral_list(&mut self) -> Result<Table, QueryError> {
        people::referral_list(self)
    }
}
