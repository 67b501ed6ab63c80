//! Text: how wide it gets at most, where it breaks, how long labels are cut.
//!
//! The viewer's font is unknown, so widths are upper estimates by class of character. They lie at
//! or above the advance widths of a wide open font, which the tests hold them against.

/// Widest advance of a character, as a multiple of the type size (regular weight).
fn advance(character: char) -> f64 {
    match character {
        'i' | 'j' | 'l' | 'I' | 'J' | '\'' | ' ' | '.' | ',' | '·' | '\u{a0}' | '\u{202f}' => {
            0.335
        }
        '|' | ':' | ';' => 0.36,
        'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '-' | '/' | '\\' | '!' | '’' => 0.42,
        '"' | '“' | '”' => 0.53,
        'm' | 'M' | 'W' | '%' | '@' | '…' | '→' => 1.0,
        'w' | '&' | '#' | '+' | '=' | '<' | '>' | '~' | '^' | '−' | '±' | '≥' | '≤' => 0.85,
        'A'..='Z' => 0.795,
        'a'..='z' | '0'..='9' | '–' => 0.645,
        other if other.is_ascii() => 0.645,
        _ => 1.05,
    }
}

/// Upper estimate of the width of a text, in the unit of `size`.
pub(crate) fn width(text: &str, size: f64, bold: bool) -> f64 {
    let weight = if bold { 1.18 } else { 1.0 };
    text.chars().map(advance).sum::<f64>() * size * weight
}

/// Text without characters that XML 1.0 does not allow (section 2.2, production `Char`) and
/// without line breaks and tabs.
pub(crate) fn clean(text: &str) -> String {
    text.chars()
        .map(|character| match character {
            '\u{fffe}' | '\u{ffff}' => '\u{fffd}',
            control if control.is_control() => ' ',
            other => other,
        })
        .collect()
}

/// The same, but with its line breaks.
pub(crate) fn clean_lines(text: &str) -> String {
    text.lines().map(clean).collect::<Vec<_>>().join("\n")
}

/// The text, cut with an ellipsis where it is wider than `room`.
pub(crate) fn shorten(text: &str, size: f64, room: f64) -> String {
    let text = clean(text);
    if width(&text, size, false) <= room {
        return text;
    }
    let mut left = room - width("…", size, false);
    let mut kept = String::new();
    for character in text.chars() {
        left -= advance(character) * size;
        if left < 0.0 {
            break;
        }
        kept.push(character);
    }
    format!("{}…", kept.trim_end())
}

/// Breaks a text into lines no wider than `room`; a word longer than a line is broken inside.
pub(crate) fn wrap(text: &str, size: f64, bold: bool, room: f64) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    // A number does not part from its unit.
    let text = [" dB", " Hz", " %"].iter().fold(clean(text), |text, unit| {
        text.replace(unit, &unit.replace(' ', "\u{a0}"))
    });
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if width(&longer, size, bold) <= room {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for character in word.chars() {
            line.push(character);
            if width(&line, size, bold) > room && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(character);
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Advance widths of ASCII 32-126 in thousandths of the type size. Source: table `hmtx` of the
    /// open fonts DejaVu Sans and DejaVu Sans Bold 2.37.
    const REGULAR: [u16; 95] = [
        318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636,
        636, 636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698,
        770, 632, 575, 775, 752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732,
        684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635,
        634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592,
        525, 636, 337, 636, 838,
    ];
    const BOLD: [u16; 95] = [
        348, 456, 521, 838, 696, 1002, 872, 306, 457, 457, 523, 838, 380, 415, 380, 365, 696, 696,
        696, 696, 696, 696, 696, 696, 696, 696, 400, 400, 838, 838, 838, 580, 1000, 774, 762, 734,
        830, 683, 683, 821, 837, 372, 372, 775, 637, 995, 837, 850, 733, 850, 770, 720, 682, 812,
        774, 1103, 771, 724, 725, 457, 365, 457, 838, 500, 500, 675, 716, 593, 716, 678, 435, 716,
        712, 343, 343, 665, 343, 1042, 712, 687, 716, 716, 493, 595, 478, 712, 652, 924, 645, 652,
        582, 712, 365, 712, 838,
    ];

    #[test]
    fn estimates_are_not_below_a_wide_open_font() {
        for (table, bold) in [(REGULAR, false), (BOLD, true)] {
            for (code, wide) in (32_u8..127).zip(table) {
                let character = char::from(code);
                let estimate = width(&character.to_string(), 1000.0, bold);
                assert!(
                    estimate >= f64::from(wide),
                    "{character:?} bold {bold}: {estimate} < {wide}"
                );
            }
        }
    }

    #[test]
    fn wraps_and_shortens_within_the_room() {
        let long = "x".repeat(64);
        for line in wrap(&format!("one two {long} three"), 15.0, false, 120.0) {
            assert!(width(&line, 15.0, false) <= 120.0, "{line}");
        }
        assert!(wrap("", 15.0, false, 120.0).is_empty());
        let short = shorten(&long, 15.0, 120.0);
        assert!(short.ends_with('…') && width(&short, 15.0, false) <= 120.0);
        assert_eq!(shorten("short", 15.0, 120.0), "short");
    }

    #[test]
    fn control_characters_do_not_get_through() {
        assert_eq!(clean("a\u{0}b\u{1b}c\u{ffff}"), "a b c\u{fffd}");
    }
}
