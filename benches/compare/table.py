"""The table of run.sh: times, ratios and peak memory, what answers were compared, and the targets.

    python table.py TIMES.tsv AGREED.tsv REQUIREMENTS [R] [--write docs/performance.md]

Writes between the two marks of the page, or prints.
"""

import csv
import os
import re
import subprocess
import sys
from pathlib import Path

BEGIN, END = "<!-- compare:begin -->", "<!-- compare:end -->"
REPLICATES = 2000
MOST = 4 * 1024  # MiB
MILLION, TEN_MILLIONS = 1_000_000, 10_000_000


class Times:
    """Seconds and MiB by fittings, step and program."""

    def __init__(self, path):
        self.rows = []
        for size, step, program, wall, memory, replicate in csv.reader(open(path), delimiter="\t"):
            wall, memory = (None, None) if wall == "failed" else (int(wall) / 1e6, int(memory) / 1024)
            # Nobody waits for 2000 of them: what is left is reckoned from what one took.
            some = re.fullmatch(r"(.*), (\d+) replicates", program)
            if some and wall is not None and replicate:
                wall += (REPLICATES - int(some[2])) * float(replicate)
                program = f"{some[1]}, {REPLICATES} replicates, reckoned from {some[2]}"
            self.rows.append((int(size), step, program, wall, memory))
        self.by_key = {row[:3]: row[3:] for row in self.rows}

    def seconds(self, size, step, program):
        """Of the one program that begins so; none where it was not run or failed."""
        found = [wall for (s, t, p), (wall, _) in self.by_key.items() if (s, t) == (size, step) and p.startswith(program)]
        return found[-1] if found else None

    def ours(self, size, step):
        if step == "rank correlations":
            return self.seconds(size, "query association", "fitcohort")
        return self.seconds(size, step, "fitcohort")

    def sizes(self, step):
        return sorted({size for size, t, _, _, _ in self.rows if t == step})


def short(seconds):
    if seconds is None:
        return "failed"
    if seconds < 0.1:
        return f"{seconds * 1000:.1f} ms"
    return f"{seconds:.2f} s" if seconds < 100 else f"{seconds:,.0f} s"


def times_table(times):
    lines = ["| fittings or rows | step | program | time | times ours | peak MiB |", "|---:|---|---|---:|---:|---:|"]
    for size, step, program, wall, memory in times.rows:
        ours = times.ours(size, step)
        ratio = "" if not ours or wall is None or program.startswith("fitcohort") else f"{wall / ours:.2f}"
        lines.append(f"| {size:,} | {step} | {program} | {short(wall)} | {ratio} | {'' if memory is None else f'{memory:,.0f}'} |")
    return lines


def agreement(path):
    lines = ["| fittings or rows | program | agrees | what was held against ours |", "|---:|---|---|---|"]
    return lines + [f"| {int(size):,} | {program} | {agrees} | {words} |"
                    for size, program, agrees, words in csv.reader(open(path), delimiter="\t")]


def targets(times):
    """What, target, seen, met: for the size the target names, or the largest below it that was run."""
    def at(step, size):
        there = [s for s in times.sizes(step) if s <= size]
        return there[-1] if there else None

    lines = ["| what | target | seen | at | met |", "|---|---|---|---:|---|"]

    def add(what, target, value, met, size, named, unit=""):
        if value is None:
            lines.append(f"| {what} | {target} | not run | | |")
            return
        verdict = "yes" if met(value) else "no"
        # Said at another size than the target's, a verdict is a hint.
        verdict = verdict if size == named else f"({verdict})"
        lines.append(f"| {what} | {target} | {value:,.2f}{unit} | {size:,} | {verdict} |")

    def ratio(step, size, one, other):
        a, b = (times.ours(size, step) if p == "ours" else times.seconds(size, step, p) for p in (one, other))
        return a / b if a and b else None

    size = at("ingest", MILLION)
    add("ingest against parse and drop on one core", "at most 2 times it", ratio("ingest", size, "ours", "csv crate"), lambda x: x <= 2, size, MILLION)
    for what, program, limit in (("pandas reading the same CSV", "pandas: read", 1), ("Polars, CSV to Parquet", "polars", 1.5),
                                 ("DuckDB, CSV to Parquet", "duckdb", 2)):
        add(f"{what}, against ingest", f"at least {limit} times ours" if limit > 1 else "more than ours",
            ratio("ingest", size, program, "ours"), lambda x, limit=limit: x > 1 if limit == 1 else x >= limit, size, MILLION)
    size = at("grouped tables", MILLION)
    add("DuckDB over long Parquet, against grouped tables", "at least 3 times ours", ratio("grouped tables", size, "duckdb", "ours"), lambda x: x >= 3, size, MILLION)
    add("grouped tables against a scan of their columns", "at most 3 times it", ratio("grouped tables", size, "ours", "scan"), lambda x: x <= 3, size, MILLION)
    size = at("reml", MILLION)
    add("lme4, REML with 6 covariates", "at least 50 times ours", ratio("reml", size, "R:", "ours"), lambda x: x >= 50, size, MILLION)
    size = at("proportional_odds", MILLION)
    for what, program in (("MASS::polr", "R:"), ("OrderedModel", "statsmodels")):
        add(f"{what}, 8 covariates, clustered errors", "at least 20 times ours", ratio("proportional_odds", size, program, "ours"), lambda x: x >= 20, size, MILLION)
    size = at("replicates", MILLION)
    add("a replicate of SciPy's rho, bootstrap and permutation", "at least 100 times ours", ratio("replicates", size, "SciPy, 2000", "ours"), lambda x: x >= 100, size, MILLION)
    size = at("reports", MILLION)
    add("pandas, SciPy and matplotlib, against three reports", "more than 10 times ours", ratio("reports", size, "pandas, SciPy, matplotlib, 2000", "ours"), lambda x: x > 10, size, MILLION)
    for step in ("ingest", "reports"):
        size = at(step, TEN_MILLIONS)
        memory = times.by_key.get((size, step, "fitcohort"), (None, None))[1]
        add(f"peak memory, {step}", "under 4096 MiB", memory, lambda x: x < MOST, size, TEN_MILLIONS, " MiB")
    size = at("one more quarter", TEN_MILLIONS)
    add("a quarter onto those before, against alone", "grows with the quarter: near 1",
        ratio("one more quarter", size, "fitcohort, onto", "fitcohort, into"), lambda x: x <= 1.5, size, TEN_MILLIONS)
    for step, what, limit in (("start", "--help", 10), ("small query", "query match", 150)):
        wall = times.seconds(5000, step, "fitcohort")
        add(f"{what}, 5000 fittings", f"under {limit} ms", wall and wall * 1000, lambda x, limit=limit: x < limit, 5000, 5000, " ms")
    return lines


def machine(requirements, with_r):
    """The machine and the versions, without names."""
    model = re.search(r"model name\s*:\s*(.*)", Path("/proc/cpuinfo").read_text())
    memory = int(re.search(r"MemTotal:\s*(\d+)", Path("/proc/meminfo").read_text())[1]) / 1024**2
    versions = [line.strip().replace("==", " ") for line in open(requirements) if "==" in line]
    lines = [f"Machine: {os.cpu_count()} cores, {model[1] if model else 'processor not told'}, {memory:.0f} GiB of memory."]
    if with_r:
        words = 'cat(as.character(getRversion()), sapply(c("lme4", "MASS", "data.table", "sandwich"), function(p) as.character(packageVersion(p))))'
        r, *packages = subprocess.run(["Rscript", "-e", words], capture_output=True, text=True, check=True).stdout.split()
        versions += [f"R {r}"] + [f"{name} {version}" for name, version in zip(("lme4", "MASS", "data.table", "sandwich"), packages)]
    else:
        lines.append("R or one of data.table, lme4, MASS and sandwich is not there: its models were not run.")
    return [*lines, f"Versions: {', '.join(versions)}."]


def main():
    arguments = sys.argv[1:]
    page = Path(arguments.pop(arguments.index("--write") + 1)) if "--write" in arguments else None
    times = Times(arguments[0])
    text = "\n".join([*machine(arguments[2], "R" in arguments), "", *times_table(times), "", *agreement(arguments[1]), "", *targets(times)])
    print(text)
    if page:
        before, rest = page.read_text().split(BEGIN, 1)
        page.write_text(f"{before}{BEGIN}\n{text}\n{END}{rest.split(END, 1)[1]}")


if __name__ == "__main__":
    main()
