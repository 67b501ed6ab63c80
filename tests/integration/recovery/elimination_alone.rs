//! The attack finds what is there to be found: small systems worked by hand.

use crate::elimination::{Sum, System};

/// What comes out, in words.
fn found(system: &System) -> Vec<String> {
    system
        .recovered(5)
        .iter()
        .map(|(name, (lo, hi))| format!("{name}: {lo} to {hi}"))
        .collect()
}

fn whole(counts: &[(&str, &str)], parts: &[&str]) -> System {
    let mut system = System::default();
    for (name, n) in counts {
        system.count(name, n);
    }
    for part in parts {
        system.part("total", "parts", part);
    }
    system.settle();
    system
}

#[test]
fn the_attack_recovers_what_is_withheld_alone() {
    let system = whole(
        &[("a", ""), ("b", "30"), ("c", "9"), ("total", "42")],
        &["a", "b", "c"],
    );
    assert_eq!(found(&system), ["a: 3 to 3"]);
}

/// Two that leave each other no room; two that do.
#[test]
fn the_attack_knows_what_room_is_left() {
    for (total, expected) in [("33", 2), ("45", 0)] {
        let system = whole(
            &[("a", ""), ("b", "30"), ("c", ""), ("total", total)],
            &["a", "b", "c"],
        );
        assert_eq!(system.recovered(5).len(), expected, "{total}");
    }
}

/// a + b = 40 and a - b = 34, neither known on its own.
#[test]
fn the_attack_eliminates() {
    let mut system = System::default();
    system.count("a", "");
    system.count("b", "");
    system.sum(Sum::new(&[("a", 1), ("b", 1)], 40));
    assert_eq!(system.recovered(5).len(), 0);
    system.sum(Sum::new(&[("a", 1), ("b", -1)], 34));
    assert_eq!(found(&system), ["a: 37 to 37", "b: 3 to 3"]);
}

/// Three of which each two add up to a known number.
#[test]
fn the_attack_eliminates_in_a_ring() {
    let mut system = System::default();
    for (one, other, sum) in [("a", "b", 13), ("b", "c", 17), ("c", "a", 20)] {
        system.count(one, "");
        system.sum(Sum::new(&[(one, 1), (other, 1)], sum));
    }
    assert_eq!(found(&system), ["a: 8 to 8", "b: 5 to 5", "c: 12 to 12"]);
}

/// A count that is at most a known one has few values, and leaves few to what it adds up with.
#[test]
fn the_attack_knows_what_is_at_most() {
    let mut system = System::default();
    system.count("few", "3");
    system.count("a", "");
    system.count("b", "");
    system.sum(Sum::new(&[("a", 1), ("b", 1)], 40));
    assert_eq!(system.recovered(5).len(), 0);
    system.at_most("a", "few");
    assert_eq!(found(&system), ["a: 0 to 3", "b: 37 to 40"]);
}

/// Three quarters of 40 are 30; and 30 of 40 now, a tenth more than before, are 13 of 20 then.
#[test]
fn the_attack_reads_shares_and_changes() {
    let mut system = System::default();
    system.count("n", "40");
    system.count("n before", "20");
    system.count("hits", "");
    system.count("hits before", "");
    system.share(0.75, "n", "hits");
    system.change(0.1, ["n", "hits"], ["n before", "hits before"]);
    system.settle();
    assert_eq!(found(&system), ["hits: 30 to 30", "hits before: 13 to 13"]);
    assert_eq!(system.broken(), Vec::<String>::new());
}

/// A share that is none of its count, and a sum that does not hold, are found out.
#[test]
fn the_attack_says_what_does_not_hold() {
    let mut system = whole(&[("a", "3"), ("b", "30"), ("total", "34")], &["a", "b"]);
    assert_eq!(system.broken().len(), 1);
    system.share(0.5, "a", "half of a");
    system.settle();
    assert_eq!(system.broken().len(), 2);
}
