#!/usr/bin/env python3
"""What a motor can do, from the two-phase machine's equations alone.

    L diA/dt = vA - R iA + K w sin e
    L diB/dt = vB - R iB - K w cos e                e = N th, w = dth/dt
    J dw/dt  = K (iB cos e - iA sin e) - Td sin 4e - B w - Tload

K = Th / (sqrt 2 I). The command turns by 90 degrees a full step; a regulator drives each
current to its set point with di/dt = (i* - i)/tau as far as the supply lets it.

numpy integrates many motors and speeds side by side ("lanes") with the classical
Runge-Kutta method, each lane in steps of its own of which a whole number makes a microstep;
`checked` holds one of each drive against scipy's DOP853 and LSODA before anything is
written. Eigenvalues are numpy's, of the equations in rotor coordinates. What each kind of
entry means stands with its function. The results go to standard output as JSON; with names
of kinds as arguments only these are worked out.
"""

import json
import math
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

N = 50
TAU_REGULATOR = 20e-6
HALF_PI = math.pi / 2

# Two motors by the scaling rule of src/identify/scaling.rs: the sides of frame and body, and
# the voltage that drives the rated current. A test holds them against the rule.
MOTORS = {
    "fine wire": dict(frame=0.042, length=0.034, U=12.0, R=35.0, L=51e-3, I=0.34, Th=0.26,
                      J=4.0e-6, Td=0.010, V=48.0),
    "thick wire": dict(frame=0.057, length=0.056, U=3.2, R=1.1, L=3.5e-3, I=2.8, Th=1.2,
                       J=2.9e-5, Td=0.048, V=36.0),
}


def constant(motor):
    return motor["Th"] / (math.sqrt(2) * motor["I"])


def natural(motor, inertia=1.0):
    """Of small swings on the holding torque (rad/s)."""
    return math.sqrt(N * motor["Th"] / (inertia * motor["J"]))


class Lanes:
    """Many machines side by side. `drive` is "ideal" (the currents are their set points),
    "regulated" or "voltage"; all values are arrays or numbers."""

    def __init__(self, drive, count, **values):
        self.drive = drive
        given = dict(R=1.0, L=1.0, K=1.0, J=1.0, Td=0.0, B=0.0, V=0.0, I=1.0, load=0.0, first=0.0)
        given.update(values)
        for name, value in given.items():
            setattr(self, name, np.broadcast_to(np.asarray(value, float), count).copy())

    def pick(self, mask):
        names = ["R", "L", "K", "J", "Td", "B", "V", "I", "load", "first"]
        return Lanes(self.drive, int(mask.sum()), **{n: getattr(self, n)[mask] for n in names})

    def applied(self, angle):
        """Set points of current, or voltages, of a command."""
        c, s = np.cos(angle), np.sin(angle)
        if self.drive == "voltage":
            return tuple(self.V * np.sign(np.where(np.abs(x) < 0.1, 0.0, x)) for x in (c, s))
        return self.I * c, self.I * s

    def torque(self, ia, ib, c, s, e):
        torque = self.K * (ib * c - ia * s)
        return torque - self.Td * np.sin(4 * e) if self.Td.any() else torque

    def currents(self, ia, ib, w, c, s, applied):
        ra, rb = self.K * w * s - self.R * ia, -self.K * w * c - self.R * ib
        a, b = applied
        if self.drive == "voltage":
            return (a + ra) / self.L, (b + rb) / self.L
        cap = lambda want, rest: np.clip(want, (rest - self.V) / self.L, (rest + self.V) / self.L)
        return cap((a - ia) / TAU_REGULATOR, ra), cap((b - ib) / TAU_REGULATOR, rb)

    def slope(self, y, applied, more=0.0):
        ia, ib, e, w = y
        c, s = np.cos(e), np.sin(e)
        if self.drive == "ideal":
            ia, ib = applied
            da = db = np.zeros_like(w)
        else:
            da, db = self.currents(ia, ib, w, c, s, applied)
        push = self.torque(ia, ib, c, s, e) - self.B * w - self.load + more
        return np.array([da, db, N * w, push / self.J])

    def step(self, y, h, applied, more=None):
        """One step of Runge-Kutta; `more(w)` is torque besides."""
        f = lambda y: self.slope(y, applied, 0.0 if more is None else more(y[3]))
        k1 = f(y)
        k2 = f(y + 0.5 * h * k1)
        k3 = f(y + 0.5 * h * k2)
        k4 = f(y + h * k3)
        return y + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)

    def at_rest(self):
        """The state at the first command, held off by the load; without detent torque."""
        a, b = self.applied(self.first)
        if self.drive == "voltage":
            a, b = a / self.R, b / self.R
        lag = np.arcsin(self.load / (self.K * np.hypot(a, b)))
        return np.array([a, b, self.first - lag, np.zeros_like(lag)])


def longest_step(drive, resistance, inductance, swing):
    """A step (s) in which neither the currents nor the rotor, rad/s, do much."""
    mechanical = 0.1 / swing
    if drive == "ideal":
        return mechanical
    electrical = 0.2 * inductance / resistance
    return np.minimum(mechanical, np.minimum(electrical, TAU_REGULATOR if drive == "regulated" else 1.0))


# Pull-out torque ------------------------------------------------------------------------


def held(motor, drive, microsteps, first, supply, resistance, rates):
    """Greatest mean torque with the speed held, over all load angles."""
    lags = np.linspace(-0.2, math.pi + 0.7, 73)
    peak = math.sqrt(2) * motor["I"]
    found = []
    for rate in rates:
        m = Lanes(drive, len(lags), R=resistance, L=motor["L"], K=constant(motor), V=supply, I=peak, first=first)
        w, cycle = rate * HALF_PI / N, 4 / rate
        interval = cycle / (4 * microsteps)
        count = max(4, math.ceil(interval / longest_step(drive, resistance, motor["L"], 4 * rate)))
        h = interval / count
        settle = max(2, math.ceil(8 * motor["L"] / resistance / cycle))
        y = np.zeros((2, len(lags)))
        mean = np.zeros(len(lags))

        def slope(y, t, applied):
            e = first - lags + N * w * t
            c, s = np.cos(e), np.sin(e)
            return np.array(m.currents(y[0], y[1], w, c, s, applied)), m.torque(y[0], y[1], c, s, e)

        for k in range((settle + 1) * 4 * microsteps):
            # Microstep k lasts from (k - 1/2) to (k + 1/2) of its interval.
            applied = m.applied(m.first + k * HALF_PI / microsteps)
            for i in range(count):
                t = (k - 0.5) * interval + i * h
                k1, t1 = slope(y, t, applied)
                k2, t2 = slope(y + 0.5 * h * k1, t + 0.5 * h, applied)
                k3, t3 = slope(y + 0.5 * h * k2, t + 0.5 * h, applied)
                k4, t4 = slope(y + h * k3, t + h, applied)
                y = y + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
                if k >= settle * 4 * microsteps:
                    mean += h / 6 * (t1 + 2 * t2 + 2 * t3 + t4)
        mean /= cycle
        top = min(max(int(np.argmax(mean)), 1), len(lags) - 2)
        a, b, c = np.polyfit(lags[top - 1:top + 2], mean[top - 1:top + 2], 2)
        found.append(c - b * b / (4 * a))
    return found


def raised(motor, microsteps, first, supply, resistance, rates, torques):
    """Load raised from nothing at constant rate until the rotor slips a cycle. Hunting is kept
    down by a drag of J * 250/s about the synchronous speed."""
    rates, torques = np.array(rates), np.array(torques)
    m = Lanes("voltage", len(rates), R=resistance, L=motor["L"], K=constant(motor), J=motor["J"], V=supply,
              first=first)
    interval = 1 / (rates * microsteps)
    count = np.ceil(interval / longest_step("voltage", resistance, motor["L"], natural(motor))).astype(int)
    h, sync = interval / count, rates * HALF_PI / N
    duration = np.maximum(2.0, 30 / rates)
    y = m.at_rest()
    lost = np.full(len(rates), np.nan)
    drag = 250 * motor["J"]
    total = np.ceil(duration / h).astype(int)
    for k in range(int(total.max())):
        m.load = 1.15 * torques * np.minimum(k * h / duration, 1.0)
        command = m.first + (k // count + 1) * HALF_PI / microsteps
        y = m.step(y, h, m.applied(command), lambda w: -drag * (w - sync))
        slipped = np.isnan(lost) & (command - y[2] > 2 * math.pi)
        lost[slipped] = m.load[slipped] + 0.0
        if not np.isnan(lost).any():
            break
    return lost


SEQUENCES = {"two-phase-on": (1, math.pi / 4), "one-phase-on": (1, 0.0), "half-step": (2, 0.0)}


def pull_out():
    """Greatest mean torque with the speed held, `torque_nm`; and where the steps are slow
    against the natural frequency, the load that a rotor carries which is loaded more and more
    at that rate, `raised_nm`. On a fixed voltage, with and without four windings' resistance in
    series, and regulated to a sine of sqrt 2 times the rated current."""
    entries = []
    for name, motor in MOTORS.items():
        for windings, sequences in ((1, SEQUENCES), (5, ("two-phase-on",))):
            resistance = windings * motor["R"]
            supply = resistance * motor["I"]
            corner = resistance / motor["L"] / HALF_PI
            rates = [corner * share for share in (0.03, 0.1, 0.2, 0.35, 0.6, 1.0, 1.6, 3.0, 6.0, 12.0)]
            for sequence in sequences:
                microsteps, first = SEQUENCES[sequence]
                torques = held(motor, "voltage", microsteps, first, supply, resistance, rates)
                slow = [rate for rate in rates if rate < 0.9 * natural(motor) / (2 * math.pi)]
                loads = raised(motor, microsteps, first, supply, resistance, slow, torques[:len(slow)])
                for rate, torque, load in zip(rates, torques, [*loads, *[None] * len(rates)]):
                    entries.append(dict(motor=name, sequence=sequence, supply_v=supply, resistance_ohm=resistance,
                                        step_rate_hz=rate, torque_nm=torque,
                                        **({} if load is None else dict(raised_nm=load))))
        for supply in (motor["V"], motor["V"] / 2):
            knee = supply / (motor["L"] * math.sqrt(2) * motor["I"]) / HALF_PI
            rates = [knee * share for share in (0.02, 0.1, 0.5, 0.7, 0.85, 1.0, 1.3, 1.8, 3.0, 6.0)]
            torques = held(motor, "regulated", 16, 0.0, supply, motor["R"], rates)
            for rate, torque in zip(rates, torques):
                entries.append(dict(motor=name, sequence=None, supply_v=supply, resistance_ohm=motor["R"],
                                    step_rate_hz=rate, torque_nm=torque))
    return entries


# Swings and unstable bands --------------------------------------------------------------


def rest_matrix(motor, resistance, two_phases, detent, viscous, regulated):
    """The machine's equations at rest, linearised; the rotor's angle is measured from it."""
    k, j = constant(motor), motor["J"]
    i = motor["I"] * (math.sqrt(2) if two_phases or regulated else 1.0)
    stiffness = k * i * N + (-4 if two_phases else 4) * N * detent
    # In rotor coordinates the current lies along d; of its swing only the q part makes torque.
    if regulated:
        return np.array([[-viscous / j, -stiffness / j], [1, 0]])
    return np.array([[-resistance / motor["L"], -k / motor["L"], 0],
                     [k / j, -viscous / j, -stiffness / j],
                     [0, 1, 0]])


def swings():
    """Natural frequency |s| and damping ratio -Re s / |s| of a rotor at rest, from the
    eigenvalues s of its linearised equations: a regulated current of sqrt 2 times the rated with a
    damping of 0.03, and both phases on a fixed voltage."""
    entries = []
    for name, motor in MOTORS.items():
        viscous = 2 * 0.03 * natural(motor) * motor["J"]
        cases = [("regulated", 1, two, td, viscous) for td in (0.0, motor["Td"]) for two in (True, False)]
        cases += [("voltage", windings, True, 0.0, 0.0) for windings in (1, 5)]
        for drive, windings, two, detent, b in cases:
            resistance = windings * motor["R"]
            s = np.linalg.eigvals(rest_matrix(motor, resistance, two, detent, b, drive == "regulated"))
            s = s[np.argmax(s.imag)]
            entries.append(dict(motor=name, drive=drive, windings=windings, position="two" if two else "one",
                                detent_nm=detent, viscous=b, natural_rad_s=abs(s), damping_ratio=-s.real / abs(s)))
    return entries


def fundamental_pull_out(motor, resistance, voltage, w):
    z2 = resistance ** 2 + (N * w * motor["L"]) ** 2
    k = constant(motor)
    return k * voltage / math.sqrt(z2) - k * k * w * resistance / z2


def growth(motor, resistance, voltage, rate, share, viscous):
    """Largest real part of the eigenvalues in rotor coordinates (1/s) at a load, drag
    included, of `share` of the pull-out torque."""
    k, j, l, w = constant(motor), motor["J"], motor["L"], rate * HALF_PI / N
    we = N * w
    total = share * fundamental_pull_out(motor, resistance, voltage, w)
    impedance = np.array([[resistance, -we * l], [we * l, resistance]])
    current = lambda delta: np.linalg.solve(
        impedance, [voltage * math.cos(delta), voltage * math.sin(delta) - k * w])
    top = math.atan2(we * l, resistance)
    delta = brentq(lambda d: k * current(d)[1] - total, top - HALF_PI, top + HALF_PI)
    i_d, i_q = current(delta)
    matrix = np.array([
        [-resistance / l, we, N * i_q, -voltage / l * math.sin(delta)],
        [-we, -resistance / l, -N * i_d - k / l, voltage / l * math.cos(delta)],
        [0, k / j, -viscous / j, 0],
        [0, 0, -N, 0]])
    return np.linalg.eigvals(matrix).real.max()


def unstable():
    """The bands of speed in which a motor with both phases on a fixed voltage is unstable,
    from its eigenvalues; null where a band has no end below 40 times the corner."""
    entries = []
    for name, motor in MOTORS.items():
        cases = [(1, motor["R"] * motor["I"]), (5, 5 * motor["R"] * motor["I"]), (1, motor["V"])]
        for windings, supply in cases:
            for share in (0.02, 0.25, 0.5, 0.75):
                for zeta in (0.0, 0.05):
                    resistance, voltage = windings * motor["R"], 4 / math.pi * supply
                    viscous = 2 * zeta * natural(motor) * motor["J"]
                    g = lambda rate: growth(motor, resistance, voltage, rate, share, viscous)
                    corner = resistance / motor["L"] / HALF_PI
                    limit = 40 * max(corner, natural(motor) / (2 * math.pi))
                    rates, rate = [], 0.02 * corner
                    while rate < limit and fundamental_pull_out(motor, resistance, voltage, rate * HALF_PI / N) > 0:
                        rates.append(rate)
                        rate *= 1.01
                    signs = [g(rate) > 0 for rate in rates]
                    edges = [brentq(g, a, b, xtol=1e-6) for a, b, p, q in
                             zip(rates, rates[1:], signs, signs[1:]) if p != q]
                    assert not signs[0]
                    edges += [None] * (len(edges) % 2)
                    entries.append(dict(motor=name, supply_v=supply, resistance_ohm=resistance, load_share=share,
                                        damping_ratio=zeta, bands=[edges[i:i + 2] for i in range(0, len(edges), 2)]))
    return entries


def hunting():
    """The lowest speed at which a regulated sine of sqrt 2 times the rated current begins to hunt
    under a load, a share of the pull-out torque, without any damping. The rotor is led to its
    steady lag by a drag about the synchronous speed; when that is taken away it is pushed to swing by
    some 10 electrical degrees. Does the swing grow over 0.4 s? Speeds are 5 % apart."""
    entries = []
    for name, motor in MOTORS.items():
        for supply in (motor["V"] / 2, motor["V"]):
            knee = supply / (motor["L"] * math.sqrt(2) * motor["I"]) / HALF_PI
            rates = np.array([0.5 * knee * 1.05 ** k for k in range(40)])
            torques = np.array(held(motor, "regulated", 64, 0.0, supply, motor["R"], rates))
            shares, speeds = (0.1, 0.5), len(rates)
            rates = np.tile(rates, 2)
            m = Lanes("regulated", len(rates), R=motor["R"], L=motor["L"], K=constant(motor), J=motor["J"],
                      V=supply, I=math.sqrt(2) * motor["I"], load=np.outer(shares, torques).ravel())
            sync, h = rates * HALF_PI / N, TAU_REGULATOR
            y = m.at_rest()
            y[3] = sync
            drag = 2 * 0.3 * natural(motor) * motor["J"]
            early, late = [], []
            for k in range(int(0.7 / h)):
                t = (k + 0.5) * h
                if k == int(0.2 / h):
                    y[3] += math.radians(10) * natural(motor) / N
                more = (lambda w: -drag * (w - sync)) if t < 0.2 else None
                y = m.step(y, h, m.applied(rates * HALF_PI * t), more)
                lag = rates * HALF_PI * (t + 0.5 * h) - y[2]
                if 0.2 <= t < 0.3 and k % 8 == 0:
                    early.append(lag)
                if t >= 0.6 and k % 8 == 0:
                    late.append(lag)
            swing = [np.ptp(np.array(part), axis=0) for part in (early, late)]
            hunts = (swing[1] > 1.2 * swing[0]) | ~(np.abs(lag) < 2 * math.pi)
            for share, some in zip(shares, hunts.reshape(2, speeds)):
                assert some.any() and not some[0]
                entries.append(dict(motor=name, supply_v=supply, load_share=share,
                                    first_hunting_hz=rates[int(np.argmax(some))]))
    return entries


# Starts and critical speeds -------------------------------------------------------------


def starts(lanes, microsteps, rates, swing):
    """Which lanes start from rest at their rate and slip no cycle in 60 full steps."""
    interval = 1 / (rates * microsteps)
    count = np.ceil(interval / longest_step(lanes.drive, lanes.R, lanes.L, swing)).astype(int)
    h = interval / count
    y, ok = lanes.at_rest(), np.ones(len(rates), bool)
    last = 60 * microsteps * count
    total, live = int(last.max()), np.arange(len(rates))
    part = lanes
    for k in range(total):
        command = part.first + (k // count[live] + 1) * HALF_PI / microsteps
        y = part.step(y, h[live], part.applied(command))
        if k % 64 == 63:
            slipped = np.abs(command - y[2]) >= 2 * math.pi
            ok[live[slipped]] = False
            stay = ~slipped & (k + 1 < last[live])
            if not stay.all():
                live, y, part = live[stay], y[:, stay], part.pick(stay)
                if not len(live):
                    break
    return ok


STARTS = {
    # drive, microsteps, first angle, windings' resistances, of the rated voltage
    "ideal full": ("ideal", 1, math.pi / 4, 1),
    "regulated full": ("regulated", 1, math.pi / 4, 1),
    "regulated sixteenth": ("regulated", 16, 0.0, 1),
    "voltage full": ("voltage", 1, math.pi / 4, 1),
    "voltage full, five windings": ("voltage", 1, math.pi / 4, 5),
}


def growth():
    """How fast a small swing grows (1/s, below zero where it fades) about the steady motion of a regulated
    staircase under a tenth of the pull-out torque, without any damping. Two rotors are led to their steady
    lag by a drag about the synchronous speed; when that is taken away one is pushed by 10^-5 electrical
    radians, and how far they are apart is followed from full step to full step."""
    entries = []
    microsteps, share, settle, follow = 16, 0.1, 500, 200
    for name, supply, rate in (("fine wire", 24.0, 1560.0), ("thick wire", 18.0, 1700.0)):
        motor = MOTORS[name]
        rates = rate * np.array([0.6, 0.7, 0.725, 0.75, 0.775, 0.8, 0.85, 0.875, 0.9, 0.95, 1.0, 1.1])
        torques = np.array(held(motor, "regulated", 64, 0.0, supply, motor["R"], rates))
        both = np.tile(rates, 2)
        m = Lanes("regulated", len(both), R=motor["R"], L=motor["L"], K=constant(motor), J=motor["J"], V=supply,
                  I=math.sqrt(2) * motor["I"], load=share * np.tile(torques, 2))
        interval = 1 / (both * microsteps)
        count = 2 * math.ceil(interval.max() / (TAU_REGULATOR / 4))
        sync, unit = both * HALF_PI / N, natural(motor) / N
        drag = 2 * 0.5 * natural(motor) * motor["J"]
        y = m.at_rest()
        y[3] = sync
        apart = []
        for step in range(settle + follow):
            if step == settle:
                y[3, len(rates):] += 1e-5 * unit
            more = (lambda w: -drag * (w - sync)) if step < settle else None
            for k in range(step * microsteps, (step + 1) * microsteps):
                for i in range(count):
                    # From the middle of a microstep to the middle of the next.
                    applied = m.applied(np.full(len(both), (k + (2 * i >= count)) * HALF_PI / microsteps))
                    y = m.step(y, interval / count, applied, more)
            if step >= settle:
                off = y[:, len(rates):] - y[:, :len(rates)]
                apart.append(np.hypot(off[2], off[3] / unit))
        apart = np.array(apart)
        # The first quarter shows the swings that fade sooner; below 10^-11 is rounding, above 10^-3 no small swing.
        for lane, rate in enumerate(rates):
            seen = np.arange(follow // 4, follow)
            seen = seen[(apart[seen, lane] > 1e-11) & (apart[seen, lane] < 1e-3)]
            slope = np.polyfit(seen / rate, np.log(apart[seen, lane]), 1)[0]
            entries.append(dict(motor=name, supply_v=supply, load_share=share, microsteps=microsteps,
                                step_rate_hz=rate, growth_per_s=slope))
    return entries


def start_stop():
    """The highest rate at which a motor starts from rest and slips no cycle in 60 full steps, and
    the rates below it, 7 % apart, at which it fails. The load is a constant torque against the
    motion, the damping 0.01 of that of the bare rotor."""
    entries = []
    for name, motor in MOTORS.items():
        for drive_name, (drive, microsteps, first, windings) in STARTS.items():
            cases = [(inertia, load) for inertia in (1, 4) for load in (0.0, 0.3)]
            grid = [0.3 * 1.07 ** k for k in range(53)]
            resistance = windings * motor["R"]

            def lanes(picked):
                of = lambda which: np.array([cases[k][which] for k in picked], float)
                return Lanes(drive, len(picked), R=resistance, L=motor["L"], K=constant(motor),
                             J=of(0) * motor["J"], B=2 * 0.01 * natural(motor) * motor["J"],
                             V=resistance * motor["I"] if drive == "voltage" else motor["V"],
                             I=math.sqrt(2) * motor["I"], load=of(1) * motor["Th"], first=first)

            fn = np.array([natural(motor, inertia) / (2 * math.pi) for inertia, _ in cases])
            picked = np.repeat(np.arange(len(cases)), len(grid))
            rates = fn[picked] * np.tile(grid, len(cases))
            good = starts(lanes(picked), microsteps, rates, natural(motor)).reshape(len(cases), -1)
            rates = rates.reshape(len(cases), -1)
            top = np.array([np.flatnonzero(each).max() for each in good])
            low = rates[np.arange(len(cases)), top]
            high = 1.07 * low
            while (high / low).max() > 1.002:
                middle = np.sqrt(low * high)
                ok = starts(lanes(np.arange(len(cases))), microsteps, middle, natural(motor))
                low, high = np.where(ok, middle, low), np.where(ok, high, middle)
            for k, (inertia, load) in enumerate(cases):
                entries.append(dict(motor=name, drive=drive_name, inertia_multiple=inertia, load_share=load,
                                    top_hz=low[k], failing_hz=rates[k, :top[k]][~good[k, :top[k]]].tolist()))
    return entries


def critical():
    """Critical speeds of an ideal current drive, without a motor: times in units of 1/w_n of the
    swing on the holding torque, speeds in f_n. The rotor is set going at the speed of the command, at
    its steady lag. A speed is lost where a cycle slips, and critical where it is lost or the lag
    exceeds the standing lag and a microstep by 45 degrees, from 250/w_n to 500/w_n, when the start has died away."""
    grid = [0.759 * 1.0365 ** k for k in range(-43, 24)]
    entries = []
    for microsteps in (1, 2, 4, 8, 16):
        cases = [(zeta, td, load) for zeta in (0.02, 0.05, 0.1, 0.2) for td in (0.0, 0.03) for load in (0.0, 0.3)]
        of = lambda which: np.repeat([case[which] for case in cases], len(grid))
        share = np.tile(grid, len(cases))
        # J = 1/N and K I = 1 make w_n = 1 and torque a share of the holding torque.
        m = Lanes("ideal", len(share), J=float(N), Td=of(1), B=0.0, load=of(2), K=1.0, I=1.0,
                  first=math.pi / 4 if microsteps == 1 else 0.0)
        m.J, m.B = np.full(len(share), 1.0 * N), 2 * of(0) * N
        rate = share / (2 * math.pi)
        sync = rate * HALF_PI / N
        interval = 1 / (rate * microsteps)
        count = np.ceil(interval / 0.05).astype(int)
        h = interval / count
        standing = np.arcsin(of(2))
        y = np.array([0 * h, 0 * h, m.first - standing, sync])
        peak, lost = np.zeros(len(share)), np.zeros(len(share), bool)
        base = m.load + 0.0
        for k in range(int(np.ceil(500 / h).max())):
            t = k * h
            # The load is that of a drag as well, so the damping acts on the swing alone.
            command = m.first + (k // count + 0.5) * HALF_PI / microsteps
            m.load = base - m.B * sync
            y = m.step(y, h, m.applied(command))
            lag = np.abs(command - y[2])
            lost |= lag > 2 * math.pi
            inside = (t > 250) & (t < 500)
            peak = np.where(inside, np.maximum(peak, lag), peak)
        excess = np.degrees(peak - standing) - 90 / microsteps
        bad = lost | (excess > 45)
        for k, (zeta, td, load) in enumerate(cases):
            part = slice(k * len(grid), (k + 1) * len(grid))
            runs, inside = [], False
            for value, is_bad in zip(grid, bad[part]):
                if is_bad and inside:
                    runs[-1][1] = value
                elif is_bad:
                    runs.append([value, value])
                inside = bool(is_bad)
            entries.append(dict(damping_ratio=zeta, microsteps=microsteps, detent_share=td, load_share=load,
                                bands_of_natural=runs, lost_of_natural=[v for v, l in zip(grid, lost[part]) if l]))
    return entries


def checked():
    """One start of each drive, here and in scipy."""
    motor = MOTORS["thick wire"]
    for drive, microsteps, first in (("ideal", 1, math.pi / 4), ("voltage", 1, math.pi / 4), ("regulated", 16, 0.0)):
        m = Lanes(drive, 1, R=motor["R"], L=motor["L"], K=constant(motor), J=motor["J"],
                  V=motor["U"] if drive == "voltage" else motor["V"], I=math.sqrt(2) * motor["I"],
                  load=0.1, first=first)
        rate = 300.0
        interval = 1 / (rate * microsteps)
        count = math.ceil(interval / float(longest_step(drive, motor["R"], motor["L"], natural(motor))))
        y = m.at_rest()
        z = y[:, 0]
        for k in range(20 * microsteps):
            applied = m.applied(m.first + (k + 1) * HALF_PI / microsteps)
            for _ in range(count):
                y = m.step(y, interval / count, applied)
            slope = lambda _, z: m.slope(z[:, None], applied)[:, 0]
            method = "LSODA" if drive == "regulated" else "DOP853"
            z = solve_ivp(slope, (0, interval), z, method=method, rtol=1e-9, atol=1e-11).y[:, -1]
        off = abs(y[2, 0] - z[2])
        print(f"{drive}: {off:.1e} electrical radians off scipy after 20 full steps", file=sys.stderr)
        assert off < 1e-3, drive


KINDS = dict(pull_out=pull_out, swings=swings, unstable=unstable, hunting=hunting, growth=growth,
             start_stop=start_stop, critical=critical)


def rounded(value):
    """Seven digits say all."""
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.7g}")
    if isinstance(value, dict):
        return {key: rounded(each) for key, each in value.items()}
    return [rounded(each) for each in value] if isinstance(value, list) else value


if __name__ == "__main__":
    checked()
    found = {kind: rounded(KINDS[kind]()) for kind in sys.argv[1:] or KINDS}
    lines = [f'"{kind}": [\n' + ",\n".join(json.dumps(entry) for entry in entries) + "\n]"
             for kind, entries in found.items()]
    print('{"motors": ' + json.dumps(MOTORS) + ",\n" + ",\n".join(lines) + "}")
