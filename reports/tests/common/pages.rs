//! Reads a report from outside and compares every number on its page with `results.json`. It shares no code with the
//! program: the page is taken apart here, and numbers are rounded here a second time.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use serde_json::Value;

/// Phrases with digits that stand on a page as they are: constants of method, sources with their years, figures of
/// other people's studies. One a line.
const CONSTANTS: &str = include_str!("constants.txt");

/// Elements whose text is no prose.
const NO_PROSE: [&str; 6] = ["svg", "pre", "code", "style", "script", "title"];

/// Elements that hang no text on anything and are never closed (HTML living standard, void elements).
const VOID: [&str; 6] = ["meta", "br", "hr", "link", "img", "input"];

/// A number that the page ties to the results.
#[derive(Debug)]
pub(crate) struct Tied {
    pub(crate) of: String,
    pub(crate) column: String,
    pub(crate) value: String,
    pub(crate) text: String,
}

/// A page taken apart: the numbers tied to the results, and the prose of each block around them.
#[derive(Debug, Default)]
pub(crate) struct Page {
    pub(crate) tied: Vec<Tied>,
    pub(crate) prose: Vec<String>,
}

fn unescaped(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

/// The value of an attribute as maud writes it: in double quotes.
fn attribute(tag: &str, name: &str) -> Option<String> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    Some(unescaped(rest.split('"').next()?))
}

/// Takes a page apart. Elements within a line of prose (links, emphasis) do not end it; a tied number leaves the mark
/// `\u{1}` behind.
pub(crate) fn read(html: &str) -> Page {
    const INLINE: [&str; 6] = ["a", "em", "data", "span", "abbr", "b"];
    let mut page = Page::default();
    let mut open: Vec<String> = Vec::new();
    let mut prose = String::new();
    let mut rest = html;
    while let Some((text, after)) = rest.split_once('<') {
        let (tag, after) = after.split_once('>').expect("a tag ends");
        let hidden = open.iter().any(|name| NO_PROSE.contains(&name.as_str()));
        let in_data = open.last().is_some_and(|name| name == "data");
        if in_data {
            page.tied.last_mut().expect("a number").text = unescaped(text);
            prose.push('\u{1}');
        } else if !hidden {
            prose.push_str(&unescaped(text));
        }
        let name: String = tag
            .trim_start_matches('/')
            .chars()
            .take_while(char::is_ascii_alphanumeric)
            .collect();
        if !INLINE.contains(&name.as_str()) && !prose.is_empty() {
            page.prose.push(std::mem::take(&mut prose));
        }
        if tag.starts_with('/') {
            let closed = open.pop();
            assert_eq!(closed.as_deref(), Some(name.as_str()), "{tag} after {text}");
        } else if !tag.starts_with('!') && !tag.ends_with('/') && !VOID.contains(&name.as_str()) {
            if name == "data" {
                page.tied.push(Tied {
                    of: attribute(tag, "data-of").unwrap_or_default(),
                    column: attribute(tag, "data-column").unwrap_or_default(),
                    value: attribute(tag, "value").unwrap_or_default(),
                    text: String::new(),
                });
            }
            open.push(name.clone());
        }
        rest = after;
        // The text of a script or style is not taken apart.
        if matches!(name.as_str(), "script" | "style") && !tag.starts_with('/') {
            let end = rest.find(&format!("</{name}")).expect("it is closed");
            rest = &rest[end..];
        }
    }
    assert!(open.is_empty(), "not closed: {open:?}");
    page
}

/// Whether a text is a number rounded to the digits it shows. The unit says how the exact value is scaled: per cent
/// means a hundredth. Half a unit of the last place is allowed, and no more.
pub(crate) fn is_rounded(text: &str, exact: f64) -> bool {
    let plain = text.replace(['\u{202f}', '\u{a0}'], "");
    if let Some(bound) = plain
        .strip_prefix("p <")
        .or_else(|| plain.strip_prefix("p<"))
    {
        return bound.trim().parse::<f64>().is_ok_and(|bound| exact < bound);
    }
    let plain = plain.strip_prefix("p =").unwrap_or(&plain).trim();
    let plain = plain.strip_prefix('+').unwrap_or(plain);
    // Points are hundredths of a share.
    let is_hundredths = ["%", "points", "point"]
        .iter()
        .any(|unit| plain.ends_with(unit));
    let scale = if is_hundredths { 100.0 } else { 1.0 };
    let digits = ["dB²", "share²", "dB", "%", "points", "point"]
        .iter()
        .fold(plain, |text, unit| text.strip_suffix(unit).unwrap_or(text))
        .trim()
        .replace('−', "-");
    let Ok(shown) = digits.parse::<f64>() else {
        return false;
    };
    let decimals = digits.split_once('.').map_or(0, |(_, part)| part.len());
    let half = 0.5 * 10.0_f64.powi(-i32::try_from(decimals).expect("few decimals"));
    (shown - exact * scale).abs() <= half * (1.0 + 1e-9)
}

/// What a cell holds; an item of a guideline stands behind the guideline's name.
fn cell(prose: &str) -> &str {
    let text = prose.trim();
    ["STROBE ", "RECORD "]
        .iter()
        .find_map(|guideline| text.strip_prefix(guideline))
        .unwrap_or(text)
}

/// Every text in a value.
fn strings(value: &Value) -> Vec<String> {
    match value {
        Value::String(text) => vec![cleaned(text)],
        Value::Array(values) => values.iter().flat_map(strings).collect(),
        Value::Object(values) => values.values().flat_map(strings).collect(),
        _ => Vec::new(),
    }
}

/// A text of the results as a page tells it: names of columns in words, and in other words that a source was not at hand.
fn told(text: &str) -> String {
    [
        ("age_years", "age"),
        ("pta4", "pure-tone average of the better ear"),
        ("clinic_id", "clinic"),
        ("age_band", "age band"),
        ("(from memory)", "(not checked against the printed source)"),
    ]
    .iter()
    .fold(text.to_owned(), |text, (code, words)| {
        text.replace(code, words)
    })
}

/// Texts that a page may repeat as they are or as it tells them, the longest first: those of the results and of provenance.
fn texts(values: &[&Value]) -> Vec<String> {
    let mut out: Vec<String> = values.iter().flat_map(|value| strings(value)).collect();
    let as_told: Vec<String> = out.iter().map(|text| told(text)).collect();
    out.extend(as_told);
    out.extend(
        CONSTANTS
            .lines()
            .filter(|line| !line.starts_with(['#', '=']))
            .map(str::to_owned),
    );
    // A text of few digits and nothing else, such as the number of an item, would excuse any number of a sentence; the
    // names of snapshots are longer.
    out.retain(|text| {
        let digits = text.chars().filter(char::is_ascii_digit).count();
        digits > 5 || (digits > 0 && text.chars().any(char::is_alphabetic))
    });
    // Parts of a text may be quoted without its last stop.
    let stops: Vec<String> = out
        .iter()
        .filter_map(|text| text.strip_suffix('.').map(str::to_owned))
        .collect();
    out.extend(stops);
    out.sort_by_key(|text| std::cmp::Reverse(text.len()));
    out.dedup();
    out
}

/// Control characters become spaces on a page; spaces of other kinds are made plain for comparing.
fn cleaned(text: &str) -> String {
    text.chars()
        .map(|c| {
            if c.is_control() || matches!(c, '\u{202f}' | '\u{a0}') {
                ' '
            } else {
                c
            }
        })
        .collect()
}

/// Takes a text out of the prose wherever it stands as a whole: not in the middle of a word or number.
fn without(prose: &str, text: &str) -> String {
    let part = char::is_alphanumeric;
    let mut out = String::new();
    let mut rest = prose;
    while let Some(at) = rest.find(text) {
        let (before, after) = (&rest[..at], &rest[at + text.len()..]);
        let starts = text.starts_with(part)
            && out
                .chars()
                .chain(before.chars())
                .next_back()
                .is_some_and(part);
        let ends = text.ends_with(part) && after.chars().next().is_some_and(part);
        out.push_str(before);
        if starts || ends {
            // One character on, so that the search goes on behind it.
            let first = text.chars().next().map_or(1, char::len_utf8);
            out.push_str(&rest[at..at + first]);
            rest = &rest[at + first..];
        } else {
            out.push('\u{2}');
            rest = after;
        }
    }
    out.push_str(rest);
    out
}

/// Takes quarters such as 2026-Q3 out.
fn without_quarters(prose: &str) -> String {
    let letters: Vec<char> = prose.chars().collect();
    let mut out = String::new();
    let mut at = 0;
    while at < letters.len() {
        let is_quarter = letters.get(at..at + 7).is_some_and(|part| {
            part[..4].iter().all(char::is_ascii_digit)
                && part[4] == '-'
                && part[5] == 'Q'
                && ('1'..='4').contains(&part[6])
        });
        if is_quarter {
            at += 7;
        } else {
            out.push(letters[at]);
            at += 1;
        }
    }
    out
}

/// The numbers of `results.json` as they are written, by key and column: a parser may miss the last bit of one.
fn written_numbers(text: &str) -> BTreeMap<(String, String), String> {
    let name = |line: &str| -> Option<String> {
        let (name, _) = line.trim().rsplit_once("\": ")?;
        serde_json::from_str(&format!("{name}\"")).ok()
    };
    let mut out = BTreeMap::new();
    let mut key = String::new();
    for line in text.lines() {
        match line.len() - line.trim_start().len() {
            4 => key = name(line).map_or_else(String::new, |name| cleaned(&name)),
            6 => {
                if let (Some(column), Some((_, value))) = (name(line), line.rsplit_once("\": ")) {
                    let value = value.trim_end_matches(',').to_owned();
                    out.insert((key.clone(), column), value);
                }
            }
            _ => {}
        }
    }
    out
}

/// What is wrong with the numbers of a report in a folder: on its page, in its prose, in `results.json`.
pub(crate) fn faults(folder: &Path) -> Vec<String> {
    let read_text = |name: &str| fs::read_to_string(folder.join(name)).expect(name);
    let results: Value = serde_json::from_str(&read_text("results.json")).expect("JSON");
    let provenance: Value = serde_json::from_str(&read_text("provenance.json")).expect("JSON");
    let numbers = written_numbers(&read_text("results.json"));
    let page = read(&read_text("index.html"));
    let mut faults = Vec::new();
    for tied in &page.tied {
        let place = (cleaned(&tied.of), tied.column.clone());
        let Some(found) = numbers.get(&place) else {
            faults.push(format!("not in results.json: {tied:?}"));
            continue;
        };
        if *found != tied.value {
            faults.push(format!("results.json has {found}: {tied:?}"));
        }
        if !found
            .parse()
            .is_ok_and(|exact| is_rounded(&tied.text, exact))
        {
            faults.push(format!("not {found} rounded: {tied:?}"));
        }
    }
    let mut known = texts(&[&results, &provenance]);
    known.push(format!(
        "fitcohort {}",
        provenance["version"].as_str().expect("a version")
    ));
    // A cell of a table may hold any text of the results.
    let cells = strings(&results)
        .into_iter()
        .flat_map(|text| [told(&text), text])
        .collect::<BTreeSet<_>>();
    for prose in &page.prose {
        if !prose.chars().any(|c| c.is_ascii_digit()) {
            continue;
        }
        // The mark of a tied number stays.
        let parts: Vec<String> = prose.split('\u{1}').map(cleaned).collect();
        let mut left = parts.join("\u{1}");
        let is_whole = |line: &str| line.strip_prefix('=') == Some(left.trim());
        if CONSTANTS.lines().any(is_whole) || cells.contains(cell(&left)) {
            continue;
        }
        for text in &known {
            if left.contains(text.as_str()) {
                left = without(&left, text);
            }
        }
        left = without_quarters(&left);
        if left.chars().any(|c| c.is_ascii_digit()) {
            faults.push(format!("a number of its own: {left:?} in {prose:?}"));
        }
    }
    faults
}

/// The page without the marks around its numbers, so that a test can look for a sentence.
pub(crate) fn plain(html: &str) -> String {
    let mut out = String::new();
    for (place, piece) in html.split("<data ").enumerate() {
        let text = if place == 0 {
            piece
        } else {
            piece.split_once('>').map_or("", |(_, text)| text)
        };
        out.push_str(&text.replace("</data>", ""));
    }
    out
}
