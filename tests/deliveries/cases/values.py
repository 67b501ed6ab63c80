"""Values of single cells: numbers, dates, ages, ids, words. A row each, one case a kind."""

from .parts import RESPONSES, rows, taken

NUMBER = "is not a plain number with a decimal point"


def each(name, why, table, values, template, column, rule, never=(), says=()):
    """One row set aside for each value."""
    first = 3 if table == "fittings" else 4
    bad = [template.format(value=value, n=number) for number, value in enumerate(values, 2)]
    own = first - 2
    count = len(bad)
    return taken(name, why, {f"{table}.csv": rows(table, *bad)},
                 aside=[f"{table}.csv {line} {column} {rule}" for line in range(first, first + count)],
                 never=never, says=says, **{table: (own + count, own, count, 0)})


POINT = "F1,left,first,REIG,65,500,,{value}"
for name, why, values in (
    ("comma", "A decimal comma in quotes.", ['"25,3"', '"-0,5"']),
    ("exponent", "Exponents.", ["1e1", "2.5E+1", "1e-2"]),
    ("not-a-number", "Words for what is no number.", ["NaN", "nan", "inf", "-Infinity", "NULL", "#N/A", "#DIV/0!", "n/a", "-", "?"]),
    ("minus-zero", "Minus zero.", ["-0", "-0.0", "-0.00"]),
    ("thousands", "Separators of thousands.", ['"1,000"', "1 000", "1'000", "1\u00a0000"]),
    ("other-digits", "Digits of other scripts.", ["\uff12\uff15", "\u0662\u0665", "\u096b", "\u00bd", "2\u00b2"]),
    ("units", "Numbers with their unit or a blank.", ["25 dB", "25dB", " 25", "25 ", "25%"]),
    ("half-written", "Numbers that lack a part.", ["25.", ".5", "+", "1.2.3", "--5", "0x19"]),
    ("look-alikes", "Signs that look like minus.", ["\u221225", "\u201325", "(25)"]),
):
    each(f"number-{name}", why, "responses", values, POINT, "measured_db", "not-a-number", says=[f"measured_db {NUMBER}"])
each("number-400-digits", "Four hundred digits, and as many after the point.", "responses",
     ["9" * 400, "-" + "9" * 400, "1" + "0" * 60 + "." + "0" * 400], POINT, "measured_db", "out-of-range", never=["99999"],
     says=["measured_db is outside its range (-40 to 140)."])
each("number-just-outside", "Numbers a hair outside the range.", "responses", ["140.001", "-40.0000001", "141"], POINT,
     "measured_db", "out-of-range")
taken("number-odd-and-right", "Plus signs, zeros in front, many digits after the point.",
      {"responses.csv": rows("responses", "F1,right,final,REIG,+65,500,015,14." + "0" * 300,
                             "F1,right,final,REIG,65.000,1000,,-40", "F1,right,final,REIG,65,2000,,140")},
      responses=(5, 5, 0, 0))
each("input-level", "Levels outside 40 to 95 dB SPL.", "responses", ["39.9", "96", "-65", "6500"],
     "F1,left,first,REIG,{value},500,,14", "input_level_db", "out-of-range")
each("frequency-not-kept", "Frequencies that are not kept.", "responses", ["125", "1600", "12000", "0", "-500"],
     "F1,left,first,REIG,65,{value},,14", "frequency_hz", "frequency-not-kept",
     says=["frequency_hz is none of the ten frequencies that are kept"])
each("frequency-with-a-point", "Frequencies written with a point.", "responses", ["500.0", "0.5"],
     "F1,left,first,REIG,65,{value},,14", "frequency_hz", "not-whole", says=["frequency_hz is not a whole number."])
each("frequency-in-kilohertz", "Frequencies with their unit.", "responses", ["1k", "500 Hz", "1000Hz"],
     "F1,left,first,REIG,65,{value},,14", "frequency_hz", "not-a-number")
each("measured-blank", "Points that were not measured.", "responses", ["", ""], "F1,left,first,REIG,65,{n}000,15,{value}",
     "measured_db", "required", says=["measured_db is blank, and it is required."])
taken("wide-without-measurement", "A curve without any measured value.",
      {"responses.csv": RESPONSES,
       "responses-wide.csv": "fitting_id,ear,quantity,input_level_db,target_500,measured_500\nF1,right,REIG,80,15,\n"},
      aside=["responses-wide.csv 2 - no-measurement"], responses=(3, 2, 1, 0),
      says=["The row holds no measured value at any frequency."])

each("threshold-out-of-range", "Thresholds no audiometer has, and limits other than 110.", "ears",
     ["-15", "120.5", "999", ">100", ">120", ">-110"], "F1,left,true,{value},,,", "threshold_500", "out-of-range",
     says=["threshold_500 is outside its range (-10 to 120 dB HL, or >110 for no response at 110)."])
each("threshold-no-number", "Words for no response.", "ears", ["NR", "DNT", ">", ">>110", "110+", "< 20"],
     "F1,left,true,{value},,,", "threshold_500", "not-a-number")

each("date-other-forms", "Dates in other forms.", "fittings",
     ["17.08.2026", "08/17/2026", "2026/08/17", "17-08-2026", "20260817", "Aug-26", "2026-08-17T10:00", "2026-08-17 ", "46251", "2026"],
     "F{n},P{n},north,anna-1,{value},,,,,,", "fitted_on", "not-a-date", says=["fitted_on is not a date like 2026-08-17"])
each("date-not-in-the-calendar", "Days and quarters that the calendar does not have.", "fittings",
     ["2026-02-29", "2026-04-31", "2026-13-01", "2026-00", "2026-08-00", "2026-Q5", "2026-Q0", "2026-q3", "1899-Q4", "2200-01", "0000-01-01"],
     "F{n},P{n},north,anna-1,{value},,,,,,", "fitted_on", "not-a-date")
each("age-out-of-range", "Ages that nobody has, and a year of birth.", "fittings", ["-1", "131", "1954", "999"],
     "F{n},P{n},north,anna-1,2026-Q3,{value},,,,,", "age_years", "out-of-range", never=["1954"],
     says=["age_years is outside its range (0 to 130)."])
each("age-not-whole", "Ages that are not whole numbers.", "fittings", ["71.5", "71.0"],
     "F{n},P{n},north,anna-1,2026-Q3,{value},,,,,", "age_years", "not-whole")
each("age-no-number", "Ages that are no numbers.", "fittings", ["seventy", "70-75", "70+", "71y"],
     "F{n},P{n},north,anna-1,2026-Q3,{value},,,,,", "age_years", "not-a-number")
taken("age-top", "Ages of 0, 90, 91 and 130 are taken.",
      {"fittings.csv": rows("fittings", *(f"F{n},P{n},north,anna-1,2026-Q3,{age},,,,," for n, age in ((2, 0), (3, 90), (4, 91), (5, 130))))},
      fittings=(5, 5, 0, 0))

each("id-too-long", "Ids of 65 and of 400 letters.", "fittings", ["P" * 65, "P" * 400],
     "F{n},{value},north,anna-1,2026-Q3,,,,,,", "patient_id", "identifier-shape", never=["PPPPP"],
     says=["patient_id is not a pseudonym of 1 to 64 characters out of A-Z a-z 0-9 _ -."])
each("id-blanks", "Ids with blanks.", "fittings", ["P 2", " P2", "P2 ", "P2\u00a0", "\u2003", "P2\t"],
     "F{n},{value},north,anna-1,2026-Q3,,,,,,", "patient_id", "identifier-shape")
each("id-signs", "Ids with signs, like a path, like a formula, like markup.", "fittings",
     ["../x", "..", "a/b", "a\\b", "=1+1", "<b>P2</b>", "P2;--", "{column}", "%s", "P2'"],
     "F{n},{value},north,anna-1,2026-Q3,,,,,,", "patient_id", "identifier-shape", never=["../x", "<b>", "%s", "=1+1"])
each("id-other-letters", "Ids of other letters, and pictures.", "fittings", ["P\u00e92", "\u041f2", "P\U0001f600", "\u202eP2", "P\u200b2"],
     "F{n},{value},north,anna-1,2026-Q3,,,,,,", "patient_id", "identifier-shape", never=["\U0001f600"])
taken("id-odd-and-right", "Ids of signs alone, of 64 letters, and such as a spreadsheet takes for numbers.",
      {"fittings.csv": rows("fittings", "-,_,--,__,2026-Q3,,,,,,", "F" * 64 + "," + "P" * 64 + ",north,anna-1,2026-Q3,,,,,,",
                            "1E5,007,1-2,TRUE,2026-Q3,,,,,,")}, fittings=(4, 4, 0, 0))
for table, template, column in (("fittings", "F2,P2,{value},anna-1,2026-Q3,,,,,,", "clinic_id"),
                                ("ears", "{value},left,true,,,,", "fitting_id"),
                                ("responses", "{value},left,first,REIG,65,500,,14", "fitting_id"),
                                ("outcomes", "{value},ioi-ha,4,5,", "fitting_id")):
    each(f"id-blank-in-{table}", "An id that is not there.", table, [""], template, column, "required",
         says=[f"{column} is blank, and it is required."])

WORD = "is none of the words it takes"
for name, why, table, values, template, column in (
    ("ear", "Other words for the ears.", "ears", ["R", "L", "LEFT", "Left", "both", "1", "left "], "F1,{value},true,,,,", "ear"),
    ("fitted", "Other words for yes and no.", "ears", ["yes", "1", "TRUE", "True", "x", "0"], "F1,left,{value},,,,", "fitted"),
    ("coupling", "Another coupling.", "ears", ["dome", "Open"], "F1,left,true,,,{value},", "coupling"),
    ("stage", "Another stage.", "responses", ["last", "FINAL", "2"], "F1,left,{value},REIG,65,500,,14", "stage"),
    ("quantity", "Another quantity.", "responses", ["reig", "REUG", "gain"], "F1,left,first,{value},65,500,,14", "quantity"),
    ("experience", "Another experience.", "fittings", ["NEW", "some"], "F{n},P{n},north,anna-1,2026-Q3,,{value},,,,", "experience"),
    ("referral", "Another referral.", "fittings", ["yes", "ENT"], "F{n},P{n},north,anna-1,2026-Q3,,,,{value},,", "medical_referral"),
    ("returned", "Another word for returned.", "fittings", ["no", "N"], "F{n},P{n},north,anna-1,2026-Q3,,,,,{value},", "returned"),
):
    each(f"word-{name}", why, table, values, template, column, "unknown-word", says=[f"{column} {WORD}"])

each("instrument-unknown", "Instruments that nobody declared.", "outcomes", ["IOI-HA", "ioi_ha", "sales"],
     "F1,{value},4,5,", "instrument", "unknown-instrument", says=["instrument is neither built in (ioi-ha, use-log) nor declared in the plan."])
each("item-unknown", "Items that the instrument does not have.", "outcomes", ["0", "8", "4.0", "04", "hours_per_day"],
     "F1,ioi-ha,{value},5,", "item", "unknown-item", says=["item is not an item of its instrument."])
each("score-out-of-range", "Scores outside the instrument's range.", "outcomes", ["0", "6", "5.001", "-4"],
     "F1,ioi-ha,5,{value},", "score", "out-of-range", says=["score is outside its range (the range of its instrument)."])
each("score-not-whole", "Half a point where there are none.", "outcomes", ["4.5", "4.01"], "F1,ioi-ha,5,{value},", "score", "not-whole")
each("score-no-number", "Scores in words.", "outcomes", ["good", "4/5", "\u2605\u2605\u2605"], "F1,ioi-ha,5,{value},", "score", "not-a-number")
each("weeks-out-of-range", "Weeks before the fitting, and of more than ten years.", "outcomes", ["-1", "520.5", "99999999999999999999"],
     "F1,ioi-ha,5,4,{value}", "weeks_after", "out-of-range")
