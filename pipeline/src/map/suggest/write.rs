//! A proposal as TOML, each line with how sure it is and why.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::matching::{Proposal, content_fits};
use super::names::{self, Found, How};
use super::profile::{Dates, Profile};
use super::{Column, Group, ROWS_SEEN, words};
use crate::delivery::columns::{Kind, is_label_column};
use crate::error::PipelineError;
use crate::map::DateForm;
use crate::vocabulary::{Ear, TableName};

/// Words of one column that are repeated.
const MOST_WORDS: usize = 8;

/// A text as TOML writes it, in one line.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            // Writing to a String does not fail.
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

pub(super) fn as_toml(
    groups: &[Group],
    proposals: &[Option<Proposal>],
    refused: &[(String, PipelineError)],
) -> String {
    let mut out = format!(
        "# Proposed by fitcohort from the names of columns and the first {ROWS_SEEN} rows of each file, for a person to\n\
         # confirm: read every line, mend what is wrong, fill in what is missing. Nothing that is wrong here is put right\n\
         # later. Then: fitcohort check DELIVERY --map FILE\n"
    );
    for (group, proposal) in groups.iter().zip(proposals) {
        out.push('\n');
        match proposal {
            Some(proposal) => sources(&mut out, group, proposal),
            None => {
                let _ = writeln!(
                    out,
                    "# Not proposed, since the first row names hardly any column that is known: {}",
                    listed(&group.files)
                );
            }
        }
    }
    for (file, error) in refused {
        if let PipelineError::Refused {
            rule,
            sentence,
            line,
            ..
        } = error
        {
            let line = line.map(|line| format!(", line {line}"));
            let _ = writeln!(
                out,
                "\n# Not read whole: {}{}: {sentence} [{}]",
                quoted(file),
                line.unwrap_or_default(),
                rule.code()
            );
        }
    }
    for table in TableName::ALL {
        if !proposals
            .iter()
            .flatten()
            .any(|found| found.table == *table)
        {
            let _ = writeln!(out, "\n# No file looks like the table {}.", table.word());
        }
    }
    out
}

fn listed(names: &[String]) -> String {
    let names: Vec<String> = names.iter().map(|name| quoted(name)).collect();
    names.join(", ")
}

/// What sets one source of a file apart from the others.
#[derive(Clone, Copy, Debug)]
enum Share {
    /// The file has one source.
    Whole,
    /// The thresholds of one ear.
    Ear(Ear),
    /// One item: the position of its column, and its number.
    Item(usize, u8),
}

fn sources(out: &mut String, group: &Group, proposal: &Proposal) {
    let ears = proposal.ears();
    let shares: Vec<Share> = if proposal.has_items() {
        let items = proposal.items.iter().enumerate();
        items
            .filter_map(|(at, item)| Some(Share::Item(at, (*item)?)))
            .collect()
    } else if ears.is_empty() {
        vec![Share::Whole]
    } else {
        ears.into_iter().map(Share::Ear).collect()
    };
    for (position, share) in shares.into_iter().enumerate() {
        if position > 0 {
            out.push('\n');
        }
        let source = Writing {
            group,
            proposal,
            share,
        };
        source.write(out, position == 0);
    }
}

/// A source that is being written.
struct Writing<'a> {
    group: &'a Group,
    proposal: &'a Proposal,
    share: Share,
}

impl<'a> Writing<'a> {
    /// Columns of theirs that the source reads, with ours.
    fn columns(&self) -> impl Iterator<Item = (&'a Column, &'a Found)> {
        let share = self.share;
        let columns = self.group.columns.iter().zip(&self.proposal.found);
        columns
            .filter_map(|(column, found)| Some((column, found.as_ref()?)))
            .filter(move |(_, found)| match (share, found.ear) {
                (Share::Ear(ear), Some(of)) => ear == of,
                (Share::Ear(_), None) => found.ours != "ear",
                _ => true,
            })
    }

    fn kind(&self, ours: &str) -> Kind {
        let spec = self.proposal.specs.iter().find(|spec| spec.name == ours);
        spec.map_or(Kind::Label, |spec| spec.kind)
    }

    fn write(&self, out: &mut String, first: bool) {
        let _ = writeln!(out, "[[source]]\nfiles = [{}]", listed(&self.group.files));
        let _ = writeln!(out, "table = \"{}\"", self.proposal.table.word());
        match self.group.separator {
            b',' => {}
            b'\t' => out.push_str("separator = \"tab\"\n"),
            other => {
                let _ = writeln!(out, "separator = \"{}\"", char::from(other));
            }
        }
        self.decimal(out);
        self.dates(out);
        if let Share::Item(at, _) = self.share
            && let Some(column) = self.group.columns.get(at)
        {
            let _ = writeln!(out, "unless_blank = [{}]", quoted(&column.name));
        }
        if first {
            self.left_out(out);
        }
        self.lines(out);
        self.constants(out);
        self.values(out);
        self.units(out);
    }

    fn decimal(&self, out: &mut String) {
        let numbers = |profile: &Profile| (profile.comma, profile.point);
        let (comma, point) = self
            .columns()
            .filter(|(_, found)| {
                !matches!(
                    self.kind(&found.ours),
                    Kind::Identifier | Kind::Date | Kind::Label | Kind::Words(_)
                )
            })
            .map(|(column, _)| numbers(&column.profile))
            .fold((0, 0), |sum, (comma, point)| (sum.0 + comma, sum.1 + point));
        // The column of an item is none of the columns above.
        let of_item = match self.share {
            Share::Item(at, _) => self.group.columns.get(at),
            _ => None,
        };
        let (more_comma, more_point) = of_item.map_or((0, 0), |column| numbers(&column.profile));
        let (comma, point) = (comma + more_comma, point + more_point);
        if comma > point {
            let _ = writeln!(
                out,
                "decimal = \",\"  # {comma} numbers have a comma, {point} a point"
            );
        } else if comma > 0 {
            let _ = writeln!(
                out,
                "# {comma} numbers have a comma and {point} a point: those with a comma are set aside"
            );
        }
    }

    fn dates(&self, out: &mut String) {
        let Some((column, _)) = self
            .columns()
            .find(|(_, found)| self.kind(&found.ours) == Kind::Date)
        else {
            return;
        };
        let text = |form: DateForm| String::from(form);
        match column.profile.date_form() {
            Dates::Ours => {}
            Dates::Sure(form) => {
                let _ = writeln!(out, "dates = \"{}\"", text(form));
            }
            Dates::ByCustom(form) => {
                let _ = writeln!(
                    out,
                    "dates = \"{}\"  # day and month by custom: no day after the 12th was seen",
                    text(form)
                );
            }
            Dates::Either(one, other) => {
                let (one, other) = (text(one), text(other));
                let _ = writeln!(
                    out,
                    "# TO CHOOSE: no day after the 12th was seen, so the data do not tell which it is\n\
                     # dates = \"{one}\"\n# dates = \"{other}\""
                );
            }
        }
    }

    /// Columns that nothing is proposed for.
    fn left_out(&self, out: &mut String) {
        let columns = self.group.columns.iter();
        let all = columns.zip(&self.proposal.found).zip(&self.proposal.items);
        let left: Vec<&Column> = all
            .filter(|((_, found), item)| {
                let read = match self.share {
                    Share::Item(..) => item.is_some(),
                    _ => false,
                };
                let ear_beside_ears = matches!(self.share, Share::Ear(_))
                    && found.as_ref().is_some_and(|found| found.ours == "ear");
                (found.is_none() && !read) || ear_beside_ears
            })
            .map(|((column, _), _)| column)
            .collect();
        if left.is_empty() {
            return;
        }
        out.push_str("leave_out = [\n");
        for column in left {
            let reason =
                names::reason_to_leave_out(&column.name).unwrap_or(match self.proposal.table {
                    TableName::Fittings => "not recognised; to group by it, see below",
                    _ => "not recognised",
                });
            let _ = writeln!(
                out,
                "  {},  # {reason}; {}",
                quoted(&column.name),
                blank(&column.profile)
            );
        }
        out.push_str("]\n");
    }

    fn lines(&self, out: &mut String) {
        out.push_str("\n[source.columns]\n");
        let mut lines: Vec<(usize, String)> = Vec::new();
        for (column, found) in self.columns() {
            let position = self
                .proposal
                .specs
                .iter()
                .position(|spec| spec.name == found.ours);
            lines.push((
                position.unwrap_or(usize::MAX),
                format!(
                    "{} = {}  # {}",
                    found.ours,
                    quoted(&column.name),
                    self.remark(column, found)
                ),
            ));
        }
        if let Share::Item(at, _) = self.share
            && let Some(column) = self.group.columns.get(at)
        {
            let of_item = format!(
                "score = {}  # by name; {}{}",
                quoted(&column.name),
                range(&column.profile),
                blank(&column.profile)
            );
            lines.push((usize::MAX, of_item));
        }
        lines.sort_by_key(|(position, _)| *position);
        for (_, line) in lines {
            let _ = writeln!(out, "{line}");
        }
        self.labels(out);
        for name in self.proposal.missing() {
            let _ = writeln!(
                out,
                "# MISSING: {name} is required: name its column here, or give it under [source.constants]"
            );
        }
    }

    /// Columns of fittings that might be labels to group by: lines to be uncommented.
    fn labels(&self, out: &mut String) {
        if self.proposal.table != TableName::Fittings {
            return;
        }
        for (column, found) in self.group.columns.iter().zip(&self.proposal.found) {
            let name = names::normal(&column.name).replace(|c: char| !c.is_ascii(), "");
            let label = format!("x_{}", name.chars().take(30).collect::<String>());
            let is_free = found.is_none() && names::reason_to_leave_out(&column.name).is_none();
            if is_free && is_label_column(&label) {
                let _ = writeln!(
                    out,
                    "# {label} = {}  # to group by it; then take it out of leave_out",
                    quoted(&column.name)
                );
            }
        }
    }

    /// How sure a line is, and why.
    fn remark(&self, column: &Column, found: &Found) -> String {
        let mut out = match found.how {
            How::Same => "the same name",
            How::Word => "by name",
            How::Frequency => "by name and frequency",
            How::Content => "NOT SURE, by its words alone",
            How::Near => "NOT SURE, by a similar name",
        }
        .to_owned();
        let profile = &column.profile;
        if !content_fits(&self.proposal.specs, &found.ours, column) {
            out.push_str("; LOOK: many of its values are not what this column takes");
        }
        out.push_str("; ");
        match self.kind(&found.ours) {
            Kind::Words(_) => {
                let known: Vec<String> = profile
                    .words
                    .keys()
                    .filter(|word| words::meaning(&found.ours, word).is_some())
                    .map(|word| quoted(word))
                    .collect();
                let others = profile.words.len() - known.len();
                let shown: Vec<String> = known.into_iter().take(MOST_WORDS).collect();
                if !shown.is_empty() {
                    let _ = write!(out, "words {}; ", shown.join(", "));
                }
                if others > 0 || profile.many {
                    let more = if profile.many { " or more" } else { "" };
                    let _ = write!(out, "other words, not understood: {others}{more}; ");
                }
            }
            Kind::Whole(..)
            | Kind::Hundredths(..)
            | Kind::Threshold
            | Kind::Frequency
            | Kind::Score => {
                out.push_str(&range(profile));
            }
            Kind::Identifier | Kind::Date | Kind::Label => {}
        }
        out.push_str(&blank(profile));
        out
    }

    fn constants(&self, out: &mut String) {
        match self.share {
            Share::Whole => {}
            Share::Ear(ear) => {
                let _ = writeln!(out, "\n[source.constants]\near = \"{}\"", ear.word());
            }
            Share::Item(_, item) => {
                let _ = writeln!(
                    out,
                    "\n[source.constants]\ninstrument = \"ioi-ha\"\nitem = \"{item}\""
                );
            }
        }
    }

    fn values(&self, out: &mut String) {
        for (column, found) in self.columns() {
            let meanings: BTreeMap<&str, &str> = column
                .profile
                .words
                .keys()
                .filter_map(|word| Some((word.as_str(), words::meaning(&found.ours, word)?)))
                .filter(|(theirs, ours)| theirs != ours)
                .collect();
            if meanings.is_empty() {
                continue;
            }
            let _ = writeln!(out, "\n[source.values.{}]", found.ours);
            for (theirs, ours) in meanings {
                let _ = writeln!(out, "{} = \"{ours}\"", quoted(theirs));
            }
        }
    }

    fn units(&self, out: &mut String) {
        let mut lines = Vec::new();
        for (column, found) in self.columns() {
            let normal = names::normal(&column.name);
            let highest = column.profile.range.map(|(_, high)| high);
            if self.kind(&found.ours) == Kind::Frequency && highest.is_some_and(|high| high <= 2000)
            {
                lines.push("frequency_hz = \"kHz\"  # no number is above 20".to_owned());
            }
            if found.ours == "weeks_after" && (normal.contains("day") || normal.contains("tage")) {
                lines.push("weeks_after = \"days\"  # by name".to_owned());
            }
            if self.kind(&found.ours) == Kind::Threshold
                && normal.split('_').any(|part| part == "spl")
            {
                lines.push(
                    "# TO DECIDE: dB SPL by name; then thresholds = { unit = \"dB SPL\", reference = { … } }".to_owned(),
                );
            }
        }
        lines.dedup();
        if !lines.is_empty() {
            let _ = writeln!(out, "\n[source.units]\n{}", lines.join("\n"));
        }
    }
}

/// Whole tens below and above all numbers, so that none is repeated.
fn range(profile: &Profile) -> String {
    profile.range.map_or_else(
        || "no numbers; ".to_owned(),
        |(low, high)| {
            let low = (low - 1).div_euclid(1000) * 10;
            let high = (high.div_euclid(1000) + 1) * 10;
            format!("numbers between {low} and {high}; ")
        },
    )
}

/// The share that is blank.
fn blank(profile: &Profile) -> String {
    match (profile.rows, profile.blank) {
        (0, _) => "no rows".to_owned(),
        (_, 0) => "never blank".to_owned(),
        (rows, blank) => format!("{} % blank", (blank * 100).div_ceil(rows)),
    }
}
