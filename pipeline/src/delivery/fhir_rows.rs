//! Reads FHIR resources as rows of text fields, so that they are judged by the same rules as CSV.

use std::io::{BufReader, Read};

use rayon::prelude::*;

use super::batch::RowBatch;
use super::cells::Fault;
use super::source::DeliveryFile;
use crate::error::PipelineError;
use crate::fhir::cut::{CutFault, Cutter, Piece};
use crate::fhir::files::FhirFile;
use crate::fhir::{Extractor, PieceFault, Tally};
use crate::rules::Rule;
use crate::vocabulary::TableName;

/// A batch holds resources of about this many bytes, and so not many more than that.
const BATCH_BYTES: usize = 2 << 20;

/// The resources of a file that make rows of one table.
pub(crate) struct FhirRows {
    cutter: Cutter<BufReader<Box<dyn Read + Send>>>,
    table: TableName,
    fhir: FhirFile,
    next_row: u32,
    tally: Tally,
    ended: bool,
}

impl FhirRows {
    pub(crate) fn new(reader: Box<dyn Read + Send>, table: TableName, fhir: &FhirFile) -> Self {
        Self {
            cutter: Cutter::new(BufReader::with_capacity(1 << 16, reader), fhir.form),
            table,
            fhir: fhir.clone(),
            next_row: 1,
            tally: Tally::default(),
            ended: false,
        }
    }

    /// The columns of the rows: ours.
    pub(crate) fn header(&self) -> Vec<String> {
        self.extractor().header()
    }

    /// What was passed over so far, as notes on the file.
    pub(crate) fn notes(&self, file: &str) -> Vec<(Rule, String)> {
        self.tally.notes(file)
    }

    fn extractor(&self) -> Extractor<'_> {
        Extractor {
            table: self.table,
            file: &self.fhir,
        }
    }

    pub(crate) fn next_batch(
        &mut self,
        file: &DeliveryFile,
    ) -> Result<Option<RowBatch>, PipelineError> {
        while !self.ended {
            let pieces = self.pieces(file)?;
            let extractor = self.extractor();
            let extracted: Vec<_> = pieces
                .par_iter()
                .map(|piece| extractor.extract(piece))
                .collect();
            let (mut records, mut faults) = (Vec::new(), Vec::new());
            let first_row = self.next_row;
            for part in extracted {
                let part = part.map_err(|fault| match fault {
                    PieceFault::NotUtf8(byte) => at_byte(Rule::NotUtf8, file, byte),
                    PieceFault::CutOff(byte) => at_byte(Rule::DamagedFile, file, byte),
                })?;
                self.tally.add(part.tally);
                for row in part.rows {
                    faults.extend(
                        row.fault
                            .map(|(column, rule)| (self.next_row, Fault { column, rule })),
                    );
                    records.push(row.fields);
                    self.next_row = self.next_row.saturating_add(1);
                }
            }
            if !records.is_empty() {
                return Ok(Some(RowBatch::Fields {
                    records,
                    first_row,
                    faults,
                }));
            }
        }
        Ok(None)
    }

    /// The next resources.
    fn pieces(&mut self, file: &DeliveryFile) -> Result<Vec<Piece>, PipelineError> {
        let mut pieces = Vec::new();
        let mut bytes = 0;
        while bytes < BATCH_BYTES {
            let piece = self.cutter.next_piece().map_err(|fault| match fault {
                CutFault::Io(source) if !file.packing.is_packed() => {
                    PipelineError::read(&file.path, source)
                }
                CutFault::Io(_) => PipelineError::refused(Rule::DamagedFile, &file.path, None, ""),
                CutFault::NotJson(byte) => at_byte(Rule::DamagedFile, file, byte),
                CutFault::NotUtf8(byte) => at_byte(Rule::NotUtf8, file, byte),
                CutFault::NotABundle => {
                    PipelineError::refused(Rule::NotABundle, &file.path, None, "")
                }
            })?;
            let Some(piece) = piece else {
                self.ended = true;
                break;
            };
            bytes += piece.text.len();
            pieces.push(piece);
        }
        Ok(pieces)
    }
}

fn at_byte(rule: Rule, file: &DeliveryFile, byte: u64) -> PipelineError {
    PipelineError::refused_at_byte(rule, &file.path, byte)
}
