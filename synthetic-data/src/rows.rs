//! CSV rows, put together without allocation: a hundred thousand fittings make eight million.

use crate::FREQUENCIES_HZ;
use crate::audiogram::Threshold;
use crate::fitting::{EarSheet, Fitting, Model, Point};
use crate::timeline::FittedOn;

/// A table of the delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Table {
    Fittings,
    Ears,
    Responses,
    Outcomes,
}

impl Table {
    pub(crate) const ALL: [Self; 4] = [Self::Fittings, Self::Ears, Self::Responses, Self::Outcomes];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Fittings => "fittings",
            Self::Ears => "ears",
            Self::Responses => "responses",
            Self::Outcomes => "outcomes",
        }
    }

    pub(crate) fn header(self) -> &'static str {
        match self {
            Self::Fittings => {
                "fitting_id,patient_id,clinic_id,clinician_id,fitted_on,age_years,experience,\
                 prescription,medical_referral,returned,x_region,x_data\n"
            }
            Self::Ears => {
                "fitting_id,ear,fitted,threshold_250,threshold_500,threshold_750,threshold_1000,\
                 threshold_1500,threshold_2000,threshold_3000,threshold_4000,threshold_6000,\
                 threshold_8000,coupling,style\n"
            }
            Self::Responses => {
                "fitting_id,ear,stage,quantity,input_level_db,frequency_hz,target_db,measured_db\n"
            }
            Self::Outcomes => "fitting_id,instrument,item,score,weeks_after\n",
        }
    }
}

/// Label of the rule that the targets come from.
pub(crate) const PRESCRIPTION: &str = "NAL-R";

pub(crate) const SIDES: [&str; 2] = ["left", "right"];

fn text(out: &mut Vec<u8>, value: &str) {
    out.extend_from_slice(value.as_bytes());
}

/// A whole number with at least `width` digits.
fn whole(out: &mut Vec<u8>, mut value: u64, width: usize) {
    let mut digits = [b'0'; 20];
    let mut at = digits.len();
    while value > 0 || at > digits.len() - width.min(digits.len()) {
        at -= 1;
        digits[at] = b'0' + (value % 10) as u8;
        value /= 10;
    }
    out.extend_from_slice(&digits[at..]);
}

/// Tenths as a decimal number, `-35` as `-3.5`.
fn decimal(out: &mut Vec<u8>, tenths: i32) {
    if tenths < 0 {
        out.push(b'-');
    }
    let size = u64::from(tenths.unsigned_abs());
    whole(out, size / 10, 1);
    out.push(b'.');
    whole(out, size % 10, 1);
}

/// An id such as `F00000001`: the letter and the number counted from 1.
pub(crate) fn id(out: &mut Vec<u8>, letter: u8, number: u64) {
    out.push(letter);
    whole(out, number + 1, 8);
}

fn date(out: &mut Vec<u8>, on: FittedOn) {
    let (FittedOn::Day(year, ..) | FittedOn::Month(year, _) | FittedOn::Quarter(year, _)) = on;
    whole(out, u64::from(year.unsigned_abs()), 4);
    out.push(b'-');
    match on {
        FittedOn::Day(_, month, day) => {
            whole(out, u64::from(month), 2);
            out.push(b'-');
            whole(out, u64::from(day), 2);
        }
        FittedOn::Month(_, month) => whole(out, u64::from(month), 2),
        FittedOn::Quarter(_, quarter) => {
            out.push(b'Q');
            whole(out, u64::from(quarter), 1);
        }
    }
}

/// Row of `fittings`.
pub(crate) fn fitting(out: &mut Vec<u8>, model: &Model, row: &Fitting) {
    let clinic = &model.staff.clinics[row.clinic];
    id(out, b'F', row.number);
    out.push(b',');
    id(out, b'P', row.patient);
    for field in [
        clinic.id.as_str(),
        &model.staff.clinicians[row.clinician].id,
    ] {
        out.push(b',');
        text(out, field);
    }
    out.push(b',');
    date(out, row.fitted_on);
    out.push(b',');
    if let Some(age) = row.age_years {
        whole(out, u64::from(age), 1);
    }
    let experience = match (row.experience_known, row.experienced) {
        (false, _) => "",
        (true, true) => "experienced",
        (true, false) => "new",
    };
    let returned = match (row.answers.return_known, row.answers.returned) {
        (false, _) => "",
        (true, true) => "true",
        (true, false) => "false",
    };
    for field in [
        experience,
        PRESCRIPTION,
        row.referral,
        returned,
        clinic.region,
    ] {
        out.push(b',');
        text(out, field);
    }
    text(out, ",invented\n");
}

/// Row of `ears`.
pub(crate) fn ear(out: &mut Vec<u8>, number: u64, side: usize, sheet: &EarSheet) {
    id(out, b'F', number);
    out.push(b',');
    text(out, SIDES[side]);
    text(out, if sheet.fitted { ",true" } else { ",false" });
    for threshold in sheet.audiogram {
        out.push(b',');
        match threshold {
            Threshold::NotTested => {}
            Threshold::NoResponse => text(out, ">110"),
            Threshold::Level(db) => {
                if db < 0 {
                    out.push(b'-');
                }
                whole(out, u64::from(db.unsigned_abs()), 1);
            }
        }
    }
    out.push(b',');
    text(out, sheet.coupling.map_or("", |coupling| coupling.word()));
    out.push(b',');
    text(out, sheet.style.unwrap_or(""));
    out.push(b'\n');
}

/// Row of `responses`.
pub(crate) fn response(out: &mut Vec<u8>, number: u64, quantity: &str, point: &Point) {
    id(out, b'F', number);
    for field in [SIDES[point.ear], point.stage.word(), quantity] {
        out.push(b',');
        text(out, field);
    }
    out.push(b',');
    whole(out, u64::from(point.level_db), 1);
    out.push(b',');
    whole(out, u64::from(FREQUENCIES_HZ[point.frequency]), 1);
    out.push(b',');
    if let Some(target) = point.target {
        decimal(out, target);
    }
    out.push(b',');
    decimal(out, point.measured);
    out.push(b'\n');
}

/// Row of `outcomes` with an IOI-HA item, 1 to 7.
pub(crate) fn answer(out: &mut Vec<u8>, row: &Fitting, item: usize, score: u8) {
    id(out, b'F', row.number);
    text(out, ",ioi-ha,");
    whole(out, item as u64, 1);
    out.push(b',');
    whole(out, u64::from(score), 1);
    weeks(out, row);
}

/// Row of `outcomes` with hours of use a day.
pub(crate) fn hours(out: &mut Vec<u8>, row: &Fitting, tenths: u16) {
    id(out, b'F', row.number);
    text(out, ",use-log,hours_per_day,");
    decimal(out, i32::from(tenths));
    weeks(out, row);
}

fn weeks(out: &mut Vec<u8>, row: &Fitting) {
    out.push(b',');
    if let Some(weeks) = row.answers.weeks_after {
        whole(out, u64::from(weeks), 1);
    }
    out.push(b'\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Compared with the standard library's own formatting.
    #[test]
    fn numbers_look_like_those_of_the_standard_library() {
        for tenths in [-400, -35, -5, 0, 4, 10, 99, 1_400] {
            let mut out = Vec::new();
            decimal(&mut out, tenths);
            assert_eq!(out, format!("{:.1}", f64::from(tenths) / 10.0).into_bytes());
        }
        for (value, width) in [(0, 1), (7, 2), (123, 2), (u64::MAX, 1), (41, 8)] {
            let mut out = Vec::new();
            whole(&mut out, value, width);
            assert_eq!(out, format!("{value:0width$}").into_bytes());
        }
    }
}
