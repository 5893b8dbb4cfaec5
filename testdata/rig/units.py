"""The instruments: a power meter and an engine adapter, with registers as real ones have them.

A register map is a list of Register; configuration text and the decoding of what was answered both
come from it, so that a stored value is compared with what went over the wire.
"""
import math
import random
import struct
from dataclasses import dataclass


@dataclass
class Register:
    point: str
    table: str  # holding, input, discrete
    address: int
    kind: str  # unsigned 16, signed 16, unsigned 32, signed 32, float 32, bit
    scale: float  # of one count, in the unit below
    unit: str
    extra: str = ""  # more of the configuration
    low_first: bool = False

    @property
    def size(self):
        return 2 if "32" in self.kind else 1

    def config(self):
        parts = [f"point: {self.point}", f'register: {self.table} {self.address}']
        if self.kind != "bit":
            parts.append(f"type: {self.kind}")
        if self.kind == "float 32":
            parts.append(f"unit: {self.unit}")
        elif self.kind != "bit" and "scale:" not in self.extra:
            parts.append(f"one count is: {self.scale:g} {self.unit}".rstrip())
        if self.low_first:
            parts.append("word order: low word first")
        if self.extra:
            parts.append(self.extra)
        return "      - {" + ", ".join(parts) + "}"

    def encode(self, value):
        if self.kind == "bit":
            return [int(value)]
        if self.kind == "float 32":
            words = list(struct.unpack(">HH", struct.pack(">f", value)))
        else:
            n = round(value / self.scale)
            bits = 16 * self.size
            low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if "un" not in self.kind else (0, (1 << bits) - 1)
            n = min(max(n, low), high) & ((1 << bits) - 1)
            words = [n] if self.size == 1 else [n >> 16, n & 0xFFFF]
        return words[::-1] if self.low_first else words

    def decode(self, words):
        if self.kind == "bit":
            return float(words[0])
        words = list(words)[::-1] if self.low_first else list(words)
        if self.kind == "float 32":
            return struct.unpack(">f", struct.pack(">HH", *words))[0]
        n = words[0] if self.size == 1 else words[0] << 16 | words[1]
        if self.kind.startswith("signed") and n >> (16 * self.size - 1):
            n -= 1 << (16 * self.size)
        return n * self.scale


def meter_map():
    r, i = [], 0
    for p in ("voltage.l1n", "voltage.l2n", "voltage.l3n", "voltage.l12", "voltage.l23", "voltage.l31"):
        r.append(Register(p, "holding", i, "unsigned 16", 0.1, "V"))
        i += 1
    r.append(Register("frequency", "holding", 6, "unsigned 16", 0.01, "Hz"))
    for k in range(3):
        r.append(Register(f"current.l{k+1}", "holding", 8 + 2 * k, "signed 32", 0.001, "A"))
        r.append(Register(f"power.active.l{k+1}", "holding", 14 + 2 * k, "signed 32", 1, "W", low_first=True))
    r.append(Register("power.active", "holding", 20, "float 32", 1, "W"))
    r.append(Register("energy.active", "holding", 22, "unsigned 32", 1, "Wh"))
    return sorted(r, key=lambda x: x.address)


def engine_map(table="input", switch=True, pickup=True):
    oil = "scale: counts 4000..20000 mean 0 bar..10 bar, plausible: -0.5 bar..10.5 bar, fast: yes"
    r = [Register("oil.pressure", table, 0, "signed 16", 1, "counts", oil),
         Register("coolant.temperature", table, 1, "signed 16", 0.1, "K"),
         Register("battery.voltage", table, 2, "unsigned 16", 0.01, "V", "fast: yes")]
    if pickup:
        r.append(Register("speed", table, 3, "unsigned 16", 1, "r/min", "fast: yes"))
    if switch:
        r.append(Register("oil.switch", "discrete", 0, "bit", 1, ""))
    return r


class Instrument:
    """Registers of one unit; functions None: all of its tables."""

    def __init__(self, registers, values, seed, functions=None):
        self.registers, self.values, self.functions = registers, values, functions
        self.random = random.Random(seed)

    def words(self, function, address, count, t):
        table = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}[function]
        mine = [r for r in self.registers if r.table == table]
        if self.functions and function not in self.functions or not mine:
            return 1
        end = max(r.address + r.size for r in mine)
        if count == 0 or address + count > end:
            return 2
        v = self.values(t, self.random)
        image = [0] * end
        for r in mine:
            image[r.address : r.address + r.size] = r.encode(v[r.point])
        return image[address : address + count]


def meter(truth, seed, renew=0.1, average=0.1):
    """A meter that renews its registers every renew s with means over average s."""
    first = 12_345_678

    def values(t, rnd):
        shown = math.floor(t / renew) * renew
        sums = None
        for k in range(4):
            ln, ll, amps, watts, hz = truth.electrical(shown - average * (k + 0.5) / 4)
            flat = [*ln, *ll, *amps, *watts, hz]
            sums = flat if sums is None else [a + b for a, b in zip(sums, flat)]
        m = [x / 4 for x in sums]
        live = m[0] > 1
        noise = (lambda w: rnd.uniform(-w, w)) if live else (lambda w: 0.0)
        out = {f"voltage.l{i+1}n": max(0, m[i] + noise(0.1)) for i in range(3)}
        for i, p in enumerate(("voltage.l12", "voltage.l23", "voltage.l31")):
            out[p] = max(0, m[3 + i] + noise(0.1))
        for i in range(3):
            out[f"current.l{i+1}"] = m[6 + i] + noise(0.002) if m[6 + i] else 0
            out[f"power.active.l{i+1}"] = m[9 + i] + noise(2) if m[9 + i] else 0
        out["power.active"] = sum(out[f"power.active.l{i+1}"] for i in range(3))
        out["frequency"] = m[12] + noise(0.006) if m[12] else 0
        out["energy.active"] = first + math.floor(truth.energy(shown) / 3600)
        return out

    return values


def engine(truth):
    def values(t, rnd):
        bar = truth.oil(t)
        counts = 4000 + 1600 * bar + rnd.uniform(-3, 3)
        if truth.s.sender_dead_from is not None and t >= truth.s.sender_dead_from:
            counts = 0
        return {"oil.pressure": counts, "oil.switch": 0 if bar > 0.5 else 1,
                "coolant.temperature": truth.coolant(t) + rnd.uniform(-0.08, 0.08),
                "battery.voltage": truth.battery(t) + rnd.uniform(-0.02, 0.02),
                "speed": max(0, truth.rpm(t) + (rnd.uniform(-2, 2) if truth.rpm(t) > 50 else 0))}

    return values
