"""Header rows, and files as a whole: what is there and what is not."""

from .parts import EARS, FITTINGS, OUTCOMES, RESPONSES, refused, rows, taken

UNKNOWN = "The header row names a column that the table does not have"
MISSING = "The required column {} is not in the header row."

# Taken as they are.
taken("header-bom", "A byte order mark before the header row, as spreadsheets write it.",
      {"fittings.csv": "\ufeff" + FITTINGS, "ears.csv": "\ufeff" + EARS})
taken("header-crlf", "Line ends of CR and LF.",
      {"fittings.csv": FITTINGS.replace("\n", "\r\n"), "outcomes.csv": OUTCOMES.replace("\n", "\r\n")})
taken("header-quoted", "Every name and value in quotes.",
      {"outcomes.csv": "".join(",".join(f'"{cell}"' for cell in row.split(",")) + "\n" for row in OUTCOMES.splitlines())})
taken("header-other-order", "Columns in another order, in two files that differ.",
      {"ears.csv": EARS, "ears-2.csv": "ear,fitted,fitting_id\nright,true,F1\n"},
      aside=["ears-2.csv 2 - contradiction", "ears.csv 3 - contradiction"],
      ears=(3, 1, 2, 0), says=["Another row says something else under the same key; both are set aside."])
taken("header-blank-lines-before", "Blank lines before the header row: places count them.",
      {"fittings.csv": "\n\n" + rows("fittings", "F2,P2,north,anna-1,,,,,,,")},
      aside=["fittings.csv 5 fitted_on required"], fittings=(2, 1, 1, 0))
taken("header-no-line-feed-at-end", "The last row ends without a line feed.", {"ears.csv": EARS.rstrip("\n")})
taken("header-only-one", "A header row and nothing after it.",
      {"outcomes.csv": OUTCOMES.splitlines()[0] + "\n"},
      notes=[("header-only", "outcomes.csv")], outcomes=(0, 0, 0, 0),
      says=["The file has a header row and no other row."])
taken("header-only-all", "Nothing but header rows.",
      {f"{name}.csv": text.splitlines()[0] + "\n" for name, text in
       (("fittings", FITTINGS), ("ears", EARS), ("responses", RESPONSES), ("outcomes", OUTCOMES))},
      notes=[("header-only", f"{name}.csv") for name in ("fittings", "ears", "responses", "outcomes")],
      fittings=(0, 0, 0, 0), ears=(0, 0, 0, 0), responses=(0, 0, 0, 0), outcomes=(0, 0, 0, 0))
taken("header-in-the-middle", "Two exports pasted together: the second header row is a row like others.",
      {"fittings.csv": FITTINGS + FITTINGS.splitlines()[0] + "\n",
       "ears.csv": EARS + EARS.splitlines()[0] + "\n",
       "outcomes.csv": OUTCOMES + OUTCOMES.splitlines()[0] + "\n"},
      aside=["fittings.csv 3 fitted_on not-a-date", "ears.csv 4 ear unknown-word", "outcomes.csv 4 instrument unknown-instrument"],
      fittings=(2, 1, 1, 0), ears=(3, 2, 1, 0), outcomes=(3, 2, 1, 0))

# Refused.
refused("header-cr-only", "Line ends of CR alone.", {"outcomes.csv": OUTCOMES.replace("\n", "\r")},
        "outcomes.csv 1", "line-ends", "The rows end in carriage returns alone")
refused("header-cr-in-one-row", "A CR alone between two rows of a file of line feeds: places would be wrong from there on.",
        {"outcomes.csv": OUTCOMES.replace("26\n", "26\r")},
        "outcomes.csv 2", "line-ends", "The rows end in carriage returns alone")
refused("header-blank-name", "A comma too many in the header row.",
        {"ears.csv": EARS.replace("style\n", "style,\n")}, "ears.csv 1", "unknown-column", "a column without a name")
refused("header-spaces", "A blank before a name.", {"ears.csv": EARS.replace(",fitted,", ", fitted,")},
        "ears.csv 1", "unknown-column", UNKNOWN)
refused("header-capital-letters", "Names in capital letters.", {"outcomes.csv": OUTCOMES.replace("score", "Score")},
        "outcomes.csv 1", "unknown-column", f"{UNKNOWN}: Score")
refused("header-all-capital-letters", "All names in capital letters: none is known.",
        {"outcomes.csv": OUTCOMES.splitlines()[0].upper() + "\n" + OUTCOMES.split("\n", 1)[1]},
        "outcomes.csv 1", "no-header-row", "The first row names none of the columns of this table")
refused("header-repeated", "The same name twice.", {"ears.csv": EARS.replace("threshold_1000", "threshold_500")},
        "ears.csv 1", "repeated-column", "The header row names the column threshold_500 twice.")
refused("header-semicolons", "Semicolons between the columns.", {"fittings.csv": FITTINGS.replace(",", ";")},
        "fittings.csv 1", "no-header-row", "something else than a comma stands between its columns")
refused("header-tabs", "Tabs between the columns.", {"responses.csv": RESPONSES.replace(",", "\t")},
        "responses.csv 1", "no-header-row", "something else than a comma stands between its columns")
refused("header-missing-whole", "No header row: the first row is data, and is not repeated.",
        {"fittings.csv": FITTINGS.split("\n", 1)[1]}, "fittings.csv 1", "no-header-row",
        "The first row names none of the columns of this table", never=["anna-1", "coast", "F1"])
refused("header-missing-whole-semicolons", "No header row and semicolons: the first row is data, and is not repeated.",
        {"fittings.csv": FITTINGS.split("\n", 1)[1].replace(",", ";")}, "fittings.csv 1", "no-header-row",
        "The first row names none of the columns of this table", never=["anna-1", "coast", "F1"])
refused("header-of-another-table", "The rows of ears under the name of outcomes.", {"outcomes.csv": EARS},
        "outcomes.csv 1", "unknown-column", UNKNOWN)
refused("header-title-line", "A title line before the header row, as some programs write it.",
        {"outcomes.csv": "Answers of the third quarter\n" + OUTCOMES}, "outcomes.csv 1", "no-header-row",
        "The first row names none of the columns of this table")
refused("header-separator-line", "A line that tells a spreadsheet the separator.",
        {"ears.csv": "sep=,\n" + EARS}, "ears.csv 1", "no-header-row", "The first row names none of the columns of this table")
refused("header-three-hundred-columns", "Three hundred columns.",
        {"fittings.csv": FITTINGS.replace(",x_region", "".join(f",x_{n}" for n in range(300)), 1)},
        "fittings.csv 1", "too-many-columns", "more than 256 columns")
refused("header-label-elsewhere", "A further label in a table that takes none.",
        {"ears.csv": EARS.replace("style", "x_style")}, "ears.csv 1", "unknown-column", f"{UNKNOWN}: x_style")
refused("header-label-too-long", "A further label whose name is longer than 30 letters.",
        {"fittings.csv": FITTINGS.replace("x_region", "x_" + "r" * 31)}, "fittings.csv 1", "unknown-column", UNKNOWN)
refused("header-long-and-wide", "Responses whose header row is of both forms.",
        {"responses.csv": RESPONSES.replace("target_db", "target_500")}, "responses.csv 1", "unknown-column",
        f"{UNKNOWN}: frequency_hz")
for table, text, column in (("fittings", FITTINGS, "clinic_id"), ("ears", EARS, "fitted"),
                            ("responses", RESPONSES, "measured_db"), ("outcomes", OUTCOMES, "instrument")):
    short = "".join(",".join(cell for at, cell in enumerate(row.split(",")) if at != text.split("\n")[0].split(",").index(column)) + "\n"
                    for row in text.splitlines())
    refused(f"header-without-{column.replace('_', '-')}", f"{table} without a required column.", {f"{table}.csv": short},
            f"{table}.csv 1", "missing-column", MISSING.format(column))

# Files.
refused("folder-empty-file", "A file without any byte.", {"ears.csv": ""}, "ears.csv -", "empty-file", "The file is empty")
refused("folder-blank-file", "A file of line ends.", {"outcomes.csv": "\r\n\r\n\n"}, "outcomes.csv -", "empty-file", "The file is empty")
refused("folder-mark-only", "A file of a byte order mark.", {"outcomes.csv": "\ufeff"}, "outcomes.csv -", "empty-file", "The file is empty")
refused("folder-without-fittings", "No fittings.", {"fittings.csv": None}, "- -", "missing-table", "There is no fittings table")
refused("folder-none-of-the-tables", "Files of other names.",
        {"fittings.csv": None, "ears.csv": None, "responses.csv": None, "outcomes.csv": None,
         "Fittings.csv": FITTINGS, "fitting.csv": FITTINGS, "fittings.CSV.bak": FITTINGS, "fittings.xlsx": b"PK\x03\x04"},
        "- -", "missing-table", "There is no fittings table")
refused("folder-named-like-a-file", "A folder called fittings.csv.",
        {"fittings.csv/inside.csv": FITTINGS}, "- -", "missing-table", "There is no fittings table")
refused("folder-in-a-folder", "The tables lie one folder deeper.",
        {"fittings.csv": None, "ears.csv": None, "responses.csv": None, "outcomes.csv": None,
         "2026-Q3/fittings.csv": FITTINGS, "2026-Q3/ears.csv": EARS}, "- -", "missing-table", "There is no fittings table")
taken("folder-other-files", "Other files and folders beside the tables.",
      {"read me.txt": "invented", "archive/fittings.csv": "old", ".fittings.csv.part": b"\x00", "fittings2.csv": "x"},
      not_read=[".fittings.csv.part", "archive", "fittings2.csv", "read me.txt"])
taken("folder-only-fittings", "One table of the four.",
      {"ears.csv": None, "responses.csv": None, "outcomes.csv": None},
      notes=[("table-not-delivered", name) for name in ("ears", "responses", "outcomes")],
      ears=(0, 0, 0, 0), responses=(0, 0, 0, 0), outcomes=(0, 0, 0, 0), says=["The delivery has no ears table."])
taken("folder-empty-second-table", "A table in two files, one of them a header row alone.",
      {"ears.csv": EARS, "ears-late.csv": "fitting_id,ear,fitted\n"}, notes=[("header-only", "ears-late.csv")])
