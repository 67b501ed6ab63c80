//! Labels that keep clear of each other.

use super::canvas::{Area, Canvas, Hang, Lettering, Place};
use super::theme::{HAIR, Ink, LABEL};

/// Where a label may stand about its point: side, then shift across and down in multiples of its
/// size.
const SPOTS: [(Hang, f64, f64); 12] = [
    (Hang::Right, 0.55, 0.35),
    (Hang::Left, -0.55, 0.35),
    (Hang::Middle, 0.0, -0.6),
    (Hang::Middle, 0.0, 1.35),
    (Hang::Right, 0.5, -0.6),
    (Hang::Left, -0.5, -0.6),
    (Hang::Right, 0.5, 1.3),
    (Hang::Left, -0.5, 1.3),
    (Hang::Right, 0.9, -1.5),
    (Hang::Left, -0.9, -1.5),
    (Hang::Right, 0.9, 2.2),
    (Hang::Left, -0.9, 2.2),
];

/// Writes a label next to a point at the first spot that is inside `within`, free of other text and
/// free of the points to `avoid`; false where there is none.
pub(crate) fn beside(
    canvas: &mut Canvas,
    within: Area,
    at: Place,
    text: &str,
    ink: Ink,
    avoid: &[Place],
) -> bool {
    for (hang, across, down) in SPOTS {
        let place = (at.0 + across * LABEL, at.1 + down * LABEL);
        let lettering = Lettering::new(text, place, hang, LABEL, ink);
        let extent = lettering.extent();
        let clear = avoid.iter().all(|(x, y)| {
            !(extent.left < *x && *x < extent.right && extent.top < *y && *y < extent.bottom)
        });
        if clear && within.holds(extent) && canvas.is_free(extent) {
            canvas.write(lettering);
            return true;
        }
    }
    false
}

/// As [`beside`]; where every near spot is taken, the label moves away, upwards or downwards, and a
/// hair line joins it to its point.
pub(crate) fn beside_or_joined(
    canvas: &mut Canvas,
    within: Area,
    at: Place,
    (text, ink): (&str, Ink),
    avoid: &[Place],
    up: bool,
) -> bool {
    if beside(canvas, within, at, text, ink, avoid) {
        return true;
    }
    let turn = if up { -1.0 } else { 1.0 };
    for step in 2..=12_u8 {
        for across in [0.0, 2.0, -2.0, 4.0, -4.0, 6.0, -6.0] {
            let down = turn * f64::from(step) * 1.25 * LABEL;
            let place = (at.0 + across * LABEL, at.1 + down);
            let lettering = Lettering::new(text, place, Hang::Middle, LABEL, ink);
            let extent = lettering.extent();
            let clear = avoid.iter().all(|(x, y)| {
                !(extent.left < *x && *x < extent.right && extent.top < *y && *y < extent.bottom)
            });
            if clear && within.holds(extent) && canvas.is_free(extent) {
                let end = if up { extent.bottom } else { extent.top };
                canvas.line(&[at, (place.0, end)], ink, HAIR);
                canvas.write(lettering);
                return true;
            }
        }
    }
    false
}

/// Moves places apart until neighbours keep a least distance, inside `from..=to`. The places must
/// rise; the answer has the same order. Where there is no room for all, they stay evenly spread.
pub(crate) fn spread(places: &[f64], step: f64, from: f64, to: f64) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::with_capacity(places.len());
    for place in places {
        let least = out.last().map_or(from, |last| last + step);
        out.push(place.max(least));
    }
    let mut most = to;
    for place in out.iter_mut().rev() {
        *place = place.min(most);
        most = *place - step;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spread_keeps_order_distance_and_bounds() {
        let out = spread(&[10.0, 11.0, 12.0, 90.0, 99.0, 100.0], 10.0, 0.0, 100.0);
        for pair in out.windows(2) {
            assert!(pair[1] - pair[0] >= 10.0 - 1e-9, "{out:?}");
        }
        assert!(out.iter().all(|place| (0.0..=100.0).contains(place)));
    }

    #[test]
    fn a_second_label_moves_and_a_crowd_is_refused() {
        let mut canvas = Canvas::new(120.0, 60.0);
        let within = canvas.area();
        let mut written = 0;
        for _ in 0..40 {
            if beside(&mut canvas, within, (60.0, 30.0), "label", Ink::Text, &[]) {
                written += 1;
            }
        }
        assert!((2..12).contains(&written), "{written}");
    }
}
