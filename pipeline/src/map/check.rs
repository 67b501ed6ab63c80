//! A map against the columns of the tables and against itself, before any file is opened.

use super::parse::{Step, did_you_mean};
use super::{ColumnMap, FrequencyUnit, SourceMap, Text, ThresholdUnit, TimeUnit};
use crate::decimal;
use crate::delivery::columns::{
    ColumnSpec, Kind, NO_RESPONSE_LIMIT, THRESHOLD_RANGE, columns_for, is_label_column,
};
use crate::identity::COLUMNS;
use crate::quarter::Quarter;
use crate::vocabulary::{FREQUENCIES, TableName};

/// What is wrong, and at which key.
#[derive(Debug)]
pub(super) struct Fault {
    pub(super) at: Vec<Step>,
    pub(super) what: String,
}

/// The first fault of a map.
pub(super) fn check(map: &ColumnMap) -> Result<(), Fault> {
    if map.sources.is_empty() && map.fhir.is_empty() {
        return Err(Fault {
            at: vec![Step::Key("source".to_owned())],
            what:
                "is not there: each table is read by a [[source]] with at least `files` and `table`"
                    .to_owned(),
        });
    }
    for (source, position) in map.sources.iter().zip(0..) {
        Checked::new(source, position).check()?;
    }
    for (source, position) in map.fhir.iter().zip(0..) {
        source.validate().map_err(|error| Fault {
            at: vec![Step::Key("fhir".to_owned()), Step::Entry(position)],
            what: error.to_string(),
        })?;
    }
    for (name, position) in map.identity.pseudonymise.iter().zip(0..) {
        if !COLUMNS.contains(&name.as_str()) {
            return Err(Fault {
                at: ["identity", "pseudonymise"]
                    .map(|key| Step::Key(key.to_owned()))
                    .into_iter()
                    .chain([Step::Entry(position)])
                    .collect(),
                what: format!(
                    "names `{name}`, which is no column of ids{}",
                    did_you_mean(name, COLUMNS.iter().copied())
                ),
            });
        }
    }
    Ok(())
}

/// The columns of a table in each of its forms.
pub(super) fn forms(table: TableName) -> Vec<Vec<ColumnSpec>> {
    let mut forms: Vec<Vec<ColumnSpec>> = Vec::new();
    // Which form a table is in is known by its column names: these show each form.
    let probes: [&[&str]; 3] = [&[], &["frequency_hz", "threshold"], &["measured_250"]];
    for probe in probes {
        let header: Vec<String> = probe.iter().map(|name| (*name).to_owned()).collect();
        let form = columns_for(table, &header);
        let same = |other: &Vec<ColumnSpec>| {
            other.len() == form.len() && other.iter().zip(&form).all(|(a, b)| a.name == b.name)
        };
        if !forms.iter().any(same) {
            forms.push(form);
        }
    }
    forms
}

/// The frequency at the end of a column's name, such as `threshold_500`.
pub(super) fn frequency_of(name: &str) -> Option<u16> {
    let frequency = name.rsplit_once('_')?.1.parse().ok()?;
    FREQUENCIES.contains(&frequency).then_some(frequency)
}

/// Whether a key of `values` means a column: by its name, or as one of a family such as `threshold_*`.
pub(super) fn means(key: &str, name: &str) -> bool {
    key == name
        || key
            .strip_suffix('*')
            .is_some_and(|family| family.ends_with('_') && name.starts_with(family))
}

/// A source and what follows from it.
struct Checked<'a> {
    source: &'a SourceMap,
    position: usize,
    /// Our columns that get a value.
    names: Vec<String>,
    specs: Vec<ColumnSpec>,
}

impl<'a> Checked<'a> {
    fn new(source: &'a SourceMap, position: usize) -> Self {
        let names: Vec<String> = source
            .columns
            .keys()
            .chain(source.constants.keys())
            .cloned()
            .collect();
        let specs = if source.columns.is_empty() {
            forms(source.table).into_iter().flatten().collect()
        } else {
            columns_for(source.table, &names)
        };
        Self {
            source,
            position,
            names,
            specs,
        }
    }

    fn fault(&self, keys: &[&str], what: impl Into<String>) -> Fault {
        let keys = keys.iter().map(|key| Step::Key((*key).to_owned()));
        Fault {
            at: [Step::Key("source".to_owned()), Step::Entry(self.position)]
                .into_iter()
                .chain(keys)
                .collect(),
            what: what.into(),
        }
    }

    /// What a column of ours takes.
    fn kind(&self, name: &str) -> Option<Kind> {
        let label = self.source.table == TableName::Fittings && is_label_column(name);
        self.specs
            .iter()
            .find(|spec| spec.name == name)
            .map(|spec| spec.kind)
            .or(label.then_some(Kind::Label))
    }

    fn check(&self) -> Result<(), Fault> {
        self.files()?;
        self.names()?;
        self.theirs()?;
        self.words()?;
        self.units()
    }

    fn files(&self) -> Result<(), Fault> {
        let source = self.source;
        if source.files.is_empty() {
            return Err(self.fault(&["files"], "must name a file, or several with *"));
        }
        for pattern in &source.files {
            if pattern.is_empty() || pattern.contains(['/', '\\']) {
                return Err(self.fault(
                    &["files"],
                    "must hold names of files within the delivery, without folders",
                ));
            }
        }
        Ok(())
    }

    fn names(&self) -> Result<(), Fault> {
        let SourceMap {
            table,
            columns,
            constants,
            ..
        } = self.source;
        for name in constants.keys() {
            if columns.contains_key(name) {
                return Err(self.fault(
                    &["constants", name],
                    "is in `columns` too: a column comes from the sender or is a constant, not both",
                ));
            }
        }
        let of_columns = columns.keys().map(|name| ("columns", name));
        for (key, name) in of_columns.chain(constants.keys().map(|name| ("constants", name))) {
            if self.kind(name).is_none() {
                return Err(self.fault(&[key, name], self.unknown(name)));
            }
        }
        let is_there =
            |name: &str| columns.is_empty() || self.names.iter().any(|known| known == name);
        let missing: Vec<String> = self
            .specs
            .iter()
            .filter(|spec| spec.required && !is_there(spec.name))
            .map(|spec| format!("`{}`", spec.name))
            .collect();
        if missing.is_empty() {
            return Ok(());
        }
        Err(self.fault(
            &[],
            format!(
                "must say where {} of {} come{} from: under `columns` or `constants`",
                missing.join(", "),
                table.word(),
                if missing.len() == 1 { "s" } else { "" }
            ),
        ))
    }

    /// Why a name is no column of the table.
    fn unknown(&self, name: &str) -> String {
        let table = self.source.table;
        let forms = forms(table);
        let in_a_form = forms.iter().flatten().any(|spec| spec.name == name);
        if in_a_form {
            return format!(
                "belongs to another form of {} than the other columns do: map the columns of one form, wide or long",
                table.word()
            );
        }
        if table == TableName::Fittings && name.starts_with("x_") {
            return "is no label: x_ and 1 to 30 of a-z, 0-9 and _".to_owned();
        }
        let known = forms.iter().flatten().map(|spec| spec.name);
        format!(
            "is no column of {}{}",
            table.word(),
            did_you_mean(name, known)
        )
    }

    fn theirs(&self) -> Result<(), Fault> {
        for (ours, theirs) in &self.source.columns {
            if theirs.is_empty() {
                return Err(self.fault(
                    &["columns", ours],
                    "must be what the sender calls the column",
                ));
            }
        }
        for name in &self.source.leave_out {
            if self.source.theirs().any(|read| read == name) {
                return Err(self.fault(
                    &["leave_out"],
                    format!("holds \"{name}\", which the source reads"),
                ));
            }
        }
        for (name, values) in &self.source.only {
            if values.is_empty() {
                return Err(self.fault(
                    &["where", name],
                    "must list the values of the rows that are to be read",
                ));
            }
        }
        Ok(())
    }

    fn words(&self) -> Result<(), Fault> {
        let source = self.source;
        for (name, Text(value)) in &source.constants {
            let required = self
                .specs
                .iter()
                .any(|spec| spec.name == name && spec.required);
            if value.is_empty() && !required {
                continue;
            }
            self.taken(&["constants", name], name, value)?;
        }
        for (key, values) in &source.values {
            if source.constants.contains_key(key) {
                return Err(self.fault(
                    &["values", key],
                    "is a constant: there is nothing of the sender's to translate",
                ));
            }
            let known = self.specs.iter().map(|spec| spec.name);
            let labels = source.columns.keys().map(String::as_str);
            let mapped =
                |name: &str| source.columns.is_empty() || source.columns.contains_key(name);
            let meant: Vec<&str> = known
                .clone()
                .chain(labels.filter(|name| is_label_column(name)))
                .filter(|name| means(key, name) && mapped(name))
                .collect();
            if meant.is_empty() && !(source.columns.is_empty() && self.kind(key).is_some()) {
                let what = if self.kind(key).is_some() {
                    "is not under `columns`".to_owned()
                } else {
                    format!(
                        "is no column that the source maps{}",
                        did_you_mean(key, known)
                    )
                };
                return Err(self.fault(&["values", key], what));
            }
            for (theirs, Text(ours)) in values {
                for name in &meant {
                    if !ours.is_empty() {
                        self.taken(&["values", key, theirs], name, ours)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Whether a column takes a value that the map gives it.
    fn taken(&self, at: &[&str], name: &str, value: &str) -> Result<(), Fault> {
        let Some(kind) = self.kind(name) else {
            return Ok(());
        };
        if takes(kind, value.as_bytes()) {
            return Ok(());
        }
        let near = match kind {
            Kind::Words(words) => did_you_mean(value, words.iter().copied()),
            _ => String::new(),
        };
        Err(self.fault(
            at,
            format!(
                "gives `{name}` a value that it does not take ({}){near}",
                allowed(kind)
            ),
        ))
    }

    fn units(&self) -> Result<(), Fault> {
        let units = &self.source.units;
        let mapped =
            |name: &str| self.source.columns.is_empty() || self.source.columns.contains_key(name);
        let is_mapped = |is: &dyn Fn(&ColumnSpec) -> bool| {
            self.specs.iter().any(|spec| is(spec) && mapped(spec.name))
        };
        let stray = |key: &str| self.fault(&["units", key], "has no column under `columns`");
        if units.frequency_hz != FrequencyUnit::Hz
            && !is_mapped(&|spec| spec.kind == Kind::Frequency)
        {
            return Err(stray("frequency_hz"));
        }
        if units.weeks_after != TimeUnit::Weeks && !is_mapped(&|spec| spec.name == "weeks_after") {
            return Err(stray("weeks_after"));
        }
        if let ThresholdUnit::SoundPressureLevel(reference) = &units.thresholds {
            if !is_mapped(&|spec| spec.kind == Kind::Threshold) {
                return Err(stray("thresholds"));
            }
            let thresholds = self
                .specs
                .iter()
                .filter(|spec| spec.kind == Kind::Threshold && mapped(spec.name));
            let lacking: Vec<String> = thresholds
                .filter_map(|spec| frequency_of(spec.name))
                .filter(|frequency| !reference.contains_key(frequency))
                .map(|frequency| frequency.to_string())
                .collect();
            if !lacking.is_empty() || reference.is_empty() {
                return Err(self.fault(
                    &["units", "thresholds"],
                    format!(
                        "must have the level of 0 dB HL under `reference` for every threshold in dB SPL; it lacks {} Hz",
                        if lacking.is_empty() { "every".to_owned() } else { lacking.join(", ") }
                    ),
                ));
            }
        }
        if self.source.dates.is_some() && !is_mapped(&|spec| spec.kind == Kind::Date) {
            return Err(self.fault(&["dates"], "has no column of dates under `columns`"));
        }
        Ok(())
    }
}

/// Whether a column takes a text, as far as the column alone can tell.
pub(super) fn takes(kind: Kind, text: &[u8]) -> bool {
    let number = || decimal::parse(text);
    let plain = std::str::from_utf8(text).is_ok_and(|text| {
        !text.is_empty() && text.chars().count() <= 64 && !text.chars().any(char::is_control)
    });
    match kind {
        Kind::Identifier => {
            plain
                && text
                    .iter()
                    .all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'-'))
        }
        Kind::Date => Quarter::from_date(text).is_some(),
        Kind::Whole(low, high) => number()
            .and_then(decimal::Decimal::as_integer)
            .is_some_and(|value| (low..=high).contains(&value)),
        Kind::Hundredths(low, high) => number().is_some_and(|value| value.within(low, high)),
        Kind::Threshold => match text.strip_prefix(b">") {
            Some(limit) => decimal::parse(limit)
                .is_some_and(|limit| limit.within(NO_RESPONSE_LIMIT, NO_RESPONSE_LIMIT)),
            None => {
                let (low, high) = THRESHOLD_RANGE;
                number().is_some_and(|value| value.within(low, high))
            }
        },
        Kind::Words(words) => words.iter().any(|word| word.as_bytes() == text),
        Kind::Label => plain,
        Kind::Frequency => number()
            .and_then(decimal::Decimal::as_integer)
            .is_some_and(|value| FREQUENCIES.iter().any(|&kept| i64::from(kept) == value)),
        Kind::Score => number().is_some(),
    }
}

/// What a column takes, in words, where the kind has words of its own or not.
fn allowed(kind: Kind) -> String {
    match kind {
        Kind::Identifier => "1 to 64 of A-Z a-z 0-9 _ -".to_owned(),
        Kind::Date => "2026-08-17, 2026-08 or 2026-Q3".to_owned(),
        Kind::Label => "at most 64 printable characters".to_owned(),
        Kind::Frequency => "250 to 8000 Hz, one of the ten that are kept".to_owned(),
        Kind::Score => "a number with a decimal point".to_owned(),
        Kind::Whole(..) | Kind::Hundredths(..) | Kind::Threshold | Kind::Words(_) => kind.allowed(),
    }
}
