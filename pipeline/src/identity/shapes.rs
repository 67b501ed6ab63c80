//! Shapes of values that tell who a person is: e-mail, web and Internet addresses; numbers, dates and names are in files
//! of their own.

use std::net::Ipv6Addr;

use super::classes::Class;
use super::dates::{EightDigits, eight_digits, holds_date};
use super::looks::Looks;
use super::names::{has_title, is_name, is_name_astray};
use super::numbers::{Number, numbers, numbers_in_word};

/// What a value is to its row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// A pseudonym of a person or of a visit.
    Person,
    /// A pseudonym of a clinic, which may be called something in two words.
    Clinic,
    /// A free label.
    Label,
    /// The day of the fitting, which is kept to its quarter or year.
    FittedOn,
    /// A number or a word of a closed list: looked at only where the row is set aside.
    Closed,
    /// A field of a row with another number of fields than the header, which could be any column's.
    Astray,
}

/// What a value shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    /// One occurrence is enough.
    Certain(Class),
    /// A full date.
    Date,
    /// A personal name.
    Name,
    /// A number that has to be seen together with the other values of its column.
    Number(Number),
    /// Eight digits, to be seen together with the others.
    EightDigits(EightDigits),
}

/// Calls back with every sign of a value.
pub(super) fn signs(value: &[u8], role: Role, mut found: impl FnMut(Sign)) {
    // Most are a short run of letters and digits.
    let Ok(text) = std::str::from_utf8(value) else {
        return;
    };
    let looks = Looks::of(value);
    let digits = looks.digits;
    let marks = looks.has_marks();
    if looks.may_hold_email() && holds_email(text) {
        found(Sign::Certain(Class::Email));
    }
    if looks.may_hold_url() && holds_url(text) {
        found(Sign::Certain(Class::Url));
    }
    if looks.may_hold_ip_address() && holds_ip_address(text) {
        found(Sign::Certain(Class::IpAddress));
    }
    if looks.may_hold_hardware_address() && holds_hardware_address(text) {
        found(Sign::Certain(Class::Device));
    }
    let named = match role {
        // One word with a digit is no name.
        Role::Person => (marks || digits == 0) && is_name(text),
        Role::Clinic | Role::Label => marks && has_title(text.trim()),
        Role::Astray => marks && is_name_astray(text),
        Role::FittedOn | Role::Closed => false,
    };
    if named {
        found(Sign::Name);
    }
    if digits >= 3
        && role != Role::FittedOn
        && looks.may_hold_date()
        && holds_date(text, role == Role::Person)
    {
        found(Sign::Date);
        return;
    }
    if digits == 8
        && matches!(role, Role::Person | Role::Clinic | Role::Label)
        && let Some(eight) = eight_digits(value)
    {
        found(Sign::EightDigits(eight));
    }
    if digits >= 7 && role != Role::FittedOn {
        if marks {
            numbers(text, |number| found(Sign::Number(number)));
        } else {
            numbers_in_word(text, looks, |number| found(Sign::Number(number)));
        }
    }
    if digits >= 7 && role == Role::FittedOn && !holds_date(text, true) {
        numbers(text, |number| found(Sign::Number(number)));
    }
}

/// Whether a name of a file tells who a person is: e-mail address, telephone or national number.
pub(super) fn file_name_class(name: &str) -> Option<Class> {
    if holds_email(name) {
        return Some(Class::Email);
    }
    let mut class = None;
    // Files are numbered and dated as they like; only what cannot be either counts.
    for part in name.split('.') {
        if !holds_date(part, false) {
            numbers(part, |number| {
                if let Number::Certain(found) = number {
                    class = class.or(Some(found));
                }
            });
        }
    }
    class
}

pub(super) fn holds_email(text: &str) -> bool {
    text.match_indices(['@', '＠']).any(|(at, sign)| {
        let before = text.get(..at).and_then(|t| t.chars().next_back());
        let after = text.get(at + sign.len()..).unwrap_or_default();
        let domain = after
            .find(|c: char| !c.is_alphanumeric() && !matches!(c, '.' | '-'))
            .and_then(|end| after.get(..end))
            .unwrap_or(after)
            .trim_end_matches(['.', '-']);
        let ending = domain.rsplit('.').next().unwrap_or_default();
        before.is_some_and(|c| c.is_alphanumeric() || "._%+-\"".contains(c))
            && domain.contains('.')
            && !domain.starts_with('.')
            && ending.chars().count() >= 2
            && ending.chars().all(char::is_alphabetic)
    })
}

pub(super) fn holds_url(text: &str) -> bool {
    let lower = text.to_ascii_lowercase();
    let scheme = lower.match_indices("://").any(|(at, sign)| {
        let before = lower.as_bytes().get(..at).unwrap_or_default();
        let letters = before
            .iter()
            .rev()
            .take_while(|b| b.is_ascii_alphanumeric())
            .count();
        letters >= 2
            && lower
                .get(at + sign.len()..)
                .and_then(|rest| rest.chars().next())
                .is_some_and(char::is_alphanumeric)
    });
    let www = lower.match_indices("www.").any(|(at, sign)| {
        let begins = lower
            .get(..at)
            .and_then(|t| t.chars().next_back())
            .is_none_or(|c| !c.is_alphanumeric());
        let rest = lower.get(at + sign.len()..).unwrap_or_default();
        begins && rest.starts_with(char::is_alphanumeric) && rest.contains('.')
    });
    scheme || www
}

/// Words that an address may be among.
fn address_words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_ascii_alphanumeric() && !matches!(c, '.' | ':' | '-' | '_'))
        .filter(|word| word.len() >= 7)
}

pub(super) fn holds_ip_address(text: &str) -> bool {
    address_words(text).any(|word| is_ipv4(word) || is_ipv6(word))
}

/// Four numbers up to 255. Short ones are taken for a version: addresses of a line at home have more digits.
fn is_ipv4(word: &str) -> bool {
    // A port may follow.
    let word = word.split(':').next().unwrap_or_default();
    let parts: Vec<&str> = word.trim_end_matches('.').split('.').collect();
    let digits: usize = parts.iter().map(|part| part.len()).sum();
    parts.len() == 4
        && digits >= 7
        && parts.iter().all(|part| {
            (1..=3).contains(&part.len())
                && part.bytes().all(|b| b.is_ascii_digit())
                && part.parse::<u16>().is_ok_and(|value| value <= 255)
        })
}

fn is_ipv6(word: &str) -> bool {
    let groups = word.split(':').filter(|group| !group.is_empty()).count();
    groups >= 3 && word.parse::<Ipv6Addr>().is_ok()
}

/// Six pairs of hexadecimal digits, with at least one letter.
pub(super) fn holds_hardware_address(text: &str) -> bool {
    address_words(text).any(|word| {
        [':', '-'].into_iter().any(|separator| {
            let parts: Vec<&str> = word.split(separator).collect();
            parts.len() == 6
                && word.bytes().any(|b| b.is_ascii_alphabetic())
                && parts
                    .iter()
                    .all(|part| part.len() == 2 && part.bytes().all(|b| b.is_ascii_hexdigit()))
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn classes(text: &str, role: Role) -> Vec<Sign> {
        let mut out = Vec::new();
        signs(text.as_bytes(), role, |sign| out.push(sign));
        out
    }

    /// Names and addresses that are kept free for documentation (RFC 2606, RFC 5737, RFC 3849, RFC 9542; from memory).
    #[test]
    fn addresses_are_found_in_every_role() {
        let roles = [
            Role::Person,
            Role::Clinic,
            Role::Label,
            Role::FittedOn,
            Role::Closed,
            Role::Astray,
        ];
        for (text, class) in [
            ("nobody@example.org", Class::Email),
            ("Nobody Else <nobody.else+1@mail.example.com>", Class::Email),
            ("nobody@münchen.example", Class::Email),
            ("https://example.org/nobody", Class::Url),
            ("see HTTP://example.org", Class::Url),
            ("www.example.org", Class::Url),
            ("192.0.2.217", Class::IpAddress),
            ("from 198.51.100.7:8080", Class::IpAddress),
            ("2001:db8::ff00:42:8329", Class::IpAddress),
            ("2001:0db8:0000:0000:0000:ff00:0042:8329", Class::IpAddress),
            ("00:00:5E:00:53:AF", Class::Device),
            ("00-00-5e-00-53-af", Class::Device),
        ] {
            for role in roles {
                assert!(
                    classes(text, role).contains(&Sign::Certain(class)),
                    "{text} as {role:?}"
                );
            }
        }
    }

    #[test]
    fn versions_times_and_handles_are_no_addresses() {
        for text in [
            "1.2.3.4",
            "10.0.0.1",
            "3.12.5",
            "12:30:45",
            "a::b",
            "left:right",
            "50 @ 65",
            "10 dB @ 65 dB",
            "@north",
            "www",
            "either//or",
            "300.300.300.300",
            "12-34-56-78-90-12",
        ] {
            assert_eq!(classes(text, Role::Label), [], "{text}");
        }
    }

    #[test]
    fn roles_differ_in_names_and_dates() {
        assert_eq!(classes("North-Hill", Role::Clinic), []);
        assert_eq!(classes("North-Hill", Role::Person), []);
        assert_eq!(classes("Nobody-Else", Role::Clinic), []);
        assert_eq!(classes("Nobody-Else", Role::Person), [Sign::Name]);
        assert_eq!(classes("Dr-Else", Role::Clinic), [Sign::Name]);
        assert_eq!(classes("Nobody Else", Role::Label), []);
        assert_eq!(classes("Dr. Else", Role::Label), [Sign::Name]);
        assert_eq!(classes("Nobody Else", Role::Astray), [Sign::Name]);
        assert_eq!(classes("2026-08-17", Role::FittedOn), []);
        assert_eq!(classes("17.08.2026", Role::FittedOn), []);
        assert_eq!(classes("2026-08-17", Role::Label), [Sign::Date]);
    }

    #[test]
    fn files_may_be_numbered_and_dated() {
        for name in [
            "fittings.csv",
            "fittings-1.csv.gz",
            "responses-0001.parquet",
            "responses-2026-08-17.csv",
            "responses-2026-08-17-0002.csv",
            "ears-20260817.csv",
            "ears-20260817-101530.csv",
            "outcomes-clinic-7.csv",
            "outcomes-2026-Q3-part-02.csv.zst",
        ] {
            assert_eq!(file_name_class(name), None, "{name}");
        }
        for (name, class) in [
            ("fittings-nobody@example.org.csv", Class::Email),
            ("fittings-078-05-1120.csv", Class::NationalNumber),
            ("ears-202-555-0143.csv", Class::Telephone),
            ("ears-+49 30 23125456.csv", Class::Telephone),
        ] {
            assert_eq!(file_name_class(name), Some(class), "{name}");
        }
    }
}
