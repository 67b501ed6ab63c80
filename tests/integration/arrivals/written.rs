//! Deliveries as files: tables in one file or two, plain or packed, in their own forms or under a column map.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;

use super::drawn::{Delivery, Draws, Row};
use super::ears::{EarRow, FREQUENCIES};
use crate::workspace::Workspace;

const EARS: [&str; 2] = ["left", "right"];
const CURVES: [&str; 2] = ["final,REIG,65", "first,REAR,50"];
const QUARTERS: [&str; 3] = ["2026-Q1", "2026-05-04", "2027-02"];
const ANSWERS: [&str; 4] = [
    "ioi-ha,4",
    "ioi-ha,7",
    "use-log,hours_per_day",
    "comfort,overall",
];

const FITTINGS: &str =
    "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,prescription,x_region";
const EARS_WIDE: &str =
    "fitting_id,ear,fitted,coupling,style,threshold_250,threshold_1000,threshold_4000";
const EARS_LONG: &str = "frequency_hz,threshold,fitting_id,ear,fitted,coupling,style";
/// Of a sender whose rows hold thresholds side by side; the map makes rows of the long form of them.
const EARS_MAPPED: &str = "Visit,Side,Aided,Mould,Model,AC 250,AC 1000,AC 4000";
const RESPONSES: &str =
    "fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db";
const RESPONSES_WIDE: &str = "fitting_id,ear,stage,quantity,input_level_db,target_250,target_1000,target_4000,measured_250,measured_1000,measured_4000";
const OUTCOMES: &str = "fitting_id,instrument,item,score";

/// The name of a file of mapped ears, but for its ending.
const MAPPED: &str = "audiograms";

/// Header and rows by the names of files, but for their endings.
type Files = BTreeMap<&'static str, (&'static str, Vec<String>)>;

impl Delivery {
    /// Writes the delivery, rows in any order; the column map, where it takes one, beside it.
    pub(super) fn write(&self, workspace: &Workspace, name: &str, draws: &mut Draws) {
        let mut map = String::new();
        for (file, (header, mut rows)) in self.files(draws) {
            draws.shuffle(&mut rows);
            let cut = if draws.chance(30) {
                draws.below(rows.len())
            } else {
                0
            };
            let (first, second) = rows.split_at(cut);
            for (part, rows) in [("-1", first), ("", second)] {
                if rows.is_empty() {
                    continue;
                }
                let text = format!("{header}\n{}\n", rows.join("\n"));
                let path = if draws.chance(20) {
                    let path = format!("{file}{part}.csv.gz");
                    workspace.write(&format!("{name}/{path}"), packed(&text));
                    path
                } else {
                    let path = format!("{file}{part}.csv");
                    workspace.write(&format!("{name}/{path}"), text);
                    path
                };
                map.push_str(&sources(file, &path));
            }
        }
        if self.mapped {
            workspace.write(&map_of(name), map);
        }
    }

    fn files(&self, draws: &mut Draws) -> Files {
        let mut files = Files::new();
        let mut add = |file: &'static str, header, row: String| {
            let (_, rows) = files.entry(file).or_insert_with(|| (header, Vec::new()));
            rows.push(row);
        };
        // Either form may be the first to be read.
        let wide_ears = ["ears", "ears-a"][draws.below(2)];
        for row in &self.rows {
            match row {
                Row::Fitting { .. } => add("fittings", FITTINGS, fitting_text(row)),
                Row::Ear(row) if !row.long => {
                    let cells = [&row.whole_text()[..], &row.threshold_texts()].concat();
                    add(wide_ears, EARS_WIDE, cells.join(","));
                }
                Row::Ear(row) if !self.mapped => {
                    let position = row.position();
                    let point = [
                        FREQUENCIES[position].to_string(),
                        row.threshold_texts()[position].clone(),
                    ];
                    let cells = [&point[..], &row.whole_text()].concat();
                    add("ears-long", EARS_LONG, cells.join(","));
                }
                // Below, like the wide form of responses.
                Row::Ear(_) => {}
                Row::Point {
                    id,
                    ear,
                    curve,
                    frequency,
                    target,
                    value,
                } if !self.wide => {
                    let target = if *target {
                        (20 + value).to_string()
                    } else {
                        String::new()
                    };
                    let row = format!(
                        "F{id},{},{},{},{target},{}",
                        EARS[*ear],
                        CURVES[*curve],
                        FREQUENCIES[*frequency],
                        25 + 3 * value
                    );
                    add("responses", RESPONSES, row);
                }
                Row::Point { .. } => {}
                Row::Answer { id, item, value } => {
                    let row = format!("F{id},{},{}", ANSWERS[*item], 1 + value);
                    add("outcomes", OUTCOMES, row);
                }
            }
        }
        for row in self.mapped_ears() {
            add(MAPPED, EARS_MAPPED, row);
        }
        for row in self.wide_rows() {
            add("responses", RESPONSES_WIDE, row);
        }
        if let Some(mark) = self.mark {
            let row = match mark % 2 {
                0 => format!("X{mark},ioi-ha,4,3"),
                _ => format!("X{mark},ioi-ha,4,{}", 10 + mark),
            };
            add("outcomes", OUTCOMES, row);
        }
        files
    }

    /// Thresholds side by side, as many as say the same of the whole ear.
    fn mapped_ears(&self) -> Vec<String> {
        let mut lines: Vec<EarRow> = Vec::new();
        for row in self.rows.iter().filter(|_| self.mapped) {
            let Row::Ear(row) = row else { continue };
            if !row.long {
                continue;
            }
            let position = row.position();
            let line = lines.iter_mut().find(|line| {
                line.whole_text() == row.whole_text() && line.said.thresholds[position].is_none()
            });
            match line {
                Some(line) => line.said.thresholds[position] = row.said.thresholds[position],
                None => lines.push(row.clone()),
            }
        }
        let text = |line: EarRow| [&line.whole_text()[..], &line.threshold_texts()].concat();
        lines.into_iter().map(|line| text(line).join(",")).collect()
    }

    /// A row a curve.
    fn wide_rows(&self) -> Vec<String> {
        let mut curves: BTreeMap<(usize, usize, usize), [[String; 3]; 2]> = BTreeMap::new();
        for row in self.rows.iter().filter(|_| self.wide) {
            if let Row::Point {
                id,
                ear,
                curve,
                frequency,
                target,
                value,
            } = row
            {
                let [targets, measured] = curves.entry((*id, *ear, *curve)).or_default();
                if *target {
                    targets[*frequency] = (20 + value).to_string();
                }
                measured[*frequency] = (25 + 3 * value).to_string();
            }
        }
        curves
            .into_iter()
            .map(|((id, ear, curve), [targets, measured])| {
                format!(
                    "F{id},{},{},{},{}",
                    EARS[ear],
                    CURVES[curve],
                    targets.join(","),
                    measured.join(",")
                )
            })
            .collect()
    }
}

/// Where the column map of a delivery is.
pub(super) fn map_of(delivery: &str) -> String {
    format!("{delivery}.map.toml")
}

/// What a column map says of a file.
fn sources(file: &str, path: &str) -> String {
    let table = file.split('-').next().unwrap_or(file);
    if table != MAPPED {
        return format!("[[source]]\nfiles = [\"{path}\"]\ntable = \"{table}\"\n\n");
    }
    let mut out = String::new();
    for frequency in FREQUENCIES {
        write!(
            out,
            "[[source]]\nfiles = [\"{path}\"]\ntable = \"ears\"\nunless_blank = [\"AC {frequency}\"]\n\
            constants = {{ frequency_hz = {frequency} }}\n\
            columns = {{ fitting_id = \"Visit\", ear = \"Side\", fitted = \"Aided\", coupling = \"Mould\", \
            style = \"Model\", threshold = \"AC {frequency}\" }}\n\n"
        )
        .expect("memory");
    }
    out
}

fn packed(text: &str) -> Vec<u8> {
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(text.as_bytes()).expect("memory");
    packed.finish().expect("memory")
}

fn fitting_text(row: &Row) -> String {
    let Row::Fitting { id, legible, value } = row else {
        return String::new();
    };
    let date = if *legible {
        QUARTERS[value % 3]
    } else {
        "one day"
    };
    // Most have a prescription, without which targets are set aside.
    let prescription = if value % 6 == 5 { "" } else { "NAL-R" };
    let region = ["", "coast"][value % 2];
    format!(
        "F{id},P{id},north,anna-1,{date},{},{prescription},{region}",
        60 + value
    )
}
