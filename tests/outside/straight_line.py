"""How far axes that move together leave their straight line, from the schedule alone.

    straight_line.py SCHEDULE.csv

The moves between a mark `line` and the next mark are one line from where the axes stand
at the first to where they stand at the second. After each tick the axes have made p_i of
their n_i microsteps. They are nearest to the point s of the line where

    error = min over s of max over i |p_i - s n_i| = max over i, j |p_i n_j - p_j n_i| / (n_i + n_j)

(intervals on a line have a point in common when every two of them do: Helly's theorem).
Prints for each line its largest error in microsteps, exactly as a fraction and as a
number, and how many ticks had steps.
"""

import csv
import sys
from fractions import Fraction
from itertools import combinations, groupby


def lines(rows):
    """The steps (tick, axis, direction) of each line."""
    current = None
    for row in rows:
        if row["event"] == "mark":
            if current is not None:
                yield current
            current = [] if row["value"] == "line" else None
        elif row["event"] == "step" and current is not None:
            current.append((int(row["tick"]), row["name"], int(row["value"])))
    assert current is None, "the last line has no end"


def worst(steps):
    totals = {}
    for _, axis, way in steps:
        totals[axis] = totals.get(axis, 0) + way
    made = dict.fromkeys(totals, 0)
    # Each pair with its sizes and the largest |p_i n_j - p_j n_i| so far.
    pairs = [[i, j, abs(totals[i]), abs(totals[j]), 0] for i, j in combinations(totals, 2)]
    ticks, before = 0, -1
    for tick, together in groupby(steps, key=lambda step: step[0]):
        assert tick > before, "ticks rise"
        before = tick
        ticks += 1
        for _, axis, way in together:
            assert way * totals[axis] > 0, "an axis turns back on a line"
            made[axis] += 1
        for pair in pairs:
            i, j, n, m, most = pair
            pair[4] = max(most, abs(made[i] * m - made[j] * n))
    return max(Fraction(most, n + m) for _, _, n, m, most in pairs), ticks


with open(sys.argv[1], newline="", encoding="utf-8") as file:
    for steps in lines(csv.DictReader(file)):
        error, ticks = worst(steps)
        print(error, float(error), ticks)
