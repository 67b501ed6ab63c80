"""What tells who a person is: all of it invented, and none of it may be repeated."""

from .parts import FITTINGS, OUTCOMES, SMALL, refused, rows, taken

COLUMN = "By its name, the column {} holds"
VALUE = "{} holds what looks like"

for name, column in (("name", "patient_name"), ("birth-date", "Geburtsdatum"), ("telephone", "phone_number"), ("address", "street")):
    refused(f"identity-column-{name}", "A column named like a direct identifier.",
            {"fittings.csv": FITTINGS.replace("x_region", column)}, "fittings.csv 1", "identifying-column", COLUMN.format(column))
refused("identity-column-of-labels", "A further label named like a direct identifier.",
        {"fittings.csv": FITTINGS.replace("x_region", "x_postcode")}, "fittings.csv 1", "identifying-column",
        COLUMN.format("x_postcode"))

for name, column, cells in (
    ("mail", "x_region", "F2,P2,north,anna-1,2026-08,,,,,,quill.feather@example.org"),
    ("telephone", "x_region", "F2,P2,north,anna-1,2026-08,,,,,,+44 20 7946 0018"),
    ("national-number", "patient_id", "F2,078-05-1120,north,anna-1,2026-08,,,,,,coast"),
    ("bare-digits", "patient_id", "F2,9434765919,north,anna-1,2026-08,,,,,,coast"),
    ("birth-date", "x_region", "F2,P2,north,anna-1,2026-08,,,,,,1954-02-13"),
    ("name", "patient_id", "F2,Quill-Feather,north,anna-1,2026-08,,,,,,coast"),
    ("name-of-clinician", "clinician_id", "F2,P2,north,Quill_Feather,2026-08,,,,,,coast"),
    ("address-of-a-page", "prescription", "F2,P2,north,anna-1,2026-08,,,https://example.org/quill,,,coast"),
):
    refused(f"identity-value-{name}", "A value shaped like an identifier.", {"fittings.csv": rows("fittings", cells)},
            "fittings.csv 3", "identifying-value", VALUE.format(column),
            never=[cell for cell in cells.split(",") if len(cell) > 8])
refused("identity-value-in-a-row-set-aside", "An address in a row that breaks another rule: its text would have been kept.",
        {"outcomes.csv": OUTCOMES + "F1,ioi-ha,4,quill@example.org,\n"}, "outcomes.csv 4", "identifying-value",
        VALUE.format("score"), never=["quill@example.org"])
refused("identity-value-in-a-row-too-long", "A name with a comma in it, unquoted.",
        {"ears.csv": SMALL["ears.csv"] + "F1,Feather Quill,left,true,25,35,open,behind\n"}, "ears.csv 4", "identifying-value",
        VALUE.format("A field of this row"), never=["Feather", "Quill"])

# Such pass.
taken("identity-none", "Pseudonyms and labels of many forms that tell nobody.",
      {"fittings.csv": rows("fittings", "F2,0f8fad5b-d9cb-469f-a165-70867728950e,North-Hill,c-12,2026-08,,,,,,North Coast",
                            "F-0003,p_000123,clinic-7-0042,K7,2026-08,,,,,,coast 2", "20260003,12345678,south,9,2026-08,,,,,,")},
      fittings=(4, 4, 0, 0))
