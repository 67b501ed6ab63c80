"""Rows against each other: repeats, contradictions, rows without a parent."""

from .parts import EARS, FITTINGS, OUTCOMES, RESPONSES, SMALL, rows, taken

SAME_KEY = "Another row says something else under the same key; both are set aside."
ORPHAN = "The fitting of this row is neither in the delivery nor in the cohort"

taken("repeat-everything", "Every row three times.",
      {path: text + 2 * text.split("\n", 1)[1] for path, text in SMALL.items()},
      fittings=(3, 1, 0, 2), ears=(6, 2, 0, 4), responses=(6, 2, 0, 4), outcomes=(6, 2, 0, 4))
taken("repeat-other-spelling", "The same row in another spelling says the same.",
      {"responses.csv": rows("responses", "F1,left,,REIG,65.00,500,+15,14.0"),
       "ears.csv": rows("ears", "F1,left,true,25.0,035,open,behind"),
       "outcomes.csv": rows("outcomes", "F1,use-log,hours_per_day,7.50,6.0"),
       "fittings.csv": rows("fittings", "F1,P1,north,anna-1,2026-Q3,71,new,NAL-R,none,false,coast")},
      fittings=(2, 1, 0, 1), ears=(3, 2, 0, 1), responses=(3, 2, 0, 1), outcomes=(3, 2, 0, 1))
taken("repeat-in-another-file", "A file delivered twice under two names.",
      {"ears.csv": EARS, "ears-copy.csv": EARS, "outcomes.csv": OUTCOMES, "outcomes-copy.csv": OUTCOMES},
      ears=(4, 2, 0, 2), outcomes=(4, 2, 0, 2))
taken("contradiction-fittings", "A fitting in two versions: neither is kept, and what belongs to it is an orphan.",
      {"fittings.csv": rows("fittings", "F1,P1,north,anna-1,2026-08,72,new,NAL-R,none,false,coast")},
      aside=["fittings.csv 2 - contradiction", "fittings.csv 3 - contradiction",
             "ears.csv 2 - orphan", "ears.csv 3 - orphan", "responses.csv 2 - orphan", "responses.csv 3 - orphan",
             "outcomes.csv 2 - orphan", "outcomes.csv 3 - orphan"],
      fittings=(2, 0, 2, 0), ears=(2, 0, 2, 0), responses=(2, 0, 2, 0), outcomes=(2, 0, 2, 0), says=[SAME_KEY, ORPHAN])
taken("contradiction-ears", "An ear in two versions: its responses have no ear.",
      {"ears.csv": rows("ears", "F1,left,true,30,35,open,behind")},
      aside=["ears.csv 2 - contradiction", "ears.csv 4 - contradiction",
             "responses.csv 2 - orphan-ear", "responses.csv 3 - orphan-ear"],
      ears=(3, 1, 2, 0), responses=(2, 0, 2, 0), says=["The ear of this row has no row in the ears table that says whether it was fitted."])
taken("contradiction-responses", "A point measured twice with two values; the other point stays.",
      {"responses.csv": rows("responses", "F1,left,final,REIG,65,500,15,13")},
      aside=["responses.csv 2 - contradiction", "responses.csv 4 - contradiction"], responses=(3, 1, 2, 0), says=[SAME_KEY])
taken("contradiction-target", "A point with two targets.",
      {"responses.csv": rows("responses", "F1,left,final,REIG,65,500,,14")},
      aside=["responses.csv 2 - contradiction", "responses.csv 4 - contradiction"], responses=(3, 1, 2, 0))
taken("contradiction-outcomes", "An answer in two versions.",
      {"outcomes.csv": rows("outcomes", "F1,ioi-ha,4,2,26")},
      aside=["outcomes.csv 2 - contradiction", "outcomes.csv 4 - contradiction"], outcomes=(3, 1, 2, 0), says=[SAME_KEY])
taken("contradiction-of-three", "Two rows agree and a third does not: all three are set aside.",
      {"outcomes.csv": rows("outcomes", "F1,ioi-ha,4,5,26", "F1,ioi-ha,4,2,26")},
      aside=["outcomes.csv 2 - contradiction", "outcomes.csv 4 - contradiction", "outcomes.csv 5 - contradiction"],
      outcomes=(4, 1, 3, 0))
taken("contradiction-long-and-wide", "The long and the wide form disagree at one frequency.",
      {"responses.csv": RESPONSES,
       "responses-wide.csv": "fitting_id,ear,quantity,input_level_db,target_500,target_1000,measured_500,measured_1000\nF1,left,REIG,65,15,20,14,19\n"},
      aside=["responses-wide.csv 2 - contradiction", "responses.csv 3 - contradiction"], responses=(3, 1, 2, 0))
taken("orphan-everywhere", "Rows of a fitting that nobody delivered.",
      {"ears.csv": rows("ears", "F9,left,true,,,,"), "responses.csv": rows("responses", "F9,left,final,REIG,65,500,,14"),
       "outcomes.csv": rows("outcomes", "F9,ioi-ha,4,5,")},
      aside=["ears.csv 4 - orphan", "responses.csv 4 - orphan", "outcomes.csv 4 - orphan"],
      ears=(3, 2, 1, 0), responses=(3, 2, 1, 0), outcomes=(3, 2, 1, 0), says=[ORPHAN])
taken("orphan-of-a-bad-row", "The fitting is there and was itself set aside.",
      {"fittings.csv": FITTINGS.replace("2026-08", "last summer")},
      aside=["fittings.csv 2 fitted_on not-a-date", "ears.csv 2 - orphan", "ears.csv 3 - orphan",
             "responses.csv 2 - orphan", "responses.csv 3 - orphan", "outcomes.csv 2 - orphan", "outcomes.csv 3 - orphan"],
      never=["last summer"], fittings=(1, 0, 1, 0), ears=(2, 0, 2, 0), responses=(2, 0, 2, 0), outcomes=(2, 0, 2, 0))
taken("orphan-other-case", "An id in other letters is another id.",
      {"outcomes.csv": rows("outcomes", "f1,ioi-ha,4,5,")}, aside=["outcomes.csv 4 - orphan"], outcomes=(3, 2, 1, 0))
taken("orphan-ear-not-assessed", "A response of an ear without a row.",
      {"ears.csv": EARS.replace("F1,right,true,25,>110,vented,behind\n", ""),
       "responses.csv": rows("responses", "F1,right,final,REIG,65,500,15,14")},
      aside=["responses.csv 4 - orphan-ear"], ears=(1, 1, 0, 0), responses=(3, 2, 1, 0),
      says=["The ear of this row has no row in the ears table that says whether it was fitted."])
taken("target-without-prescription", "Targets, and nobody says by which rule.",
      {"fittings.csv": FITTINGS.replace("NAL-R", ""), "responses.csv": rows("responses", "F1,right,final,REIG,65,500,,14")},
      aside=["responses.csv 2 - target-without-prescription", "responses.csv 3 - target-without-prescription"],
      responses=(3, 1, 2, 0), says=["The row gives a target, and its fitting does not say from which prescription."])
