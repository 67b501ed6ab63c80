//! The one shape in which numbers leave this crate: named columns of nullable values.

/// The values of one column; every column of a table has the same number of values.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// Labels, ids and codes.
    Text(Vec<Option<String>>),
    /// Counts and other whole numbers.
    Integer(Vec<Option<i64>>),
    /// Levels in dB, shares 0-1, estimates and limits. Never NaN: what cannot be estimated is null.
    Real(Vec<Option<f64>>),
    /// Yes or no.
    Flag(Vec<Option<bool>>),
}

impl Values {
    /// How many values the column holds.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            Self::Text(v) => v.len(),
            Self::Integer(v) => v.len(),
            Self::Real(v) => v.len(),
            Self::Flag(v) => v.len(),
        }
    }

    /// True where there is no value at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn retain(&mut self, keep: &[bool]) {
        fn pick<T>(values: &mut Vec<T>, keep: &[bool]) {
            let mut kept = keep.iter();
            values.retain(|_| kept.next().copied().unwrap_or(false));
        }
        match self {
            Self::Text(v) => pick(v, keep),
            Self::Integer(v) => pick(v, keep),
            Self::Real(v) => pick(v, keep),
            Self::Flag(v) => pick(v, keep),
        }
    }

    fn reordered(&self, rows: &[usize]) -> Self {
        fn pick<T: Clone>(values: &[Option<T>], rows: &[usize]) -> Vec<Option<T>> {
            rows.iter()
                .map(|&row| values.get(row).cloned().flatten())
                .collect()
        }
        match self {
            Self::Text(v) => Self::Text(pick(v, rows)),
            Self::Integer(v) => Self::Integer(pick(v, rows)),
            Self::Real(v) => Self::Real(pick(v, rows)),
            Self::Flag(v) => Self::Flag(pick(v, rows)),
        }
    }

    fn clear_at(&mut self, row: usize) {
        match self {
            Self::Text(v) => set_none(v, row),
            Self::Integer(v) => set_none(v, row),
            Self::Real(v) => set_none(v, row),
            Self::Flag(v) => set_none(v, row),
        }
    }
}

fn set_none<T>(values: &mut [Option<T>], row: usize) {
    if let Some(slot) = values.get_mut(row) {
        *slot = None;
    }
}

/// A named column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Lower-case name, as in the documented tables.
    pub name: String,
    /// One value a row.
    pub values: Values,
}

/// A table of results: columns of equal length, rows in a stated order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// The name under which `query` knows it.
    pub name: String,
    /// The columns, grouping columns first.
    pub columns: Vec<Column>,
}

impl Table {
    /// An empty table with a name.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            columns: Vec::new(),
        }
    }

    /// Adds a column; the caller keeps the lengths equal.
    #[must_use]
    pub fn with(mut self, name: &str, values: Values) -> Self {
        debug_assert!(
            self.columns
                .first()
                .is_none_or(|first| first.values.len() == values.len()),
            "column {name} has another length than the first"
        );
        self.columns.push(Column {
            name: name.to_owned(),
            values,
        });
        self
    }

    /// Adds a text column.
    #[must_use]
    pub fn text(self, name: &str, values: Vec<Option<String>>) -> Self {
        self.with(name, Values::Text(values))
    }

    /// Adds a column of whole numbers.
    #[must_use]
    pub fn integer(self, name: &str, values: Vec<Option<i64>>) -> Self {
        self.with(name, Values::Integer(values))
    }

    /// Adds a column of real numbers; a value that is not finite becomes null.
    #[must_use]
    pub fn real(self, name: &str, values: Vec<Option<f64>>) -> Self {
        let finite = values
            .into_iter()
            .map(|value| value.filter(|x| x.is_finite()))
            .collect();
        self.with(name, Values::Real(finite))
    }

    /// Adds a yes/no column.
    #[must_use]
    pub fn flag(self, name: &str, values: Vec<Option<bool>>) -> Self {
        self.with(name, Values::Flag(values))
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, |column| column.values.len())
    }

    /// The column of that name.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|column| column.name == name)
    }

    /// The text at a row, where the column is there, is text and is not null.
    #[must_use]
    pub fn text_at(&self, name: &str, row: usize) -> Option<&str> {
        match &self.column(name)?.values {
            Values::Text(values) => values.get(row)?.as_deref(),
            _ => None,
        }
    }

    /// The whole number at a row.
    #[must_use]
    pub fn integer_at(&self, name: &str, row: usize) -> Option<i64> {
        match &self.column(name)?.values {
            Values::Integer(values) => *values.get(row)?,
            _ => None,
        }
    }

    /// The number at a row, whether the column holds reals or whole numbers.
    #[must_use]
    pub fn real_at(&self, name: &str, row: usize) -> Option<f64> {
        match &self.column(name)?.values {
            Values::Real(values) => *values.get(row)?,
            Values::Integer(values) => values.get(row)?.map(|x| x as f64),
            _ => None,
        }
    }

    /// The flag at a row.
    #[must_use]
    pub fn flag_at(&self, name: &str, row: usize) -> Option<bool> {
        match &self.column(name)?.values {
            Values::Flag(values) => *values.get(row)?,
            _ => None,
        }
    }

    /// The rows for which the test holds, in the same order.
    #[must_use]
    pub fn filtered(&self, mut test: impl FnMut(&Self, usize) -> bool) -> Self {
        let keep: Vec<bool> = (0..self.rows()).map(|row| test(self, row)).collect();
        let mut out = self.clone();
        for column in &mut out.columns {
            column.values.retain(&keep);
        }
        out
    }

    /// The rows of some positions, in their order.
    #[must_use]
    pub fn reordered(&self, rows: &[usize]) -> Self {
        Self {
            name: self.name.clone(),
            columns: self
                .columns
                .iter()
                .map(|column| Column {
                    name: column.name.clone(),
                    values: column.values.reordered(rows),
                })
                .collect(),
        }
    }

    /// The table under another name.
    #[must_use]
    pub fn named(mut self, name: &str) -> Self {
        self.name = name.to_owned();
        self
    }

    /// The table with another name for one of its columns.
    #[must_use]
    pub fn renamed(mut self, from: &str, to: &str) -> Self {
        for column in &mut self.columns {
            if column.name == from {
                column.name = to.to_owned();
            }
        }
        self
    }

    /// The table less some of its columns.
    #[must_use]
    pub fn without(mut self, names: &[&str]) -> Self {
        self.columns
            .retain(|column| !names.contains(&column.name.as_str()));
        self
    }

    /// The rows whose text column equals a value.
    #[must_use]
    pub fn where_text(&self, name: &str, value: &str) -> Self {
        self.filtered(|table, row| table.text_at(name, row) == Some(value))
    }

    /// Turns one value into a null.
    pub fn clear(&mut self, name: &str, row: usize) {
        if let Some(column) = self.columns.iter_mut().find(|column| column.name == name) {
            column.values.clear_at(row);
        }
    }
}
