#!/usr/bin/env python3
"""Where a rotor with detent torque rests in microsteps, integrated with scipy.

A damped rotor on constant currents,

    J dw/dt = K (iB cos(N th) - iA sin(N th)) - Td sin(4 N th) - B w

comes to rest from the angle that is meant; the last cases have a second harmonic as well,
- T2 sin(2 N th + a), with which they stand for a motor that is measured. The currents are those of a plain sine, and those whose
angle scipy's root finder turns until the torque at the angle that is meant is zero. Sixteen
microsteps a full step; results go to standard output as JSON.
"""

import json
import math

from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from motor_model import MOTORS, N

MICROSTEPS, J = 16, MOTORS["medium"]["J"]


def pull(e, detent, second, phase):
    """Torque that pulls the rotor back at the electrical angle e (N.m)."""
    return detent * math.sin(4 * e) + second * math.sin(2 * e + phase)


def rest(k, ia, ib, harmonics, meant):
    """Electrical angle (rad) at which the rotor stands."""
    stiff = N * k * math.hypot(ia, ib)
    damping = 2 * math.sqrt(stiff * J)

    def slope(_, y):
        e = N * y[0]
        torque = k * (ib * math.cos(e) - ia * math.sin(e)) - pull(e, *harmonics)
        return [y[1], (torque - damping * y[1]) / J]

    run = solve_ivp(slope, (0.0, 60 / math.sqrt(stiff / J)), [meant / N, 0.0], "DOP853",
                    rtol=1e-11, atol=1e-13)
    return N * run.y[0, -1]


cases = []
for th, rated, peak, *harmonics in [(0.42, 1.5, 1.5, 0.017, 0, 0), (0.42, 1.5, 0.8, 0.03, 0, 0),
                                    (0.42, 1.5, 1.5, 0.02, 0.012, 0.7)]:
    k = th / (math.sqrt(2) * rated)
    worst, left, currents, rests = 0.0, 0.0, [], []
    for microstep in range(4 * MICROSTEPS):
        meant = microstep * math.pi / 2 / MICROSTEPS
        plain = peak * math.cos(meant), peak * math.sin(meant)
        rests.append(math.degrees(rest(k, *plain, harmonics, meant) / N))
        worst = max(worst, abs(math.radians(rests[-1]) * N - meant))
        turned = brentq(lambda to: k * peak * math.sin(to - meant) - pull(meant, *harmonics),
                        meant - math.pi / 2, meant + math.pi / 2, xtol=1e-14)
        set_to = peak * math.cos(turned), peak * math.sin(turned)
        left = max(left, abs(rest(k, *set_to, harmonics, meant) - meant))
        currents.append(set_to)
    cases.append(dict(holding_torque_nm=th, rated_current_a=rated, peak_current_a=peak,
                      detent_torque_nm=harmonics[0], second_nm=harmonics[1],
                      rests_deg=rests, largest_error_deg=math.degrees(worst / N),
                      corrected_error_deg=math.degrees(left / N), currents_a=currents))
print(json.dumps(dict(cases=cases), indent=1))
