//! Label columns, coded: a number a row and every label once.

use std::sync::Arc;

use arrow::array::{ArrayRef, DictionaryArray, Int32Array, StringArray};
use arrow::error::ArrowError;

use crate::records::Labels;

/// No label.
const NONE: i32 = -1;

/// A label column by code, one code a fitting.
pub(super) struct Coded {
    values: ArrayRef,
    codes: Vec<i32>,
}

impl Coded {
    pub(super) fn new<'a>(labels: impl Iterator<Item = Option<&'a str>>) -> Self {
        let mut known = Labels::default();
        let codes = labels
            .map(|label| label.map_or(NONE, |label| known.number(label).cast_signed()))
            .collect();
        Self {
            values: string_array(known.values()),
            codes,
        }
    }

    pub(super) fn array(&self, numbers: impl Iterator<Item = u32>) -> Result<ArrayRef, ArrowError> {
        dictionary(
            numbers.map(|number| self.codes.get(number as usize).copied().unwrap_or(NONE)),
            &self.values,
        )
    }
}

fn string_array(values: &[Box<str>]) -> ArrayRef {
    Arc::new(StringArray::from_iter_values(values.iter()))
}

fn dictionary(codes: impl Iterator<Item = i32>, values: &ArrayRef) -> Result<ArrayRef, ArrowError> {
    let keys: Int32Array = codes.map(|code| (code != NONE).then_some(code)).collect();
    Ok(Arc::new(DictionaryArray::try_new(
        keys,
        Arc::clone(values),
    )?))
}

/// Labels made row by row.
pub(super) fn labels_of<'a>(
    labels: impl Iterator<Item = Option<&'a str>>,
) -> Result<ArrayRef, ArrowError> {
    let coded = Coded::new(labels);
    dictionary(coded.codes.iter().copied(), &coded.values)
}
