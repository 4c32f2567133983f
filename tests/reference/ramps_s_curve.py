"""Least times of S-curves by linear programming.

Prints what redo keeps in ramps_s_curve.json. For each of 40 random problems (distance,
end speeds, limits of speed, acceleration, deceleration and jerk; no acceleration at
the ends) it gives a time that no motion within the limits can beat.

The bound is rigorous. Of a motion of duration T only its speeds at n + 1 even times are
kept, with what the limits say about them:

    0 <= v_k <= v_max
    -d h <= v_(k+1) - v_k <= a h
    |v_(k+1) - 2 v_k + v_(k-1)| <= j h^2           (the mean of the jerk over 2 h)
    |v_1 - v_0| <= j h^2 / 2, the same at the end    (no acceleration there)

and the trapezoidal rule misses the distance by at most T j h^2 / 12, since the second
derivative of the speed is the jerk. The largest distance of this relaxation, solved by
HiGHS through scipy, lies above what any motion can travel in T; the bound is the T at
which it equals the distance that is wanted, found by bisection.
"""

import json
import math
import random

import numpy
from scipy.optimize import linprog
from scipy.sparse import diags, vstack

# The distance that the trapezoidal rule may miss, as a share of the whole.
MISSED = 5e-5


def farthest(problem, time, n):
    """The largest distance of the relaxation with n intervals in that time, or none."""
    h = time / n
    first = diags([-numpy.ones(n), numpy.ones(n)], [0, 1], shape=(n, n + 1))
    second = diags(
        [numpy.ones(n - 1), -2 * numpy.ones(n - 1), numpy.ones(n - 1)],
        [0, 1, 2],
        shape=(n - 1, n + 1),
    )
    bend = problem["jerk"] * h * h
    rise = numpy.full(n, problem["accel"] * h)
    fall = numpy.full(n, problem["decel"] * h)
    rise[0] = min(rise[0], bend / 2)
    fall[0] = min(fall[0], bend / 2)
    rise[-1] = min(rise[-1], bend / 2)
    fall[-1] = min(fall[-1], bend / 2)
    weights = numpy.full(n + 1, h)
    weights[0] = weights[-1] = h / 2
    bounds = [(0, problem["speed"])] * (n + 1)
    bounds[0] = (problem["start"],) * 2
    bounds[-1] = (problem["end"],) * 2
    result = linprog(
        -weights,
        A_ub=vstack([first, -first, second, -second]).tocsc(),
        b_ub=numpy.concatenate([rise, fall, numpy.full(2 * (n - 1), bend)]),
        bounds=bounds,
        method="highs",
    )
    if result.status != 0:
        return None
    return -result.fun + time * bend / 12


def bisected(problem, n, low, high):
    """The least time between two times that the relaxation allows."""
    while high - low > 1e-7 * high:
        middle = (low + high) / 2
        reached = farthest(problem, middle, n)
        if reached is not None and reached >= problem["distance"]:
            high = middle
        else:
            low = middle
    return low


def least_time(problem):
    """A time that cannot be beaten."""
    low, high = problem["distance"] / problem["speed"], 1.0
    while (farthest(problem, high, 200) or 0.0) < problem["distance"]:
        high *= 2
    coarse = bisected(problem, 200, low, high)
    wanted = coarse**3 * problem["jerk"] / (12 * MISSED * problem["distance"])
    return bisected(problem, max(200, math.ceil(math.sqrt(wanted))), coarse * 0.999, coarse * 1.02)


def ramp(problem, limit):
    """Distance between the end speeds at that acceleration limit."""
    gain = abs(problem["end"] - problem["start"])
    if gain >= limit**2 / problem["jerk"]:
        time = gain / limit + limit / problem["jerk"]
    else:
        time = 2 * math.sqrt(gain / problem["jerk"])
    return time * (problem["start"] + problem["end"]) / 2


def problems():
    """Random problems that have a solution."""
    dice = random.Random(20240917)
    found = []
    while len(found) < 40:
        speed = 10 ** dice.uniform(0, 4)
        accel = speed * 10 ** dice.uniform(-0.5, 1.5)
        problem = {
            "distance": speed * 10 ** dice.uniform(-1.5, 1.0),
            "start": dice.choice([0.0, speed * dice.random()]),
            "end": dice.choice([0.0, speed * dice.random()]),
            "speed": speed,
            "accel": accel,
            "decel": accel * 10 ** dice.uniform(-0.5, 0.5),
            "jerk": accel**2 / speed * 10 ** dice.uniform(-0.5, 1.5),
        }
        rising = problem["end"] > problem["start"]
        limit = problem["accel"] if rising else problem["decel"]
        if ramp(problem, limit) < 0.98 * problem["distance"]:
            found.append(problem)
    return found


def main():
    entries = [{**problem, "least_time": least_time(problem)} for problem in problems()]
    about = (
        "Times that no S-curve can beat, by linear programming (HiGHS through scipy); "
        "made by ramps_s_curve.py"
    )
    print(json.dumps({"about": about, "entries": entries}, indent=1))


if __name__ == "__main__":
    main()
