#!/usr/bin/env python3
"""The two-phase machine integrated with scipy, to hold the simulator against.

Same equations, nothing shared with it:

    L diA/dt = vA - R iA + K w sin(N th)
    L diB/dt = vB - R iB - K w cos(N th)
    J dw/dt  = K (iB cos(N th) - iA sin(N th)) - Td sin(4 N th) - B w - Tf sgn(w) - Tc

scipy's adaptive methods restart at every change of the command: DOP853 where the
right-hand side is smooth, LSODA (stiff) where a current is regulated,
di/dt = (i* - i)/tau within the voltage ceiling. Friction is handled by scipy's root
finder. The results go to standard output as JSON. With names of cases as arguments only
these are worked out; `pull_out:0,9` are the first and the tenth of theirs.
"""

import json
import math
import sys
import time

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

N = 50
TAU_REGULATOR = 20e-6

# Three very different motors by the scaling rule of src/identify/scaling.rs: the sides of frame
# and body, and the voltage U that drives the rated current. From these follow R, L, rated current,
# holding torque, rotor inertia and detent torque; a test holds them against the rule. The ceiling
# is the voltage of a regulator to try them with.
MOTORS = {
    "small": dict(frame=0.020, length=0.020, U=1.8, R=3.0, L=1.9e-3, I=0.61, Th=0.031, J=1.6e-7,
                  Td=0.0012, ceiling=12.0),
    "medium": dict(frame=0.042, length=0.042, U=3.2, R=2.1, L=4.2e-3, I=1.5, Th=0.42, J=65e-7,
                   Td=0.017, ceiling=24.0),
    "large": dict(frame=0.086, length=0.078, U=4.5, R=1.1, L=5.4e-3, I=4.2, Th=4.2, J=1.9e-4,
                  Td=0.17, ceiling=48.0),
}


class Machine:
    def __init__(self, motor, drive, detent=True, viscous=0.0, friction=0.0, constant=0.0,
                 load_inertia=0.0, voltage_factor=1.0, series=0.0):
        m = MOTORS[motor]
        self.R, self.L = m["R"] + series, m["L"]
        self.K = m["Th"] / (math.sqrt(2) * m["I"])
        self.J, self.Td = m["J"] + load_inertia, m["Td"] if detent else 0.0
        self.B, self.Tf, self.Tc = viscous, friction, constant
        self.drive = drive
        self.micro = {"wave": 1, "two-phase": 1, "half-step": 2}.get(drive, 16)
        self.first = math.pi / 4 if drive == "two-phase" else 0.0
        self.regulated = drive == "current"
        self.V = m["ceiling"] if self.regulated else voltage_factor * m["I"] * self.R
        self.peak = m["I"]

    def angle(self, k):
        return self.first + k * math.pi / 2 / self.micro

    def demand(self, k):
        c, s = math.cos(self.angle(k)), math.sin(self.angle(k))
        if self.regulated:
            return self.peak * c, self.peak * s
        switch = lambda x: 0.0 if abs(x) < 0.1 else math.copysign(self.V, x)
        return switch(c), switch(s)

    def currents(self, ia, ib, th, w, demand):
        """Slopes of the currents."""
        s, c = np.sin(N * th), np.cos(N * th)
        ra, rb = self.K * w * s - self.R * ia, -self.K * w * c - self.R * ib
        a, b = demand
        if not self.regulated:
            return (a + ra) / self.L, (b + rb) / self.L
        cap = lambda want, rest: np.clip(want, (rest - self.V) / self.L, (rest + self.V) / self.L)
        return cap((a - ia) / TAU_REGULATOR, ra), cap((b - ib) / TAU_REGULATOR, rb)

    def motor_torque(self, ia, ib, th):
        return (self.K * (ib * np.cos(N * th) - ia * np.sin(N * th))
                - self.Td * np.sin(4 * N * th))

    def rest(self, k):
        a, b = self.demand(k)
        if not self.regulated:
            a, b = a / self.R, b / self.R
        low, high = self.angle(k) / N - math.pi / 2 / N, self.angle(k) / N + math.pi / 2 / N
        for _ in range(60):
            mid = (low + high) / 2
            low, high = (mid, high) if self.motor_torque(a, b, mid) > self.Tc else (low, mid)
        return [a, b, (low + high) / 2, 0.0]

    def run(self, y, k, t0, t1, times=(), rtol=1e-11):
        """From t0 to t1 with command k; the states at `times` and at t1."""
        demand, slide = self.demand(k), 0.0
        method = "LSODA" if self.regulated else "DOP853"
        found = []
        while True:
            if self.Tf and slide == 0.0:
                if y[3] != 0.0:
                    slide = math.copysign(1.0, y[3])
                else:
                    push = self.motor_torque(*y[:3]) - self.Tc
                    slide = math.copysign(1.0, push) if abs(push) > self.Tf else 0.0
            stuck = self.Tf and slide == 0.0

            def slope(_, y, slide=slide, stuck=stuck):
                ia, ib, th, w = y
                da, db = self.currents(ia, ib, th, w, demand)
                if stuck:
                    return [da, db, 0.0, 0.0]
                push = self.motor_torque(ia, ib, th) - self.B * w - self.Tf * slide - self.Tc
                return [da, db, w, push / self.J]

            events = None
            if self.Tf:
                if stuck:
                    event = lambda _, y: self.Tf - abs(self.motor_torque(*y[:3]) - self.Tc)
                else:
                    event = lambda _, y, slide=slide: y[3] * slide
                event.terminal, event.direction = True, -1
                events = [event]
            wanted = [t for t in times if t0 < t <= t1]
            got = solve_ivp(slope, (t0, t1), y, method=method, rtol=rtol, atol=rtol / 100,
                            t_eval=sorted({*wanted, t1}), events=events)
            if len(got.t):
                found += [(t, v.tolist()) for t, v in zip(got.t, got.y.T) if t in wanted]
            if got.status == 1:
                t0, y = got.t_events[0][0], got.y_events[0][0].copy()
                if stuck:
                    push = self.motor_torque(*y[:3]) - self.Tc
                    slide = math.copysign(1.0, push)
                else:
                    y[3] = 0.0
                    push = self.motor_torque(*y[:3]) - self.Tc
                    slide = math.copysign(1.0, push) if abs(push) > self.Tf else 0.0
                if t0 >= t1:
                    return y, found
                continue
            return got.y[:, -1], found


def one_step(motor, drive, detent):
    """One full step from rest: the angle at twenty times."""
    m = Machine(motor, drive, detent=detent)
    span = 8 * 2 * math.pi / math.sqrt(N * m.K * MOTORS[motor]["I"] / m.J)
    times = [span * (i + 1) / 20 for i in range(20)]
    _, found = m.run(m.rest(0), m.micro, 0.0, span, times)
    return dict(motor=motor, drive=drive, detent=detent, times_s=times,
                angles_rad=[y[2] for _, y in found])


def ring_down(motor, drive, detent, series):
    """Let go 0.005 electrical radians away from rest: frequency and damping ratio."""
    data = MOTORS[motor]
    still = math.sqrt(N * data["Th"] / data["J"])
    viscous = 2 * 0.03 * still * data["J"] if drive == "current" else 0.0
    m = Machine(motor, drive, detent=detent, viscous=viscous, series=series * data["R"])
    y = m.rest(0)
    rest = y[2]
    y[2] += 0.005 / N
    period = 2 * math.pi / still
    times = np.linspace(0, 16 * period, 1600)[1:]
    _, found = m.run(y, 0, 0.0, times[-1], times.tolist())
    swing = np.array([N * (v[2] - rest) for _, v in found])
    t = times[times > 5 * period]
    part = swing[times > 5 * period]
    shape = lambda t, a, d, w, p: a * np.exp(-d * t) * np.cos(w * t + p)
    best = None
    for p in (0, 1.6, 3.1, 4.7):
        for f in (0.9, 1.0, 1.15):
            try:
                fit, _ = curve_fit(shape, t, part, p0=[0.005, 0.03 * still, f * still, p])
            except RuntimeError:
                continue
            left = np.sum((shape(t, *fit) - part) ** 2)
            if best is None or left < best[0]:
                best = (left, fit)
    _, decay, omega, _ = best[1]
    natural = math.hypot(decay, omega)
    return dict(motor=motor, drive=drive, detent=detent, series_windings=series,
                viscous=viscous, natural_frequency_rad_s=natural,
                damping_ratio=decay / natural)


def pull_out(motor, drive, factor):
    """Greatest mean torque with the speed held, over all load angles."""
    m = Machine(motor, drive, detent=False)
    knee = m.V / (m.L * m.peak) / (math.pi / 2) if m.regulated else m.R / m.L / (math.pi / 2)
    rate = knee * factor
    return dict(motor=motor, drive=drive, step_rate_hz=rate, torque_nm=held(m, rate))


def held(m, rate):
    lags = np.linspace(-0.2, math.pi + 0.7, 72)
    w = rate * math.pi / 2 / N
    cycle = 4 / rate
    steps = 4 * m.micro
    settle = max(2, math.ceil(8 * m.L / m.R / cycle))
    y = np.zeros(2 * len(lags) + len(lags))
    for c in range(settle + 1):
        if c == settle:
            y[2 * len(lags):] = 0.0
        for k in range(steps):
            n = c * steps + k
            demand = m.demand(n)
            # Microstep n lasts from (n - 1/2) to (n + 1/2) times the interval.
            t0, t1 = (n - 0.5) * cycle / steps, (n + 0.5) * cycle / steps

            def slope(t, y):
                ia, ib, _ = y.reshape(3, -1)
                th = (m.first - lags) / N + w * t
                da, db = m.currents(ia, ib, th, w, demand)
                return np.concatenate([da, db, m.motor_torque(ia, ib, th)])

            got = solve_ivp(slope, (t0, t1), y, method="LSODA" if m.regulated else "DOP853",
                            rtol=1e-7, atol=1e-9)
            y = got.y[:, -1]
    mean = y[2 * len(lags):] / cycle
    top = int(np.argmax(mean))
    top = min(max(top, 1), len(lags) - 2)
    a, b, c = np.polyfit(lags[top - 1:top + 2], mean[top - 1:top + 2], 2)
    return c - b * b / (4 * a)


def growth(motor, factor, zeta, rate):
    """A steady run at constant rate, pushed a little: does the swing grow or fade, and how
    fast? On both sides of where it changes."""
    data = MOTORS[motor]
    still = math.sqrt(N * data["Th"] / data["J"])
    viscous = 2 * zeta * still * data["J"]
    m = Machine(motor, "two-phase", detent=False, viscous=viscous, voltage_factor=factor)
    return dict(motor=motor, voltage_factor=factor, viscous=viscous, step_rate_hz=rate,
                load_nm=held_load(m, rate), growth_1_s=growth_rate(m, rate))


def fundamental(m, rate):
    """Electrical speed, amplitude of the applied fundamental, impedance, pull-out torque
    of a fixed voltage with two phases on."""
    we = rate * math.pi / 2
    v = 4 / math.pi * m.V
    z = math.hypot(m.R, we * m.L)
    return we, v, z, m.K * v / z - m.K ** 2 * we / N * m.R / z ** 2


def held_load(m, rate):
    """What brings the motor, with its viscous drag, to 30 % of pull-out."""
    return 0.3 * fundamental(m, rate)[3] - m.B * rate * math.pi / 2 / N


def growth_rate(m, rate):
    """In rotor coordinates with the fundamental of the applied voltage, where a steady run
    is a fixed point; a small push from it grows as exp(s t)."""
    we, v, z, _ = fundamental(m, rate)
    w0 = we / N
    load = held_load(m, rate)
    total = load + m.B * w0

    def slope(_, y):
        i_d, i_q, w, delta = y
        return [(v * math.cos(delta) - m.R * i_d + N * w * m.L * i_q) / m.L,
                (v * math.sin(delta) - m.R * i_q - N * w * m.L * i_d - m.K * w) / m.L,
                (m.K * i_q - m.B * w - load) / m.J,
                N * (w0 - w)]

    def steady(delta):
        return np.linalg.solve([[m.R, -we * m.L], [we * m.L, m.R]],
                               [v * math.cos(delta), v * math.sin(delta) - m.K * w0])

    # The torque rises with the load angle from a half cycle below its top to the top.
    top = math.pi / 2 + math.atan2(we * m.L, m.R)
    low, high = top - math.pi, top
    for _ in range(80):
        mid = (low + high) / 2
        low, high = (mid, high) if m.K * steady(mid)[1] < total else (low, mid)
    delta = (low + high) / 2
    base = np.array([*steady(delta), w0, delta])
    got = solve_ivp(slope, (0, 0.25), base + [0, 0, 0, 1e-4], method="DOP853", rtol=1e-11,
                    atol=1e-13, t_eval=np.linspace(0, 0.25, 5001))
    swing = np.abs(got.y[3] - delta)
    peaks = [i for i in range(1, len(swing) - 1)
             if swing[i] >= swing[i - 1] and swing[i] > swing[i + 1] and got.t[i] > 0.05
             and 1e-9 < swing[i] < 1e-2]
    return float(np.polyfit(got.t[peaks], np.log(swing[peaks]), 1)[0])


def ninety_degrees():
    """A quarter turn in 1/16 steps against friction, gravity and an inertia."""
    m = Machine("medium", "current", friction=0.03, constant=0.05, load_inertia=1.2e-5,
                viscous=2e-4)
    steps = 50 * m.micro
    accel, cruise = 9000.0 * m.micro, 600.0 * m.micro
    ramp = cruise ** 2 / (2 * accel)
    full = 2 * cruise / accel + (steps - 2 * ramp) / cruise

    def when(s):
        if s < ramp:
            return math.sqrt(2 * s / accel)
        if s <= steps - ramp:
            return cruise / accel + (s - ramp) / cruise
        return full - math.sqrt(2 * (steps - s) / accel)

    times = [when(k - 0.5) for k in range(1, steps + 1)]
    end = full + 0.15
    sampled = [end * (i + 1) / 60 for i in range(60)]
    y, t, peak, angles = m.rest(0), 0.0, 0.0, []
    for k, until in enumerate([*times, end]):
        y, found = m.run(y, k, t, until, sampled)
        angles += [v[2] for _, v in found]
        t = until
        peak = max(peak, abs(m.angle(min(k + 1, steps)) - N * y[2])) if k < steps else peak
    return dict(step_times_s=times, end_s=end, sampled_s=sampled, angles_rad=angles,
                peak_lag_at_steps_deg=math.degrees(peak),
                final_lag_deg=math.degrees(m.angle(steps) - N * y[2]))


def whole_move(cruise, detent):
    """1667 full steps of the medium motor at rated voltage, ramps of 500 steps/s², a step
    where the ramp is half a step short of it. The peak lag in two senses: of the step that
    has just been commanded, and of the smooth ramp. The first is the greater by up to half a
    step, 45 degrees, and is what pulls on the rotor."""
    m = Machine("medium", "two-phase", detent=detent)
    steps, accel = 1667, 500.0
    ramp = cruise ** 2 / (2 * accel)
    full = 2 * cruise / accel + (steps - 2 * ramp) / cruise

    def when(s):
        if s < ramp:
            return math.sqrt(2 * s / accel)
        if s <= steps - ramp:
            return cruise / accel + (s - ramp) / cruise
        return full - math.sqrt(2 * (steps - s) / accel)

    def where(t):
        if t < cruise / accel:
            return accel * t * t / 2
        if t < full - cruise / accel:
            return ramp + (t - cruise / accel) * cruise
        return steps - accel * max(0.0, full - t) ** 2 / 2

    y, t, of_step, of_ramp = m.rest(0), 0.0, 0.0, 0.0
    for k in range(steps):
        until = when(k + 0.5)
        sampled = [t + (until - t) * (i + 1) / 16 for i in range(16)]
        y, found = m.run(y, k, t, until, sampled, rtol=1e-8)
        for time_, state in found:
            smooth = m.first + where(time_) * math.pi / 2
            of_ramp = max(of_ramp, abs(smooth - N * state[2]))
            of_step = max(of_step, abs(m.angle(k) - N * state[2]))
        of_step = max(of_step, abs(m.angle(k + 1) - N * y[2]))
        t = until
    y, _ = m.run(y, steps, t, t + 0.5, rtol=1e-8)
    return dict(cruise_steps_s=cruise, detent=detent,
                peak_lag_of_step_deg=math.degrees(of_step),
                peak_lag_of_ramp_deg=math.degrees(of_ramp),
                final_lag_deg=math.degrees(m.angle(steps) - N * y[2]))


DRIVES = ("wave", "two-phase", "half-step", "current")
# What is worked out, and with which arguments.
CASES = {
    "integrator": (one_step, [("medium", "two-phase", False), ("medium", "two-phase", True),
                              ("small", "half-step", True), ("large", "wave", True),
                              ("medium", "current", True)]),
    "ring_down": (ring_down, [(motor, *case) for motor in MOTORS for case in
                              [("two-phase", False, 0), ("two-phase", True, 0),
                               ("two-phase", False, 3), ("wave", True, 0),
                               ("current", False, 0), ("current", True, 0)]]),
    "growth": (growth, [("medium", 1.0, 0.0, 500), ("medium", 1.0, 0.0, 650),
                        ("medium", 1.0, 0.0, 1500), ("medium", 1.0, 0.0, 3000),
                        ("medium", 1.0, 0.05, 600), ("medium", 1.0, 0.05, 800),
                        ("medium", 1.0, 0.05, 1000), ("medium", 1.0, 0.05, 1500),
                        ("large", 1.0, 0.0, 190), ("large", 1.0, 0.0, 360),
                        ("small", 4.0, 0.0, 2000), ("small", 4.0, 0.0, 4200)]),
    "ninety_degrees": (ninety_degrees, [()]),
    "whole_move": (whole_move, [(500.0, False), (500.0, True), (600.0, True)]),
    "pull_out": (pull_out, [(motor, drive, factor) for motor in MOTORS for drive in DRIVES
                            for factor in (0.2, 0.35, 0.6, 1.0, 1.4, 2.0, 3.0, 4.5)]),
}


def work_out(wanted):
    """The case of a name, or those of its numbers after a colon."""
    name, _, numbers = wanted.partition(":")
    function, arguments = CASES[name]
    if numbers:
        arguments = [arguments[int(number)] for number in numbers.split(",")]
    return name, [function(*each) for each in arguments]


def second(rtol):
    """One second of 1/16 steps at 300 full steps a second: how long it takes, and the
    angle at its end."""
    m = Machine("medium", "current")
    y, started = m.rest(0), time.perf_counter()
    for k in range(1, 4801):
        y, _ = m.run(y, k, (k - 1) / 4800, k / 4800, rtol=rtol)
    return time.perf_counter() - started, y[2]


if __name__ == "__main__":
    if sys.argv[1:2] == ["--second"]:
        print(*map(repr, map(float, second(float(sys.argv[2])))))
        sys.exit()
    wanted = sys.argv[1:] or list(CASES)
    json.dump({"motors": MOTORS, **dict(map(work_out, wanted))}, sys.stdout, indent=1)
    print()
