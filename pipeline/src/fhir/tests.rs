//! Resources written by hand after hl7.org/fhir/R4/observation.html and questionnaireresponse.html; every id and code in
//! them is invented.

mod answers;
mod observations;

use std::io::BufReader;
use std::sync::Arc;

use super::cut::{CutFault, Cutter};
use super::*;

const MAP: &str = r#"
files = ["a.json"]
fitting = "encounter"
weeks_after = "http://example.org/weeks"
[thresholds]
"http://example.org|l500" = { ear = "left", frequency_hz = 500 }
"http://example.org|r500" = { ear = "right", frequency_hz = 500 }
"http://example.org|t1000" = { frequency_hz = 1000 }
[sites]
"http://example.org/site|le" = "left"
"http://example.org/site|re" = "right"
[answers]
"http://example.org/q/ioi|4" = { instrument = "ioi-ha", item = "4" }
"http://example.org/q/ioi|hours" = { instrument = "use-log", item = "hours_per_day", unit = "h" }
"http://example.org/q/ioi|7" = { instrument = "ioi-ha", item = "7", scores = { "http://example.org/a|b" = 1 } }
[scores]
"http://example.org/a|b" = 5
"#;

fn file(form: Form, leads: bool) -> FhirFile {
    let source: FhirSource = toml::from_str(MAP).expect("a map");
    source.validate().expect("a map");
    FhirFile {
        source: Arc::new(source),
        form,
        leads,
    }
}

#[derive(Debug)]
enum Stopped {
    Cutting(CutFault),
    Reading(PieceFault),
}

fn read(table: TableName, form: Form, leads: bool, text: &[u8]) -> Result<Extracted, Stopped> {
    let file = file(form, leads);
    let extractor = Extractor { table, file: &file };
    let mut cutter = Cutter::new(BufReader::with_capacity(61, text), form);
    let mut all = Extracted::default();
    while let Some(piece) = cutter.next_piece().map_err(Stopped::Cutting)? {
        let part = extractor.extract(&piece).map_err(Stopped::Reading)?;
        all.rows.extend(part.rows);
        all.tally.add(part.tally);
    }
    Ok(all)
}

/// A row as its fields with commas between, and after a bar the rule and the column it breaks already.
fn shown(table: TableName, extracted: &Extracted) -> Vec<String> {
    let file = file(Form::Lines, true);
    let header = Extractor { table, file: &file }.header();
    let row = |row: &Row| {
        let fields: Vec<&str> = row
            .fields
            .iter()
            .map(|field| std::str::from_utf8(field).expect("text"))
            .collect();
        assert_eq!(fields.len(), header.len());
        let fault = row.fault.map_or(String::new(), |(column, rule)| {
            let column = column.map_or("", |at| &header[usize::from(at)]);
            format!(" | {} {column}", rule.code())
        });
        format!("{}{fault}", fields.join(","))
    };
    extracted.rows.iter().map(row).collect()
}

fn observation(rest: &str) -> String {
    format!(
        r#"{{"resourceType":"Observation","status":"final","encounter":{{"reference":"Encounter/F1","display":"Quillfeather"}},{rest}}}"#
    )
}

const L500: &str =
    r#""code":{"coding":[{"system":"http://example.org","code":"l500","display":"Quillfeather"}]}"#;
const T1000: &str = r#""code":{"coding":[{"system":"http://example.org","code":"t1000"}]}"#;

fn thresholds(text: &str) -> Vec<String> {
    let read = read(TableName::Ears, Form::Lines, true, text.as_bytes()).expect("lines");
    shown(TableName::Ears, &read)
}

fn response(questionnaire: &str, items: &str) -> String {
    format!(
        r#"{{"resourceType":"QuestionnaireResponse","status":"completed","questionnaire":"{questionnaire}","encounter":{{"reference":"Encounter/F1"}},"extension":[{{"url":"http://example.org/other","valueInteger":"x","valueString":"Quillfeather"}},{{"url":"http://example.org/weeks","valueDecimal":6.5}}],"item":[{items}]}}"#
    )
}

/// A practice's resources in a Bundle are the same rows as one a line; what is not asked for is named by type only.
#[test]
fn bundles_and_lines_say_the_same() {
    let resources = [
        r#"{"resourceType":"Patient","id":"P1","name":[{"family":"Quillfeather"}]}"#.to_owned(),
        observation(&format!(r#"{L500},"valueInteger":25"#)),
        r#"{"resourceType":"Quillfeather"}"#.to_owned(),
        response(
            "http://example.org/q/ioi",
            r#"{"linkId":"4","answer":[{"valueInteger":2}]}"#,
        ),
        r#"{"resourceType":7}"#.to_owned(),
        observation(r#""code":{"coding":"Quillfeather"}"#),
        observation(r#""code":{},"code":{}"#),
        format!("{}1{}", "{\"a\":".repeat(200), "}".repeat(200)),
    ];
    let lines = resources.join("\n");
    let entries: Vec<String> = resources
        .iter()
        .map(|resource| format!(r#"{{"fullUrl":"urn:uuid:1","resource":{resource}}}"#))
        .collect();
    let bundle = format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[{}]}}"#,
        entries.join(",")
    );
    for (table, leads, expected) in [
        (
            TableName::Ears,
            true,
            &[
                "F1,left,500,25",
                ",,, | resource-not-read ",
                ",,, | resource-not-read ",
                ",,, | resource-not-read ",
                ",,, | resource-not-read ",
            ][..],
        ),
        (TableName::Outcomes, false, &["F1,ioi-ha,4,2,6.5"]),
    ] {
        for (form, text) in [(Form::Lines, &lines), (Form::Bundle, &bundle)] {
            let read = read(table, form, leads, text.as_bytes()).expect("resources");
            assert_eq!(shown(table, &read), expected, "{form:?}");
            let notes = read.tally.notes("a");
            if leads {
                let about = "a: 1 Patient, 1 of another type".to_owned();
                assert_eq!(notes, [(Rule::ResourceIgnored, about)]);
            } else {
                assert_eq!(notes, []);
            }
            // What tells who somebody is stays out of every row, whatever became of it.
            assert!(!format!("{:?}", read.rows).contains("Quillfeather"));
        }
    }
    // Where the row comes from is known by the byte.
    let read = read(TableName::Ears, Form::Lines, true, lines.as_bytes()).expect("lines");
    let position = read.rows[0].fields.position().expect("a position");
    assert_eq!(position.byte(), resources[0].len() as u64 + 1);
}

#[test]
fn files_that_break_off_or_are_no_text_are_refused() {
    let good = observation(&format!(r#"{L500},"valueInteger":25"#));
    let text = format!("{good}\n{}", &good[..40]);
    let stopped = read(TableName::Ears, Form::Lines, true, text.as_bytes()).expect_err("cut off");
    let end = text.len() as u64;
    assert!(
        matches!(stopped, Stopped::Reading(PieceFault::CutOff(byte)) if byte == end),
        "{stopped:?}"
    );
    // A whole line is a resource, if a bad one.
    let text = format!("{}\n{good}", &good[..40]);
    assert_eq!(
        thresholds(&text),
        [",,, | resource-not-read ", "F1,left,500,25"]
    );
    let mut bytes = format!("{good}\n{good}").into_bytes();
    let at = good.len() + 30;
    bytes[at] = 0xE9;
    for table in [TableName::Ears, TableName::Outcomes] {
        let stopped = read(table, Form::Lines, true, &bytes).expect_err("Latin-1");
        let at = at as u64;
        assert!(
            matches!(stopped, Stopped::Reading(PieceFault::NotUtf8(byte)) if byte == at),
            "{stopped:?}"
        );
    }
}

/// A sequence of numbers, the same in every run (splitmix64, from memory).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        usize::try_from((z ^ (z >> 31)) % limit as u64).expect("small")
    }
}

/// Whatever the bytes, reading ends with rows or with a refusal, and every row has as many fields as the header.
#[test]
fn no_bytes_make_it_panic() {
    let resources = [
        observation(&format!(
            r#"{L500},"component":[{{{T1000},"valueQuantity":{{"value":-2.5e1,"unit":"dB","comparator":">"}}}}]"#
        )),
        observation(&format!(
            r#"{L500},"valueString":">110","bodySite":{{"coding":[]}}"#
        )),
        response(
            "http://example.org/q/ioi|1",
            r#"{"linkId":"4","answer":[{"valueCoding":{"system":"http://example.org/a","code":"b"},"item":[{"linkId":"7"}]}]}"#,
        ),
    ];
    let lines = resources.join("\n");
    let bundle = format!(
        r#"{{"resourceType":"Bundle","entry":[{{"resource":{}}}]}}"#,
        resources.join("},{\"resource\":")
    );
    let tokens: [&[u8]; 12] = [
        b"{", b"}", b"[", b"]", b"\"", b"\\", b",", b":", b"null", b"1e999", b"\xFF", b"-0",
    ];
    let mut numbers = Numbers(1);
    for round in 0..6_000 {
        let (form, whole) = [(Form::Lines, &lines), (Form::Bundle, &bundle)][round % 2];
        let mut text = whole.clone().into_bytes();
        for _ in 0..=numbers.below(4) {
            let at = numbers.below(text.len());
            match numbers.below(5) {
                0 => text[at] = u8::try_from(numbers.below(256)).expect("a byte"),
                1 => text.truncate(at.max(1)),
                2 => {
                    let token = tokens[numbers.below(tokens.len())].iter().copied();
                    text.splice(at..at, token);
                }
                3 => {
                    let end = (at + numbers.below(30)).min(text.len());
                    let part = text[at..end].to_vec();
                    let to = numbers.below(text.len());
                    text.splice(to..to, part);
                }
                _ => {
                    let end = (at + 1 + numbers.below(9)).min(text.len());
                    if end - at < text.len() {
                        text.drain(at..end);
                    }
                }
            }
        }
        for table in [TableName::Ears, TableName::Outcomes] {
            match read(table, form, true, &text) {
                Ok(read) => drop(shown(table, &read)),
                // Memory is read: nothing is at fault but the text.
                Err(stopped) => assert!(!matches!(stopped, Stopped::Cutting(CutFault::Io(_)))),
            }
        }
    }
}
