//! How numbers are written: no more digits than they carry, a real minus sign, no-break spaces.

/// Space inside a number and before its unit: it neither breaks nor is wide.
const THIN: char = '\u{202f}';

/// A whole number with its thousands apart.
pub(crate) fn count(value: i64) -> String {
    let digits = value.unsigned_abs().to_string();
    let mut out = String::new();
    if value < 0 {
        out.push('−');
    }
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) && digits.len() > 3 {
            out.push(THIN);
        }
        out.push(digit);
    }
    out
}

/// A number with fixed decimals; what rounds to nought has no sign.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    let plain = format!("{:.*}", decimals, value.abs());
    let nought = plain.chars().all(|c| c == '0' || c == '.');
    let (whole, part) = plain.split_once('.').unwrap_or((&plain, ""));
    let whole = whole
        .parse::<i64>()
        .map_or_else(|_| whole.to_owned(), count);
    let sign = if value < 0.0 && !nought { "−" } else { "" };
    if part.is_empty() {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{part}")
    }
}

/// A level, dB to a tenth.
pub(crate) fn decibel(value: f64) -> String {
    level(value, 1)
}

/// A level in dB with so many decimals.
pub(crate) fn level(value: f64, decimals: usize) -> String {
    format!("{}{THIN}dB", fixed(value, decimals))
}

/// Decimals of a level between the ends of its interval, dB: one, and two where half the width of the interval would
/// read 0.0 with one, so that value, interval and limits can be told apart. Never more: curves are stored to a hundredth.
/// A rule of our own.
pub(crate) fn level_decimals(lo: Option<f64>, hi: Option<f64>) -> usize {
    match (lo, hi) {
        (Some(lo), Some(hi)) if (hi - lo).abs() / 2.0 < 0.05 => 2,
        _ => 1,
    }
}

/// A share: whole per cent below 200 records, a tenth from there on.
pub(crate) fn share(value: f64, n: Option<i64>) -> String {
    format!("{}{THIN}%", share_bare(value, n))
}

/// The same without its sign.
pub(crate) fn share_bare(value: f64, n: Option<i64>) -> String {
    let decimals = usize::from(n.is_some_and(|n| n >= 200));
    fixed(value * 100.0, decimals)
}

/// A difference of shares in percentage points, with its sign; decimals as [`share`].
pub(crate) fn points(value: f64, n: Option<i64>) -> String {
    let text = share_bare(value, n);
    let sign = if value > 0.0 && text.chars().any(|c| ('1'..='9').contains(&c)) {
        "+"
    } else {
        ""
    };
    format!("{sign}{text}{THIN}points")
}

/// A correlation or coefficient to two decimals, or to three where two would make it nought.
pub(crate) fn coefficient(value: f64) -> String {
    let near = value.abs() < 0.005 && value.abs() >= 0.0005;
    fixed(value, if near { 3 } else { 2 })
}

/// A number to so many significant digits, whatever its size; never in powers of ten.
pub(crate) fn significant(value: f64, digits: u8) -> String {
    if value.abs() < 1e-12 || !value.is_finite() {
        return fixed(value, 0);
    }
    let decimals = f64::from(digits) - 1.0 - value.abs().log10().floor();
    fixed(value, decimals.clamp(0.0, 14.0) as usize)
}

/// A number that was chosen, not measured: with the decimals it has, up to two.
pub(crate) fn plain(value: f64) -> String {
    let decimals = (0..2_u8).find(|decimals| {
        let shifted = value * 10.0_f64.powi(i32::from(*decimals));
        (shifted - shifted.round()).abs() < 1e-9
    });
    fixed(value, usize::from(decimals.unwrap_or(2)))
}

/// A p-value.
pub(crate) fn p_value(value: f64) -> String {
    if value < 0.001 {
        "p < 0.001".to_owned()
    } else {
        format!("p = {}", fixed(value, if value < 0.00995 { 3 } else { 2 }))
    }
}

/// A frequency as the trade writes it on an axis: 500, 1k, 1.5k.
pub(crate) fn frequency(hertz: f64) -> String {
    if hertz < 1000.0 {
        fixed(hertz, 0)
    } else if (hertz / 1000.0).fract().abs() < 1e-9 {
        format!("{}k", fixed(hertz / 1000.0, 0))
    } else {
        format!("{}k", fixed(hertz / 1000.0, 1))
    }
}

/// A tick of a share axis.
pub(crate) fn tick_share(value: f64) -> String {
    let percent = value * 100.0;
    let decimals = usize::from((percent - percent.round()).abs() > 1e-6);
    format!("{}{THIN}%", fixed(percent, decimals))
}

/// A tick of another axis, with the decimals its step asks for.
pub(crate) fn tick(value: f64, step: f64) -> String {
    let decimals = if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2
    };
    fixed(value, decimals)
}

/// "n = 612".
pub(crate) fn n(value: i64) -> String {
    format!("n\u{a0}=\u{a0}{}", count(value))
}

/// The text with a capital first letter.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half a width of 0.05 dB reads 0.1 with one decimal, one of 0.0499 dB reads 0.0.
    #[test]
    fn a_level_gets_a_second_decimal_where_one_would_hide_its_interval() {
        for (lo, hi, decimals) in [
            (Some(3.2), Some(3.31), 1),
            (Some(-0.05), Some(0.05), 1),
            (Some(3.25), Some(3.3498), 2),
            (Some(3.276), Some(3.276), 2),
            (None, Some(3.3), 1),
            (None, None, 1),
        ] {
            assert_eq!(level_decimals(lo, hi), decimals, "{lo:?} to {hi:?}");
        }
    }

    #[test]
    fn numbers_carry_no_false_digits() {
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(count(999), "999");
        assert_eq!(count(-1000), "−1\u{202f}000");
        assert_eq!(decibel(-4.46), "−4.5\u{202f}dB");
        assert_eq!(decibel(-0.04), "0.0\u{202f}dB");
        assert_eq!(level(3.276, 2), "3.28\u{202f}dB");
        assert_eq!(share(0.6125, Some(199)), "61\u{202f}%");
        assert_eq!(share(0.6127, Some(612)), "61.3\u{202f}%");
        assert_eq!(share(0.6125, None), "61\u{202f}%");
        assert_eq!(points(0.0612, Some(199)), "+6\u{202f}points");
        assert_eq!(points(-0.0612, Some(612)), "−6.1\u{202f}points");
        assert_eq!(points(0.0004, Some(612)), "0.0\u{202f}points");
        assert_eq!(coefficient(-0.1028), "−0.10");
        assert_eq!(coefficient(0.000_825), "0.001");
        assert_eq!(coefficient(-0.0044), "−0.004");
        assert_eq!(coefficient(0.0), "0.00");
        assert_eq!(significant(2.121_53, 3), "2.12");
        assert_eq!(significant(0.000_061_706_8, 3), "0.0000617");
        assert_eq!(significant(0.0, 3), "0");
        assert_eq!(
            [1.0, 0.1, 1.25, -20.0].map(plain),
            ["1", "0.1", "1.25", "−20"]
        );
        assert_eq!(p_value(0.0004), "p < 0.001");
        assert_eq!(p_value(0.031), "p = 0.03");
        assert_eq!(p_value(0.004), "p = 0.004");
        assert_eq!(frequency(1500.0), "1.5k");
        assert_eq!(frequency(750.0), "750");
        assert_eq!(tick_share(0.025), "2.5\u{202f}%");
    }
}
