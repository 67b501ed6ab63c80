//! The small practice as FHIR resources, with all that such resources carry besides.

use serde_json::{Value, json};

use super::CANARY;
use crate::workspace::{EARS, OUTCOMES, Rows};

/// The code of a threshold in the example map, and whether it says the ear.
pub(super) fn code(ear: &str, frequency: &str) -> (String, Value) {
    let loinc = [
        ("500", "89024-4", "89025-1"),
        ("1000", "89016-0", "89017-8"),
        ("2000", "89018-6", "89019-4"),
        ("3000", "89020-2", "89021-0"),
        ("4000", "89022-8", "89023-6"),
    ];
    match loinc.iter().find(|(f, ..)| *f == frequency) {
        Some((_, left, right)) => {
            let code = if ear == "left" { left } else { right };
            let coding = json!({ "system": "http://loinc.org", "code": code, "display": CANARY });
            (
                (*code).to_owned(),
                json!({ "coding": [coding], "text": CANARY }),
            )
        }
        None => {
            let code = format!("threshold-{frequency}");
            let coding = json!({ "system": "http://example.org/codes", "code": code });
            (code, json!({ "coding": [coding] }))
        }
    }
}

pub(super) fn value(text: &str) -> Value {
    let (comparator, digits) = match text.strip_prefix('>') {
        Some(digits) => (Some(">"), digits),
        None => (None, text),
    };
    let mut quantity = json!({
        "value": digits.parse::<f64>().unwrap(),
        "unit": "dB HL",
    });
    if let Some(comparator) = comparator {
        quantity["comparator"] = comparator.into();
    }
    quantity
}

pub(super) fn observation(id: &str, ear: &str, frequency: &str) -> Value {
    json!({
        "resourceType": "Observation",
        "id": format!("{id}-{ear}-{frequency}"),
        "text": { "status": "generated", "div": format!("<div>{CANARY}</div>") },
        "status": "final",
        "code": code(ear, frequency).1,
        "subject": { "reference": "Patient/P1", "display": CANARY },
        "encounter": { "reference": format!("https://example.org/fhir/Encounter/{id}"), "display": CANARY },
        "effectiveDateTime": "2026-08-17",
        "performer": [{ "display": CANARY }],
        "bodySite": { "coding": [{ "system": "http://example.org/sites", "code": format!("{ear}-ear") }] },
    })
}

/// The thresholds of the small practice: an observation each, but those of F2's right ear, which are a panel.
pub(super) fn thresholds() -> Vec<Value> {
    let rows = Rows::parse(EARS);
    let mut out = Vec::new();
    for row in 0..rows.rows.len() {
        let (id, ear) = (rows.get(row, "fitting_id"), rows.get(row, "ear"));
        let mut components = Vec::new();
        for column in rows.columns.iter().filter(|c| c.starts_with("threshold_")) {
            let text = rows.get(row, column);
            let frequency = column.strip_prefix("threshold_").unwrap();
            if text.is_empty() {
                continue;
            }
            if (id, ear) == ("F2", "right") {
                components
                    .push(json!({ "code": code(ear, frequency).1, "valueQuantity": value(text) }));
                continue;
            }
            let mut resource = observation(id, ear, frequency);
            resource["valueQuantity"] = value(text);
            out.push(resource);
        }
        if !components.is_empty() {
            let mut panel = observation(id, ear, "panel");
            panel["component"] = components.into();
            out.push(panel);
        }
    }
    out
}

/// The answers of the small practice: satisfaction by code, hours as a quantity.
pub(super) fn answers() -> Vec<Value> {
    let rows = Rows::parse(OUTCOMES);
    let mut out = Vec::new();
    for row in 0..rows.rows.len() {
        let (id, score) = (rows.get(row, "fitting_id"), rows.get(row, "score"));
        let (form, link, answer) = if rows.get(row, "instrument") == "ioi-ha" {
            let words = ["lowest", "low", "middle", "high", "highest"];
            let code = words[score.parse::<usize>().unwrap() - 1];
            let system = "http://example.org/codes/satisfaction";
            let coding = json!({ "system": system, "code": code, "display": CANARY });
            ("ioi", "4", json!({ "valueCoding": coding }))
        } else {
            let hours =
                json!({ "value": score.parse::<f64>().unwrap(), "unit": "hours", "code": "h" });
            ("use", "hours", json!({ "valueQuantity": hours }))
        };
        let item = json!({ "linkId": link, "text": CANARY, "answer": [answer] });
        let mut resource = json!({
            "resourceType": "QuestionnaireResponse",
            "identifier": { "system": "http://example.org/fittings", "value": id },
            "questionnaire": format!("http://example.org/questionnaires/{form}|3.0"),
            "status": "completed",
            "source": { "display": CANARY },
            "item": [{ "linkId": "group", "item": [item] }],
        });
        if let Ok(weeks) = rows.get(row, "weeks_after").parse::<u32>() {
            let url = "http://example.org/extensions/weeks-after-fitting";
            resource["extension"] = json!([{ "url": url, "valueInteger": weeks }]);
        }
        out.push(resource);
    }
    out
}

/// Resources that often come along, and of which nothing is read.
pub(super) fn company() -> Vec<Value> {
    vec![
        json!({ "resourceType": "Patient", "id": "P1", "name": [{ "family": CANARY }] }),
        json!({ "resourceType": "Encounter", "id": "F1", "status": "finished" }),
    ]
}

pub(super) fn lines(resources: &[Value]) -> String {
    resources.iter().map(|r| format!("{r}\n")).collect()
}

pub(super) fn bundle(resources: &[Value]) -> String {
    let entries: Vec<Value> = resources
        .iter()
        .map(|resource| json!({ "fullUrl": "urn:uuid:0", "resource": resource }))
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": entries });
    serde_json::to_string_pretty(&bundle).unwrap()
}

/// What is said of the ears, without their thresholds.
pub(super) fn ears_without_thresholds() -> String {
    let rows = Rows::parse(EARS);
    let columns = ["fitting_id", "ear", "fitted", "coupling", "style"];
    let mut out = format!("{}\n", columns.join(","));
    for row in 0..rows.rows.len() {
        out += &columns.map(|column| rows.get(row, column)).join(",");
        out.push('\n');
    }
    out
}
