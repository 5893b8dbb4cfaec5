#!/usr/bin/env python3
"""The rig's own checks: its truth against worked figures, and that it finds what it is there to find."""
import types
import unittest

import claims
import judge
from bus import Bus, Exchange, Faults, crc
from machine import Run, Script, Truth
from units import Instrument, Register, engine, engine_map, meter, meter_map

PLAIN = Script([Run(5, 6.6, 60)], loads=[(20, (4e3, 4e3, 4e3)), (40, (0, 0, 0))], end=80)


class Machine(unittest.TestCase):
    def test_star_point_of_an_open_neutral(self):
        """Heaters of 3/2/1 kW and 6/2/1 kW on 400 V with the neutral broken: worked on phasors by hand."""
        for watts, want in (((3e3, 2e3, 1e3), (176, 239, 289)), ((6e3, 2e3, 1e3), (117, 290, 319))):
            t = Truth(Script([Run(0, 1, 99)], loads=[(20, watts)], neutral_open=(30, 50)))
            t.emf = lambda _: 230.0
            for got, volts in zip(t.electrical(40)[0], want):
                self.assertAlmostEqual(got, volts, delta=1)

    def test_droop_and_steps(self):
        t = Truth(PLAIN)
        self.assertAlmostEqual(t.hz(39), 52 - 2 * 12 / 40, delta=0.01)
        self.assertLess(t.step_truth(0)["hz extreme"], 51)
        self.assertAlmostEqual(t.energy(60) / 3.6e6, 12 * 20 / 3600 * (t.emf(30) / (400 / 3**0.5)) ** 2, delta=0.001)

    def test_start(self):
        t = Truth(PLAIN)
        self.assertEqual(t.rpm(4.9), 0)
        self.assertAlmostEqual(t.rpm(t.release(PLAIN.runs[0])), 450, delta=2)
        self.assertEqual(t.rpm(66), 0)


class Line(unittest.TestCase):
    def test_frames_of_the_standard(self):
        self.assertEqual(crc(bytes.fromhex("01030000000a")).hex(), "c5cd")
        self.assertEqual(Bus.frame(17, 3, [0xAE41, 0x5652, 0x4340]).hex(), "110306ae41565243" + "4049ad")

    def test_a_write_is_seen(self):
        bus = types.SimpleNamespace(violations=[], stray=0, t=lambda: 0.0, question=lambda f: None)
        write = bytes.fromhex("010600010003")
        self.assertEqual(Bus.take(bus, write + crc(write), True), b"")
        self.assertEqual(len(bus.violations), 1)
        read = bytes.fromhex("01030000000a")
        Bus.take(bus, read + crc(read), True)
        self.assertEqual((len(bus.violations), bus.stray), (1, 0))

    def test_registers_there_and_back(self):
        for kind, scale, value in (("signed 32", 0.001, -12.345), ("unsigned 32", 1, 3e9), ("signed 16", 0.1, -40.2), ("float 32", 1, 1234.5)):
            for low_first in (False, True):
                r = Register("p", "holding", 0, kind, scale, "V", low_first=low_first)
                self.assertAlmostEqual(r.decode(r.encode(value)), value, delta=1e-6 * abs(value))


def answered(seconds):
    """A line that has answered whole blocks once a second, and what was rightly stored of it."""
    truth = Truth(PLAIN)
    units = {1: Instrument(meter_map(), meter(truth, 1), 1), 2: Instrument(engine_map(), engine(truth), 2)}
    bus = types.SimpleNamespace(log=[], start_at=0.0, faults=Faults())
    rows = []
    for s in range(seconds):
        for unit, function, count in ((1, 3, 24), (2, 4, 4)):
            x = Exchange(s, unit, function, 0, count)
            x.done, x.fate, x.words = s + 0.05, "sound", tuple(units[unit].words(function, 0, count, s))
            bus.log.append(x)
            held = judge.answered(types.SimpleNamespace(log=[x]), units)[0][1]
            rows.append((s, "good", {p: (v, 0.05) for p, v in held.items()}))
    return bus, units, rows


class Judge(unittest.TestCase):
    def test_right_values_pass_and_one_wrong_one_does_not(self):
        bus, units, rows = answered(40)
        stored, bad, sound, lost = judge.values(bus, units, rows)
        self.assertEqual((bad, len(lost), sound), ([], 0, 80))
        rows[60][2]["voltage.l1n"] = (rows[60][2]["voltage.l1n"][0] + 0.1, 0.05)
        self.assertTrue(judge.values(bus, units, rows)[1])

    def test_a_row_that_mixes_two_answers_is_wrong(self):
        bus, units, rows = answered(40)
        rows[60][2]["energy.active"] = rows[50][2]["energy.active"]
        self.assertTrue(judge.values(bus, units, rows)[1])

    def test_an_answer_that_is_not_stored(self):
        bus, units, rows = answered(40)
        del rows[30]
        self.assertEqual(len(judge.values(bus, units, rows)[3]), 1)

    def test_alarms(self):
        s = types.SimpleNamespace(due=[("oil.*", 10, 12)], allowed=[])
        bus = types.SimpleNamespace(start_at=0.0)

        def event(at, rule):
            return {"kind": "alarm", "instant": f"1+{at}s", "rule": rule, "to": "unacknowledged", "text": ""}

        self.assertEqual(judge.alarms(s, bus, [event(11, "oil.pressure.missing")])[1:], ([], []))
        self.assertEqual(len(judge.alarms(s, bus, [event(13, "oil.pressure.missing")])[2]), 1)
        self.assertEqual(len(judge.alarms(s, bus, [event(11, "oil.pressure.missing"), event(11, "voltage.low")])[1]), 1)

    def test_claims(self):
        c = claims.Claims(types.SimpleNamespace(script=PLAIN), None, Truth(PLAIN))
        f = {"name": "x", "unit": "s", "value": 1.0, "bound": "interval", "low": 0.5, "high": 1.5, "uncertainty": None}
        for truth, outside in ((1.4, 0), (1.6, 1), (0.4, 2)):
            c.claim("", f, truth)
            self.assertEqual(len(c.outside), outside)
        c.claim("", {**f, "bound": "at least"}, 99)
        self.assertEqual(len(c.outside), 2)
        c.verdict("", {"name": "x", "verdict": "within"}, 9, 8)
        c.verdict("", {"name": "x", "verdict": "outside"}, 7, 8)
        c.verdict("", {"name": "x", "verdict": "not determined"}, 9, 8)
        self.assertEqual((c.judged, len(c.wrong)), (2, 2))

    def test_unasked_and_unread(self):
        bus, units, _ = answered(40)
        bus.log = [x for x in bus.log if x.unit != 2 or not 10 < x.asked < 25]
        self.assertGreater(judge.unasked(bus, [(0, 39)], {2: Instrument(engine_map(switch=False), None, 1)})[0], 14)
        self.assertEqual(len(judge.unread(bus, [(0, 39, 2, 2), (0, 39, 1, 2)])), 1)


if __name__ == "__main__":
    unittest.main()
