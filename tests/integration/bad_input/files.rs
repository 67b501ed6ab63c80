//! Deliveries that are refused whole: exit code 65, the place, and a cohort that is as it was.

use super::packed;
use crate::workspace::{
    EARS, FITTINGS, OUTCOMES, RESPONSES, Workspace, files_below, small_practice,
};

/// A delivery that has to be refused: the small practice with one file put in, in place of the table's own.
pub(super) struct Refused {
    pub(super) rule: &'static str,
    file: &'static str,
    content: Vec<u8>,
    /// Line that has to be named, the header being line 1; none where no line can be.
    line: Option<usize>,
    says: &'static str,
    /// A value of the file, which must not be echoed.
    secret: &'static str,
}

pub(super) fn case(
    rule: &'static str,
    file: &'static str,
    content: impl Into<Vec<u8>>,
    line: impl Into<Option<usize>>,
    says: &'static str,
) -> Refused {
    Refused {
        rule,
        file,
        content: content.into(),
        line: line.into(),
        says,
        secret: "P1",
    }
}

pub(super) fn refused() -> Vec<Refused> {
    let mut out = headers();
    out.extend(texts());
    out.extend(packed::cases());
    // Without a fittings table no cohort can begin.
    out.push(case(
        "missing-table",
        "",
        "",
        None,
        "There is no fittings table",
    ));
    out
}

fn headers() -> Vec<Refused> {
    let missing = "missing-column";
    let unknown = "unknown-column";
    let mut out = vec![
        case(
            missing,
            "fittings.csv",
            FITTINGS.replace("clinician_id", "x_clinician"),
            1,
            "The required column clinician_id is not in the header row",
        ),
        case(
            missing,
            "ears.csv",
            "fitting_id,ear\nF1,left\n",
            1,
            "required column fitted",
        ),
        case(
            missing,
            "responses.csv",
            "fitting_id,ear,quantity,input_level_db,frequency_hz,target_db\nF1,left,REIG,65,250,10\n",
            1,
            "required column measured_db",
        ),
        case(
            missing,
            "responses.csv",
            "fitting_id,ear,quantity,measured_250\nF1,left,REIG,12\n",
            1,
            "required column input_level_db",
        ),
        case(
            missing,
            "outcomes.csv",
            "fitting_id,instrument,item\nF1,ioi-ha,4\n",
            1,
            "required column score",
        ),
        case(
            unknown,
            "fittings.csv",
            FITTINGS.replace("age_years", "ages"),
            1,
            "names a column that the table does not have: ages",
        ),
        case(
            "identifying-column",
            "fittings.csv",
            FITTINGS.replace("age_years", "date_of_birth"),
            1,
            "By its name, the column date_of_birth holds a full date",
        ),
        case(
            "identifying-column",
            "outcomes.csv",
            OUTCOMES.replace("weeks_after", "Surname"),
            1,
            "the column Surname holds a personal name",
        ),
        case(
            unknown,
            "ears.csv",
            EARS.replace("threshold_750", "threshold_700"),
            1,
            "threshold_700",
        ),
        // Names are taken as they stand: no other case, no blank around.
        case(
            unknown,
            "ears.csv",
            EARS.replace(",fitted,", ",Fitted,"),
            1,
            "Fitted",
        ),
        case(
            unknown,
            "ears.csv",
            EARS.replace(",fitted,", ", fitted,"),
            1,
            " fitted",
        ),
        // Only fittings has further labels, and their names are short and lower-case.
        case(
            unknown,
            "outcomes.csv",
            OUTCOMES.replace("weeks_after", "x_weeks"),
            1,
            "x_weeks",
        ),
        case(
            unknown,
            "fittings.csv",
            FITTINGS.replace("x_region", "x_Region"),
            1,
            "x_Region",
        ),
        case(
            unknown,
            "responses.csv",
            RESPONSES.replace("target_db", "target_250"),
            1,
            "frequency_hz",
        ),
        case(
            unknown,
            "outcomes.csv",
            OUTCOMES.replace("weeks_after", ""),
            1,
            "a column without a name",
        ),
    ];
    let other = "something else than a comma stands between its columns";
    let headless = FITTINGS.split_once('\n').unwrap().1;
    for text in [
        FITTINGS.replace(',', ";"),
        FITTINGS.replace(',', "\t"),
        headless.to_owned(),
    ] {
        out.push(case("no-header-row", "fittings.csv", text, 1, other));
    }
    let mail = EARS.replacen("closed,behind", "closed,nobody@example.org", 1);
    let says = "style holds what looks like an e-mail address";
    out.push(case("identifying-value", "ears.csv", mail, 4, says));
    let named = "fittings-nobody@example.org.csv";
    let says = "of the fittings table (file 1 in order) holds what looks like an e-mail address";
    out.push(case("identifying-file-name", named, FITTINGS, None, says));
    for (file, text, column) in [
        (
            "fittings.csv",
            FITTINGS.replace("patient_id", "clinic_id"),
            "clinic_id",
        ),
        (
            "ears.csv",
            EARS.replace("threshold_500", "threshold_250"),
            "threshold_250",
        ),
        (
            "responses.csv",
            RESPONSES.replace("target_db", "measured_db"),
            "measured_db",
        ),
        (
            "outcomes.csv",
            OUTCOMES.replace("weeks_after", "score"),
            "score",
        ),
    ] {
        out.push(case("repeated-column", file, text, 1, column));
    }
    let labels: String = (0..260).map(|n| format!(",x_{n}")).collect();
    let wide = FITTINGS.replacen(",x_region", &labels, 1);
    out.push(case("too-many-columns", "fittings.csv", wide, 1, "256"));
    let returns = OUTCOMES.replace('\n', "\r");
    out.push(case("line-ends", "outcomes.csv", returns, 1, "carriage"));
    out
}

fn texts() -> Vec<Refused> {
    let utf8 = "The text is not UTF-8 here";
    let quote = "a quote is missing";
    let mut latin_1 = FITTINGS.as_bytes().to_vec();
    let place = FITTINGS.find("coast").unwrap();
    latin_1[place] = 0xE9;
    let header = [b"fitting_id,\xFFear\n".as_slice(), EARS.as_bytes()].concat();
    let utf_16: Vec<u8> = [0xFEFF_u16]
        .into_iter()
        .chain(OUTCOMES.encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect();
    // A character cut in two by the end of the file.
    let cut = [OUTCOMES.as_bytes(), b"F2,ioi-ha,4,4,\xC3"].concat();
    vec![
        case("empty-file", "fittings.csv", "", None, "The file is empty"),
        case(
            "empty-file",
            "outcomes.csv",
            "\n\r\n\n",
            None,
            "The file is empty",
        ),
        case(
            "empty-file",
            "ears.csv",
            "\u{feff}",
            None,
            "The file is empty",
        ),
        case("empty-file", "ears.csv.gz", "", None, "The file is empty"),
        case("empty-file", "ears.csv.zst", "", None, "The file is empty"),
        case("empty-file", "ears.parquet", "", None, "The file is empty"),
        case("not-utf8", "fittings.csv", latin_1, 2, utf8),
        case("not-utf8", "ears.csv", header, 1, utf8),
        case("not-utf8", "outcomes.csv", utf_16, 1, utf8),
        case("not-utf8", "outcomes.csv", cut, 6, utf8),
        case(
            "unclosed-quote",
            "ears.csv",
            EARS.replace("open,behind", "open,\"behind"),
            2,
            quote,
        ),
        case("unclosed-quote", "ears.csv", format!("\"{EARS}"), 1, quote),
        case(
            "unclosed-quote",
            "outcomes.csv",
            OUTCOMES.replace("F2,", "\"F2,"),
            5,
            quote,
        ),
        // A field of 100 kB is no field.
        case(
            "unclosed-quote",
            "outcomes.csv",
            OUTCOMES.replace("F2", &format!("\"{}\"", "z\n".repeat(50_000))),
            5,
            quote,
        ),
    ]
}

impl Refused {
    /// Writes the delivery, and gives the path that has to be named.
    fn deliver(&self, workspace: &Workspace) -> String {
        if self.file.is_empty() {
            workspace.delivery("d", &small_practice()[1..]);
            return "d".to_owned();
        }
        let table = self.file.split('.').next().unwrap();
        // A further file comes beside the table's own.
        let others: Vec<(&str, &str)> = small_practice()
            .into_iter()
            .filter(|(name, _)| *name != table)
            .collect();
        workspace.delivery("d", &others);
        workspace.write(&format!("d/{}", self.file), &self.content);
        if self.rule == "identifying-file-name" {
            return "d".to_owned();
        }
        format!("d/{}", self.file)
    }

    fn assert_refused(&self, workspace: &Workspace, arguments: &[&str], path: &str) {
        let run = workspace.run(arguments);
        let shown = format!("{} of {}: {}", self.rule, self.file, run.shown());
        assert_eq!(run.code, 65, "{shown}");
        assert_eq!(run.stdout, "", "{shown}");
        let error = if arguments.contains(&"--json") {
            let json: serde_json::Value = serde_json::from_str(&run.stderr).expect(&shown);
            assert_eq!(json["exit_code"], 65, "{shown}");
            assert!(
                json["advice"]
                    .as_str()
                    .unwrap()
                    .contains("nothing was stored"),
                "{shown}"
            );
            json["error"].as_str().unwrap().to_owned()
        } else {
            assert!(
                run.stderr.contains("what to do: nothing was stored"),
                "{shown}"
            );
            run.stderr.lines().next().unwrap().to_owned()
        };
        let place = self
            .line
            .map(|line| format!(", line {line}"))
            .unwrap_or_default();
        assert!(
            error.contains(&format!("{path}{place}")),
            "{place}: {shown}"
        );
        assert!(error.contains(self.says), "{}: {shown}", self.says);
        assert!(error.ends_with(&format!("[{}]", self.rule)), "{shown}");
        assert!(!run.stderr.contains(self.secret), "{shown}");
    }
}

#[test]
fn a_refused_delivery_leaves_no_cohort_and_harms_none() {
    let before = Workspace::new();
    before.delivery("first", &small_practice());
    before.ingest("first", "c");
    let stored = files_below(&before.path("c"));
    for case in refused() {
        let workspace = Workspace::new();
        let path = case.deliver(&workspace);
        case.assert_refused(&workspace, &["check", "d"], &path);
        case.assert_refused(&workspace, &["check", "d", "--json"], &path);
        case.assert_refused(&workspace, &["ingest", "d", "--into", "c"], &path);
        assert!(
            !workspace.path("c").exists(),
            "{} of {} left a cohort",
            case.rule,
            case.file
        );
        if case.rule == "missing-table" {
            // A cohort has its fittings already.
            continue;
        }
        for (name, bytes) in &stored {
            workspace.write(&format!("c/{}", name.display()), bytes);
        }
        case.assert_refused(&workspace, &["ingest", "d", "--into", "c", "--json"], &path);
        assert!(
            files_below(&workspace.path("c")) == stored,
            "{} of {} changed the cohort",
            case.rule,
            case.file
        );
    }
}

#[test]
fn a_folder_without_a_table_is_refused() {
    let workspace = Workspace::new();
    workspace.write("d/fitting.csv", FITTINGS);
    workspace.write("d/fittings.txt", FITTINGS);
    workspace.write("d/fittings2.csv", FITTINGS);
    workspace.write("d/fittings.csv/inside.csv", FITTINGS);
    workspace.delivery("full", &small_practice());
    workspace.ingest("full", "c");
    let stored = files_below(&workspace.path("c"));
    for arguments in [
        &["check", "d"][..],
        &["ingest", "d", "--into", "c"],
        &["ingest", "d", "--into", "new"],
    ] {
        let run = workspace.run(arguments);
        assert_eq!(run.code, 65, "{}", run.shown());
        assert!(
            run.stderr.contains("d: There is no fittings table"),
            "{}",
            run.shown()
        );
        assert!(run.stderr.contains("[missing-table]"), "{}", run.shown());
    }
    assert!(files_below(&workspace.path("c")) == stored);
    assert!(!workspace.path("new").exists());
    let run = workspace.run(&["check", "nowhere"]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(
        run.stderr.contains("cannot read nowhere"),
        "{}",
        run.shown()
    );
}

/// The place is found in the second of several files, and in a packed file.
#[test]
fn the_file_to_blame_is_named_among_several() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.write("d/responses-2.csv.gz", packed::gzip(b"fitting_id,ear\n"));
    let run = workspace.run(&["check", "d"]);
    assert_eq!(run.code, 65, "{}", run.shown());
    assert!(
        run.stderr.contains("d/responses-2.csv.gz, line 1: "),
        "{}",
        run.shown()
    );
}

/// A delivery that is taken, with something said about it.
pub(super) struct Noted {
    pub(super) rule: &'static str,
    about: &'static str,
    says: &'static str,
}

pub(super) const NOTED: [Noted; 2] = [
    Noted {
        rule: "table-not-delivered",
        about: "outcomes",
        says: "The delivery has no outcomes table.",
    },
    Noted {
        rule: "header-only",
        about: "ears-2.csv",
        says: "The file has a header row and no other row.",
    },
];

#[test]
fn what_is_worth_saying_is_said_and_nothing_is_refused() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice()[..3]);
    // No line feed at the end either.
    workspace.write("d/ears-2.csv", EARS.lines().next().unwrap());
    workspace.write("d/read me.txt", "not a table");
    let json = workspace.ok(&["check", "d", "--json"]).json();
    let words = workspace.ok(&["check", "d"]).stdout;
    let notes = json["notes"].as_array().unwrap();
    assert_eq!(notes.len(), NOTED.len(), "{json:#}");
    for (noted, said) in NOTED.iter().zip(notes) {
        assert_eq!(said["rule"], noted.rule);
        assert_eq!(said["about"], noted.about);
        let line = format!("note: {} ({})", noted.says, noted.about);
        assert!(words.contains(&line), "{line}: {words}");
    }
    assert_eq!(json["not_read"][0], "read me.txt");
    assert!(words.contains("not read: read me.txt"), "{words}");
    assert_eq!(json["tables"]["ears"]["rows_stored"], 4);
    workspace.ingest("d", "c");
}
