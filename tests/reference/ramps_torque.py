"""Least times of full-torque ramps on a fine grid.

Prints what redo keeps in ramps_torque.json: ten problems, each with a torque curve, a
load, limits, and the least time over a distance; where neither acceleration nor jerk is
limited, that of the best trapezoid too.

At the speed w the motor can accelerate by a(w) = (T(w) (1 - margin) - Tf)/J and slow
down by d(w) = (T(w) (1 - margin) + Tf)/J. Without a jerk limit the least time is that
of running up along a, cruising at the speed limit if it is reached, and down along d:
times are integrals of dw/a, distances of w dw/a, here by the trapezoidal rule over
200,000 intervals, the peak speed by bisection. With a jerk limit j, da/dt = a da/dw
limits the slope of a^2 over w to 2 j; a^2 is cut back to the highest curve of that
slope that also vanishes at both ends of the ramp, on the same grid.

The torque curve of the first five problems is that of a current-regulated motor by
the rule V1 = V (4/pi - (4/pi - 1)(T/(K I))^4.5), solved for T by bisection; the other
five have made-up curves, one of them with a step. All are given as tables that are to
be interpolated linearly.
"""

import json
import math
import random

import numpy

GRID = 200_000


def regulated(speed, teeth, resistance, inductance, constant, current, supply):
    """Pull-out torque of a regulated current under a voltage ceiling."""
    electrical = teeth * speed
    square = resistance**2 + (electrical * inductance) ** 2
    # All currents (direct, quadrature) that the voltage V1 allows lie in a circle.
    centre = (
        -electrical * inductance * constant * speed / square,
        -resistance * constant * speed / square,
    )

    def torque(voltage):
        radius = voltage / math.sqrt(square)
        if math.hypot(centre[0], centre[1] + radius) <= current:
            return constant * (centre[1] + radius)
        if math.hypot(centre[0], current - centre[1]) <= radius:
            return constant * current
        apart = math.hypot(*centre)
        along = (current**2 - radius**2 + apart**2) / (2 * apart)
        if apart > radius + current or along**2 > current**2:
            return 0.0
        aside = math.sqrt(current**2 - along**2)
        x, y = centre[0] / apart, centre[1] / apart
        return constant * max(along * y + aside * x, along * y - aside * x)

    low, high = 0.0, constant * current
    for _ in range(60):
        middle = (low + high) / 2
        share = (middle / (constant * current)) ** 4.5
        if torque(supply * (4 / math.pi - (4 / math.pi - 1) * share)) >= middle:
            low = middle
        else:
            high = middle
    return low


def cut(squared, step, jerk):
    """The highest curve below with a slope of at most 2 j that starts at zero."""
    slope = 2 * jerk * step
    rise = slope * numpy.arange(len(squared))
    curve = numpy.minimum(squared, rise)
    curve = numpy.minimum.accumulate(curve - rise) + rise
    back = curve[::-1]
    return (numpy.minimum.accumulate(back - rise) + rise)[::-1]


def ramp(problem, sign, peak):
    """Distance and time of one ramp between rest and the peak speed."""
    speeds = numpy.linspace(0, peak, GRID + 1)
    curve = problem["curve"]
    torque = numpy.interp(speeds, [row[0] for row in curve], [row[1] for row in curve])
    able = (torque * (1 - problem["margin"]) - sign * problem["friction"]) / problem["inertia"]
    able = numpy.minimum(able, problem["accel"] or math.inf)
    if able.min() <= 0:
        return math.inf, math.inf
    squared = able**2
    if problem["jerk"]:
        step = speeds[1]
        squared = cut(squared, step, problem["jerk"])
        squared = numpy.minimum(squared, 2 * problem["jerk"] * (peak - speeds))
        squared[0] = squared[-1] = 0
    root = numpy.sqrt(squared)
    # Between two nodes a^2 is a straight line: 2 dw/(a1 + a2) is exact.
    times = 2 * numpy.diff(speeds) / (root[1:] + root[:-1])
    means = speeds[:-1] + times * (2 * root[:-1] + root[1:]) / 6
    return float((times * means).sum()), float(times.sum())


def least_time(problem):
    """The least time over the distance of the problem."""

    def both(peak):
        ramps = [ramp(problem, sign, peak) for sign in (1, -1)]
        return ramps[0][0] + ramps[1][0], ramps[0][1] + ramps[1][1]

    low, high = 0.0, problem["speed"]
    if both(high)[0] > problem["distance"]:
        while high - low > 1e-9 * high:
            middle = (low + high) / 2
            if both(middle)[0] > problem["distance"]:
                high = middle
            else:
                low = middle
    else:
        low = high
    distance, time = both(low)
    return time + (problem["distance"] - distance) / low


def best_trapezoid(problem):
    """The least time of one acceleration up and down that the torque allows at each speed."""
    speeds = numpy.linspace(0, problem["speed"], GRID + 1)
    curve = problem["curve"]
    torque = numpy.interp(speeds, [row[0] for row in curve], [row[1] for row in curve])
    able = (torque * (1 - problem["margin"]) - problem["friction"]) / problem["inertia"]
    # What every speed up to a peak allows; friction only helps on the way down.
    able = numpy.minimum.accumulate(able)[1:]
    peaks = speeds[1:][able > 0]
    able = able[able > 0]
    # Of a peak beyond sqrt(a d) only this speed is reached.
    peaks = numpy.minimum(peaks, numpy.sqrt(able * problem["distance"]))
    return float((problem["distance"] / peaks + peaks / able).min())


def problems():
    # The motor of profiles/motors/frame57-medium.yaml.
    constant = 1.2 / (math.sqrt(2) * 2.8)
    speeds = [540 * k / 360 for k in range(361)]
    curve = [
        [w, regulated(w, 50, 1.1, 0.0035, constant, 2.8 * math.sqrt(2), 36.0)] for w in speeds
    ]
    for distance in (0.3, math.pi, 4 * math.pi, 20 * math.pi, 100 * math.pi):
        yield {
            "curve": curve,
            "inertia": 9e-5,
            "friction": 0.12,
            "margin": 0.3,
            "distance": distance,
            "speed": 530.0,
            "accel": None,
            "jerk": None,
        }
    dice = random.Random(4711)
    for kind in range(5):
        corner = dice.uniform(40, 120)
        torque = dice.uniform(0.2, 2)
        rows = []
        for k in range(241):
            w = corner * 6 * k / 240
            fall = torque / (1 + (w / corner) ** dice.choice([1.5, 1.5]))
            rows.append([w, fall])
        if kind == 3:
            rows = [[w, t * (0.785 if w < corner / 3 else 1)] for w, t in rows]
        inertia = torque / dice.uniform(2e3, 1e4)
        ease = torque / inertia
        yield {
            "curve": rows,
            "inertia": inertia,
            "friction": torque * dice.uniform(0, 0.04),
            "margin": 0.25,
            "distance": corner**2 / ease * 10 ** dice.uniform(-0.5, 2.0),
            "speed": corner * dice.uniform(2, 3.5),
            "accel": 0.4 * ease if kind in (1, 4) else None,
            "jerk": ease**2 / corner * dice.uniform(0.5, 4) if kind in (2, 3, 4) else None,
        }


def main():
    entries = [{**problem, "least_time": least_time(problem)} for problem in problems()]
    for entry in entries:
        if not (entry["accel"] or entry["jerk"]):
            entry["best_trapezoid"] = best_trapezoid(entry)
    about = "Least times of full-torque moves on a fine grid; made by ramps_torque.py"
    print(json.dumps({"about": about, "entries": entries}))


if __name__ == "__main__":
    main()
