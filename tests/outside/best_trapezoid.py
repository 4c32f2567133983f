"""The best single trapezoid that a motor can do, by search with scipy.

    best_trapezoid.py JOB.json

The job holds `speed_rad_s` and `torque_nm` (the pull-out curve at the motor's shaft,
straight between its points), `margin`, `tolerance` of the clock, `rotor_inertia`,
`load_inertia`, `friction` (at the motor's shaft, without losses), `efficiency`,
`distances_rad` and, where there is one, `top_rad_s`. A trapezoid up to the speed v may use
what the torque leaves at every speed up to v:

    a(v) = min over w <= v of a with  J a + (J_L a + F)/eta = T(w) (1 - margin)
    d(v) = min over w <= v of d with  J d + (J_L d - F) eta  = T(w) (1 - margin)

(friction helps to brake; eta the other way round while the load drives). Prints for each
distance the least time of trapezoids with one acceleration for both ramps, and with an
own one for each.
"""

import json
import sys

import numpy as np
from scipy.optimize import minimize_scalar

with open(sys.argv[1], encoding="utf-8") as file:
    job = json.load(file)

fast = 1 + job["tolerance"]
speeds = np.linspace(0, min(job.get("top_rad_s") or np.inf, job["speed_rad_s"][-1]), 20001)
torque = np.interp(speeds * fast, job["speed_rad_s"], job["torque_nm"]) * (1 - job["margin"])
rotor, load = job["rotor_inertia"], job["load_inertia"]
friction, eta = job["friction"], job["efficiency"]
up = (torque - friction / eta) / (rotor + load / eta)
# While J_L d < F it is still the motor that drives the load, with its losses.
down = np.where(
    torque * load < rotor * friction,
    (torque + friction / eta) / (rotor + load / eta),
    (torque + friction * eta) / (rotor + load * eta),
)
up, down = (np.minimum.accumulate(np.maximum(able, 0)) / fast**2 for able in (up, down))


def time(distance, speed, accel, decel):
    if accel <= 0 or decel <= 0:
        return 1e9
    peak = min(speed, (2 * distance * accel * decel / (accel + decel)) ** 0.5)
    ramps = peak / accel + peak / decel
    return ramps + (distance - peak * ramps / 2) / peak


def best(distance, both_alike):
    def at(speed):
        accel, decel = np.interp(speed, speeds, up), np.interp(speed, speeds, down)
        if both_alike:
            accel = decel = min(accel, decel)
        return time(distance, speed, accel, decel)

    grid = np.append(speeds[1::20], speeds[-1])
    start = min(range(len(grid)), key=lambda i: at(grid[i]))
    low, high = grid[max(start - 2, 0)], grid[min(start + 2, len(grid) - 1)]
    found = minimize_scalar(at, bounds=(low, high), method="bounded")
    return min(found.fun, at(grid[start]))


for distance in job["distances_rad"]:
    print(best(distance, True), best(distance, False))
