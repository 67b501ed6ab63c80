//! The page of one clinician and letters in the place of ids, through the command line.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::numbers::{Delivery, band, close, delivery};
use crate::workspace::{Rows, Workspace, files_below, small_practice};

fn table(workspace: &Workspace, folder: &str, name: &str) -> Rows {
    let path = workspace.path(&format!("{folder}/tables/{name}.csv"));
    Rows::parse(&std::fs::read_to_string(path).expect("a table"))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// The quantile of type 7 of Hyndman & Fan (1996): linear between order statistics at (n - 1) p.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let at = (sorted.len() - 1) as f64 * p;
    let (below, above) = (at.floor() as usize, at.ceil() as usize);
    sorted[below] + (at - at.floor()) * (sorted[above] - sorted[below])
}

fn quarter(fitted_on: &str) -> String {
    if fitted_on.contains('Q') {
        return fitted_on.to_owned();
    }
    let month: u32 = fitted_on[5..7].parse().expect("a month");
    format!("{}-Q{}", &fitted_on[..4], month.div_ceil(3))
}

/// Mean of the final curves' deviations at one frequency by clinician: all ears together, and how many fittings.
fn points(delivery: &Delivery, hertz: u32) -> BTreeMap<String, (f64, usize, usize)> {
    let clinician = delivery.clinician();
    let mut found: BTreeMap<String, (Vec<f64>, BTreeSet<String>)> = BTreeMap::new();
    for ((fitting, _, stage, _, level), curve) in delivery.curves() {
        if stage == "final"
            && band(&level) == "average"
            && let Some(deviation) = curve.get(&hertz)
        {
            let slot = found.entry(clinician[&fitting].clone()).or_default();
            slot.0.push(*deviation);
            slot.1.insert(fitting);
        }
    }
    found
        .into_iter()
        .map(|(id, (values, fittings))| (id, (mean(&values), values.len(), fittings.len())))
        .collect()
}

#[test]
fn the_numbers_of_one_clinician_are_those_of_plain_loops() {
    let delivery = delivery();
    let workspace = &delivery.workspace;
    workspace.write("plan.toml", "minimum_cell = 1\ncovariates = []\n");
    let clinician = delivery.clinician();
    let mut ids: Vec<&String> = clinician.values().collect();
    ids.sort();
    ids.dedup();
    assert!(ids.len() > 3);
    let own = ids[1].as_str();
    workspace.ok(&[
        "report",
        "c",
        "--out",
        "r",
        "--clinician",
        own,
        "--plan",
        "plan.toml",
    ]);
    let folder = format!("r/trainer/{own}");
    let read = |name: &str| table(workspace, &folder, name);

    let by_clinician = |values: &BTreeMap<String, f64>| {
        let mut out: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        for (fitting, value) in values {
            out.entry(&clinician[fitting]).or_default().push(*value);
        }
        out
    };
    let (first, last) = (
        delivery.rms_by_fitting("first"),
        delivery.rms_by_fitting("final"),
    );
    let falls: BTreeMap<String, f64> = first
        .iter()
        .filter_map(|(fitting, rms)| Some((fitting.clone(), rms - last.get(fitting)?)))
        .collect();
    let (values, practice, others) = (read("clinician"), read("practice"), read("distribution"));
    for (measure, wanted) in [
        ("rms", by_clinician(&last)),
        ("rms_fall", by_clinician(&falls)),
    ] {
        let row = values.find(&[("measure", measure)]);
        close(values.real(row, "value"), mean(&wanted[own]), measure);
        close(values.real(row, "n"), wanted[own].len() as f64, measure);
        let mut elsewhere: Vec<f64> = wanted
            .iter()
            .filter(|(id, _)| **id != own)
            .map(|(_, values)| (mean(values) * 10.0).round() / 10.0)
            .collect();
        elsewhere.sort_by(f64::total_cmp);
        let shown: Vec<f64> = (0..others.rows.len())
            .filter(|&row| others.get(row, "measure") == measure)
            .map(|row| others.real(row, "value"))
            .collect();
        assert_eq!(shown.len(), elsewhere.len());
        for (one, other) in shown.iter().zip(&elsewhere) {
            close(*one, *other, "an unnamed value");
        }
        let row = practice.find(&[("measure", measure)]);
        close(
            practice.real(row, "n_others"),
            elsewhere.len() as f64,
            measure,
        );
        for (column, p) in [("q25", 0.25), ("q50", 0.5), ("q75", 0.75)] {
            close(practice.real(row, column), quantile(&elsewhere, p), column);
        }
    }

    let (signature, beside) = (read("own_signature"), read("practice_signature"));
    for hertz in [500_u32, 4000] {
        let wanted = points(&delivery, hertz);
        let name = hertz.to_string();
        let row = signature.find(&[("frequency_hz", &name)]);
        let (value, ears, fittings) = wanted[own];
        close(signature.real(row, "mean"), value, "own mean");
        close(signature.real(row, "n_ears"), ears as f64, "ears");
        close(
            signature.real(row, "n_fittings"),
            fittings as f64,
            "fittings",
        );
        assert!(signature.real(row, "lo") < value && value < signature.real(row, "hi"));
        let mut elsewhere: Vec<f64> = wanted
            .iter()
            .filter(|(id, _)| id.as_str() != own)
            .map(|(_, (value, ..))| (value * 10.0).round() / 10.0)
            .collect();
        elsewhere.sort_by(f64::total_cmp);
        let row = beside.find(&[("frequency_hz", &name)]);
        close(beside.real(row, "q50"), quantile(&elsewhere, 0.5), "median");
    }

    let mut quarters: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let mut practice: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for row in 0..delivery.fittings.rows.len() {
        let fitting = delivery.fittings.get(row, "fitting_id");
        let Some(rms) = last.get(fitting) else {
            continue;
        };
        let quarter = quarter(delivery.fittings.get(row, "fitted_on"));
        practice.entry(quarter.clone()).or_default().push(*rms);
        if clinician[fitting] == own {
            quarters.entry(quarter).or_default().push(*rms);
        }
    }
    for (name, wanted) in [("own_quarters", quarters), ("practice_quarters", practice)] {
        let found = read(name);
        let rows = (0..found.rows.len()).filter(|&row| found.get(row, "measure") == "rms");
        assert_eq!(rows.count(), wanted.len(), "{name}");
        for (quarter, values) in wanted {
            let row = found.find(&[("measure", "rms"), ("quarter", &quarter)]);
            close(found.real(row, "value"), mean(&values), &quarter);
            close(found.real(row, "n"), values.len() as f64, &quarter);
        }
    }
}

/// Where any of some words stands in the name or the bytes of a file.
fn places(folder: &Path, words: &[String]) -> Vec<String> {
    let mut out = Vec::new();
    for (name, bytes) in files_below(folder) {
        let text = format!("{}\n{}", name.display(), String::from_utf8_lossy(&bytes));
        for word in words {
            if text.contains(word.as_str()) {
                out.push(format!("{word} in {}", name.display()));
            }
        }
    }
    out
}

fn ids(workspace: &Workspace) -> Vec<String> {
    let found = workspace.query(&["clinicians", "c"]);
    let all: BTreeSet<String> = (0..found.rows.len())
        .map(|row| found.get(row, "clinician_id").to_owned())
        .collect();
    all.into_iter().collect()
}

#[test]
fn nobody_else_is_named_on_the_page_of_one_clinician() {
    let workspace = Workspace::invented(400, 3);
    let mut others = ids(&workspace);
    let own = others.remove(2);
    workspace.ok(&[
        "report",
        "c",
        "--out",
        "r",
        "--reader",
        "trainer",
        "--clinician",
        &own,
    ]);
    let folder = workspace.path(&format!("r/trainer/{own}"));
    for file in ["index.html", "results.json", "provenance.json"] {
        assert!(folder.join(file).is_file(), "{file}");
    }
    assert!(
        !workspace.path("r/trainer/index.html").exists(),
        "only the page asked for"
    );
    assert_eq!(places(&workspace.path("r"), &others), Vec::<String>::new());
    let page = std::fs::read_to_string(folder.join("index.html")).unwrap();
    assert!(page.contains(&own) && page.contains("invitation") && !page.contains("NaN"));
}

#[test]
fn a_clinician_who_is_not_there_is_a_mistake_in_usage() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ok(&["ingest", "d", "--into", "c"]);
    for (id, quarter) in [
        ("nobody", None),
        ("", None),
        ("' OR ''='", None),
        ("anna-1", Some("2026-Q2")),
    ] {
        let mut arguments = vec!["report", "c", "--out", "r", "--clinician", id];
        arguments.extend(quarter.iter().flat_map(|quarter| ["--quarter", quarter]));
        let run = workspace.run(&arguments);
        assert_eq!(run.code, 2, "{}", run.shown());
        if quarter.is_none() {
            assert!(run.stderr.contains("--clinician"), "{}", run.shown());
            assert!(
                run.stderr.contains("fitcohort query clinicians"),
                "{}",
                run.shown()
            );
        }
        assert!(!workspace.path("r").exists());
    }
    let run = workspace.run(&[
        "report",
        "c",
        "--out",
        "r",
        "--reader",
        "owner",
        "--clinician",
        "anna-1",
    ]);
    assert_eq!(run.code, 2, "{}", run.shown());
    assert!(run.stderr.contains("--reader trainer"), "{}", run.shown());
}

#[test]
fn two_fittings_are_too_few_for_a_page() {
    let workspace = Workspace::new();
    workspace.delivery("d", &small_practice());
    workspace.ok(&["ingest", "d", "--into", "c"]);
    workspace.ok(&["report", "c", "--out", "r", "--clinician", "anna-1"]);
    let folder = "r/trainer/clinician_anna-1";
    let page = std::fs::read_to_string(workspace.path(&format!("{folder}/index.html"))).unwrap();
    assert!(page.contains("Nothing is shown: fewer than 5 fittings"));
    assert!(!page.contains("<svg"));
    for name in ["clinician", "own_signature", "own_quarters", "rests_on"] {
        let found = table(&workspace, folder, name);
        for row in 0..found.rows.len() {
            for column in ["n", "n_fittings", "n_ears", "value", "mean", "lo", "hi"] {
                let Some(place) = found.columns.iter().position(|known| known == column) else {
                    continue;
                };
                let cell = &found.rows[row][place];
                assert!(cell.is_empty() || cell == "0", "{name}, {column}: {cell}");
            }
        }
    }
}

/// Every byte that is written under `--letters`, for all readers and for one clinician, is free of every id; the numbers
/// are the same, the order of the rows is that of the letters, and the terminal alone says one letter.
#[test]
fn letters_leave_no_id_in_any_byte() {
    let workspace = Workspace::invented(500, 5);
    let ids = ids(&workspace);
    assert!(ids.len() > 4);
    let plan = format!(
        "# not {0}\nresamples = 100\npermutations = 99\n\n[[exclusions]]\ncolumn = \"clinician_id\"\nvalues = [\"{0}\"]\n\
         reason = \"{0} was in training\"\n",
        ids[0]
    );
    workspace.write("plan.toml", plan);
    let report = |out: &str, more: &[&str]| {
        let arguments = ["report", "c", "--out", out, "--plan", "plan.toml"];
        workspace.ok(&[&arguments[..], more].concat())
    };
    report("named", &[]);
    assert!(
        !places(&workspace.path("named"), &ids).is_empty(),
        "the search finds ids"
    );
    let all = report("r", &["--letters"]);
    let one = report("r", &["--letters", "--clinician", &ids[3]]);
    assert_eq!(places(&workspace.path("r"), &ids), Vec::<String>::new());
    assert!(ids.iter().all(|id| !all.stdout.contains(id.as_str())));

    // Pages link to what stands beside them, so the same stands beside them.
    report("again", &["--letters"]);
    let json = report("again", &["--letters", "--clinician", &ids[3], "--json"]).json();
    let letter = json["letter"].as_str().expect("a letter").to_owned();
    assert!(
        one.stdout
            .contains(&format!("{} is clinician {letter}", ids[3])),
        "{}",
        one.shown()
    );
    let folder = format!("trainer/clinician_{letter}");
    assert!(workspace.path(&format!("r/{folder}/index.html")).is_file());
    assert!(
        files_below(&workspace.path(&format!("r/{folder}")))
            == files_below(&workspace.path(&format!("again/{folder}"))),
        "the same letters on every run"
    );

    let (named, lettered) = (
        table(&workspace, "named/trainer", "spread"),
        table(&workspace, "r/trainer", "spread"),
    );
    let found: Vec<&str> = (0..lettered.rows.len())
        .map(|row| lettered.get(row, "clinician_id"))
        .collect();
    assert!(found.is_sorted(), "{found:?}");
    assert_eq!(found.len(), ids.len());
    let row = lettered.find(&[("clinician_id", &letter)]);
    let by_name = named.find(&[("clinician_id", &ids[3])]);
    assert_eq!(lettered.get(row, "sd"), named.get(by_name, "sd"));
    let sds = |table: &Rows| -> Vec<String> {
        (0..table.rows.len())
            .map(|row| table.get(row, "sd").to_owned())
            .collect()
    };
    let (mut one, mut other) = (sds(&named), sds(&lettered));
    assert_ne!(one, other, "letters do not follow the ids");
    one.sort();
    other.sort();
    assert_eq!(one, other);

    let dealt_again = report(
        "other",
        &["--letters", "--reader", "trainer", "--seed", "77"],
    );
    assert!(dealt_again.stdout.contains("wrote"));
    let other = table(&workspace, "other/trainer", "spread");
    let numbers = |table: &Rows| -> Vec<String> {
        (0..table.rows.len())
            .map(|row| table.get(row, "n").to_owned())
            .collect()
    };
    assert_ne!(
        numbers(&lettered),
        numbers(&other),
        "another seed deals anew"
    );
    let page = std::fs::read_to_string(workspace.path("r/trainer/index.html")).unwrap();
    assert!(page.contains("Letters stand for the clinicians"));

    // Lists of single records, where a fitting can be looked up, have no letters: as many rows, without that column.
    for (name, column) in [
        ("recheck", "clinician_id"),
        ("referral_list", "clinician_id"),
    ] {
        let (named, lettered) = (
            table(&workspace, "named/owner", name),
            table(&workspace, "r/owner", name),
        );
        assert!(!named.rows.is_empty(), "{name}");
        assert_eq!(named.rows.len(), lettered.rows.len(), "{name}");
        let has = |rows: &Rows| rows.columns.iter().any(|known| known == column);
        assert!(has(&named) && !has(&lettered), "{name}");
    }
    let page = std::fs::read_to_string(workspace.path("r/owner/index.html")).unwrap();
    assert!(page.contains("Fittings to look at again") && !page.contains(">Clinician<"));
}

/// Reports with letters and with ids are refused each other's folder, and nothing in it changes.
#[test]
fn letters_and_ids_do_not_share_a_folder() {
    let workspace = Workspace::invented(60, 2);
    let owner = ["report", "c", "--reader", "owner", "--out"];
    let letters = ["--letters"];
    for (folder, first, second) in [("r", &[][..], &letters[..]), ("s", &letters, &[])] {
        workspace.ok(&[&owner[..], &[folder], first].concat());
        let before = files_below(&workspace.path(folder));
        for more in [&[][..], &["--quarters", "2"]] {
            let run = workspace.run(&[&owner[..], &[folder], second, more].concat());
            assert_eq!(run.code, 2, "{}", run.shown());
            assert!(
                run.stderr.contains("another folder with --out"),
                "{}",
                run.shown()
            );
            assert!(before == files_below(&workspace.path(folder)));
        }
        workspace.ok(&[&owner[..], &[folder], first].concat());
    }
}
