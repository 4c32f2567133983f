"""A motor that the program has never seen: its bench, and what it can truly do.

The motor exists nowhere: its values are chosen here. Everything is worked out from the
equations of the machine with numpy and scipy, none of it by the program under test:

- the notes and logs of its bench (rising current in closed form, ring-down and spin-down by
  solve_ivp), with noise as an eight-bit scope has it and readings that are a little off;
- its pull-out torque on a drive: the phase currents are integrated at held speeds for many
  load angles (Runge and Kutta, square waves of voltage, sine of back-EMF), and the largest
  mean torque less the rotor's losses is taken;
- the speed at which it begins to hunt: the lowest at which an eigenvalue of the machine,
  linearised about its steady state in rotor coordinates, has a positive real part.
"""

import json
import math
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

TEETH = 50
MOTOR = dict(
    resistance=3.1,
    inductance=6.2e-3,
    rated_current=1.0,
    torque_constant=0.31,
    rotor_inertia=82e-7,
    detent_torque=21e-3,
    damping=4e-4,
    friction=2e-3,
)
SUPPLY = 12.0
BALLAST = 8.9
LOAD = dict(inertia=30e-7, friction=15e-3)
RATES = [300, 450, 600, 750, 900, 1100, 1300, 1500]
RING_CURRENT = 0.7
SENSE = 0.5


def csv(heads, times, values, full_scale, digits):
    step = 2 * full_scale / 256
    values = np.round(values / step) * step
    lines = [heads] + [f"{t:.7f},{v:.{digits}f}" for t, v in zip(times, values)]
    return "\n".join(lines) + "\n"


def rotor(current, theta0, omega0, times):
    m = MOTOR

    def slope(_, state):
        theta, omega = state
        torque = -m["torque_constant"] * current * math.sin(TEETH * theta)
        torque -= m["detent_torque"] * math.sin(4 * TEETH * theta)
        torque -= m["damping"] * omega + m["friction"] * math.tanh(omega / 0.01)
        return omega, torque / m["rotor_inertia"]

    start = (theta0, omega0)
    span = (0, times[-1])
    return solve_ivp(
        slope, span, start, t_eval=times, rtol=1e-8, atol=1e-10, max_step=1e-4
    ).y


def bench():
    rng = np.random.default_rng(7)
    m = MOTOR
    t = np.arange(400) * 3e-5
    whole = m["resistance"] + SENSE
    tau = m["inductance"] / whole
    volts = np.where(t < 1e-3, 0, SENSE * 3.0 / whole * (1 - np.exp(-(t - 1e-3) / tau)))
    files = {
        "rise.csv": csv(
            "time (s),sense resistor (V)", t, volts + rng.normal(0, 0.003, t.size), 0.5, 4
        )
    }
    t = np.arange(900) * 1.5e-4
    _, omega = rotor(RING_CURRENT, math.radians(12) / TEETH, 0.0, t)
    volts = m["torque_constant"] * omega + rng.normal(0, 0.006, t.size)
    files["ring.csv"] = csv("time (s),idle coil (V)", t, volts, 2.4, 4)
    t = np.arange(0, 0.026, 2.5e-5)
    theta, omega = rotor(0.0, 0.0, 110.0, t)
    volts = m["torque_constant"] * omega * np.sin(TEETH * theta) + rng.normal(0, 0.08, t.size)
    files["coast.csv"] = csv("time (s),open coil (V)", t, volts, 40, 3)
    holding = math.sqrt(2) * m["torque_constant"] * m["rated_current"]
    emf = m["torque_constant"] * 2 * math.pi * 180 / 60
    notes = f"""name: motor that nobody has seen
full_steps_a_turn: {4 * TEETH}
frame: 42 mm
length: 47 mm
resistance: {{ value: {m["resistance"] * 1.006 + 0.15:.2f} ohm, leads: 0.15 ohm }}
inductance: {{ log: rise.csv, series: {SENSE} ohm }}
rated_current: {{ value: {m["rated_current"]} A, tolerance: 10 % }}
holding_torque: {{ value: {holding * 0.97:.3f} N.m, current: {m["rated_current"]} A, phases: two }}
back_emf: {{ amplitude: {emf * 1.012:.2f} V, speed: 180 rpm }}
ring_down: {{ log: ring.csv, current: {RING_CURRENT} A, phases: one }}
spin_down: {{ log: coast.csv }}
detent_torque: {{ value: {m["detent_torque"] * 1050:.1f} mN.m }}
"""
    return notes, files


def losses(omega):
    return MOTOR["damping"] * omega + MOTOR["friction"]


def pull_out(rate):
    """Largest mean torque at a held speed less the losses (N·m)."""
    m = MOTOR
    omega = rate * math.pi / 2 / TEETH
    electrical = TEETH * omega
    angles = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    resistance = m["resistance"] + BALLAST
    steps = 240
    dt = 2 * math.pi / electrical / steps

    def slope(t, currents):
        # Phase A switches at multiples of half a cycle, B a quarter of a cycle later.
        wave = electrical * t
        v_a = SUPPLY * (1.0 if math.sin(wave + 1e-9) > 0 else -1.0)
        v_b = SUPPLY * (1.0 if -math.cos(wave + 1e-9) > 0 else -1.0)
        theta = wave - angles
        a, b = currents
        e = m["torque_constant"] * omega
        return np.array(
            [
                (v_a - resistance * a + e * np.sin(theta)) / m["inductance"],
                (v_b - resistance * b - e * np.cos(theta)) / m["inductance"],
            ]
        )

    currents = np.zeros((2, angles.size))
    cycles = 3 + math.ceil(8 * m["inductance"] / resistance / (steps * dt))
    total = np.zeros(angles.size)
    for step in range(cycles * steps):
        t = step * dt
        if step >= (cycles - 1) * steps:
            theta = electrical * t - angles
            a, b = currents
            total += m["torque_constant"] * (b * np.cos(theta) - a * np.sin(theta)) / steps
        # Within a step nothing switches: the switching instants lie at its ends.
        inside = t + 1e-6 * dt
        k1 = slope(inside, currents)
        k2 = slope(t + dt / 2, currents + dt / 2 * k1)
        k3 = slope(t + dt / 2, currents + dt / 2 * k2)
        k4 = slope(t + dt - 1e-6 * dt, currents + dt * k3)
        currents = currents + dt / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
    return float(total.max() - losses(omega))


def growth(rate):
    """Largest real part of the eigenvalues (1/s) at the rig's load."""
    m = MOTOR
    omega = rate * math.pi / 2 / TEETH
    electrical = TEETH * omega
    r, l, k = m["resistance"] + BALLAST, m["inductance"], m["torque_constant"]
    v = 4 / math.pi * SUPPLY
    torque = losses(omega) + LOAD["friction"]
    z = math.hypot(r, electrical * l)
    quadrature = torque / k
    sine = (quadrature + k * omega * r / z**2) * z / v
    if sine >= 1:
        return math.nan
    delta = math.atan2(electrical * l, r) + math.asin(sine)
    direct = (v * math.cos(delta) + electrical * l * quadrature) / r
    j = m["rotor_inertia"] + LOAD["inertia"]
    matrix = np.array(
        [
            [-r / l, electrical, TEETH * quadrature, -v / l * math.sin(delta)],
            [-electrical, -r / l, -TEETH * direct - k / l, v / l * math.cos(delta)],
            [0, k / j, -m["damping"] / j, 0],
            [0, 0, -TEETH, 0],
        ]
    )
    return float(np.linalg.eigvals(matrix).real.max())


def unstable_from():
    rates = np.arange(200, 3200, 10)
    for low, high in zip(rates, rates[1:]):
        if growth(low) < 0 < growth(high):
            return float(brentq(growth, low, high, xtol=1e-3))
    return None


def main():
    notes, files = bench()
    result = {
        "source": "numpy and scipy on the machine's equations; redo with tests/reference/redo",
        "motor": MOTOR,
        "teeth": TEETH,
        "supply": SUPPLY,
        "ballast": BALLAST,
        "load": LOAD,
        "notes": notes,
        "files": files,
        "pull_out": [{"step_rate_hz": rate, "torque_nm": pull_out(rate)} for rate in RATES],
        "unstable_from_step_rate_hz": unstable_from(),
    }
    json.dump(result, sys.stdout, indent=1)
    print()


main()
