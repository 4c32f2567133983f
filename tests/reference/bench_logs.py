"""Logs of a made-up motor on a bench, and what scipy fits to them.

The motor exists nowhere: its values are chosen here. The logs are worked out from the
closed solution of the rising current and by integrating the rotor's equation with solve_ivp
(dry friction, detent torque and the sine of the holding torque included), with noise as an
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
from scipy.integrate import solve_ivp
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
    friction=1.2e-3,
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


def ring(t, frequency, decay, p, q, c, kappa, soft):
    """Drag and dry friction in the envelope, a spring that softens with the swing."""
    end = np.log((1 + kappa) / kappa) / decay if kappa > 0 else np.inf
    until = np.minimum(t, end)
    left = np.exp(-decay * until)
    envelope = np.where(t < end, (1 + kappa) * left - kappa, 0.0)
    squared = (
        (1 + kappa) ** 2 * (1 - left**2) / (2 * decay)
        - 2 * kappa * (1 + kappa) * (1 - left) / decay
        + kappa**2 * until
    )
    phase = 2 * np.pi * frequency * (t - soft * squared)
    return c + envelope * (p * np.cos(phase) + q * np.sin(phase))


def rotor(m, current, theta0, omega0, times):
    """Angle and speed of the rotor with one phase on at `current`, the other open."""

    def slope(_, state):
        theta, omega = state
        electrical = TEETH * theta
        torque = -m["torque_constant"] * current * math.sin(electrical)
        torque -= m["detent_torque"] * math.sin(4 * electrical)
        torque -= m["damping"] * omega + m["friction"] * math.tanh(omega / 0.01)
        return omega, torque / m["rotor_inertia"]

    solved = solve_ivp(
        slope, (0, times[-1]), (theta0, omega0), t_eval=times, rtol=1e-8, atol=1e-10, max_step=1e-4
    )
    return solved.y


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

    t = np.arange(1200) * 1e-4
    _, omega = rotor(m, RING_CURRENT, math.radians(12) / TEETH, 0.0, t)
    volts = m["torque_constant"] * omega
    volts = rounded_to_eight_bits(volts + rng.normal(0, 0.004, t.size), 1.6)
    write("ring.csv", ("time (s)", "idle coil (V)"), t, volts, 4)

    t = np.arange(0, 0.022, 2e-5)
    theta, omega = rotor(m, 0.0, 0.0, 120.0, t)
    volts = m["torque_constant"] * omega * np.sin(TEETH * theta)
    volts = rounded_to_eight_bits(volts + rng.normal(0, 0.05, t.size), 32)
    write("coast.csv", ("time (s)", "open coil (V)"), t, volts, 3)


def read(name):
    return np.loadtxt(FOLDER / name, delimiter=",", skiprows=1, unpack=True)


def fits():
    t, v = read("rise.csv")
    rising, cov = curve_fit(rise, t, v, p0=(0, 0.55, 1.5e-3, 1.1e-3))
    out = {"rise_tau_s": rising[2], "rise_tau_sigma": math.sqrt(cov[2, 2]) / rising[2]}
    t, v = read("ring.csv")
    start = (ring_of_motor(MOTOR)[0], 30, 0.0, -0.7, 0, 0.05, 0.02)
    swing, cov = curve_fit(ring, t, v, p0=start, maxfev=20000)
    small, drag = ring_of_motor(MOTOR)
    out |= {
        "ring_frequency_of_the_equation_hz": small,
        "ring_decay_of_the_equation_per_s": drag,
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
