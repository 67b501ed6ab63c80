//! The one place for sizes, spacing and colours of every figure.
//!
//! Blue and red are kept for the left and the right ear (ISO 8253-1) wherever ears are told apart.
//! No figure does so, so none holds blue or red: data is teal, what asks for a look is orange, which
//! stay apart under the common forms of colour blindness; secondary text and limits are a warm
//! grey, since a neutral one looks like teal to who sees no green. Colour never stands alone:
//! shape, position or a label says the same.

/// Width of every figure, px at nominal size.
pub(crate) const WIDTH: f64 = 640.0;
/// Empty border around everything, px.
pub(crate) const MARGIN: f64 = 16.0;
/// Size of the title, px.
pub(crate) const TITLE: f64 = 19.0;
/// Size of labels, ticks and the note under the title, px. At half width on A4 this is 6 pt.
pub(crate) const LABEL: f64 = 15.0;
/// Size of the line at the foot and of numbers inside cells, px.
pub(crate) const SMALL: f64 = 14.0;
/// Distance of text lines as a multiple of their size.
pub(crate) const LEADING: f64 = 1.32;
/// Least distance between the baselines of two labels under each other, px.
pub(crate) const LABEL_STEP: f64 = 18.0;
/// Gap between an axis and its labels, px.
pub(crate) const GAP: f64 = 6.0;

/// Width of hair lines (grid), px.
pub(crate) const HAIR: f64 = 0.8;
/// Width of lines for intervals and limits, px.
pub(crate) const LINE: f64 = 1.6;
/// Width of the main data line, px.
pub(crate) const STRONG: f64 = 2.4;
/// Radius of a data point, px.
pub(crate) const POINT: f64 = 4.2;

/// What a colour is for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Ink {
    /// Text and strong marks.
    Text,
    /// Secondary text.
    Soft,
    /// Grid and axes.
    Grid,
    /// The ground.
    Paper,
    /// Ground of limits and tolerance.
    Band,
    /// A stronger ground for distributions.
    Box,
    /// The main data.
    Data,
    /// What asks for a look.
    Signal,
    /// A colour that is the same by day and by night, as in the cells of a heat map.
    Fixed(u8, u8, u8),
}

/// A role, its name as a style-sheet variable, and its colours on white and on dark ground.
struct Role {
    ink: Ink,
    name: &'static str,
    light: (u8, u8, u8),
    dark: (u8, u8, u8),
}

const fn role(ink: Ink, name: &'static str, light: (u8, u8, u8), dark: (u8, u8, u8)) -> Role {
    Role {
        ink,
        name,
        light,
        dark,
    }
}

/// Every role once; no two share a light colour, so a page can turn colours back into roles.
const ROLES: [Role; 8] = [
    role(Ink::Text, "ink", (0x1E, 0x22, 0x20), (0xEC, 0xEE, 0xED)),
    role(Ink::Soft, "soft", (0x5A, 0x52, 0x4A), (0xA4, 0x9C, 0x93)),
    role(Ink::Grid, "grid", (0xD7, 0xDB, 0xD9), (0x40, 0x46, 0x43)),
    role(Ink::Paper, "paper", (0xFF, 0xFF, 0xFF), (0x17, 0x1A, 0x19)),
    role(Ink::Band, "band", (0xEB, 0xEF, 0xED), (0x28, 0x2E, 0x2B)),
    role(Ink::Box, "box", (0xA8, 0xC6, 0xB9), (0x33, 0x57, 0x4B)),
    role(Ink::Data, "data", (0x00, 0x74, 0x6C), (0x54, 0xC8, 0xB8)),
    role(
        Ink::Signal,
        "signal",
        (0xA8, 0x54, 0x00),
        (0xFF, 0xA6, 0x4D),
    ),
];

impl Ink {
    /// Red, green and blue on white ground, 0-255.
    pub(crate) fn rgb(self) -> (u8, u8, u8) {
        if let Self::Fixed(red, green, blue) = self {
            return (red, green, blue);
        }
        ROLES
            .iter()
            .find(|role| role.ink == self)
            .map_or((0, 0, 0), |role| role.light)
    }
}

fn hex(rgb: (u8, u8, u8)) -> String {
    format!("#{:02X}{:02X}{:02X}", rgb.0, rgb.1, rgb.2)
}

/// Replaces the colours of a drawing by style-sheet variables (with the colour as fallback), so
/// that a page can show it on light and on dark ground.
pub(crate) fn with_variables(svg: &str) -> String {
    ROLES.iter().fold(svg.to_owned(), |text, role| {
        let colour = hex(role.light);
        text.replace(
            &format!("=\"{colour}\""),
            &format!("=\"var(--{},{colour})\"", role.name),
        )
    })
}

/// The declarations of the variables, for light or dark ground.
pub(crate) fn variables(dark: bool) -> String {
    ROLES
        .iter()
        .map(|role| {
            let colour = if dark { role.dark } else { role.light };
            format!("--{}:{};", role.name, hex(colour))
        })
        .collect()
}

/// Colour of a signed value on a scale that is purple below, near white at 0 and orange above.
/// `share` runs from -1 to 1. Second value: the colour of text on it.
pub(crate) fn diverging(share: f64) -> (Ink, Ink) {
    const BELOW: [f64; 3] = [96.0, 40.0, 130.0];
    const NONE: [f64; 3] = [246.0, 246.0, 244.0];
    const ABOVE: [f64; 3] = [184.0, 92.0, 0.0];
    // Steps of an eighth: a reader cannot tell finer ones apart, and the file stays small.
    let share = (share.clamp(-1.0, 1.0) * 8.0).round() / 8.0;
    let end = if share < 0.0 { BELOW } else { ABOVE };
    let weight = share.abs();
    let mix = |from: f64, to: f64| byte(from + (to - from) * weight);
    let [red, green, blue] = [0, 1, 2].map(|channel: usize| {
        let from = NONE.get(channel).copied().unwrap_or_default();
        let to = end.get(channel).copied().unwrap_or_default();
        mix(from, to)
    });
    // At this luminance black and white text stand out alike (WCAG 2.2, relative luminance).
    let text = if luminance((red, green, blue)) < 0.179 {
        Ink::Fixed(0xFE, 0xFE, 0xFE)
    } else {
        Ink::Fixed(0, 0, 0)
    };
    (Ink::Fixed(red, green, blue), text)
}

/// Relative luminance of a colour, 0-1 (WCAG 2.2).
fn luminance((red, green, blue): (u8, u8, u8)) -> f64 {
    let channel = |value: u8| {
        let share = f64::from(value) / 255.0;
        if share <= 0.040_45 {
            share / 12.92
        } else {
            ((share + 0.055) / 1.055).powf(2.4)
        }
    };
    0.2126 * channel(red) + 0.7152 * channel(green) + 0.0722 * channel(blue)
}

fn byte(value: f64) -> u8 {
    value.round().clamp(0.0, 255.0) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    fn contrast(one: (u8, u8, u8), other: (u8, u8, u8)) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    /// Source: WCAG 2.2, success criteria 1.4.3 (text 4.5 to 1) and 1.4.11 (marks 3 to 1), with
    /// the formula of relative luminance given there.
    #[test]
    fn text_and_marks_stand_out_from_their_ground() {
        for dark in [false, true] {
            let colour = |ink: Ink| {
                let role = ROLES.iter().find(|role| role.ink == ink).unwrap();
                if dark { role.dark } else { role.light }
            };
            for ground in [Ink::Paper, Ink::Band] {
                for (ink, least) in [
                    (Ink::Text, 4.5),
                    (Ink::Soft, 4.5),
                    // Values and ids of what is called out are written in these two.
                    (Ink::Data, 4.5),
                    (Ink::Signal, 4.5),
                ] {
                    let found = contrast(colour(ink), colour(ground));
                    assert!(
                        found >= least,
                        "{ink:?} on {ground:?}, dark {dark}: {found}"
                    );
                }
            }
        }
        for step in -8_i32..=8 {
            let (ground, text) = diverging(f64::from(step) / 8.0);
            let found = contrast(ground.rgb(), text.rgb());
            assert!(found >= 4.5, "cell text at step {step}: {found}");
        }
    }

    /// Kinds of colour blindness as changes of linear red, green and blue.
    ///
    /// Source: Machado, Oliveira & Fernandes (2009), IEEE Trans Vis Comput Graph 15:1291, severity 1.0; the values as
    /// several open implementations have them.
    const SIGHT: [(&str, [[f64; 3]; 3]); 4] = [
        ("usual", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
        (
            "protanopia",
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
        ),
        (
            "deuteranopia",
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
        ),
        (
            "tritanopia",
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ),
    ];

    fn linear((red, green, blue): (u8, u8, u8)) -> [f64; 3] {
        [red, green, blue].map(|value| {
            let share = f64::from(value) / 255.0;
            if share <= 0.040_45 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    fn times(matrix: &[[f64; 3]; 3], of: [f64; 3]) -> [f64; 3] {
        matrix.map(|row| row.iter().zip(of).map(|(a, b)| a * b).sum())
    }

    /// CIE 1976 L*a*b* of linear sRGB (IEC 61966-2-1, white D65; formulas of CIE 15).
    fn lab(linear: [f64; 3]) -> [f64; 3] {
        let to_xyz = [
            [0.412_456_4, 0.357_576_1, 0.180_437_5],
            [0.212_672_9, 0.715_152_2, 0.072_175_0],
            [0.019_333_9, 0.119_192_0, 0.950_304_1],
        ];
        let [x, y, z] = times(&to_xyz, linear.map(|share| share.clamp(0.0, 1.0)));
        let f = |t: f64| {
            if t > 216.0 / 24389.0 {
                t.cbrt()
            } else {
                (24389.0 / 27.0 * t + 16.0) / 116.0
            }
        };
        let (x, y, z) = (f(x / 0.950_47), f(y), f(z / 1.088_83));
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// How different two colours look (CIE 1976 colour difference) to one with that sight.
    fn difference(sight: &[[f64; 3]; 3], one: (u8, u8, u8), other: (u8, u8, u8)) -> f64 {
        let [one, other] = [one, other].map(|colour| lab(times(sight, linear(colour))));
        one.iter()
            .zip(other)
            .map(|(a, b)| (a - b).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// The least difference of 20, and of 10 between inks that shape or place tells apart as well, is common practice, no
    /// source; about 2 can just be seen side by side.
    #[test]
    fn marks_can_be_told_apart_with_any_sight() {
        // White, black, and the red of sRGB, L*a*b* 53.24, 80.09, 67.20 (from memory).
        let usual = &SIGHT[0].1;
        assert!((difference(usual, (255, 255, 255), (0, 0, 0)) - 100.0).abs() < 0.05);
        let red = lab(linear((255, 0, 0)));
        assert!((red[0] - 53.24).abs() < 0.05 && (red[1] - 80.09).abs() < 0.05);
        // Red and green of equal lightness: the pair that must fail here.
        assert!(difference(&SIGHT[2].1, (0xA0, 0x60, 0x50), (0x50, 0x78, 0x50)) < 20.0);
        for dark in [false, true] {
            let colour = |ink: Ink| {
                let role = ROLES.iter().find(|role| role.ink == ink).unwrap();
                if dark { role.dark } else { role.light }
            };
            for (sight, matrix) in &SIGHT {
                let mut pairs = vec![(Ink::Data, Ink::Signal), (Ink::Paper, Ink::Box)];
                for mark in [Ink::Data, Ink::Signal, Ink::Text, Ink::Soft] {
                    pairs.extend([(mark, Ink::Paper), (mark, Ink::Band), (mark, Ink::Box)]);
                }
                for (one, other) in pairs {
                    let found = difference(matrix, colour(one), colour(other));
                    assert!(
                        found >= 20.0,
                        "{one:?} and {other:?} with {sight}, dark {dark}: {found:.1}"
                    );
                }
                let inks = [Ink::Text, Ink::Soft, Ink::Data, Ink::Signal];
                for (place, one) in inks.iter().enumerate() {
                    for other in inks.iter().skip(place + 1) {
                        let found = difference(matrix, colour(*one), colour(*other));
                        assert!(
                            found >= 10.0,
                            "{one:?} and {other:?} with {sight}, dark {dark}: {found:.1}"
                        );
                    }
                }
                let (below, above) = (diverging(-1.0).0.rgb(), diverging(1.0).0.rgb());
                assert!(
                    difference(matrix, below, above) >= 20.0,
                    "heat map with {sight}"
                );
            }
        }
    }

    #[test]
    fn roles_can_be_told_apart_by_their_light_colour() {
        for (place, role) in ROLES.iter().enumerate() {
            for other in ROLES.iter().skip(place + 1) {
                assert_ne!(role.light, other.light);
            }
        }
        let svg = with_variables("<line stroke=\"#00746C\"/><text fill=\"#00746D\">#00746C</text>");
        assert_eq!(
            svg,
            "<line stroke=\"var(--data,#00746C)\"/><text fill=\"#00746D\">#00746C</text>"
        );
    }
}
