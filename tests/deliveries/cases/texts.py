"""Bytes that are no text, quotes, and rows of the wrong length."""

from .parts import EARS, FITTINGS, OUTCOMES, refused, rows, taken

UTF8 = "The text is not UTF-8 here: save the file again as UTF-8."
QUOTE = "most often a quote is missing"
FIELDS = "The row has another number of fields than the header row."

fittings = FITTINGS.encode()
for name, why, label in (
    ("latin-1", "A letter of Latin-1.", b"c\xf4te"),
    ("windows-1252", "A dash of Windows-1252.", b"coast \x96 north"),
    ("lone-surrogate", "Half a character of UTF-16 written as UTF-8.", b"coast\xed\xa0\x80"),
    ("overlong", "A slash written in two bytes.", b"coast\xc0\xaf"),
    ("character-cut", "A character without its second byte.", b"coast\xc3"),
    ("beyond-the-last", "A character beyond the last of Unicode.", b"coast\xf4\x90\x80\x80"),
):
    refused(f"text-{name}", why, {"fittings.csv": fittings.replace(b"coast", label)}, "fittings.csv 2", "not-utf8", UTF8,
            never=["north", "anna-1"])
refused("text-latin-1-header", "A letter of Latin-1 in the header row.",
        {"fittings.csv": fittings.replace(b"x_region", b"x_r\xe9gion")}, "fittings.csv 1", "not-utf8", UTF8)
refused("text-utf-16", "UTF-16 with its mark.", {"outcomes.csv": b"\xff\xfe" + OUTCOMES.encode("utf-16-le")},
        "outcomes.csv 1", "not-utf8", UTF8)
refused("text-utf-16-big-endian", "UTF-16 with its mark, the other way round.",
        {"outcomes.csv": b"\xfe\xff" + OUTCOMES.encode("utf-16-be")}, "outcomes.csv 1", "not-utf8", UTF8)
refused("text-utf-16-without-mark", "UTF-16 without a mark is text with a NUL after each letter.",
        {"outcomes.csv": OUTCOMES.encode("utf-16-le")}, "outcomes.csv 1", "no-header-row", "The first row names none of the columns of this table")
refused("text-binary", "Bytes that are no text at all.", {"ears.csv": bytes(range(128, 256)) * 4}, "ears.csv 1", "not-utf8", UTF8)
taken("text-nul-in-a-cell", "A NUL in an id and in a label.",
      {"fittings.csv": fittings + b"F2,P\x002,north,anna-1,2026-08,,,,,,\nF3,P3,north,anna-1,2026-08,,,,,,co\x00ast\n"},
      aside=["fittings.csv 3 patient_id identifier-shape", "fittings.csv 4 x_region label-shape"],
      fittings=(3, 1, 2, 0), says=["x_region is not a label of at most 64 printable characters."])
taken("text-nul-tail", "A file that was laid out and never filled: NULs at its end are a row of one field.",
      {"outcomes.csv": OUTCOMES.encode() + bytes(300)}, aside=["outcomes.csv 4 - field-count"],
      outcomes=(3, 2, 1, 0), says=[FIELDS])
taken("text-second-mark", "A byte order mark inside, where two files were joined.",
      {"outcomes.csv": OUTCOMES + "\ufeffF1,ioi-ha,5,4,\n"},
      aside=["outcomes.csv 4 fitting_id identifier-shape"], outcomes=(3, 2, 1, 0))
taken("text-label-too-long", "Labels of 64 and of 65 letters, some of two and four bytes.",
      {"fittings.csv": rows("fittings", "F2,P2,north,anna-1,2026-08,,,,,," + "\u00e9" * 64,
                            "F3,P3,north,anna-1,2026-08,,,,,," + "\U0001f600" * 65)},
      aside=["fittings.csv 4 x_region label-shape"], fittings=(3, 2, 1, 0), never=["\U0001f600"])
taken("text-line-feed-in-a-label", "A line feed in a quoted label; the row after it keeps its line.",
      {"fittings.csv": rows("fittings", 'F2,P2,north,anna-1,2026-08,,,,,,"sea\nside"', "F3,P3,north,anna-1,never,,,,,,")},
      aside=["fittings.csv 3 x_region label-shape", "fittings.csv 5 fitted_on not-a-date"], fittings=(3, 1, 2, 0))

# Quotes.
refused("quote-unclosed-at-end", "A quote that opens in the last row and does not close.",
        {"outcomes.csv": rows("outcomes", 'F1,ioi-ha,"4,5,')}, "outcomes.csv 4", "unclosed-quote", QUOTE)
refused("quote-unclosed-in-the-middle", "A quote that swallows the rows after it.",
        {"ears.csv": EARS.replace("open,behind", 'open,"behind')}, "ears.csv 2", "unclosed-quote", QUOTE)
refused("quote-unclosed-header", "A quote before the header row.", {"ears.csv": '"' + EARS}, "ears.csv 1", "unclosed-quote", QUOTE)
refused("quote-field-of-64-kib", "A quoted field of more than 64 KiB.",
        {"outcomes.csv": rows("outcomes", 'F1,ioi-ha,"' + "4\n" * 33_000 + '",5,')}, "outcomes.csv 4", "unclosed-quote", QUOTE)
refused("quote-plain-field-of-64-kib", "A field of more than 64 KiB without quotes.",
        {"outcomes.csv": rows("outcomes", "F1,ioi-ha,4," + "5" * 66_000 + ",")}, "outcomes.csv 4", "unclosed-quote", QUOTE)
taken("quote-stray", "A quote inside a field is a character.",
      {"ears.csv": EARS.replace("open,behind", 'open,thin 1" tube')})
taken("quote-doubled", "Doubled quotes and commas in a quoted label.",
      {"ears.csv": EARS.replace("open,behind", 'open,"behind, ""slim"""')})
taken("quote-text-after", "Letters after a closing quote belong to the field.",
      {"ears.csv": rows("ears", 'F1,"ri"ght,true,,,,')}, aside=["ears.csv 3 - contradiction", "ears.csv 4 - contradiction"],
      ears=(3, 1, 2, 0), says=["Another row says something else under the same key; both are set aside."])
taken("quote-single", "Single quotes are letters.",
      {"outcomes.csv": rows("outcomes", "'F1','ioi-ha','4','5',")},
      aside=["outcomes.csv 4 fitting_id identifier-shape"], outcomes=(3, 2, 1, 0))

# Rows of the wrong length.
taken("row-too-short", "A row that breaks off.", {"outcomes.csv": rows("outcomes", "F1,ioi-ha", "F1")},
      aside=["outcomes.csv 4 - field-count", "outcomes.csv 5 - field-count"], outcomes=(4, 2, 2, 0), says=[FIELDS])
taken("row-too-long", "A comma too many at the end of each row.",
      {"ears.csv": EARS.splitlines()[0] + "\n" + "".join(row + ",\n" for row in EARS.splitlines()[1:])},
      aside=["ears.csv 2 - field-count", "ears.csv 3 - field-count",
             "responses.csv 2 - orphan-ear", "responses.csv 3 - orphan-ear"],
      ears=(2, 0, 2, 0), responses=(2, 0, 2, 0))
taken("row-of-blanks", "Rows of blanks and of commas, as spreadsheets leave them at the end.",
      {"outcomes.csv": rows("outcomes", "   ", ",,,,", "")},
      aside=["outcomes.csv 4 - field-count", "outcomes.csv 5 fitting_id required"], outcomes=(4, 2, 2, 0))
taken("row-of-commas", "A row of ten thousand commas.", {"outcomes.csv": rows("outcomes", "," * 10_000)},
      aside=["outcomes.csv 4 - field-count"], outcomes=(3, 2, 1, 0))
taken("row-of-totals", "A line of totals at the end.", {"outcomes.csv": rows("outcomes", "Total,,2,12.5,")},
      aside=["outcomes.csv 4 instrument required"], outcomes=(3, 2, 1, 0))
