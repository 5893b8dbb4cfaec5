"""What is played. Times are s of the script; the daemon has been up for some seconds at 0.

due: alarms that must come, (pattern of rule names, earliest, latest); one of a pattern is enough.
allowed: alarms that follow from what was done and may come. Anything else is a false alarm.
"""
from dataclasses import dataclass, field

from bus import Faults
from machine import Run, Script, Truth
from units import engine_map, meter_map

THIRDS = lambda w: (w / 3, w / 3, w / 3)  # noqa: E731


@dataclass
class Scenario:
    name: str
    script: Script
    faults: Faults
    every: str = "1 s"
    due: list = field(default_factory=list)
    allowed: list = field(default_factory=list)
    engine: list = field(default_factory=engine_map)
    meter: list = field(default_factory=meter_map)
    functions: dict = field(default_factory=dict)  # unit -> functions it knows
    phase: float | None = None  # of the polls at which the stops come, in tenths of an interval
    unseen: tuple | None = None  # claims of times in here are not made by the readings
    findings: list = field(default_factory=list)  # checks of the wiring that must find something
    answers: list = field(default_factory=list)  # (from, to): the units answer something all the time
    unread: list = field(default_factory=list)  # (from, to, unit, s): no longer without a sound answer of it
    lossy: bool = False  # answers are spoilt or come late: some are asked for again


def self_sustained(script, which=0):
    t = Truth(script)
    r = script.runs[which]
    return t.cross(t.rpm, 1.0, r.fires) and t.cross(t.rpm, 420, r.fires)


def interval(every):
    n, unit = every.split()
    return float(n) / (1000 if unit == "ms" else 1)


def healthy(seed, every="1 s", long=False):
    hold = 60 if long else 22
    up = 45
    ladder = [(up + i * hold, THIRDS(w)) for i, w in enumerate((12e3, 28e3, 40e3, 0.0))]
    stop = up + 4 * hold + 5
    return Scenario(f"healthy {every}", Script([Run(5, 6.6, stop)], loads=ladder, end=stop + 14), Faults(seed), every)


def stops(seed, phase, long=False):
    """Two runs, each stopped at its phase of the polls; every second set has no pickup of its speed."""
    return [Scenario(f"stop at {p}/10", Script([Run(4, 5.2, 44), Run(61, 62.0, 103)], end=118), Faults(seed), phase=p,
                     engine=engine_map(pickup=p % 2 == 0)) for p in phase]


def hot_restart(seed, long=False):
    return Scenario("hot restart", Script([Run(4, 5.4, 42), Run(50, 50.6, 92)], end=106), Faults(seed), "500 ms")


def reversed_ct(seed, long=False):
    loads = [(35, (4e3, 1e3, 1e3)), (60, (4e3, 4e3, 4e3)), (85, (0, 0, 0))]
    s = Script([Run(4, 5.4, 100)], loads=loads, reversed_ct=0, end=113)
    # The meter counts backwards: a warning of power that flows into the set is what it shows.
    return Scenario("reversed CT", s, Faults(seed), allowed=[r"power\.reverse.*", r"reverse.*", r"current\.negative.*",
                                                              r".*power.*negative.*"], findings=["L1"])


def open_neutral(seed, long=False):
    s = Script([Run(4, 5.4, 85)], loads=[(35, (3e3, 2e3, 1e3)), (70, (0, 0, 0))], neutral_open=(50, 65), end=98)
    return Scenario("open neutral", s, Faults(seed), due=[(r"neutral\.(lost|suspect)", 50.5, 54.5)],
                    allowed=[r"neutral\..*", r"voltage\..*", r"current\.negative.*",
                             r"alarms\.flood"])


def oil_missing(seed, long=False):
    s = Script([Run(4, 5.4, 38)], no_oil_from=0, end=52)
    at = self_sustained(s)
    return Scenario("oil missing", s, Faults(seed), due=[(r"oil\.pressure\.missing", at + 7.5, at + 8 + 1 + 2.5)],
                    allowed=[r"oil\..*"])


def dead_sender(seed, long=False):
    s = Script([Run(4, 5.4, 60)], sender_dead_from=30, end=74)
    return Scenario("dead sender", s, Faults(seed), due=[(r"oil\.pressure\.failed", 34.5, 30 + 5 + 3),
                                                       (r"alarms\.unwatched", 38, 30 + 5 + 8 + 3.5)],
                    allowed=[r"oil\.(pressure|switch)\..*"])


def rough(seed, long=False):
    """Every second exchange spoilt, an adapter that knows function 04 only, and no oil."""
    until = 220 if long else 70
    s = Script([Run(4, 5.4, until)], no_oil_from=0, end=until + 16)
    f = Faults(seed)
    f.spoil = [(-60, until + 60, "every second")]
    at = self_sustained(s)
    return Scenario("rough line", s, f, engine=engine_map(switch=False), functions={2: (4,)},
                    due=[(r"oil\.pressure\.missing", at + 7.5, at + 8 + 1 + 3.5)], allowed=[r"oil\..*"],
                    answers=[(0, until + 15)], lossy=True)


def hang(seed, code=2, late=False, long=False):
    """The meter hangs for 4 s on its voltages while it refuses everything else at once."""
    until = 700 if long else 80
    s = Script([Run(4, 5.4, until)], end=until + 14)
    f = Faults(seed)
    f.hang = [(30, 34, 1, 0, code, late)]
    return Scenario(f"hang, refuses {code:02d}", s, f, allowed=[], answers=[(34, until + 13)], lossy=True)


def two_lost(seed, long=False):
    """A question to the meter is lost with its repetition, during the crank and in steady running."""
    s = Script([Run(5, 6.6, 60)], end=74)
    f = Faults(seed)
    f.skip = [[6.0, 1, 2], [40, 1, 2], [48, 1, 2]]
    return Scenario("both tries lost", s, f, answers=[(0, 73)], unread=[(5, 12, 1, 1.5), (35, 58, 1, 2.5)], lossy=True)


def half_deaf(seed, long=False):
    until = 180 if long else 60
    s = Script([Run(4, 5.4, until)], end=until + 14)
    f = Faults(seed)
    f.deaf = [(-60, until + 60, 1, 3)]
    # Three questions that are not heard in a row leave it unseen for so long that it is said.
    return Scenario("half-deaf meter", s, f, allowed=[r"alarms\.unwatched", r"device\.meter\.lost"], answers=[(0, until + 13)], lossy=True)


def babble(seed, long=False):
    until = 180 if long else 60
    s = Script([Run(4, 5.4, until)], end=until + 14)
    f = Faults(seed)
    f.babble = [(10, until, 2)]
    f.lose = [(10, until, 0.05)]
    return Scenario("babble and losses", s, f, answers=[(0, until + 13)], lossy=True)


def unplug(seed, long=False):
    """The adapter is pulled over the crank; a crank before it was seen, and did not start the engine."""
    s = Script([Run(5, None, 12, starter_off=8), Run(34, 35.4, 74)], end=88)
    f = Faults(seed)
    f.unplug = [(32.5, 39.5)]
    return Scenario("unplug over the crank", s, f, unseen=(32.0, 41.5), allowed=[r"device\..*\.lost", r"alarms\.unwatched"],
                    lossy=True)


def unseen_crank(seed, long=False):
    """As above, with a minute of standstill between the crank that was seen and the one that was not."""
    s = Script([Run(5, None, 12, starter_off=8), Run(74, 75.4, 114)], end=128)
    f = Faults(seed)
    f.unplug = [(72.5, 79.5)]
    return Scenario("crank unseen, a minute later", s, f, unseen=(72.0, 81.5), allowed=[r"device\..*\.lost", r"alarms\.unwatched"],
                    lossy=True)


def short(seed):
    return [healthy(seed), healthy(seed + 1, "200 ms"), *stops(seed + 2, range(10)), hot_restart(seed + 20),
            reversed_ct(seed + 21), open_neutral(seed + 22), oil_missing(seed + 23), dead_sender(seed + 24),
            rough(seed + 25), hang(seed + 26, 2), hang(seed + 27, 6), half_deaf(seed + 28), two_lost(seed + 33), babble(seed + 29),
            unplug(seed + 30)]


def long(seed):
    return [healthy(seed, long=True), healthy(seed + 1, "200 ms", long=True), healthy(seed + 3, "5 s", long=True),
            *stops(seed + 2, range(10)), hot_restart(seed + 20), reversed_ct(seed + 21), open_neutral(seed + 22),
            oil_missing(seed + 23), dead_sender(seed + 24), rough(seed + 25, long=True), hang(seed + 26, 2, long=True),
            hang(seed + 27, 4, late=True, long=True), hang(seed + 31, 6, long=True), half_deaf(seed + 28, long=True), two_lost(seed + 33),
            babble(seed + 29, long=True), unplug(seed + 30), unseen_crank(seed + 32)]
