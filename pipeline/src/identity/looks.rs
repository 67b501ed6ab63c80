//! Which kinds of characters a value has: most shapes of identifiers can be ruled out by them alone.

const DIGIT: u16 = 1;
const UPPER: u16 = 1 << 1;
const LOWER: u16 = 1 << 2;
const AT: u16 = 1 << 3;
const COLON: u16 = 1 << 4;
const DOT: u16 = 1 << 5;
const HYPHEN: u16 = 1 << 6;
const UNDERSCORE: u16 = 1 << 7;
const SLASH: u16 = 1 << 8;
const BEYOND_ASCII: u16 = 1 << 9;
const OTHER: u16 = 1 << 10;

/// The kind of each byte.
const KINDS: [u16; 256] = {
    let mut kinds = [OTHER; 256];
    let mut byte = 0_usize;
    while byte < kinds.len() {
        kinds[byte] = match byte as u8 {
            b'0'..=b'9' => DIGIT,
            b'A'..=b'Z' => UPPER,
            b'a'..=b'z' => LOWER,
            b'@' => AT,
            b':' => COLON,
            b'.' => DOT,
            b'-' => HYPHEN,
            b'_' => UNDERSCORE,
            b'/' => SLASH,
            0x80.. => BEYOND_ASCII,
            _ => OTHER,
        };
        byte += 1;
    }
    kinds
};

/// What characters a value has.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Looks {
    seen: u16,
    pub(super) length: usize,
    pub(super) digits: usize,
    pub(super) upper: usize,
    pub(super) lower: usize,
}

impl Looks {
    pub(super) fn of(value: &[u8]) -> Self {
        let mut looks = Self {
            length: value.len(),
            ..Self::default()
        };
        for byte in value {
            let kind = KINDS.get(usize::from(*byte)).copied().unwrap_or(OTHER);
            looks.seen |= kind;
            looks.digits += usize::from(kind == DIGIT);
            looks.upper += usize::from(kind == UPPER);
            looks.lower += usize::from(kind == LOWER);
        }
        looks
    }

    fn has(self, kinds: u16) -> bool {
        self.seen & kinds != 0
    }

    /// Whether there is anything but ASCII letters and digits.
    pub(super) fn has_marks(self) -> bool {
        self.has(!(DIGIT | UPPER | LOWER))
    }

    /// Whether letters, digits, `_` and `-` are all there is.
    pub(super) fn is_pseudonym(self) -> bool {
        !self.has(!(DIGIT | UPPER | LOWER | UNDERSCORE | HYPHEN))
    }

    /// Whether `_` or `-` is there.
    pub(super) fn is_joined(self) -> bool {
        self.has(UNDERSCORE | HYPHEN)
    }

    /// An e-mail address has a sign for it, which may be a wide one.
    pub(super) fn may_hold_email(self) -> bool {
        self.has(AT | BEYOND_ASCII)
    }

    /// `://` or `www.`
    pub(super) fn may_hold_url(self) -> bool {
        self.has(COLON | DOT)
    }

    /// Numbers between dots, or groups between colons.
    pub(super) fn may_hold_ip_address(self) -> bool {
        self.length >= 7 && self.has(COLON | DOT)
    }

    /// Six pairs, with five colons or hyphens between them.
    pub(super) fn may_hold_hardware_address(self) -> bool {
        self.length >= 17 && self.has(COLON | HYPHEN)
    }

    /// A date has marks between its numbers, or a month of three letters at least.
    pub(super) fn may_hold_date(self) -> bool {
        self.has(HYPHEN | UNDERSCORE | DOT | SLASH | BEYOND_ASCII) || self.upper + self.lower >= 3
    }
}

#[cfg(test)]
mod tests {
    use super::super::dates::holds_date;
    use super::super::names::is_name;
    use super::super::numbers::{numbers, numbers_in_word};
    use super::super::shapes::{holds_email, holds_hardware_address, holds_ip_address, holds_url};
    use super::*;

    /// Parts of addresses, names, dates and numbers of nobody.
    const PARTS: [&str; 48] = [
        "@",
        "\u{ff20}",
        ".",
        ":",
        "://",
        "/",
        "-",
        "_",
        " ",
        ",",
        "+",
        "(",
        ">",
        "www.",
        "x",
        "F",
        "P",
        "ab",
        "DE",
        "e4",
        "\u{e4}",
        "Aug",
        "may",
        "M\u{e4}rz",
        "de ",
        "Dr",
        "mr",
        "Nobody",
        "Else",
        "example",
        "org",
        "http",
        "0",
        "7",
        "17",
        "08",
        "46",
        "1946",
        "00000001",
        "192.0.2.217",
        "2001:db8::8:800",
        "::",
        "00:00:5E:00:53:AF",
        "00-00-5e-00-53-af",
        "078",
        "1120",
        "123456789",
        "20260817",
    ];

    /// Texts of up to six parts, the same in every run.
    fn texts() -> impl Iterator<Item = String> {
        let mut state = 7_u64;
        (0..200_000).map(move |_| {
            let mut text = String::new();
            let mut draw = |below: usize| {
                // Knuth's generator; the high bits are the good ones.
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as usize % below
            };
            for _ in 0..=draw(6) {
                text.push_str(PARTS[draw(PARTS.len())]);
            }
            text
        })
    }

    /// What is ruled out by its characters is not there.
    #[test]
    fn nothing_is_ruled_out_that_is_there() {
        let mut found = [0; 7];
        for text in texts() {
            let looks = Looks::of(text.as_bytes());
            let in_word = looks.has_marks() || looks.digits == 0;
            let pairs = [
                (holds_email(&text), looks.may_hold_email()),
                (holds_url(&text), looks.may_hold_url()),
                (holds_ip_address(&text), looks.may_hold_ip_address()),
                (
                    holds_hardware_address(&text),
                    looks.may_hold_hardware_address(),
                ),
                (holds_date(&text, true), looks.may_hold_date()),
                (holds_date(&text, false), looks.may_hold_date()),
                (is_name(&text), in_word),
            ];
            for ((holds, may), found) in pairs.into_iter().zip(&mut found) {
                assert!(may || !holds, "{text}");
                *found += usize::from(holds);
            }
        }
        assert!(found.iter().all(|times| *times > 10), "{found:?}");
    }

    #[test]
    fn numbers_of_a_word_are_those_of_a_text() {
        let words = [
            "A123456789",
            "12345678Z",
            "12345678T",
            "DE02120300000000202051",
            "111111111",
        ];
        let words = words.map(str::to_owned);
        let mut found = 0;
        for text in texts().chain(words) {
            let looks = Looks::of(text.as_bytes());
            if looks.has_marks() {
                continue;
            }
            let (mut quick, mut whole) = (Vec::new(), Vec::new());
            numbers_in_word(&text, looks, |number| quick.push(number));
            numbers(&text, |number| whole.push(number));
            assert_eq!(quick, whole, "{text}");
            found += whole.len();
        }
        assert!(found > 100);
    }

    #[test]
    fn characters_are_counted() {
        let looks = Looks::of(b"Ab_9-x");
        assert_eq!((looks.digits, looks.upper, looks.lower), (1, 1, 2));
        assert!(looks.has_marks() && looks.is_pseudonym() && looks.is_joined());
        let looks = Looks::of(b"a b");
        assert!(looks.has_marks() && !looks.is_pseudonym() && !looks.is_joined());
        assert!(!Looks::of(b"aB3").has_marks());
    }
}
