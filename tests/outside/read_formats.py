"""Reads one schedule in three formats with readers that are not ours (Python's csv and
json modules, vcdvcd from PyPI) and compares what they found.

usage: read_formats.py SCHEDULE.csv SCHEDULE.json SCHEDULE.vcd PULSE_TICKS UNITS_A_TICK
"""

import csv
import json
import sys
from fractions import Fraction

from vcdvcd import VCDVCD

csv_path, json_path, vcd_path, pulse, units = sys.argv[1:]
pulse, units = int(pulse), int(units)

with open(csv_path, newline="", encoding="utf-8") as file:
    rows = list(csv.DictReader(file))
assert rows[0]["event"] == "unchecked" and rows[0]["value"], rows[0]
failure = rows.pop(0)["value"]

with open(json_path, encoding="utf-8") as file:
    document = json.load(file)
assert document["unchecked"] == failure
events = [
    {
        "tick": str(event["tick"]),
        "event": event["event"],
        "name": event["name"] or "",
        "value": "" if event["value"] is None else str(event["value"]),
    }
    for event in document["events"]
]
assert events == rows, next(pair for pair in zip(events, rows) if pair[0] != pair[1])
for axis, count in document["steps"].items():
    assert count == sum(row["event"] == "step" and row["name"] == axis for row in rows)

vcd = VCDVCD(vcd_path)
assert Fraction(vcd.timescale["timescale"]).limit_denominator(10**15) * units == Fraction(
    1 / document["tick_rate_hz"]
).limit_denominator(10**15), vcd.timescale


def rows_of(event, name):
    return [row for row in rows if row["event"] == event and row["name"] == name]


for axis in document["axes"]:
    edges = vcd[f"slewsmith.step_{axis}"].tv
    expected = [(0, "0")]
    for row in rows_of("step", axis):
        rise = int(row["tick"]) * units
        expected += [(rise, "1"), (rise + pulse * units, "0")]
    assert edges == expected, (axis, len(edges), len(expected))
    edges = vcd[f"slewsmith.direction_{axis}"].tv
    levels = {"1": "1", "-1": "0"}
    expected = [(int(row["tick"]) * units, levels[row["value"]]) for row in rows_of("direction", axis)]
    assert edges[1:] == expected and edges[0][1] == "x", (edges[:3], expected[:3])
edges = vcd["slewsmith.output_lamp"].tv
expected = [(int(row["tick"]) * units, row["value"]) for row in rows_of("output", "lamp")]
assert edges == [(0, "0")] + expected, (edges, expected)
print(len(rows))
