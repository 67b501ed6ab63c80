//! The identity gate: what would tell who a person is does not come in.

/// Columns that become keyed pseudonyms, and the key.
#[derive(Clone, Debug)]
pub struct Pseudonyms {}
