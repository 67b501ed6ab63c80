//! The sheet a figure stands on: title that states the answer, note, drawing, sources.

use super::canvas::{Area, Canvas, Hang, Lettering};
use super::text::wrap;
use super::theme::{GAP, Ink, LABEL, LEADING, MARGIN, SMALL, TITLE, WIDTH};

/// What a figure says in words.
#[derive(Clone, Debug, Default)]
pub(crate) struct Words {
    /// File name without ending.
    pub(crate) key: &'static str,
    /// The answer, as a sentence.
    pub(crate) title: String,
    /// How to read it, with the number of records.
    pub(crate) note: String,
    /// Where limits and criterion come from.
    pub(crate) source: String,
    /// The same for those who do not see it.
    pub(crate) description: String,
}

/// A finished figure.
#[derive(Clone, Debug)]
pub(crate) struct Figure {
    /// File name without ending.
    pub(crate) key: &'static str,
    /// The drawing, as it stands alone.
    pub(crate) svg: String,
    /// The tables it is drawn from: those that its description names.
    pub(crate) tables: Vec<String>,
}

/// The keys of the tables that a description names as files, `tables/KEY.csv`.
pub(crate) fn tables_named(description: &str) -> Vec<String> {
    description
        .split("tables/")
        .skip(1)
        .filter_map(|piece| piece.split_once(".csv"))
        .map(|(key, _)| key.to_owned())
        .collect()
}

/// Draws a figure: `draw` gets the space between the words, `high` px high.
///
/// # Errors
/// Where the drawing backend fails.
pub(crate) fn sheet(
    words: &Words,
    high: f64,
    draw: impl FnOnce(&mut Canvas, Area),
) -> Result<Figure, std::io::Error> {
    let room = WIDTH - 2.0 * MARGIN;
    let title = wrap(&words.title, TITLE, true, room);
    let note = wrap(&words.note, LABEL, false, room);
    let source = wrap(&words.source, SMALL, false, room);
    let block = |lines: usize, size: f64| {
        let lines = lines as f64;
        lines * size * LEADING
    };
    let above = MARGIN + block(title.len(), TITLE) + block(note.len(), LABEL) + GAP * 2.0;
    let below = block(source.len(), SMALL) + MARGIN;
    let mut canvas = Canvas::new(WIDTH, (above + high + GAP * 2.0 + below).round());

    let mut baseline = MARGIN * 0.75;
    for line in &title {
        baseline += TITLE * LEADING;
        canvas
            .write(Lettering::new(line, (MARGIN, baseline), Hang::Right, TITLE, Ink::Text).bold());
    }
    baseline += GAP * 0.5;
    for line in &note {
        baseline += LABEL * LEADING;
        canvas.write(Lettering::new(
            line,
            (MARGIN, baseline),
            Hang::Right,
            LABEL,
            Ink::Soft,
        ));
    }
    let mut baseline = above + high + GAP * 2.0;
    for line in &source {
        baseline += SMALL * LEADING;
        canvas.write(Lettering::new(
            line,
            (MARGIN, baseline),
            Hang::Right,
            SMALL,
            Ink::Soft,
        ));
    }
    let area = Area {
        left: MARGIN,
        top: above,
        right: WIDTH - MARGIN,
        bottom: above + high,
    };
    draw(&mut canvas, area);
    Ok(Figure {
        key: words.key,
        tables: tables_named(&words.description),
        svg: canvas.render(&words.title, &words.description)?,
    })
}

/// A figure for which there is nothing to draw: a panel with one sentence.
///
/// # Errors
/// Where the drawing backend fails.
pub(crate) fn missing(
    key: &'static str,
    title: &str,
    sentence: &str,
) -> Result<Figure, std::io::Error> {
    let words = Words {
        key,
        title: title.to_owned(),
        description: sentence.to_owned(),
        ..Words::default()
    };
    sheet(&words, 84.0, |canvas, area| {
        canvas.rectangle(area, Ink::Band);
        nothing(canvas, area, sentence);
    })
}

/// Writes one sentence in the middle of an area in place of an empty axis.
pub(crate) fn nothing(canvas: &mut Canvas, area: Area, sentence: &str) {
    let lines = wrap(sentence, LABEL, false, area.width() - 4.0 * GAP);
    let first = f64::midpoint(area.top, area.bottom)
        - (lines.len() as f64 - 1.0) * LABEL * LEADING / 2.0
        + LABEL * 0.35;
    let mut baseline = first;
    for line in lines {
        let at = (f64::midpoint(area.left, area.right), baseline);
        canvas.write(Lettering::new(&line, at, Hang::Middle, LABEL, Ink::Text));
        baseline += LABEL * LEADING;
    }
}
