//! What every page is set in: its head, a policy that lets nothing in from outside, style and script of its own.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use crate::drawing::theme;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("page.js");

/// What the pages name as the program that made them; only a file that says so is ever replaced by an index.
pub(crate) const GENERATOR: &str = "<meta name=\"generator\" content=\"fitcohort\">";

/// A whole document: `style` comes after the style that all pages share, `foot` at the foot of each printed page.
pub(crate) fn document(title: &str, style: &str, foot: &str, body: &Markup) -> String {
    let style = format!(
        ":root{{color-scheme:light dark;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n\
         {STYLE}{style}@page{{@bottom-left{{content:{}}}}}\n",
        theme::variables(false),
        theme::variables(true),
        quoted(foot),
    );
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(&style, SCRIPT));
                meta name="viewport" content="width=device-width, initial-scale=1";
                (PreEscaped(GENERATOR))
                title { (title) }
                style { (PreEscaped(&style)) }
            }
            body {
                (body)
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string()
}

/// The policy of a page: nothing is loaded, and no style or script counts but the two in the page itself, which are
/// named by their SHA-256. Source: Content Security Policy Level 3, section 2.3.1 (hash sources).
fn policy(style: &str, script: &str) -> String {
    let hash = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text)));
    format!(
        "default-src 'none'; style-src {}; script-src {}; img-src 'none'; base-uri 'none'; form-action 'none'",
        hash(style),
        hash(script)
    )
}

/// A text as a string of a style sheet: whatever is not a plain letter, digit or stop goes by its number, so that
/// nothing in it can end the string or the style.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for character in text.chars() {
        match character {
            'a'..='z' | 'A'..='Z' | '0'..='9' | ' ' | '.' | ',' | '-' => out.push(character),
            '\0' => {}
            other => out.push_str(&format!("\\{:x} ", u32::from(other))),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SHA-256 of "abc" is that of FIPS 180-4, its example in hexadecimal ba7816bf … f20015ad; in base 64 by GNU
    /// coreutils 9.1: `printf abc | sha256sum | cut -c-64 | xxd -r -p | base64`. That of nothing the same way.
    #[test]
    fn the_policy_names_the_only_style_and_the_only_script() {
        let policy = policy("abc", "");
        for part in [
            "default-src 'none'",
            "style-src 'sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0='",
            "script-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='",
        ] {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
    }

    #[test]
    fn no_text_gets_out_of_a_string_of_the_style() {
        assert_eq!(
            quoted("Quarter review, 2026-Q3"),
            "\"Quarter review, 2026-Q3\""
        );
        let hostile = quoted("a\"}</style><script>\\\n\0é");
        assert_eq!(
            hostile,
            "\"a\\22 \\7d \\3c \\2f style\\3e \\3c script\\3e \\5c \\a \\e9 \""
        );
        let page = document("t", "", "</style>", &html! { p { "x" } });
        assert_eq!(page.matches("</style>").count(), 1);
        assert_eq!(page.matches("<script>").count(), 1);
    }

    #[test]
    fn the_script_is_small_and_loads_nothing() {
        assert!(SCRIPT.lines().count() < 150);
        for word in [
            "fetch",
            "XMLHttpRequest",
            "import",
            "eval",
            "Function(",
            "innerHTML",
            "localStorage",
            "cookie",
            "http",
            "</script",
            "setTimeout",
            "setInterval",
            "setAttribute(\"style",
        ] {
            assert!(!SCRIPT.contains(word), "{word}");
        }
        for word in ["</style", "url(", "@import", "http"] {
            assert!(!STYLE.contains(word), "{word}");
        }
    }
}
