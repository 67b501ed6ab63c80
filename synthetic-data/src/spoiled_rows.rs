//! The bad rows themselves: each is a good row with one thing wrong.

use crate::clinicians::Quantity;
use crate::fitting::{EarSheet, Fitting, Model, Point};
use crate::planted::{Fault, Planting, answer_to_use, response_to_use};
use crate::rows::{self, PRESCRIPTION, SIDES, Table};

/// Numbers that are none, as exports of every kind write them; the last two are quoted for their comma.
const NOT_NUMBERS: [&str; 8] = [
    "NaN", "1e999", "inf", "-0", "1,5", "1.234,5", "12..5", "about 20",
];
const NOT_DATES: [&str; 5] = ["2025-13-01", "2025-02-30", "2025-Q5", "2025-00", "soon"];

/// One of a list, by turns.
fn turn<const N: usize>(list: [&'static str; N], serial: u64) -> &'static str {
    list[(serial % N as u64) as usize]
}

/// Puts fields together, quoting those with a comma (RFC 4180).
fn push_row<S: AsRef<str>>(out: &mut Vec<u8>, fields: &[S]) {
    for (at, field) in fields.iter().enumerate() {
        if at > 0 {
            out.push(b',');
        }
        let field = field.as_ref();
        let quoted = field.contains(',');
        if quoted {
            out.push(b'"');
        }
        out.extend_from_slice(field.as_bytes());
        if quoted {
            out.push(b'"');
        }
    }
    out.push(b'\n');
}

/// Too few fields or too many, by turns.
fn miscount(fields: &mut Vec<String>, serial: u64) {
    if serial.is_multiple_of(2) {
        fields.pop();
    } else {
        fields.push("extra".to_owned());
    }
}

fn host_id(number: u64) -> String {
    format!("F{:08}", number + 1)
}

/// Id of a fitting that no table of fittings has.
fn nobody(serial: u64) -> String {
    format!("N{:08}", serial + 1)
}

/// Writes the planted row. Contradictions and repeats need the host's good rows and are left out if it
/// has none, as the plan never lets happen; returns whether a row was written.
pub(crate) fn write(
    out: &mut Vec<u8>,
    model: &Model,
    planting: &Planting,
    host: Option<&Fitting>,
) -> bool {
    match (planting.table, planting.fault) {
        (_, Fault::Contradiction | Fault::ExactRepeat) => {
            return host.is_some_and(|host| again(out, model, planting, host));
        }
        (Table::Fittings, _) => fitting(out, model, planting, host),
        (Table::Ears, _) => ear(out, planting),
        (Table::Responses, _) => response(out, planting, host),
        (Table::Outcomes, _) => outcome(out, planting),
    }
    true
}

/// A good row of the host once more, the same or with another value.
fn again(out: &mut Vec<u8>, model: &Model, planting: &Planting, host: &Fitting) -> bool {
    let contradict = planting.fault == Fault::Contradiction;
    match planting.table {
        Table::Fittings => rows::fitting(out, model, host),
        Table::Ears => {
            let side = (planting.serial % 2) as usize;
            rows::ear(out, host.number, side, &host.ears[side]);
        }
        Table::Responses => {
            let Some(place) = response_to_use(host, planting.fault, planting.serial) else {
                return false;
            };
            let mut point: Point = host.points[place];
            if contradict {
                point.measured += if point.measured > 0 { -30 } else { 30 };
            }
            rows::response(out, host.number, host.quantity.word(), &point);
        }
        Table::Outcomes => {
            let Some((item, score)) = answer_to_use(host, planting.fault) else {
                return false;
            };
            let score = match (contradict, score) {
                (false, score) => score,
                (true, 5) => 4,
                (true, score) => score + 1,
            };
            rows::answer(out, host, item, score);
        }
    }
    true
}

fn fitting(out: &mut Vec<u8>, model: &Model, planting: &Planting, host: Option<&Fitting>) {
    let serial = planting.serial;
    let clinician = &model.staff.clinicians[host.map_or(0, |host| host.clinician)];
    let clinic = &model.staff.clinics[clinician.clinic];
    let mut fields: Vec<String> = [
        format!("E{:08}", serial + 1),
        format!("PE{:08}", serial + 1),
        clinic.id.clone(),
        clinician.id.clone(),
        model.timeline.name(0),
    ]
    .into_iter()
    .chain(
        [
            "71",
            "new",
            PRESCRIPTION,
            "none",
            "false",
            clinic.region,
            "invented",
        ]
        .map(str::to_owned),
    )
    .collect();
    let (place, value) = match planting.fault {
        Fault::Required => ([2, 4, 1, 3][(serial % 4) as usize], String::new()),
        Fault::IdentifierShape if serial.is_multiple_of(2) => (0, format!("E {}", serial + 1)),
        Fault::IdentifierShape => (1, "x".repeat(65)),
        Fault::NotADate => (4, turn(NOT_DATES, serial).to_owned()),
        Fault::NotANumber => (5, turn(NOT_NUMBERS, serial).to_owned()),
        Fault::NotWhole => (5, "61.5".to_owned()),
        Fault::OutOfRange => (5, "-1".to_owned()),
        Fault::UnknownWord if serial.is_multiple_of(3) => (6, "sometimes".to_owned()),
        Fault::UnknownWord if serial % 3 == 1 => (8, "later".to_owned()),
        Fault::UnknownWord => (9, "perhaps".to_owned()),
        Fault::LabelShape => (10, "region-".repeat(12)),
        _ => {
            miscount(&mut fields, serial);
            return push_row(out, &fields);
        }
    };
    fields[place] = value;
    push_row(out, &fields);
}

fn ear(out: &mut Vec<u8>, planting: &Planting) {
    let serial = planting.serial;
    let id = match planting.fault {
        Fault::Orphan => nobody(serial),
        _ => host_id(planting.host),
    };
    let mut fields: Vec<String> = [id, "left".to_owned(), "false".to_owned()]
        .into_iter()
        // Two thresholds that spell the serial number, the rest plain.
        .chain(
            [
                5 * (serial % 20),
                5 * (serial / 20 % 20),
                30,
                35,
                40,
                50,
                55,
                60,
                65,
                70,
            ]
            .map(|db| db.to_string()),
        )
        .chain([String::new(), String::new()])
        .collect();
    let (place, value) = match planting.fault {
        Fault::Orphan => (0, fields[0].clone()),
        Fault::Required => (1 + (serial % 2) as usize, String::new()),
        Fault::NotANumber => (6, turn(NOT_NUMBERS, serial).to_owned()),
        Fault::OutOfRange => (7, turn(["125", "-15"], serial).to_owned()),
        Fault::UnknownWord if serial.is_multiple_of(3) => (1, "middle".to_owned()),
        Fault::UnknownWord if serial % 3 == 1 => (2, "perhaps".to_owned()),
        Fault::UnknownWord => (13, "sealed".to_owned()),
        Fault::LabelShape => (14, "behind-the-ear-".repeat(6)),
        _ => {
            miscount(&mut fields, serial);
            return push_row(out, &fields);
        }
    };
    fields[place] = value;
    push_row(out, &fields);
}

fn response(out: &mut Vec<u8>, planting: &Planting, host: Option<&Fitting>) {
    let serial = planting.serial;
    let id = match planting.fault {
        Fault::Orphan => nobody(serial),
        _ => host_id(planting.host),
    };
    let quantity = host.map_or(Quantity::Reig, |host| host.quantity);
    let side = match planting.fault {
        Fault::OrphanEar => 0,
        Fault::TargetWithoutPrescription => 1,
        _ => (serial % 2) as usize,
    };
    // 60 dB SPL is a level that no good row has; target and response spell the serial number.
    let tenths = |n: u64| format!("{}.{}", 10 + n / 10, n % 10);
    let mut fields: Vec<String> = [
        id,
        SIDES[side].to_owned(),
        "final".to_owned(),
        quantity.word().to_owned(),
        "60".to_owned(),
        turn(["500", "1000", "2000", "4000"], serial / 2).to_owned(),
        tenths(serial % 400),
        tenths(serial / 400 % 400),
    ]
    .to_vec();
    let (place, value) = match planting.fault {
        Fault::Orphan | Fault::OrphanEar | Fault::TargetWithoutPrescription => {
            (0, fields[0].clone())
        }
        Fault::Required => ([7, 3, 1, 0, 4][(serial % 5) as usize], String::new()),
        Fault::NotANumber => (
            7 - (serial / 8 % 2) as usize,
            turn(NOT_NUMBERS, serial).to_owned(),
        ),
        Fault::OutOfRange => {
            let (place, value) = [(7, "150"), (7, "-45.5"), (4, "30"), (4, "100"), (6, "141")]
                [(serial % 5) as usize];
            (place, value.to_owned())
        }
        Fault::UnknownWord => {
            let (place, value) =
                [(2, "later"), (3, "coupler"), (1, "middle")][(serial % 3) as usize];
            (place, value.to_owned())
        }
        Fault::FrequencyNotKept => (5, turn(["125", "5000"], serial).to_owned()),
        _ => {
            miscount(&mut fields, serial);
            return push_row(out, &fields);
        }
    };
    fields[place] = value;
    if place == 6 {
        // The serial number goes where the target no longer holds it.
        fields[7] = tenths(serial % 1_000);
    }
    push_row(out, &fields);
}

fn outcome(out: &mut Vec<u8>, planting: &Planting) {
    let serial = planting.serial;
    let id = match planting.fault {
        Fault::Orphan => nobody(serial),
        _ => host_id(planting.host),
    };
    let mut fields: Vec<String> = [
        id,
        "ioi-ha".to_owned(),
        (1 + serial % 7).to_string(),
        (1 + serial / 7 % 5).to_string(),
        (21 + serial % 480).to_string(),
    ]
    .to_vec();
    let (place, value) = match planting.fault {
        Fault::Orphan => (0, fields[0].clone()),
        Fault::Required => ([3, 2, 1][(serial % 3) as usize], String::new()),
        Fault::NotANumber => (3, turn(NOT_NUMBERS, serial).to_owned()),
        Fault::NotWhole => (3, "3.5".to_owned()),
        Fault::OutOfRange => {
            let (place, value) = [(3, "0"), (3, "6"), (4, "600")][(serial % 3) as usize];
            // Weeks spell the serial number elsewhere; here a fraction does.
            let value = if place == 4 {
                format!("{value}.{}", serial % 1000)
            } else {
                value.to_owned()
            };
            (place, value)
        }
        Fault::UnknownInstrument => (1, "diary".to_owned()),
        Fault::UnknownItem if serial.is_multiple_of(2) => (2, "8".to_owned()),
        Fault::UnknownItem => {
            fields[1] = "use-log".to_owned();
            (2, "steps".to_owned())
        }
        _ => {
            miscount(&mut fields, serial);
            return push_row(out, &fields);
        }
    };
    fields[place] = value;
    push_row(out, &fields);
}

/// Good rows of the extra fittings: `one_ear` with an ears row for the right ear only, the others
/// without a prescription.
pub(crate) fn extra_fitting(
    fittings: &mut Vec<u8>,
    ears: &mut Vec<u8>,
    model: &Model,
    number: u64,
    one_ear: bool,
) {
    let clinician =
        &model.staff.clinicians[(number % model.staff.clinicians.len() as u64) as usize];
    let clinic = &model.staff.clinics[clinician.clinic];
    let quarter = (number % u64::from(model.scenario.quarters)) as u32;
    let fields = [
        host_id(number),
        format!("P{:08}", number + 1),
        clinic.id.clone(),
        clinician.id.clone(),
        model.timeline.name(quarter),
        "70".to_owned(),
        "new".to_owned(),
        if one_ear { PRESCRIPTION } else { "" }.to_owned(),
        "none".to_owned(),
        "false".to_owned(),
        clinic.region.to_owned(),
        "invented".to_owned(),
    ];
    push_row(fittings, &fields);
    rows::ear(ears, number, 1, &EarSheet::plain());
}
