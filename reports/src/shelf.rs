//! The folder that several reports stand in: an index page, and links from each page to the ones before and after it.
//!
//! What stands there is read off the files themselves, never guessed: a report is a folder of its reader's name, with its
//! page and its `provenance.json`, in the folder itself or in one that is named after a quarter or a year.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use fitcohort_queries::review::Reader;
use maud::{Markup, html};
use serde_json::Value;

use crate::error::ReportError;
use crate::page::{LINKS, shell};

/// What stands in a folder of reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shelf {
    /// The index page; none where another file of that name is in the way, which is left as it is.
    pub index: Option<PathBuf>,
    /// How many reports it lists.
    pub reports: usize,
}

/// A report that stands in the folder.
#[derive(Clone, Debug)]
struct Found {
    /// The folder within the folder, "" or such as "2026-Q3/".
    place: String,
    reader: Reader,
    /// The folder within the reader's, "" or, for the page of one clinician, such as "clinician-07/".
    inner: String,
    /// The clinician, by id or by letter, where the page is about one.
    clinician: Option<String>,
    /// The quarter under review, or the year; none where the cohort was empty.
    quarter: Option<String>,
    snapshot: String,
    plan: String,
    invented: bool,
    years: bool,
    letters: bool,
}

impl Found {
    /// The folder of the page, below the folder of the index.
    fn home(&self) -> String {
        format!("{}{}/{}", self.place, self.reader.name(), self.inner)
    }

    /// The way from the page to the folder of the index.
    fn up(&self) -> String {
        "../".repeat(self.home().matches('/').count())
    }
}

/// Whether reports with letters in the place of clinicians' ids (or, with `letters` false, with the ids) may be written
/// into a folder. It has to be asked before anything is written: an index that leads from letters to ids, or numbers of
/// one kind left beside those of the other, would undo the letters. A folder that does not exist may hold either.
///
/// # Errors
/// [`ReportError::Letters`] where a report of the other kind stands there; [`ReportError::Read`] where the folder or a
/// `provenance.json` in it cannot be read.
pub fn admits(folder: &Path, letters: bool) -> Result<(), ReportError> {
    if !folder.exists() {
        return Ok(());
    }
    match find(folder)?.iter().find(|one| one.letters != letters) {
        Some(other) => Err(ReportError::Letters {
            path: folder.join(other.home()),
            letters: other.letters,
        }),
        None => Ok(()),
    }
}

/// Writes `index.html` of a folder of reports, and the links between the pages in it: to the quarter before and after
/// for the same reader, to the other readers of the same quarter, and to the index. Links are relative; the same reports
/// give the same bytes. A page is changed only between the two marks that it has for this.
///
/// # Errors
/// [`ReportError::Read`] where folder or files cannot be read, [`ReportError::File`] where one cannot be written.
pub fn arrange(folder: &Path) -> Result<Shelf, ReportError> {
    let found = find(folder)?;
    for (place, one) in found.iter().enumerate() {
        link(folder, one, &links(&found, place))?;
    }
    let index = folder.join("index.html");
    let ours = match fs::read_to_string(&index) {
        Ok(text) => text.contains(shell::GENERATOR),
        Err(error) => error.kind() == ErrorKind::NotFound,
    };
    if ours {
        write(&index, &page(&found))?;
    }
    Ok(Shelf {
        index: ours.then_some(index),
        reports: found.len(),
    })
}

/// The reports in the folder by quarter; where one stands twice, the one in the folder of its quarter comes first.
fn find(folder: &Path) -> Result<Vec<Found>, ReportError> {
    let read = |source| ReportError::Read {
        path: folder.to_owned(),
        source,
    };
    let mut places = vec![String::new()];
    for entry in fs::read_dir(folder).map_err(read)? {
        let name = entry.map_err(read)?.file_name();
        if let Some(name) = name.to_str().filter(|name| is_period(name)) {
            places.push(format!("{name}/"));
        }
    }
    let mut found = Vec::new();
    for place in &places {
        for reader in Reader::ALL {
            found.extend(report(folder, place, reader, "")?);
        }
        for inner in clinicians(&folder.join(place).join(Reader::Trainer.name())) {
            found.extend(report(folder, place, Reader::Trainer, &inner)?);
        }
    }
    found.sort_by(|one, other| {
        let key = |of: &Found| {
            let place = (of.quarter.clone(), of.place.is_empty(), of.place.clone());
            (place, of.reader, of.clinician.clone(), of.inner.clone())
        };
        key(one).cmp(&key(other))
    });
    Ok(found)
}

/// The folders of pages of single clinicians in the trainer's folder; none where there is no such folder.
fn clinicians(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let names = entries.filter_map(|entry| entry.file_name().into_string().ok());
    let plain = |name: &String| {
        name.bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_'))
    };
    let kept = names.filter(|name| {
        ["clinician-", "clinician_"]
            .iter()
            .any(|start| name.starts_with(start))
            && plain(name)
    });
    kept.map(|name| format!("{name}/")).collect()
}

/// Whether a folder is named like a quarter or a year: 2026-Q3, 2026.
fn is_period(name: &str) -> bool {
    let (year, quarter) = name.split_once("-Q").unwrap_or((name, "1"));
    year.len() == 4
        && year.bytes().all(|byte| byte.is_ascii_digit())
        && matches!(quarter, "1" | "2" | "3" | "4")
}

/// The report of a reader at a place; none where no page stands there, or nothing that says what it is.
fn report(
    folder: &Path,
    place: &str,
    reader: Reader,
    inner: &str,
) -> Result<Option<Found>, ReportError> {
    let home = folder.join(place).join(reader.name()).join(inner);
    let path = home.join("provenance.json");
    let text = match fs::read(&path) {
        Ok(text) => text,
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            return Ok(None);
        }
        Err(source) => return Err(ReportError::Read { path, source }),
    };
    let Ok(value) = serde_json::from_slice::<Value>(&text) else {
        return Ok(None);
    };
    let said = |key: &str| value.get(key).and_then(Value::as_str).map(str::to_owned);
    let clinician = said("clinician");
    let is_what_it_should_be = said("reader").as_deref() == Some(reader.name())
        && clinician.is_some() != inner.is_empty()
        && home.join("index.html").is_file();
    if !is_what_it_should_be {
        return Ok(None);
    }
    Ok(Some(Found {
        place: place.to_owned(),
        reader,
        inner: inner.to_owned(),
        clinician,
        quarter: said("quarter"),
        snapshot: said("snapshot").unwrap_or_default(),
        plan: said("plan").unwrap_or_default(),
        invented: value.get("invented") == Some(&Value::Bool(true)),
        years: said("dates").as_deref() == Some("year"),
        letters: value.get("letters") == Some(&Value::Bool(true)),
    }))
}

/// From a page to the others: what it is called, its relation, and where it stands.
struct Link {
    words: String,
    relation: Option<&'static str>,
    address: String,
}

/// The links of a page: back and forth in time, to the other readers' of its quarter, to the index.
fn links(found: &[Found], at: usize) -> Vec<Link> {
    let Some(own) = found.get(at) else {
        return Vec::new();
    };
    let to = |other: &Found| format!("{}{}index.html", own.up(), other.home());
    let mut out = Vec::new();
    // Where a quarter stands twice, the first of the two is the one to go to.
    let same_reader = || {
        let others = found.iter().filter(|other| other.reader == own.reader);
        // The letter of a clinician may be another's in another report, so nothing leads from the one to the other.
        others.filter(|other| own.clinician.is_none() && other.clinician.is_none())
    };
    let before = same_reader()
        .filter(|other| other.quarter < own.quarter)
        .map(|other| other.quarter.clone())
        .max();
    let after = same_reader()
        .filter(|other| other.quarter > own.quarter)
        .map(|other| other.quarter.clone())
        .min();
    for (words, relation, quarter) in [("Previous", "prev", before), ("Next", "next", after)] {
        if let Some(other) =
            quarter.and_then(|quarter| same_reader().find(|other| other.quarter == quarter))
        {
            out.push(Link {
                words: format!("{words}: {}", period(other)),
                relation: Some(relation),
                address: to(other),
            });
        }
    }
    for other in found {
        let beside = other.place == own.place && other.quarter == own.quarter;
        let another = other.reader != own.reader || own.clinician.is_some();
        if beside && another && other.clinician.is_none() {
            out.push(Link {
                words: title(other).to_owned(),
                relation: None,
                address: to(other),
            });
        }
    }
    out.push(Link {
        words: "All reports".to_owned(),
        relation: None,
        address: format!("{}index.html", own.up()),
    });
    out
}

fn period(of: &Found) -> &str {
    of.quarter.as_deref().unwrap_or("no quarter")
}

fn title(of: &Found) -> &'static str {
    match of.reader {
        Reader::Owner if of.years => "Year review",
        Reader::Owner => "Quarter review",
        Reader::Researcher => "Study report",
        Reader::Trainer => "Clinicians compared",
    }
}

/// Writes the links between the marks of a page; a page without marks is left as it is.
fn link(folder: &Path, own: &Found, links: &[Link]) -> Result<(), ReportError> {
    let path = folder.join(own.home()).join("index.html");
    let text = fs::read_to_string(&path).map_err(|source| ReportError::Read {
        path: path.clone(),
        source,
    })?;
    let [begin, end] = LINKS;
    let Some((before, rest)) = text.split_once(begin) else {
        return Ok(());
    };
    let Some((_, after)) = rest.split_once(end) else {
        return Ok(());
    };
    let between = html! {
        nav.reports aria-label="Other reports" {
            ul {
                @for link in links {
                    li { a href=(link.address) rel=[link.relation] { (link.words) } }
                }
            }
        }
    };
    let linked = format!("{before}{begin}{}{end}{after}", between.into_string());
    if linked == text {
        return Ok(());
    }
    write(&path, &linked)
}

fn write(path: &Path, text: &str) -> Result<(), ReportError> {
    fs::write(path, text).map_err(|source| ReportError::File {
        path: path.to_owned(),
        source,
    })
}

/// The index page, the latest quarter first.
fn page(found: &[Found]) -> String {
    // A row is a quarter at a place.
    let mut rows: Vec<Vec<&Found>> = Vec::new();
    for one in found.iter().filter(|one| one.clinician.is_none()) {
        match rows.last_mut() {
            Some(row)
                if row.first().is_some_and(|first| {
                    first.quarter == one.quarter && first.place == one.place
                }) =>
            {
                row.push(one);
            }
            _ => rows.push(vec![one]),
        }
    }
    rows.reverse();
    let body = html! {
        a.skip href="#main" { "Skip to the reports" }
        header {
            h1 { "Reports" }
            @if found.iter().any(|one| one.invented) {
                p.banner role="note" {
                    @if found.iter().all(|one| one.invented) {
                        "Invented data. Every person, clinician and clinic in these reports is made up; nothing in them is a finding."
                    } @else {
                        "Some of these reports are of invented data, and say so at their head; nothing in those is a finding."
                    }
                }
            }
        }
        main #main tabindex="-1" {
            (table(&rows))
            (single(found))
            @if let Some(sentence) = mixed(found) { p { (sentence) } }
            p.soft {
                "Each report is made of what was recorded up to its quarter or year. The quarter review asks whether quality is all right and where it is not, the study report whether a closer match goes with satisfaction, the comparison of clinicians where they differ and in what."
            }
        }
    };
    shell::document("Reports", "", "Reports. fitcohort", &body)
}

/// The pages of single clinicians, the latest first.
fn single(found: &[Found]) -> Markup {
    let pages: Vec<&Found> = found
        .iter()
        .rev()
        .filter(|one| one.clinician.is_some())
        .collect();
    html! {
        @if !pages.is_empty() {
            h2 { "Pages of one clinician" }
            ul {
                @for one in pages {
                    li {
                        a href=(format!("{}index.html", one.home())) {
                            "Clinician " (one.clinician.as_deref().unwrap_or_default()) ", up to " (period(one))
                        }
                    }
                }
            }
        }
    }
}

fn table(rows: &[Vec<&Found>]) -> Markup {
    html! {
        @if rows.is_empty() {
            p { "There is no quarter review, study report or comparison of clinicians in this folder." }
        } @else {
            div.wide tabindex="0" role="region" aria-label="Table: reports by quarter" {
                table {
                    caption { "Reports by quarter, the latest first" }
                    thead {
                        tr {
                            th scope="col" { "Quarter" }
                            th scope="col" { "For the owner" }
                            th scope="col" { "For the researcher" }
                            th scope="col" { "For the trainer" }
                            th scope="col" { "Snapshot" }
                        }
                    }
                    tbody {
                        @for row in rows {
                            tr {
                                th scope="row" { (row.first().map_or("", |first| period(first))) }
                                @for reader in Reader::ALL {
                                    td { (cell(row, reader)) }
                                }
                                td { (snapshots(row)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn cell(row: &[&Found], reader: Reader) -> Markup {
    html! {
        @if let Some(one) = row.iter().find(|one| one.reader == reader) {
            a href=(format!("{}index.html", one.home())) {
                (title(one)) " " (period(one))
            }
        } @else {
            "–"
        }
    }
}

fn snapshots(row: &[&Found]) -> String {
    let mut out: Vec<&str> = row.iter().map(|one| one.snapshot.as_str()).collect();
    out.sort_unstable();
    out.dedup();
    out.join(", ")
}

/// Says where the reports are not of one making, so that a difference between two quarters may be one of making.
fn mixed(found: &[Found]) -> Option<String> {
    let several = |of: fn(&Found) -> &str| {
        let mut first = found.iter().map(of);
        let one = first.next();
        first.any(|other| Some(other) != one)
    };
    let differ: Vec<&str> = [
        ("snapshots", several(|one| &one.snapshot)),
        ("plans", several(|one| &one.plan)),
    ]
    .into_iter()
    .filter_map(|(words, differ)| differ.then_some(words))
    .collect();
    (!differ.is_empty()).then(|| {
        format!(
            "These reports were made from different {}: numbers of two of them may differ for that alone. \
             Make them together, with --quarters, to compare them.",
            differ.join(" and different ")
        )
    })
}
