#!/usr/bin/env python3
"""Pull-out torque at the shaft of two motors with losses, integrated with scipy.

The machine of `motor_model.py` with a core-loss resistance R_m across the back-EMF e of each
phase: of the current i of a phase only i - e/R_m makes torque,

    e_A = -K w sin(N th)    e_B = K w cos(N th)
    T   = K (iB - eB/R_m) cos(N th) - K (iA - eA/R_m) sin(N th)

written phase by phase, not as a drag. The speed is held and the mean torque taken over the
best load angle; hysteresis and bearings take the constant torque Tf off. Results go to
standard output as JSON.
"""

import json
import math

import numpy as np

from motor_model import MOTORS, N, Machine, held


class Lossy(Machine):
    def __init__(self, motor, drive, core, **more):
        super().__init__(motor, drive, detent=False, **more)
        self.core, self.w = core, 0.0

    def motor_torque(self, ia, ib, th):
        s, c = np.sin(N * th), np.cos(N * th)
        ea, eb = -self.K * self.w * s, self.K * self.w * c
        return self.K * ((ib - eb / self.core) * c - (ia - ea / self.core) * s)


CASES = [
    dict(motor="medium", drive="two-phase", series=6.4, core=70.0, friction=0.015,
         rates=[350, 450, 550, 700, 850, 1000, 1200, 1400]),
    dict(motor="large", drive="wave", series=4.05, core=90.0, friction=0.2,
         rates=[180, 210, 240, 280, 320, 370, 430, 500]),
]

entries = []
for case in CASES:
    machine = Lossy(case["motor"], case["drive"], case["core"], series=case["series"])
    for rate in case["rates"]:
        machine.w = rate * math.pi / 2 / N
        entries.append(dict(
            motor=case["motor"], drive=case["drive"], series_ohm=case["series"],
            supply_v=machine.V, core_loss_resistance_ohm=case["core"],
            friction_nm=case["friction"], step_rate_hz=rate,
            torque_nm=held(machine, rate) - case["friction"]))
print(json.dumps(dict(motors=MOTORS, pull_out=entries), indent=1))
