//! Column maps: how a sender's files, columns, words and units become ours. Nothing is guessed.

/// A column map.
#[derive(Clone, Debug, Default)]
pub struct ColumnMap {}
