#!/usr/bin/env python3
"""Where a rotor ends that loses synchronism on a long move, integrated with scipy.

The medium motor of motor_model.py without detent or load, two phases on at its rated voltage:
1667 full steps, a trapezoid with ramps of 500 steps/s^2 up to a cruising speed, or as far as the
steps let it (913 steps/s). Step k falls on the tick of a timer of 1 MHz nearest to where the ideal
position is k - 1/2. After the last step the rotor is followed for two seconds. DOP853, which
restarts at each step.

Each move is integrated with two tolerances and with a rotor that starts a thousandth of a radian
(electrical) off either way: where steps are lost the spread shows what hangs on the last digits.
The ticks matter more. Where the motion is unstable their rounding feeds the swing all the time,
so that synchronism is lost earlier than with exact times ("without_ticks").
"""

import json
import math

from scipy.integrate import solve_ivp

from motor_model import Machine

STEPS, RAMP, TICK = 1667, 500.0, 1e-6


def step_times(cruise):
    """Times (s) of the steps."""
    peak = min(cruise, math.sqrt(STEPS * RAMP))
    ramp = peak / RAMP
    half_way = peak * ramp / 2
    flat = (STEPS - 2 * half_way) / peak
    times = []
    for step in range(1, STEPS + 1):
        at = step - 0.5
        if at < half_way:
            times.append(math.sqrt(2 * at / RAMP))
        elif at < STEPS - half_way:
            times.append(ramp + (at - half_way) / peak)
        else:
            times.append(2 * ramp + flat - math.sqrt(2 * (STEPS - at) / RAMP))
    return times


def lost_steps(cruise, tolerance=1e-8, off=0.0, tick=TICK):
    """Full steps by which the rotor ends short. It starts off by `off` (electrical radians)."""
    m = Machine("medium", "two-phase", detent=False)
    teeth = 50

    def slope(_, y, va, vb):
        ia, ib, angle, speed = y
        s, c = math.sin(teeth * angle), math.cos(teeth * angle)
        return [(va - m.R * ia + m.K * speed * s) / m.L, (vb - m.R * ib - m.K * speed * c) / m.L,
                speed, m.K * (ib * c - ia * s) / m.J]

    va, vb = m.demand(0)
    y, t = [va / m.R, vb / m.R, (m.angle(0) + off) / teeth, 0.0], 0.0
    times = step_times(cruise)
    if tick:
        times = [round(time / tick) * tick for time in times]
    for step, until in enumerate(times + [times[-1] + 2.0]):
        va, vb = m.demand(step)
        run = solve_ivp(slope, (t, until), y, "DOP853", args=(va, vb), rtol=tolerance,
                        atol=1e-3 * tolerance)
        y, t = run.y[:, -1], until
    return round((m.angle(STEPS) - teeth * y[2]) / (2 * math.pi)) * 4


def case(cruise):
    return {
        "cruise": cruise,
        "lost_steps": [
            lost_steps(cruise),
            lost_steps(cruise, tolerance=1e-10),
            lost_steps(cruise, off=1e-3),
            lost_steps(cruise, off=-1e-3),
        ],
        "without_ticks": lost_steps(cruise, tick=None),
    }


def main():
    cases = [case(cruise) for cruise in (500.0, 600.0, 700.0, 800.0, 900.0, 1000.0)]
    print(json.dumps({"steps": STEPS, "ramp": RAMP, "tick_s": TICK, "cases": cases}, indent=1))


main()
