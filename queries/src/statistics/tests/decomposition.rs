//! The decomposition of a change against arithmetic by hand, whole-number fractions and its identities.

use super::super::decomposition::{GroupCounts, decompose, dispersion_of_changes, within_interval};
use super::super::proportion::{newcombe_difference, newcombe_difference_at, wilson, wilson_at};
use super::super::random::{below, stream};
use super::super::{NotEstimable, Z_95, Z_998};
use super::close;

fn group(before: (u64, u64), now: (u64, u64)) -> GroupCounts {
    GroupCounts { before, now }
}

/// Worked by hand. Before: A 30 of 60, B 32 of 40; the whole 62 of 100. Now: A 40 of 50, B 20 of 25, C 5 of 25; the
/// whole 65 of 100. Mean of the two shares 0.635.
///
/// A: weights 0.60 and 0.50, shares 0.5 and 0.8: mix -0.10 (0.65 - 0.635) = -0.0015, within 0.55 * 0.3 = 0.165.
/// B: weights 0.40 and 0.25, shares 0.8 and 0.8: mix -0.15 (0.80 - 0.635) = -0.02475, within 0.
/// C: weights 0 and 0.25, share 0.2: mix 0.25 (0.2 - 0.635) = -0.10875, within 0.
/// Mix -0.135, within 0.165, together 0.03 = 0.65 - 0.62.
#[test]
fn a_change_worked_by_hand() {
    let found = decompose(&[
        group((30, 60), (40, 50)),
        group((32, 40), (20, 25)),
        group((0, 0), (5, 25)),
    ])
    .unwrap();
    let parts = [(-0.0015, 0.165), (-0.02475, 0.0), (-0.10875, 0.0)];
    for (part, (mix, within)) in found.parts.iter().zip(parts) {
        close(part.mix, mix, 1e-15);
        close(part.within, within, 1e-15);
    }
    close(found.before, 0.62, 1e-15);
    close(found.now, 0.65, 1e-15);
    close(found.mix, -0.135, 1e-15);
    close(found.within, 0.165, 1e-15);
    close(found.change(), 0.03, 1e-15);
    assert_eq!(found.parts[2].share_before, None);
    assert_eq!(found.parts[2].share_now, Some(0.2));
}

/// The share of A rises from 0.5 to 0.8; its interval is 0.55 times that of 40 of 50 less 30 of 60.
#[test]
fn the_interval_of_a_within_part_is_a_weight_times_that_of_a_difference() {
    let a = group((30, 60), (40, 50));
    let difference = newcombe_difference((40, 50), (30, 60)).unwrap();
    let found = within_interval(a, 0.55, Z_95).unwrap();
    close(found.lo, 0.55 * difference.lo, 1e-15);
    close(found.hi, 0.55 * difference.hi, 1e-15);
    let wide = within_interval(a, 0.55, Z_998).unwrap();
    assert!(wide.lo < found.lo && wide.hi > found.hi);
    assert_eq!(
        within_interval(group((0, 0), (4, 5)), 0.1, Z_95),
        Err(NotEstimable::TooFew { needed: 1, got: 0 })
    );
}

fn draw(case: u64) -> Vec<GroupCounts> {
    let mut rng = stream(case, "groups", 0);
    let mut pair = |most: u32| {
        let n = below(&mut rng, most);
        (u64::from(below(&mut rng, n + 1)), u64::from(n))
    };
    let mut groups: Vec<GroupCounts> = (0..2 + case % 5)
        .map(|place| group(pair(12 + place as u32), pair(10)))
        .collect();
    // Each period has a trial whatever was drawn.
    groups.push(group((1, 3), (2, 3)));
    groups
}

/// In whole numbers: over the common denominator 2 (N1 N0) n1 n0 of a group that is in both periods, mix and within are
/// integers; over all groups they add up to the change without any rounding.
#[test]
fn parts_add_up_to_the_change_in_whole_numbers() {
    for case in 0..80 {
        let groups = draw(case);
        let found = decompose(&groups).unwrap();
        let sum = |pick: fn(&GroupCounts) -> u64| groups.iter().map(pick).sum::<u64>() as i128;
        let (k0, n0) = (sum(|g| g.before.0), sum(|g| g.before.1));
        let (k1, n1) = (sum(|g| g.now.0), sum(|g| g.now.1));
        let mut whole = (0_i128, 1_i128);
        let mut add = |numerator: i128, denominator: i128| {
            whole = (
                whole.0 * denominator + numerator * whole.1,
                whole.1 * denominator,
            );
            let divisor = gcd(whole.0.abs(), whole.1);
            whole = (whole.0 / divisor, whole.1 / divisor);
        };
        for (g, part) in groups.iter().zip(&found.parts) {
            let wide = |pair: (u64, u64)| (i128::from(pair.0), i128::from(pair.1));
            let ((a0, b0), (a1, b1)) = (wide(g.before), wide(g.now));
            // The share of an absent period is that of the other, as a fraction.
            let (p0, p1) = match (b0, b1) {
                (0, 0) => continue,
                (0, _) => ((a1, b1), (a1, b1)),
                (_, 0) => ((a0, b0), (a0, b0)),
                _ => ((a0, b0), (a1, b1)),
            };
            // w1 - w0 and w1 + w0 over N1 N0.
            let (less, more) = (b1 * n0 - b0 * n1, b1 * n0 + b0 * n1);
            // p1 + p0 and p1 - p0 over their denominators.
            let (both, change) = (p1.0 * p0.1 + p0.0 * p1.1, p1.0 * p0.1 - p0.0 * p1.1);
            let denominator = p0.1 * p1.1;
            // (p1 + p0 - P1 - P0) over denominator N1 N0.
            let above = both * n1 * n0 - (k1 * n0 + k0 * n1) * denominator;
            let mix = (less * above, 2 * n1 * n0 * denominator * n1 * n0);
            let within = (more * change, 2 * n1 * n0 * denominator);
            close(part.mix, mix.0 as f64 / mix.1 as f64, 1e-14);
            close(part.within, within.0 as f64 / within.1 as f64, 1e-14);
            add(mix.0, mix.1);
            add(within.0, within.1);
        }
        add(-(k1 * n0 - k0 * n1), n1 * n0);
        assert_eq!(whole.0, 0, "case {case}: {groups:?}");
        close(found.mix + found.within, found.change(), 1e-14);
    }
}

fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a.max(1) } else { gcd(b, a % b) }
}

#[test]
fn turning_time_round_turns_every_part_round() {
    for case in 0..80 {
        let groups = draw(case);
        let turned: Vec<GroupCounts> = groups.iter().map(|g| group(g.now, g.before)).collect();
        let (one, other) = (decompose(&groups).unwrap(), decompose(&turned).unwrap());
        for (a, b) in one.parts.iter().zip(&other.parts) {
            close(a.mix, -b.mix, 1e-14);
            close(a.within, -b.within, 1e-14);
        }
    }
}

/// Groups of equal share leave nothing to mix; equal weights leave nothing to mix either.
#[test]
fn nothing_is_mix_where_shares_or_weights_are_equal() {
    let equal_shares = decompose(&[group((10, 20), (30, 50)), group((5, 10), (6, 10))]).unwrap();
    close(equal_shares.mix, 0.0, 1e-15);
    let equal_weights = decompose(&[group((10, 20), (7, 10)), group((15, 20), (2, 10))]).unwrap();
    for part in &equal_weights.parts {
        close(part.mix, 0.0, 1e-15);
    }
}

/// Twelve groups of 400 a period. By hand: all at 0.5 before; six at 0.6 and six at 0.4 now, so the common change is
/// nearly 0 and each z is 0.1 / sqrt(p (1 - p) 2 / 400) with p 0.55 or 0.45, squared 0.01 / (0.2475 / 200) = 8.0808.
#[test]
fn groups_that_change_apart_are_over_dispersed_and_a_common_change_is_not() {
    let apart: Vec<GroupCounts> = (0..12)
        .map(|place| group((200, 400), (if place % 2 == 0 { 240 } else { 160 }, 400)))
        .collect();
    close(
        dispersion_of_changes(&apart).unwrap().phi_winsorised,
        0.01 / (0.2475 / 200.0),
        1e-12,
    );
    let common = vec![group((200, 400), (240, 400)); 12];
    close(
        dispersion_of_changes(&common).unwrap().phi_winsorised,
        0.0,
        1e-12,
    );
    close(dispersion_of_changes(&common).unwrap().in_force(), 1.0, 0.0);
}

#[test]
fn what_cannot_be_taken_apart_says_why() {
    let none = Err(NotEstimable::TooFew { needed: 1, got: 0 });
    assert_eq!(decompose(&[]), none);
    assert_eq!(decompose(&[group((0, 0), (1, 2))]), none);
    assert_eq!(decompose(&[group((1, 2), (0, 0))]), none);
    for wrong in [group((3, 2), (1, 2)), group((1, 2), (3, 2))] {
        assert!(matches!(
            decompose(&[wrong]),
            Err(NotEstimable::OutOfRange { .. })
        ));
    }
    let most = group((1, u64::MAX), (1, u64::MAX));
    assert!(matches!(
        decompose(&[most, most]),
        Err(NotEstimable::OutOfRange { .. })
    ));
    assert!(decompose(&[most]).unwrap().change().is_finite());
    assert_eq!(
        dispersion_of_changes(&[group((1, 2), (1, 2))]),
        Err(NotEstimable::OneGroup)
    );
    assert_eq!(dispersion_of_changes(&[]), Err(NotEstimable::OneGroup));
}

/// The score interval solves `|share - limit| = z sqrt(limit (1 - limit) / n)` (Wilson 1927) at every z.
#[test]
fn intervals_at_another_coverage_solve_their_equation() {
    use statrs::distribution::{ContinuousCDF, Normal};
    close(Normal::standard().inverse_cdf(0.999), Z_998, 1e-14);
    for (r, n) in [(81_u64, 263_u64), (1, 20), (19, 20), (700, 1000)] {
        for z in [1.0, Z_95, Z_998, 5.0] {
            let found = wilson_at(r, n, z).unwrap();
            for limit in [found.lo, found.hi] {
                let error = (limit * (1.0 - limit) / n as f64).sqrt();
                close((r as f64 / n as f64 - limit).abs(), z * error, 1e-12);
            }
        }
        assert_eq!(wilson_at(r, n, Z_95), wilson(r, n));
    }
    assert_eq!(
        newcombe_difference_at((56, 70), (48, 80), Z_95),
        newcombe_difference((56, 70), (48, 80))
    );
    for z in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(
            wilson_at(1, 2, z),
            Err(NotEstimable::OutOfRange { .. })
        ));
    }
}
