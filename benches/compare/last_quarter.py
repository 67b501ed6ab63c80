"""Parts a delivery in two: the fittings of its last quarter, and those before.

    python last_quarter.py DELIVERY BEFORE LAST
"""

import sys
from pathlib import Path

import polars as pl


def main():
    delivery, before, last = map(Path, sys.argv[1:])
    # Every value stays the text that it is.
    scan = lambda table: pl.scan_csv(delivery / f"{table}.csv", infer_schema=False)
    # A date, a month or a quarter: 2026-08-17, 2026-08, 2026-Q3.
    year, within = pl.col("fitted_on").str.head(4).cast(pl.Int32), pl.col("fitted_on").str.slice(5, 2)
    month = pl.when(within.str.starts_with("Q")).then(3 * within.str.tail(1).cast(pl.Int32, strict=False))
    month = month.otherwise(within.cast(pl.Int32, strict=False))
    of_last = scan("fittings").select("fitting_id", quarter=year * 4 + (month - 1) // 3)
    of_last = of_last.filter(pl.col("quarter") == pl.col("quarter").max()).select("fitting_id").collect().lazy()
    for folder, how in ((before, "anti"), (last, "semi")):
        folder.mkdir(parents=True)
        for table in ("fittings", "ears", "responses", "outcomes"):
            scan(table).join(of_last, on="fitting_id", how=how, maintain_order="left").sink_csv(folder / f"{table}.csv")


if __name__ == "__main__":
    main()
