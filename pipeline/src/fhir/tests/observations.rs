//! Observations as rows of `ears`.

use super::*;

#[test]
fn values_of_observations_become_thresholds() {
    let row = |value: &str| format!("F1,left,500,{value}");
    let bad = |value: &str, rule: &str| format!("F1,left,500,{value} | {rule} threshold");
    for (value, expected) in [
        (
            r#""valueQuantity":{"value":25,"unit":"dB","system":"http://unitsofmeasure.org","code":"dB"}"#,
            row("25"),
        ),
        (
            r#""valueQuantity":{"value":-5.5,"unit":"dB HL"}"#,
            row("-5.5"),
        ),
        (
            r#""valueQuantity":{"value":25.50,"code":"dB[HL]"}"#,
            row("25.5"),
        ),
        (
            r#""valueQuantity":{"value":110,"unit":"dB","comparator":">"}"#,
            row(">110"),
        ),
        (r#""valueString":">110""#, row(">110")),
        (r#""valueString":" 45 ""#, row("45")),
        (r#""valueInteger":45"#, row("45")),
        // The ordinary rules judge these: a blank threshold, one beyond the scale, one that nobody tested at its limit.
        (r#""valueQuantity":{"unit":"dB"}"#, row("")),
        (r#""note":[]"#, row("")),
        (
            r#""valueQuantity":{"value":1e9,"unit":"dB"}"#,
            row("1000000000"),
        ),
        (
            r#""valueQuantity":{"value":90,"unit":"dB","comparator":">"}"#,
            row(">90"),
        ),
        (
            r#""valueQuantity":{"value":25,"unit":"dB SPL","code":"dB"}"#,
            bad("", "unit-not-taken"),
        ),
        (r#""valueQuantity":{"value":25}"#, bad("", "unit-not-taken")),
        (
            r#""valueQuantity":{"value":25,"unit":"dB","comparator":">="}"#,
            bad("", "value-not-taken"),
        ),
        (
            r#""valueQuantity":{"unit":"dB","comparator":">"}"#,
            bad("", "value-not-taken"),
        ),
        (
            r#""valueString":"as Quillfeather said""#,
            bad("", "value-not-taken"),
        ),
        (r#""valueString":"""#, bad("", "value-not-taken")),
        (
            r#""valueCodeableConcept":{"text":"Quillfeather"}"#,
            bad("", "value-not-taken"),
        ),
        (
            r#""valueInteger":25,"valueString":"25""#,
            bad("", "resource-disagrees"),
        ),
        (
            r#""valueInteger":25,"dataAbsentReason":{"text":"x"}"#,
            bad("", "resource-disagrees"),
        ),
    ] {
        let text = observation(&format!("{L500},{value}"));
        assert_eq!(thresholds(&text), [expected], "{value}");
    }
    let absent = observation(&format!(r#"{L500},"dataAbsentReason":{{"text":"x"}}"#));
    let read = read(TableName::Ears, Form::Lines, true, absent.as_bytes()).expect("lines");
    assert!(read.rows.is_empty());
    assert_eq!(
        read.tally.notes("a"),
        [(Rule::ValueAbsent, "a: 1".to_owned())]
    );
}

#[test]
fn observations_stand_by_status_and_belong_by_reference() {
    for (from, to, expected) in [
        ("final", "amended", "F1,left,500,25"),
        ("final", "corrected", "F1,left,500,25"),
        ("final", "preliminary", "F1,left,500,25 | resource-status "),
        (
            "final",
            "entered-in-error",
            "F1,left,500,25 | resource-status ",
        ),
        ("final", "", "F1,left,500,25 | resource-status "),
        (
            r#""status":"final","#,
            "",
            "F1,left,500,25 | resource-status ",
        ),
        (
            "Encounter/F1",
            "https://example.org/fhir/Encounter/F9/_history/3",
            "F9,left,500,25",
        ),
        (r#""reference":"Encounter/F1","#, "", ",left,500,25"),
        ("\"encounter\"", "\"subject\"", ",left,500,25"),
        (
            r#""resourceType""#,
            r#""modifierExtension":[{"url":"http://example.org/m"}],"resourceType""#,
            "F1,left,500,25 | resource-not-read ",
        ),
    ] {
        let text = observation(&format!(r#"{L500},"valueInteger":25"#)).replacen(from, to, 1);
        assert_eq!(thresholds(&text), [expected], "{text}");
    }
}

#[test]
fn ears_come_from_codes_or_body_sites() {
    let site = |code: &str| {
        format!(
            r#""bodySite":{{"coding":[{{"system":"http://example.org/site","code":"{code}"}}]}},"valueInteger":25"#
        )
    };
    let both = r#""code":{"coding":[{"system":"http://example.org","code":"l500"},{"system":"http://example.org","code":"r500"}]}"#;
    let same = r#""code":{"coding":[{"code":"x"},{"system":"http://example.org","code":"l500"}]}"#;
    for (code, value, expected) in [
        (T1000, site("re"), "F1,right,1000,25"),
        (T1000, site("elsewhere"), "F1,,1000,25"),
        (T1000, r#""valueInteger":25"#.to_owned(), "F1,,1000,25"),
        (L500, site("le"), "F1,left,500,25"),
        (same, site("le"), "F1,left,500,25"),
        (L500, site("re"), "F1,,500,25 | resource-disagrees ear"),
        (
            both,
            r#""valueInteger":25"#.to_owned(),
            "F1,left,500,25 | resource-disagrees frequency_hz",
        ),
    ] {
        let text = observation(&format!("{code},{value}"));
        assert_eq!(thresholds(&text), [expected], "{text}");
    }
}

#[test]
fn components_of_a_panel_are_rows_each() {
    let code = |code: &str| {
        format!(r#""code":{{"coding":[{{"system":"http://example.org","code":"{code}"}}]}}"#)
    };
    let text = observation(&format!(
        r#"{},"component":[{{{},"valueInteger":20}},{{{},"valueInteger":30}},{{{},"valueInteger":40}},{{{},"dataAbsentReason":{{}}}}]"#,
        code("panel"),
        code("l500"),
        code("r500"),
        code("l750"),
        code("l500")
    ));
    let read = read(TableName::Ears, Form::Lines, true, text.as_bytes()).expect("lines");
    assert_eq!(
        shown(TableName::Ears, &read),
        ["F1,left,500,20", "F1,right,500,30"]
    );
    let expected = [
        (Rule::CodeNotMapped, "a: 1".to_owned()),
        (Rule::ValueAbsent, "a: 1".to_owned()),
    ];
    assert_eq!(read.tally.notes("a"), expected);
}
