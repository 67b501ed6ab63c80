//! The page of all studies, and how it is held against a new run.

use std::fmt::Write;

use crate::study::{Claim, Family, Refused, Study};

/// Numbers of two pages count as equal up to this.
pub const TOLERANCE: f64 = 0.003;
/// Numbers close to zero are held to a part of their size as well,
pub const RELATIVE_TOLERANCE: f64 = 0.15;
/// but for their last printed digit.
pub const LAST_DIGIT: f64 = 0.0001;

const HEAD: &str = "\
# Calibration

Do 95 % intervals hold the true value 95 times in a hundred, and do tests at 5 % raise a false alarm five times in a
hundred? Each line below comes from data that were drawn many times over from a known truth, by fixed seeds. \"Seen\" is what
came of it, a share or (where the line says \"mean\") a mean over replicates, with its 95 % interval. A claim holds when what
was seen agrees with it within 3.29 standard errors, which chance oversteps once in a thousand. All data are invented.

Some lines are there for contrast: they show how far a method errs that takes rows of one clinician as independent, or how
few clinicians are too few. Their claim says that it errs.

Written by:

```sh
FITCOHORT_WRITE_CALIBRATION=1 cargo test --release -p fitcohort-calibration --features slow
```

Without the variable the same command runs every study again and compares (also `just calibration`).
";

/// The page as Markdown.
///
/// # Errors
/// As [`crate::study::Seen::interval`].
pub fn page(families: &[Family]) -> Result<String, Refused> {
    let mut out = HEAD.to_owned();
    for family in families {
        writeln!(out, "\n## {}\n\n{}\n", family.title, family.about)?;
        out.push_str("| study | claimed | replicates | seen | 95 % interval | holds |\n");
        out.push_str("|---|---|---|---|---|---|\n");
        for study in &family.studies {
            line(&mut out, study)?;
        }
    }
    Ok(out)
}

fn line(out: &mut String, study: &Study) -> Result<(), Refused> {
    let claim = match study.claim {
        Claim::Is(value) => format!("{value}"),
        Claim::AtLeast(value) => format!("at least {value}"),
        Claim::AtMost(value) => format!("at most {value}"),
        Claim::Above(value) => format!("more than {value}"),
        Claim::Within(value) => format!("within ±{value}"),
    };
    let interval = study.seen.interval()?;
    writeln!(
        out,
        "| {} | {claim} | {} | {} | {} to {} | {} |",
        study.name,
        study.seen.replicates,
        digits(study.seen.mean),
        digits(interval.lo),
        digits(interval.hi),
        if study.holds() { "yes" } else { "no" },
    )?;
    Ok(())
}

/// Four digits, and no sign on a zero.
fn digits(value: f64) -> String {
    let text = format!("{value:.4}");
    match text.strip_prefix('-') {
        Some("0.0000") => "0.0000".to_owned(),
        _ => text,
    }
}

/// Where two pages differ by more than rounding on another machine can explain: one entry a line.
pub fn differences(kept: &str, anew: &str) -> Vec<String> {
    let (kept, anew): (Vec<&str>, Vec<&str>) = (kept.lines().collect(), anew.lines().collect());
    let lines = kept.len().max(anew.len());
    (0..lines)
        .filter_map(|at| {
            let (old, new) = (
                kept.get(at).copied().unwrap_or_default(),
                anew.get(at).copied().unwrap_or_default(),
            );
            (!alike(old, new)).then(|| format!("line {}:\n  kept {old}\n  anew {new}", at + 1))
        })
        .collect()
}

fn alike(old: &str, new: &str) -> bool {
    let (mut old, mut new) = (old.split_whitespace(), new.split_whitespace());
    loop {
        match (old.next(), new.next()) {
            (None, None) => return true,
            (Some(a), Some(b)) if a == b || close(a, b) => {}
            _ => return false,
        }
    }
}

/// Only numbers with a decimal point may differ: counts of replicates are exact.
fn close(a: &str, b: &str) -> bool {
    let number = |text: &str| {
        text.contains('.')
            .then(|| text.parse::<f64>().ok())
            .flatten()
    };
    let Some((a, b)) = number(a).zip(number(b)) else {
        return false;
    };
    let allowed = TOLERANCE
        .min(RELATIVE_TOLERANCE * a.abs().max(b.abs()))
        .max(LAST_DIGIT);
    (a - b).abs() <= allowed + 1e-12
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{Count, Effort, Quantity, run};

    fn one_study(hits: u64) -> String {
        let [seen] = run(1_000, |r| Ok([Count::once(r < hits)])).unwrap();
        page(&[Family {
            title: "Title",
            about: "About.",
            studies: vec![Study::new("coverage", Claim::Is(0.95), seen)],
        }])
        .unwrap()
    }

    /// The Wilson interval of 950 in 1,000 is 0.9347 to 0.9619 (statsmodels 0.15.0,
    /// `proportion_confint(950, 1000, method="wilson")`).
    #[test]
    fn a_line_says_what_was_seen() {
        assert!(
            one_study(950)
                .ends_with("| coverage | 0.95 | 1000 | 0.9500 | 0.9347 to 0.9619 | yes |\n")
        );
        assert!(one_study(900).ends_with("| no |\n"));
    }

    #[test]
    fn a_zero_has_no_sign() {
        assert_eq!(digits(-0.00004), "0.0000");
        assert_eq!(digits(-0.00006), "-0.0001");
    }

    #[test]
    fn pages_may_differ_by_rounding_and_by_nothing_else() {
        let kept = one_study(950);
        assert!(differences(&kept, &kept).is_empty());
        assert!(differences(&kept, &one_study(952)).is_empty());
        assert_eq!(differences(&kept, &one_study(955)).len(), 1);
        assert_eq!(differences(&kept, &kept.replace("1000", "2000")).len(), 1);
        assert_eq!(differences(&kept, &kept.replace("yes", "no")).len(), 1);
        assert_eq!(differences(&kept, &format!("{kept}more\n")).len(), 1);
        assert!(close("0.0020", "0.0022") && !close("0.0020", "0.0024"));
    }

    /// Every study runs, and every share is one; whether claims hold is for the full run.
    #[test]
    fn every_study_runs_with_few_replicates() {
        let families = crate::families(Effort::OneIn(1_000)).unwrap();
        let text = page(&families).unwrap();
        for study in families.iter().flat_map(|family| &family.studies) {
            let seen = &study.seen;
            assert!(seen.mean.is_finite(), "{study:?}");
            let share = seen.quantity == Quantity::Share;
            assert!(!share || (0.0..=1.0).contains(&seen.mean), "{study:?}");
            assert!(study.seen.replicates >= Effort::LEAST, "{study:?}");
            assert_eq!(text.matches(&format!("| {} |", study.name)).count(), 1);
        }
    }
}
