//! Suggestions for keys and words that are not known, in plans and in column maps.

/// What is longer is no slip of a known word; comparing takes time and memory by its length.
const LONGEST_SLIP: usize = 64;

/// The known word nearest to the given one, where one is near: at most a third of its letters, and three at most,
/// added, left out, changed or swapped.
pub(crate) fn nearest<'a>(given: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let letters = given.chars().count();
    if letters > LONGEST_SLIP {
        return None;
    }
    let limit = (letters / 3).clamp(1, 3);
    known
        .map(|word| (strsim::damerau_levenshtein(given, word), word))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

/// The parser's message on an unknown key, with the nearest known one. The parser puts the key first and the known ones
/// after it, each between back-quotes.
pub(crate) fn with_suggestion(message: &str) -> String {
    let Some(start) = message.find("unknown field `") else {
        return message.to_owned();
    };
    let mut quoted = message
        .get(start..)
        .unwrap_or_default()
        .split('`')
        .skip(1)
        .step_by(2);
    let suggestion = quoted.next().and_then(|given| nearest(given, quoted));
    match suggestion {
        Some(near) => format!("{message}\ndid you mean `{near}`?"),
        None => message.to_owned(),
    }
}
