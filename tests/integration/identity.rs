//! The identity gate, seen through the command line: deliveries that tell who a person is are refused whole, and
//! nothing of what they held is in any byte that the program says or writes.

mod canaries;
mod columns;
mod pseudonyms;
mod values;
mod years;

/// The rules that set rows aside only where identifiers become pseudonyms, by table; `pseudonyms` has the cases.
pub(crate) const SET_ASIDE: [(&str, &str); 4] = [
    ("identifier-length", "fittings"),
    ("identifier-length", "ears"),
    ("identifier-length", "responses"),
    ("identifier-length", "outcomes"),
];
