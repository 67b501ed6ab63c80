//! Rows that belong to no fitting or no ear, rows without the prescription they need, and rows that contradict each other.

use super::Spoiled;
use super::rows::{answer, ear, fitting, response};

const WIDE_HEADER: &str = "fitting_id,ear,stage,quantity,input_level_db,target_250,target_1000,measured_250,measured_1000";

pub(super) fn orphans(out: &mut Spoiled) {
    let nowhere = "neither in the delivery nor in the cohort, or was itself set aside";
    for id in ["F417", "B1x"] {
        out.bad("ears.csv", &ear(0, id), "", "orphan", nowhere, id);
        out.bad("responses.csv", &response(0, id), "", "orphan", nowhere, id);
        out.bad("outcomes.csv", &answer(0, id), "", "orphan", nowhere, id);
    }
    // F5 is itself set aside, and so its ear belongs nowhere.
    let says = "is none of the words";
    out.bad(
        "fittings.csv",
        &fitting(6, "veteran").replace("B1", "F5"),
        "experience",
        "unknown-word",
        says,
        "veteran",
    );
    out.bad("ears.csv", &ear(0, "F5"), "", "orphan", nowhere, "F5");

    // F6 names no prescription; its left ear is there, its right ear is not.
    out.good("fittings.csv", &fitting(7, "").replace("B1", "F6"));
    out.good("ears.csv", &ear(0, "F6"));
    let says = "does not say from which prescription";
    let rule = "target-without-prescription";
    out.bad(
        "responses.csv",
        "F6,left,final,REIG,65,250,10,12",
        "",
        rule,
        says,
        "F6",
    );
    out.good("responses.csv", "F6,left,final,REIG,65,500,,12");
    out.bad(
        "responses.csv",
        "F6,left,final,REIG,65,1000,10,12",
        "",
        rule,
        says,
        "F6",
    );
    let says = "has no row in the ears table";
    out.bad(
        "responses.csv",
        "F6,right,final,REIG,65,250,,12",
        "",
        "orphan-ear",
        says,
        "F6",
    );

    out.file("responses-wide.csv", WIDE_HEADER);
    let says = "no measured value at any frequency";
    out.bad(
        "responses-wide.csv",
        "F1,left,first,REIG,65,10,20,,",
        "",
        "no-measurement",
        says,
        "F1",
    );
    out.bad(
        "responses-wide.csv",
        "F6,left,first,REIG,65,10,,12,22",
        "",
        rule,
        "prescription",
        "F6",
    );
    out.bad(
        "responses-wide.csv",
        "F6,right,first,REIG,65,,,12,22",
        "",
        "orphan-ear",
        "ears table",
        "F6",
    );
    out.bad(
        "responses-wide.csv",
        "F417,left,first,REIG,65,,,12,22",
        "",
        "orphan",
        nowhere,
        "F417",
    );
    out.good("responses-wide.csv", "F1,left,first,REIG,50,10,,12,22");
}

/// The long form of ears: a row a threshold.
pub(super) fn ear_points(out: &mut Spoiled) {
    out.file(
        "ears-long.csv",
        "fitting_id,ear,frequency_hz,threshold,fitted,coupling",
    );
    let file = "ears-long.csv";
    // The wide row of F1 says nothing of 750 Hz.
    out.good(file, "F1,left,750,30,,");
    let kept = "250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000 Hz";
    let (rule, column) = ("frequency-not-kept", "frequency_hz");
    out.bad(file, "F1,left,1375,30,,", column, rule, kept, "1375");
    let says = "is not a whole number";
    out.bad(
        file,
        "F1,left,750.5,30,,",
        column,
        "not-whole",
        says,
        "750.5",
    );
    let says = "is blank";
    out.bad(file, "F1,left,1500,,,", "threshold", "required", says, "");
    out.bad(file, "F1,left,,30,,", column, "required", says, "");
    let (rule, says) = ("out-of-range", "or >110 for no response at 110");
    out.bad(
        file,
        "F1,left,1500,120.5,,",
        "threshold",
        rule,
        says,
        "120.5",
    );
    out.bad(file, "F1,left,1500,>95,,", "threshold", rule, says, ">95");
    let (rule, says) = ("unknown-word", "(false, true)");
    out.bad(
        file,
        "F1,left,1500,30,perhaps,",
        "fitted",
        rule,
        says,
        "perhaps",
    );

    // Nothing says of the right ear of F9 whether it was fitted; of its left ear one row does.
    out.good("fittings.csv", &fitting(0, "F9"));
    out.good(file, "F9,left,500,25,,");
    out.good(file, "F9,left,1000,30,true,");
    let (rule, says) = ("orphan-ear", "says whether it was fitted");
    out.bad(file, "F9,right,500,25,,", "", rule, says, "F9");
    out.bad(file, "F9,right,500,25,,open", "", rule, says, "F9");
    disputed(out, file, "F9,left,2000,>110,,", "F9");
    disputed(out, file, "F9,left,2000,110,,", "F9");
    disputed(out, file, "F9,left,3000,30,,vented", "F9");
    disputed(out, file, "F9,left,4000,30,,closed", "F9");
}

/// A row that another one contradicts.
fn disputed(out: &mut Spoiled, file: &str, row: &str, secret: &str) {
    out.bad(file, row, "", "contradiction", "both are set aside", secret);
}

pub(super) fn contradictions(out: &mut Spoiled) {
    disputed(
        out,
        "fittings.csv",
        &fitting(5, "41").replace("B1", "F7"),
        "F7",
    );
    disputed(
        out,
        "fittings.csv",
        &fitting(5, "42").replace("B1", "F7"),
        "F7",
    );
    out.good("fittings.csv", &fitting(0, "F8"));
    for threshold in ["left,true,20", "left,true,25"]
        .into_iter()
        // No response at 110 dB HL is something else than a threshold of 110 dB HL.
        .chain(["right,true,110", "right,true,>110"])
    {
        let row = format!("F8,{threshold},,,,,,,,,,,");
        disputed(out, "ears.csv", &row, "F8");
    }
    // The ears of F8 are set aside, and so its responses have none.
    out.bad(
        "responses.csv",
        "F8,left,final,REIG,65,250,,12",
        "",
        "orphan-ear",
        "ears table",
        "F8",
    );
    // Only the disputed point of a curve is set aside.
    disputed(out, "responses.csv", "F1,left,first,REIG,65,1000,20,18", "");
    out.good("responses.csv", "F1,left,first,REIG,65,2000,20,18");
    disputed(out, "responses.csv", "F1,left,first,REIG,65,1000,20,19", "");
    // A target in one row and none in the other is a contradiction too.
    disputed(out, "responses.csv", "F1,left,first,REIG,65,4000,20,18", "");
    disputed(out, "responses.csv", "F1,left,first,REIG,65,4000,,18", "");
    // In the wide form the row is the whole curve.
    disputed(
        out,
        "responses-wide.csv",
        "F1,right,first,REIG,65,10,20,12,22",
        "",
    );
    disputed(
        out,
        "responses-wide.csv",
        "F1,right,first,REIG,65,10,20,12,23",
        "",
    );
    disputed(out, "outcomes.csv", "F2,ioi-ha,5,3,6", "F2");
    disputed(out, "outcomes.csv", "F2,ioi-ha,5,4,6", "F2");
    disputed(out, "outcomes.csv", "F2,ioi-ha,6,3,", "F2");
    disputed(out, "outcomes.csv", "F2,ioi-ha,6,4,", "F2");
}
