#![no_main]

use fitcohort_fuzz::{FOLDER, allow_caught_panics};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: allow_caught_panics(), |data: &[u8]| {
    fitcohort_pipeline::hostile::fhir(data, &FOLDER);
});
