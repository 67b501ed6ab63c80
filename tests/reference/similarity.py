"""Average-linkage clustering: heights, sizes and members of every join."""

import math

from scipy.cluster.hierarchy import linkage

from shared import numbers

# Forty points of ten values without two equal distances; the formula stands in the Rust test too.
WAVES = [[math.floor(1000 * math.sin(1 + i * i / 7 + j / 3)) / 100 + (3 * i) % 5 for j in range(10)] for i in range(40)]


def rows(add):
    for case, points in (("longley", numbers("longley")), ("waves", WAVES)):
        for place, (left, right, height, size) in enumerate(linkage(points, method="average", metric="euclidean")):
            for quantity, value in (("left", left), ("right", right), ("height", height), ("size", size)):
                add(case, f"{quantity} {place}", value, "scipy", "cluster.hierarchy.linkage(points; method=average)")
