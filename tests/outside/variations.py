"""Works out the share, its interval and the rank correlations of a study with scipy.

    variations.py LINES RESULT

LINES are the draws (`check --variations N --part 1/1`), RESULT the output of
`check --variations N --json`. Prints `agrees` or what differs.
"""

import json
import sys

import numpy as np
from scipy import stats

lines = [json.loads(line) for line in open(sys.argv[1], encoding="utf-8")]
result = json.load(open(sys.argv[2], encoding="utf-8"))["variations"]
study, draws = lines[0], lines[1:]


def same(what, ours, theirs):
    if ours is None or not np.isclose(ours, theirs, rtol=1e-6, atol=1e-7):
        sys.exit(print(f"{what}: {ours}, and scipy says {theirs}"))


passed = sum(draw["ok"] for draw in draws)
interval = stats.binomtest(passed, len(draws)).proportion_ci(method="wilson")
same("passed", result["passed"], passed)
same("lower end", result["share_low"], interval.low)
same("upper end", result["share_high"], interval.high)
margins = np.array([draw["torque_margin"] for draw in draws])
lags = np.array([draw["peak_lag_electrical_deg"] for draw in draws])
same("5th percentile", result["torque_margin_5"], np.percentile(margins, 5))
same("95th percentile", result["peak_lag_electrical_deg_95"], np.percentile(lags, 95))
for place, value in enumerate(result["values"]):
    drawn = np.array([draw["values"][place] for draw in draws])
    for key, found in [("rank_correlation_margin", margins), ("rank_correlation_lag", lags)]:
        same(f"{value['value']} {key}", value[key], stats.spearmanr(drawn, found).statistic)
assert len(study["varied"]) == len(result["values"]) >= 10
print("agrees")
