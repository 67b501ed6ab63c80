//! The space that text in a drawing takes, by the advance widths of a wide open font.

use roxmltree::{Document, Node};

/// A piece of text with its space, px times ten.
#[derive(Debug)]
pub(crate) struct Letters {
    pub(crate) text: String,
    pub(crate) left: f64,
    pub(crate) top: f64,
    pub(crate) right: f64,
    pub(crate) bottom: f64,
}

impl Letters {
    pub(crate) fn meets(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

/// Advance widths of ASCII 32-126 in thousandths. Source: table `hmtx` of the open font DejaVu
/// Sans 2.37; other characters: its widths where the reports use them.
const WIDTHS: [u16; 95] = [
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636,
    636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632,
    575, 775, 752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685,
    611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579,
    278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];

fn advance(character: char) -> f64 {
    let code = character as usize;
    if let Some(width) = code.checked_sub(32).and_then(|place| WIDTHS.get(place)) {
        return f64::from(*width) / 1000.0;
    }
    match character {
        '\u{202f}' => 0.2,
        '\u{a0}' | '·' | '’' => 0.32,
        '–' => 0.5,
        '−' | '±' | '≥' | '≤' | '→' => 0.838,
        _ => 1.0,
    }
}

fn number(node: &Node<'_, '_>, name: &str) -> f64 {
    node.attribute(name)
        .unwrap_or_else(|| panic!("no {name} on {:?}", node.text()))
        .parse()
        .unwrap()
}

/// Every text of a drawing.
pub(crate) fn letters(document: &Document<'_>) -> Vec<Letters> {
    document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .map(|node| {
            assert!(node.attribute("transform").is_none(), "no text is turned");
            let text = node.text().unwrap_or("").trim().to_owned();
            let size = number(&node, "font-size");
            // DejaVu Sans Bold is up to 1.25 times as wide, on average 1.1 (same source).
            let bold = node.attribute("font-weight") == Some("bold");
            let wide: f64 =
                text.chars().map(advance).sum::<f64>() * size * if bold { 1.1 } else { 1.0 };
            let x = number(&node, "x");
            let left = match node.attribute("text-anchor") {
                Some("middle") => x - wide / 2.0,
                Some("end") => x - wide,
                _ => x,
            };
            let shift: f64 = node
                .attribute("dy")
                .unwrap()
                .trim_end_matches("em")
                .parse()
                .unwrap();
            let baseline = number(&node, "y") + shift * size;
            Letters {
                text,
                left,
                // Height of capitals 0.73 and depth of letters 0.24 of the size, DejaVu Sans.
                top: baseline - 0.73 * size,
                right: left + wide,
                bottom: baseline + 0.24 * size,
            }
        })
        .collect()
}
