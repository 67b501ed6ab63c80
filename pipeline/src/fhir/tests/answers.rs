//! Questionnaire responses as rows of `outcomes`.

use super::*;

fn answers(text: &str) -> Vec<String> {
    let read = read(TableName::Outcomes, Form::Lines, false, text.as_bytes()).expect("lines");
    shown(TableName::Outcomes, &read)
}

#[test]
fn answers_become_scores() {
    let score = |item: &str, score: &str| format!("F1,ioi-ha,{item},{score},6.5");
    let hours = |score: &str| format!("F1,use-log,hours_per_day,{score},6.5");
    let coding =
        r#""valueCoding":{"system":"http://example.org/a","code":"b","display":"Quillfeather"}"#;
    for (link, answer, expected) in [
        ("4", r#""valueInteger":4"#, score("4", "4")),
        ("4", r#""valueDecimal":4.0"#, score("4", "4")),
        ("4", coding, score("4", "5")),
        // The question's own scores go first.
        ("7", coding, score("7", "1")),
        (
            "4",
            r#""valueQuantity":{"value":3,"code":"1"}"#,
            score("4", "3"),
        ),
        ("4", r#""valueQuantity":{"value":3}"#, score("4", "3")),
        (
            "hours",
            r#""valueQuantity":{"value":7.5,"unit":"hours","code":"h"}"#,
            hours("7.5"),
        ),
        (
            "hours",
            r#""valueQuantity":{"value":450,"unit":"min"}"#,
            hours("") + " | unit-not-taken score",
        ),
        (
            "hours",
            r#""valueQuantity":{"value":7.5}"#,
            hours("") + " | unit-not-taken score",
        ),
        (
            "hours",
            r#""valueQuantity":{"value":7.5,"code":"h","comparator":"<"}"#,
            hours("") + " | value-not-taken score",
        ),
        (
            "4",
            r#""valueCoding":{"system":"http://example.org/a","code":"z"}"#,
            score("4", "") + " | value-not-taken score",
        ),
        (
            "4",
            r#""valueString":"Quillfeather""#,
            score("4", "") + " | value-not-taken score",
        ),
        (
            "4",
            r#""valueInteger":4,"valueDecimal":4"#,
            score("4", "") + " | resource-disagrees score",
        ),
        ("4", "", score("4", "")),
    ] {
        let text = response(
            "http://example.org/q/ioi|2.1",
            &format!(r#"{{"linkId":"{link}","text":"Quillfeather","answer":[{{{answer}}}]}}"#),
        );
        assert_eq!(answers(&text), [expected], "{text}");
    }
}

#[test]
fn questions_are_found_however_deep_they_stand() {
    let inner = r#"{"linkId":"4","answer":[{"valueInteger":2}]}"#;
    let nested = format!(
        r#"{{"linkId":"group","item":[{{"linkId":"other","answer":[{{"valueBoolean":true,"item":[{inner}]}}]}}]}},{{"linkId":"7"}}"#
    );
    let text = response("http://example.org/q/ioi", &nested);
    let read = read(TableName::Outcomes, Form::Lines, false, text.as_bytes()).expect("lines");
    assert_eq!(shown(TableName::Outcomes, &read), ["F1,ioi-ha,4,2,6.5"]);
    let expected = [
        (Rule::CodeNotMapped, "a: 1".to_owned()),
        (Rule::ValueAbsent, "a: 1".to_owned()),
    ];
    assert_eq!(read.tally.notes("a"), expected);

    let text = response("http://example.org/q/ioi", inner);
    for (from, to, expected) in [
        ("completed", "amended", "F1,ioi-ha,4,2,6.5"),
        (
            "completed",
            "in-progress",
            "F1,ioi-ha,4,2,6.5 | resource-status ",
        ),
        (
            r#""valueDecimal":6.5"#,
            r#""valueQuantity":{"value":6,"code":"wk"}"#,
            "F1,ioi-ha,4,2,6",
        ),
        (
            r#""valueDecimal":6.5"#,
            r#""valueQuantity":{"value":6,"code":"d"}"#,
            "F1,ioi-ha,4,2, | unit-not-taken weeks_after",
        ),
        (
            r#""valueDecimal":6.5"#,
            r#""valueString":"six""#,
            "F1,ioi-ha,4,2, | value-not-taken weeks_after",
        ),
        (
            "http://example.org/weeks",
            "http://example.org/days",
            "F1,ioi-ha,4,2,",
        ),
        (
            "http://example.org/other",
            "http://example.org/weeks",
            "F1,ioi-ha,4,2, | resource-disagrees weeks_after",
        ),
        (
            r#""linkId":"4""#,
            r#""linkId":"4","modifierExtension":[{}]"#,
            "F1,ioi-ha,4,2,6.5 | resource-not-read ",
        ),
    ] {
        assert_eq!(answers(&text.replacen(from, to, 1)), [expected], "{to}");
    }
    assert!(answers(&text.replace("/q/ioi", "/q/other")).is_empty());
}
