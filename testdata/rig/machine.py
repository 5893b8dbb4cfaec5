"""The truth of a generator set in closed form: everything is a function of time alone.

A script says when the starter bites, when the engine fires, when loads come and go and when it
is stopped. Nothing here integrates step by step except energy (trapezoids of 10 ms), so the
truth of every claim can be worked out at any time. Formulas: ISO 8528-5 for droop and
transients as defined there; star point by Millman's theorem; the rest is invented, as is the set.
"""
import cmath
import math
from dataclasses import dataclass, field

RATED_HZ = 50.0
RATED_LN = 400 / math.sqrt(3)
RATED_W = 40e3
NO_LOAD_HZ = 52.0  # droop 4 % of rated at 40 kW
DROOP_HZ = 2.0
CRANK_RPM = 160.0
RELEASE_RPM = 450.0  # the starter lets go
SELF_RPM = 0.28 * 1500  # faster than a starter turns it
DOWN = 5.0  # s from fuel off to standstill
A = cmath.exp(-2j * math.pi / 3)
PHASORS = (1, A, A * A)


@dataclass
class Run:
    """One crank: at, when it fires (None: never), when it is stopped, all in s of the script."""
    crank: float
    fires: float | None
    stop: float
    starter_off: float | None = None  # of a crank that never fires


@dataclass
class Script:
    runs: list
    loads: list = field(default_factory=list)  # (at, (W1, W2, W3)) at nominal voltage, resistive
    neutral_open: tuple | None = None  # (from, to)
    no_oil_from: float | None = None
    sender_dead_from: float | None = None  # of the oil transmitter only
    reversed_ct: int | None = None  # 0..2
    end: float = 60.0


class Truth:
    def __init__(self, script):
        self.s = script
        self.steps = []  # (at, W before, W after)
        w = 0.0
        for at, load in script.loads:
            self.steps.append((at, w, sum(load)))
            w = sum(load)
        self._energy = None
        self._release = {}

    # -- engine ---------------------------------------------------------------------------
    def run(self, t):
        r = None
        for one in self.s.runs:
            if t >= one.crank:
                r = one
        return r

    def load(self, t):
        """Nominal W of each phase."""
        now = (0.0, 0.0, 0.0)
        for at, load in self.s.loads:
            if t >= at:
                now = load
        r = self.run(t)
        return now if r and r.fires is not None and r.fires <= t < r.stop else (0.0, 0.0, 0.0)

    def _target_hz(self, t):
        f = NO_LOAD_HZ
        for at, before, after in self.steps:
            if t < at:
                break
            u = t - at
            share = (after - before) / RATED_W
            f -= DROOP_HZ * share * (1 - math.exp(-u / 0.4))
            f -= 2.2 * share * (u / 0.35) * math.exp(1 - u / 0.35)
        return f

    def rpm(self, t):
        r = self.run(t)
        if r is None:
            return 0.0
        if r.fires is None:
            top = CRANK_RPM * (1 - math.exp(-(min(t, r.starter_off) - r.crank) / 0.15))
            return top * max(0.0, 1 - (t - r.starter_off) / 1.5) if t > r.starter_off else top
        if t < r.fires:
            return CRANK_RPM * (1 - math.exp(-(t - r.crank) / 0.15))
        if t < r.stop:
            first = CRANK_RPM * (1 - math.exp(-(r.fires - r.crank) / 0.15))
            return 30 * self._target_hz(t) - (1560 - first) * math.exp(-(t - r.fires) / 0.8)
        u = (t - r.stop) / DOWN
        return self.rpm(r.stop - 1e-9) * max(0.0, 1 - u) ** 1.3

    def cross(self, quantity, level, t, limit=30.0):
        """When a quantity first reaches level after t, to 1 ms; None within limit."""
        step = 0.001
        for i in range(int(limit / step)):
            if quantity(t + i * step) >= level:
                return t + i * step
        return None

    def release(self, r):
        """When the starter lets go of the battery."""
        return r.starter_off if r.fires is None else self.cross(self.rpm, RELEASE_RPM, r.fires)

    def oil(self, t):
        """bar, of the engine; the transmitter may say otherwise."""
        r = self.run(t)
        if r is None or self.s.no_oil_from is not None and t >= self.s.no_oil_from:
            return 0.0
        n = self.rpm(t)
        return 4.3 * min(1.0, n / 1400) ** 0.7 * (1 - math.exp(-(t - r.crank) / 1.2)) if n > 0 else 0.0

    def coolant(self, t):
        first = next((r.fires for r in self.s.runs if r.fires is not None), math.inf)
        return 58 + (20 * (1 - math.exp(-(t - first) / 300)) if t > first else 0)

    def battery(self, t):
        r = self.run(t)
        if r is None:
            return 12.62
        if id(r) not in self._release:
            self._release[id(r)] = self.release(r)
        off = self._release[id(r)]
        if t < off:
            return 10.3 - 0.9 * math.exp(-(t - r.crank) / 0.25)
        if r.fires is None:
            return 12.5 - 1.2 * math.exp(-(t - off) / 0.4)
        up = 13.9 - 1.6 * math.exp(-(min(t, r.stop) - off) / 2.5)
        return up if t < r.stop else 12.75 + (up - 12.75) * math.exp(-(t - r.stop) / 20)

    # -- electrical -----------------------------------------------------------------------
    def emf(self, t):
        """V from star point of the winding to each terminal; the three are alike."""
        n = self.rpm(t)
        if n <= 0:
            return 0.0
        v = RATED_LN * (min(1, n / 1350) * min(1, max(0, (n - 400) / 300)) + 0.008 * n / 1500)
        dip = 0.0
        for at, before, after in self.steps:
            if t < at:
                break
            u = t - at
            dip += 0.10 * (after - before) / RATED_W * math.exp(-u / 0.4) * (1 - math.exp(-u / 0.03))
        return v * (1 - dip)

    def star(self, t):
        """Phasors of the three phase voltages as the load and the meter see them."""
        e = self.emf(t)
        g = [w / RATED_LN**2 for w in self.load(t)]
        shift = 0
        gap = self.s.neutral_open
        if gap and gap[0] <= t < gap[1] and sum(g) > 0:
            shift = sum(gi * e * p for gi, p in zip(g, PHASORS)) / sum(g)
        return [e * p - shift for p in PHASORS], g

    def electrical(self, t):
        """V L-N, V L-L, A, W of each phase, Hz; the meter's own view, a reversed CT included."""
        u, g = self.star(t)
        ln = [abs(x) for x in u]
        ll = [abs(u[0] - u[1]), abs(u[1] - u[2]), abs(u[2] - u[0])]
        amps = [gi * v for gi, v in zip(g, ln)]
        watts = [a * v for a, v in zip(amps, ln)]
        if self.s.reversed_ct is not None:
            watts[self.s.reversed_ct] *= -1
        hz = self.rpm(t) / 30 if self.emf(t) > 15 else 0.0
        return ln, ll, amps, watts, hz

    def energy(self, t):
        """J that the meter counted since 0 of the script: net of the directions it sees."""
        if self._energy is None:
            self._energy = [0.0]
            last = sum(self.electrical(0)[3])
            for i in range(1, int(self.s.end / 0.01) + 2000):
                now = sum(self.electrical(i * 0.01)[3])
                self._energy.append(self._energy[-1] + (last + now) / 2 * 0.01)
                last = now
        i = min(max(0, int(t / 0.01)), len(self._energy) - 1)
        return self._energy[i]

    # -- truths of claims -----------------------------------------------------------------
    def grid(self, quantity, a, b, step=0.002):
        return [(a + i * step, quantity(a + i * step)) for i in range(int((b - a) / step) + 1)]

    def hz(self, t):
        return self.rpm(t) / 30

    def after(self, i):
        """When the next thing happens after step i: a step or the end of the run."""
        at = self.steps[i][0]
        ends = [s[0] for s in self.steps[i + 1 :]] + [self.run(at).stop]
        return min(e for e in ends if e > at)

    def returned(self, quantity, at, end, level, half):
        """s after at from which the quantity stays within level +- half until end."""
        last = 0.0
        for t, v in self.grid(quantity, at, min(end, at + 40)):
            if abs(v - level) > half:
                last = t - at
        return last

    def step_truth(self, i):
        """What step i did: extremes and returns by the definitions of ISO 8528-5."""
        at, before, after = self.steps[i]
        end = self.after(i)
        hz0 = self.hz(at - 0.001)
        hz1 = NO_LOAD_HZ - DROOP_HZ * after / RATED_W
        hz = [v for _, v in self.grid(self.hz, at, min(end, at + 15))]
        volts = [v for _, v in self.grid(self.emf, at, min(end, at + 15))]
        sign = -1 if after >= before else 1
        far = min(hz) if sign < 0 else max(hz)
        far_v = min(volts) if sign < 0 else max(volts)
        out = {"hz extreme": far, "v extreme": far_v,
               "hz difference": max(0, sign * (far - hz0)) / RATED_HZ * 100,
               "hz deviation": max(0, sign * (far - RATED_HZ)) / RATED_HZ * 100,
               "v deviation": max(0, sign * (far_v - RATED_LN)) / RATED_LN * 100}
        steady = self.emf(min(end, at + 15) - 0.01)
        out["hz return"] = self.returned(self.hz, at, end, hz1, 3.5 / 200 * RATED_HZ)
        out["v return"] = self.returned(self.emf, at, end, steady, 5 / 100 * RATED_LN)
        return out
