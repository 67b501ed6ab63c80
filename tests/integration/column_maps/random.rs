//! A practice under random names, codes, units, forms, separators and packings, with the map that undoes them: the store
//! holds what the plain form gave, byte for byte.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::assert_mapped_is_plain;
use crate::forms::{gzip, practice, wide};
use crate::parquet_files;
use crate::workspace::{Rows, Workspace};

/// Columns of words, which may be coded.
const CODED: [&str; 8] = [
    "ear",
    "fitted",
    "coupling",
    "stage",
    "quantity",
    "experience",
    "medical_referral",
    "returned",
];
/// What the sender's columns are called, numbered.
const NAMES: [&str; 8] = [
    "Spalte",
    "col",
    "naïve",
    "a b",
    "x.y",
    "'quoted'",
    "per cent %",
    "=sum",
];

struct Draws(ChaCha8Rng);

impl Draws {
    fn below(&mut self, limit: usize) -> usize {
        (self.0.next_u64() % limit as u64) as usize
    }

    fn coin(&mut self) -> bool {
        self.below(2) == 0
    }

    fn shuffle<T>(&mut self, items: &mut [T]) {
        for at in (1..items.len()).rev() {
            items.swap(at, self.below(at + 1));
        }
    }
}

/// A column of ours on its way to theirs.
struct Column {
    ours: String,
    theirs: String,
    values: Vec<String>,
}

fn hundredths(text: &str) -> i64 {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let sign = if whole.starts_with('-') { -1 } else { 1 };
    let whole: i64 = whole.parse().unwrap();
    let fraction: i64 = format!("{fraction:0<2}").parse().unwrap();
    whole * 100 + sign * fraction
}

fn decimals(hundredths: i64) -> String {
    let sign = if hundredths < 0 { "-" } else { "" };
    format!(
        "{sign}{}.{:02}",
        hundredths.abs() / 100,
        hundredths.abs() % 100
    )
}

/// A table as an export, and the sources of the map that reads it.
struct Export<'a> {
    draws: &'a mut Draws,
    columns: Vec<Column>,
    /// Lines of the source.
    lines: Vec<String>,
    values: Vec<String>,
    units: Vec<String>,
}

impl Export<'_> {
    fn each(&mut self, is: impl Fn(&str) -> bool, change: impl Fn(&str, &str) -> String) {
        for column in self.columns.iter_mut().filter(|column| is(&column.ours)) {
            for value in column.values.iter_mut().filter(|value| !value.is_empty()) {
                *value = change(&column.ours, value);
            }
        }
    }

    /// Columns that say the same in every row may become constants.
    fn constants(&mut self) {
        let mut constants = Vec::new();
        let draws = &mut *self.draws;
        self.columns.retain(|column| {
            let first = column.values[0].clone();
            let same = !first.is_empty() && column.values.iter().all(|value| *value == first);
            let taken = same && draws.coin();
            if taken {
                constants.push(format!("{} = {first:?}", column.ours));
            }
            !taken
        });
        self.lines
            .push(format!("constants = {{ {} }}", constants.join(", ")));
    }

    /// Words become codes, blanks too.
    fn codes(&mut self) {
        for column in &mut self.columns {
            if !CODED.contains(&column.ours.as_str()) || self.draws.coin() {
                continue;
            }
            let words: BTreeSet<String> = column.values.iter().cloned().collect();
            let mut pairs = Vec::new();
            for (word, number) in words.iter().zip(1..) {
                let code = format!("{} {number}", if self.draws.coin() { "Ja" } else { "" })
                    .trim()
                    .to_owned();
                pairs.push(format!("{code:?} = {word:?}"));
                for value in column.values.iter_mut().filter(|value| *value == word) {
                    // Marked, so that no code is taken for a word of a later round.
                    *value = format!("\u{1}{code}");
                }
            }
            for value in &mut column.values {
                *value = value.trim_start_matches('\u{1}').to_owned();
            }
            self.values
                .push(format!("{} = {{ {} }}", column.ours, pairs.join(", ")));
        }
    }

    fn dates(&mut self) {
        let forms = ["DD.MM.YYYY", "MM/DD/YYYY", "YYYY-DD-MM", "DD MM YYYY"];
        let form = forms[self.draws.below(forms.len())];
        let is_there = self.columns.iter().any(|column| column.ours == "fitted_on");
        if !is_there || self.draws.coin() {
            return;
        }
        self.each(
            |name| name == "fitted_on",
            |_, value| match value.split('-').collect::<Vec<_>>()[..] {
                [year, month, day] => form
                    .replace("YYYY", year)
                    .replace("MM", month)
                    .replace("DD", day),
                _ => "third".to_owned(),
            },
        );
        self.values
            .push("fitted_on = { third = \"2026-Q3\" }".to_owned());
        self.lines.push(format!("dates = {form:?}"));
    }

    fn units(&mut self) {
        let has = |columns: &[Column], name: &str| {
            columns.iter().any(|column| column.ours.starts_with(name))
        };
        if has(&self.columns, "frequency_hz") && self.draws.coin() {
            self.each(
                |name| name == "frequency_hz",
                |_, value| format!("{:.3}", value.parse::<f64>().unwrap() / 1000.0),
            );
            self.units.push("frequency_hz = \"kHz\"".to_owned());
        }
        if has(&self.columns, "weeks_after") && self.draws.coin() {
            self.each(
                |name| name == "weeks_after",
                |_, value| (7 * value.parse::<u32>().unwrap()).to_string(),
            );
            self.units.push("weeks_after = \"days\"".to_owned());
        }
        if has(&self.columns, "threshold_") && self.draws.coin() {
            let frequencies = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];
            let levels =
                frequencies.map(|hertz| (hertz.to_string(), self.draws.below(6000) as i64 - 1000));
            self.each(
                |name| name.starts_with("threshold_"),
                |name, value| {
                    let (_, level) = levels
                        .iter()
                        .find(|(hertz, _)| name.strip_prefix("threshold_") == Some(hertz))
                        .unwrap();
                    let (sign, digits) = value
                        .strip_prefix('>')
                        .map_or(("", value), |rest| (">", rest));
                    format!("{sign}{}", decimals(hundredths(digits) + level))
                },
            );
            let reference = levels.map(|(hertz, level)| format!("{hertz} = {}", decimals(level)));
            self.units.push(format!(
                "thresholds = {{ unit = \"dB SPL\", reference = {{ {} }} }}",
                reference.join(", ")
            ));
        }
    }

    fn decimal_comma(&mut self) {
        if self.draws.coin() {
            return;
        }
        let is_number = |name: &str| {
            [
                "threshold_",
                "target_",
                "measured_",
                "input_level",
                "frequency_hz",
                "score",
                "weeks_after",
                "age",
            ]
            .iter()
            .any(|family| name.starts_with(family))
        };
        self.each(is_number, |_, value| value.replace('.', ","));
        self.lines.push("decimal = \",\"".to_owned());
    }

    /// Columns that are left out, and rows that are passed over.
    fn more(&mut self) {
        let rows = self.columns[0].values.len();
        for number in 0..self.draws.below(3) {
            let theirs = format!("more {number}");
            self.columns.push(Column {
                ours: String::new(),
                values: vec!["anything; at, all\tor | \"so\"".to_owned(); rows],
                theirs,
            });
        }
        let left_out: Vec<String> = self
            .columns
            .iter()
            .filter(|column| column.ours.is_empty())
            .map(|column| format!("{:?}", column.theirs))
            .collect();
        self.lines
            .push(format!("leave_out = [{}]", left_out.join(", ")));
        if self.draws.coin() {
            let id = self
                .columns
                .iter()
                .find(|column| column.ours == "fitting_id")
                .unwrap();
            self.lines.push(format!("unless_blank = [{:?}]", id.theirs));
            for column in &mut self.columns {
                let value = if column.ours == "fitting_id" {
                    ""
                } else {
                    "passed over"
                };
                column.values.push(value.to_owned());
            }
        }
    }
}

/// Writes a table as an export, and its sources.
fn export(
    draws: &mut Draws,
    workspace: &Workspace,
    folder: &str,
    table: &str,
    text: &str,
) -> String {
    let rows = Rows::parse(text);
    let columns = rows.columns.iter().enumerate().map(|(at, ours)| Column {
        ours: ours.clone(),
        theirs: format!("{} {at}", NAMES[at % NAMES.len()]),
        values: rows.rows.iter().map(|row| row[at].clone()).collect(),
    });
    let mut export = Export {
        columns: columns.collect(),
        draws,
        lines: Vec::new(),
        values: Vec::new(),
        units: Vec::new(),
    };
    export.constants();
    export.dates();
    export.units();
    export.decimal_comma();
    export.codes();
    export.more();
    let Export {
        draws,
        mut columns,
        mut lines,
        values,
        units,
    } = export;
    draws.shuffle(&mut columns);
    let separator = [b',', b';', b'\t', b'|'][draws.below(4)];
    let as_text = |rows: std::ops::Range<usize>, separator: u8| {
        let mut writer = csv::WriterBuilder::new()
            .delimiter(separator)
            .from_writer(Vec::new());
        writer
            .write_record(columns.iter().map(|column| &column.theirs))
            .unwrap();
        for row in rows {
            writer
                .write_record(columns.iter().map(|column| &column.values[row]))
                .unwrap();
        }
        String::from_utf8(writer.into_inner().unwrap()).unwrap()
    };
    let count = columns[0].values.len();
    let cut = draws.below(count);
    for (rows, number) in [(0..cut, 1), (cut..count, 2)] {
        let text = as_text(rows.clone(), separator);
        let (ending, bytes) = match draws.below(4) {
            0 => ("csv", text.into_bytes()),
            1 => ("TXT.gz", gzip(&text)),
            2 => ("tsv.zst", zstd::encode_all(text.as_bytes(), 3).unwrap()),
            _ => ("parquet", parquet_files::from_csv(&as_text(rows, b','))),
        };
        workspace.write(
            &format!("{folder}/{table} of them {number}.{ending}"),
            bytes,
        );
    }
    lines.push(format!(
        "separator = {}",
        match separator {
            b'\t' => "\"tab\"".to_owned(),
            other => format!("{:?}", char::from(other).to_string()),
        }
    ));
    lines.push(format!("units = {{ {} }}", units.join(", ")));
    let mut mapped: Vec<String> = columns
        .iter()
        .filter(|column| !column.ours.is_empty())
        .map(|column| format!("{} = {:?}", column.ours, column.theirs))
        .collect();
    draws.shuffle(&mut mapped);
    let mut out = String::new();
    writeln!(out, "[[source]]\nfiles = [\"{table}*\"]\ntable = {table:?}").unwrap();
    writeln!(out, "columns = {{ {} }}", mapped.join(", ")).unwrap();
    writeln!(
        out,
        "values = {{ {} }}\n{}",
        values.join(", "),
        lines.join("\n")
    )
    .unwrap();
    out
}

#[test]
fn whatever_the_names_codes_and_units_the_store_is_the_same() {
    let workspace = Workspace::new();
    for (table, text) in practice() {
        workspace.write(&format!("plain/{table}.csv"), text);
    }
    workspace.ingest("plain", "c-plain");
    for seed in 0..12 {
        let mut draws = Draws(ChaCha8Rng::seed_from_u64(seed));
        let folder = format!("d{seed}");
        let mut map = String::new();
        for (table, text) in practice() {
            let text = if table == "responses" && draws.coin() {
                wide(&text)
            } else {
                text
            };
            map.push_str(&export(&mut draws, &workspace, &folder, table, &text));
        }
        let name = format!("map-{seed}.toml");
        workspace.write(&name, &map);
        assert_mapped_is_plain(&workspace, &folder, &name, &format!("seed {seed}"));
    }
}
