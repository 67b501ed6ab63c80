//! Writes the delivery: fittings are invented in parallel, a few thousand at a time, and written in order.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::SynthesisError;
use crate::clinicians::drifting_clinic;
use crate::data_package::descriptor;
use crate::fitting::{Fitting, Model};
use crate::outcomes::RMS_CENTRE_DB;
use crate::planted::{Fault, Plan, Planting};
use crate::readme::README;
use crate::rows::{self, Table};
use crate::scenario::Scenario;
use crate::spoiled_rows;
use crate::tally::{Summary, Tally};
use crate::truth::{Drift, SatisfactionModel, SetAsideTruth, TableTruth, Truth};

/// Fittings that one task invents.
const CHUNK: u64 = 256;
/// Tasks before their rows are written: bounds memory to some tens of megabytes, whatever the threads.
const BATCH: u64 = 32;

/// Rows of some fittings, and what is to be known of them.
#[derive(Default)]
struct Chunk {
    bytes: [Vec<u8>; 4],
    written: [u64; 4],
    planted: BTreeMap<(Table, Fault), u64>,
    summaries: Vec<Summary>,
}

impl Chunk {
    fn add(&mut self, model: &Model, plan: &Plan, fitting: &Fitting) {
        let number = fitting.number;
        let [fittings, ears, responses, outcomes] = &mut self.bytes;
        rows::fitting(fittings, model, fitting);
        for (side, sheet) in fitting.ears.iter().enumerate() {
            rows::ear(ears, number, side, sheet);
        }
        let quantity = fitting.quantity.word();
        for point in &fitting.points {
            rows::response(responses, number, quantity, point);
        }
        let mut answers = 0;
        for (item, &score) in (1..).zip(&fitting.answers.items) {
            if score > 0 {
                rows::answer(outcomes, fitting, item, score);
                answers += 1;
            }
        }
        if let Some(tenths) = fitting.answers.hours_tenths {
            rows::hours(outcomes, fitting, tenths);
            answers += 1;
        }
        for (count, rows) in
            self.written
                .iter_mut()
                .zip([1, 2, fitting.points.len() as u64, answers])
        {
            *count += rows;
        }
        self.summaries.push(Summary::of(fitting, model));
        self.plant(model, plan.on(number), Some(fitting));
    }

    fn plant(&mut self, model: &Model, plantings: &[Planting], host: Option<&Fitting>) {
        for planting in plantings {
            let at = planting.table as usize;
            if spoiled_rows::write(&mut self.bytes[at], model, planting, host) {
                self.written[at] += 1;
                *self
                    .planted
                    .entry((planting.table, planting.fault))
                    .or_default() += 1;
            }
        }
    }

    /// The extra fittings that some planted rows hang on.
    fn add_extras(&mut self, model: &Model, plan: &Plan) {
        for extra in 0..plan.one_ear + plan.no_prescription {
            let number = model.scenario.fittings + extra;
            let [fittings, ears, ..] = &mut self.bytes;
            spoiled_rows::extra_fitting(fittings, ears, model, number, extra < plan.one_ear);
            self.written[0] += 1;
            self.written[1] += 1;
            self.plant(model, plan.on(number), None);
        }
    }
}

/// The four files as they grow.
struct Files {
    files: Vec<(PathBuf, BufWriter<File>)>,
    written: [u64; 4],
    planted: BTreeMap<(Table, Fault), u64>,
}

impl Files {
    fn create(folder: &Path) -> Result<Self, SynthesisError> {
        let files = Table::ALL
            .iter()
            .map(|table| {
                let path = folder.join(format!("{}.csv", table.name()));
                let file = File::create(&path).map_err(SynthesisError::io("create", &path))?;
                let mut file = BufWriter::with_capacity(1 << 20, file);
                file.write_all(table.header().as_bytes())
                    .map_err(SynthesisError::io("write", &path))?;
                Ok((path, file))
            })
            .collect::<Result<_, SynthesisError>>()?;
        Ok(Self {
            files,
            written: [0; 4],
            planted: BTreeMap::new(),
        })
    }

    fn append(&mut self, chunk: &Chunk) -> Result<(), SynthesisError> {
        for ((path, file), bytes) in self.files.iter_mut().zip(&chunk.bytes) {
            file.write_all(bytes)
                .map_err(SynthesisError::io("write", path.as_path()))?;
        }
        for (sum, rows) in self.written.iter_mut().zip(chunk.written) {
            *sum += rows;
        }
        for (&key, rows) in &chunk.planted {
            *self.planted.entry(key).or_default() += rows;
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<(), SynthesisError> {
        for (path, file) in &mut self.files {
            file.flush()
                .map_err(SynthesisError::io("write", path.as_path()))?;
        }
        Ok(())
    }

    fn set_aside(&self) -> Vec<SetAsideTruth> {
        self.planted
            .iter()
            .filter_map(|(&(table, fault), &rows)| {
                Some(SetAsideTruth {
                    table: table.name().to_owned(),
                    rule: fault.code()?.to_owned(),
                    // Of two rows that contradict each other neither is kept.
                    rows_set_aside: rows * if fault == Fault::Contradiction { 2 } else { 1 },
                })
            })
            .collect()
    }

    fn tables(&self) -> Vec<TableTruth> {
        let set_aside = self.set_aside();
        Table::ALL
            .iter()
            .zip(self.written)
            .map(|(&table, written)| {
                let aside = set_aside
                    .iter()
                    .filter(|entry| entry.table == table.name())
                    .map(|entry| entry.rows_set_aside)
                    .sum();
                let repeats = self.planted.get(&(table, Fault::ExactRepeat));
                let repeats = repeats.copied().unwrap_or(0);
                TableTruth {
                    table: table.name().to_owned(),
                    rows_written: written,
                    rows_good: written - aside - repeats,
                    rows_set_aside: aside,
                    exact_repeats: repeats,
                }
            })
            .collect()
    }
}

/// Writes an invented delivery into `folder` (made if it is not there; it must be empty): `fittings.csv`,
/// `ears.csv`, `responses.csv`, `outcomes.csv`, `README.txt`, `datapackage.json` and, last, `truth.json`. Returns
/// what `truth.json` holds. `progress` is told the number of fittings written so far, in rising order.
///
/// Works in the current rayon pool; the bytes do not depend on it.
///
/// # Errors
///
/// [`SynthesisError::Parameter`] and [`SynthesisError::FolderNotEmpty`] before anything is written,
/// [`SynthesisError::Io`] where the system refuses.
pub fn write_delivery(
    scenario: &Scenario,
    folder: &Path,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Truth, SynthesisError> {
    scenario.check()?;
    prepare(folder)?;
    let model = Model::new(scenario);
    let plan = Plan::new(&model);
    let mut files = Files::create(folder)?;
    let mut tally = Tally::new(&model);
    let chunks = scenario.fittings.div_ceil(CHUNK);
    for batch in 0..chunks.div_ceil(BATCH) {
        let done: Vec<Chunk> = (batch * BATCH..chunks.min((batch + 1) * BATCH))
            .into_par_iter()
            .map(|chunk| {
                let mut rows = Chunk::default();
                for number in chunk * CHUNK..scenario.fittings.min((chunk + 1) * CHUNK) {
                    rows.add(&model, &plan, &model.fitting(number));
                }
                rows
            })
            .collect();
        for chunk in &done {
            files.append(chunk)?;
            for summary in &chunk.summaries {
                tally.add(summary);
            }
        }
        progress(scenario.fittings.min((batch + 1) * BATCH * CHUNK));
    }
    let mut extras = Chunk::default();
    extras.add_extras(&model, &plan);
    files.append(&extras)?;
    files.finish()?;

    let truth = state_truth(&model, &plan, &files, &tally);
    let write = |name: &str, text: &str| {
        let path = folder.join(name);
        fs::write(&path, text).map_err(SynthesisError::io("write", &path))
    };
    write("README.txt", README)?;
    write("datapackage.json", &descriptor()?)?;
    let mut json = serde_json::to_string_pretty(&truth)?;
    json.push('\n');
    write("truth.json", &json)?;
    Ok(truth)
}

fn prepare(folder: &Path) -> Result<(), SynthesisError> {
    fs::create_dir_all(folder).map_err(SynthesisError::io("create", folder))?;
    let mut entries = fs::read_dir(folder).map_err(SynthesisError::io("read", folder))?;
    if entries.next().is_some() {
        return Err(SynthesisError::FolderNotEmpty {
            path: folder.to_owned(),
        });
    }
    Ok(())
}

fn state_truth(model: &Model, plan: &Plan, files: &Files, tally: &Tally) -> Truth {
    let scenario = &model.scenario;
    let effects = &scenario.effects;
    let drifts = effects.drift_db > 0.0 && effects.drift_from < scenario.quarters;
    let drift = drifts.then(|| Drift {
        clinic_id: model.staff.clinics[drifting_clinic(scenario)].id.clone(),
        from_quarter: model.timeline.name(effects.drift_from),
        fall_db: effects.drift_db,
    });
    Truth {
        data: "invented".to_owned(),
        note: "Invented by a program: no person, clinic, clinician or hearing aid is real. Effects are those \
               planted; figures under realised are over all fittings of the scenario, whether they answered or \
               not."
            .to_owned(),
        scenario: scenario.clone(),
        quarters: [
            model.timeline.name(0),
            model.timeline.name(scenario.quarters - 1),
        ],
        satisfaction_model: SatisfactionModel {
            item: "ioi-ha 4".to_owned(),
            log_odds_per_db: effects.match_per_db,
            rms_centre_db: RMS_CENTRE_DB,
            cuts: model.cuts.satisfaction(),
        },
        realised: tally.realised(),
        drift,
        clinics: tally.clinics(model),
        clinicians: tally.clinicians(model),
        extra_fittings: plan.one_ear + plan.no_prescription,
        tables: files.tables(),
        set_aside: files.set_aside(),
    }
}
