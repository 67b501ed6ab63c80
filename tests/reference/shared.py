"""What the families of reference values share: the tables in data/, the rows they add, precision and versions."""

from pathlib import Path

import mpmath
import numpy
import scipy
import statsmodels
from mpmath import mp

HERE = Path(__file__).resolve().parent
COLUMNS = ["case", "quantity", "value", "tool", "version", "call"]
VERSION = {library.__name__: library.__version__ for library in (mpmath, numpy, scipy, statsmodels)}

# Digits of everything by mpmath, unless a family asks for more where it needs them.
mp.dps = 40
# Half the width of a 95 % interval in standard errors.
Z = scipy.stats.norm.ppf(0.975)


class Rows(list):
    """The rows of one family, in the order of `COLUMNS`."""

    def add(self, case, quantity, value, tool, call):
        """Keeps one value, printed so that reading it gives the same f64."""
        if any(row[:2] == [case, quantity] for row in self):
            raise ValueError(f"{case}, {quantity} twice")
        self.append([case, quantity, repr(float(value)), tool, VERSION[tool], call])


def table(name):
    """The rows of one file in data/ as text, comments left out."""
    lines = (HERE / "data" / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return [line.split(",") for line in lines if line and not line.startswith("#")]


def groups(name):
    """A table of label and value as lists by label, in order of appearance."""
    found = {}
    for label, value in table(name):
        found.setdefault(label, []).append(float(value))
    return found


def numbers(name):
    """A table of numbers alone, a row a row."""
    return numpy.array(table(name), dtype=float)
