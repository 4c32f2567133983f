"""Logs of a made-up motor on a bench, and what scipy fits to them.

The motor exists nowhere: its values are chosen here. The logs are worked out from the
closed solutions of the equations (current rise, small swings, coasting), with noise as an
eight-bit scope has it, and written to examples/unknown-motor where they are missing or
`--write` is given. Then scipy's curve_fit fits the same logs, read from disk, and a
weighted least squares over the notes' plain readings is solved with
scipy.optimize.least_squares; both go to bench_logs.json.
"""

import json
import math
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import curve_fit, least_squares

FOLDER = Path(__file__).resolve().parents[2] / "examples" / "unknown-motor"

TEETH = 50
MOTOR = dict(
    resistance=2.1,
    inductance=4.4e-3,
    rated_current=1.2,
    torque_constant=0.194,
    rotor_inertia=48e-7,
    detent_torque=14e-3,
    damping=3e-4,
    friction=3e-3,
)
SERIES = 0.5  # ohm, the resistor across which the current is seen
RING_CURRENT = 0.8


def rounded_to_eight_bits(values, full_scale):
    step = 2 * full_scale / 256
    return np.round(values / step) * step


def write(name, heads, times, values, digits):
    lines = [",".join(heads)]
    lines += [f"{t:.7f},{v:.{digits}f}" for t, v in zip(times, values)]
    (FOLDER / name).write_text("\n".join(lines) + "\n")


def rise(t, level, height, tau, t0):
    return np.where(t <= t0, level, level + height * (1 - np.exp(-np.maximum(t - t0, 0) / tau)))


def ring(t, frequency, decay, p, q, c):
    phase = 2 * np.pi * frequency * t
    return c + np.exp(-decay * t) * (p * np.cos(phase) + q * np.sin(phase))


def ring_of_motor(m):
    stiffness = TEETH * m["torque_constant"] * RING_CURRENT + 4 * TEETH * m["detent_torque"]
    decay = m["damping"] / (2 * m["rotor_inertia"])
    omega = math.sqrt(stiffness / m["rotor_inertia"] - decay**2)
    return omega / (2 * math.pi), decay


def make():
    rng = np.random.default_rng(20)
    m = MOTOR
    FOLDER.mkdir(exist_ok=True)
    t = np.arange(600) * 2e-5
    tau = m["inductance"] / (m["resistance"] + SERIES)
    volts = rise(t, 0.0, SERIES * 3.0 / (m["resistance"] + SERIES), tau, 1.2e-3)
    volts = rounded_to_eight_bits(volts + rng.normal(0, 0.004, t.size), 0.8)
    write("rise.csv", ("time (s)", "sense resistor (V)"), t, volts, 4)

    frequency, decay = ring_of_motor(m)
    t = np.arange(1200) * 1e-4
    volts = ring(t, frequency, decay, 0.9, 0.4, 0.0)
    volts = rounded_to_eight_bits(volts + rng.normal(0, 0.01, t.size), 1.2)
    write("ring.csv", ("time (s)", "idle coil (V)"), t, volts, 4)

    c = m["friction"] / m["damping"]
    tau = m["rotor_inertia"] / m["damping"]
    omega0 = 120.0
    stop = tau * math.log((omega0 + c) / (25.0 + c))
    t = np.arange(0, stop, 2e-5)
    omega = (omega0 + c) * np.exp(-t / tau) - c
    angle = (omega0 + c) * tau * (1 - np.exp(-t / tau)) - c * t
    volts = m["torque_constant"] * omega * np.sin(TEETH * angle)
    volts = rounded_to_eight_bits(volts + rng.normal(0, 0.05, t.size), 32)
    write("coast.csv", ("time (s)", "open coil (V)"), t, volts, 3)


def read(name):
    return np.loadtxt(FOLDER / name, delimiter=",", skiprows=1, unpack=True)


def fits():
    t, v = read("rise.csv")
    rising, cov = curve_fit(rise, t, v, p0=(0, 0.55, 1.5e-3, 1.1e-3))
    out = {"rise_tau_s": rising[2], "rise_tau_sigma": math.sqrt(cov[2, 2]) / rising[2]}
    t, v = read("ring.csv")
    swing, cov = curve_fit(ring, t, v, p0=(250, 30, 0.5, 0.5, 0))
    out |= {
        "ring_frequency_hz": swing[0],
        "ring_frequency_sigma": math.sqrt(cov[0, 0]) / swing[0],
        "ring_decay_per_s": swing[1],
        "ring_decay_sigma": math.sqrt(cov[1, 1]) / swing[1],
    }
    # The coasting voltage itself, not its periods: another way than the one under test.
    t, v = read("coast.csv")

    def coast(t, k, omega0, tau, c, phase):
        omega = (omega0 + c) * np.exp(-t / tau) - c
        angle = (omega0 + c) * tau * (1 - np.exp(-t / tau)) - c * t
        return k * omega * np.sin(TEETH * angle + phase)

    best, _ = curve_fit(coast, t, v, p0=(0.2, 119, 0.017, 9, 0.0), maxfev=20000)
    _, omega0, tau, c, _ = best
    out |= {
        "coast_deceleration_at_100_rad_s2": (100 + c) / tau,
        "coast_deceleration_at_45_rad_s2": (45 + c) / tau,
    }
    return out


def reconciled():
    """Two torques and two voltages for one constant, by scipy.optimize.least_squares."""
    readings = [
        ("lever", 0.33 / (math.sqrt(2) * 1.2), 0.04),
        ("weight", 0.31 / (math.sqrt(2) * 1.2), 0.03),
        ("scope", 4.1 / 20.944, 0.025),
        ("meter", 2.95 * math.sqrt(2) / 20.944, 0.015),
    ]
    y = np.log([value for _, value, _ in readings])
    sigma = np.array([one for _, _, one in readings])
    found = least_squares(lambda x: (x[0] - y) / sigma, [math.log(0.2)])
    spread = 1 / math.sqrt((found.jac**2).sum())
    return {"torque_constant": math.exp(found.x[0]), "torque_constant_sigma": spread}


def main():
    if "--write" in sys.argv or not (FOLDER / "coast.csv").exists():
        make()
    result = {
        "source": "scipy.optimize.curve_fit and least_squares; redo with tests/reference/redo",
        "motor": MOTOR,
        "teeth": TEETH,
        "fits": fits(),
        "reconciled": reconciled(),
    }
    json.dump(result, sys.stdout, indent=1)
    print()


main()
