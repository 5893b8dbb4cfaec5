"""Holds what the daemon stored and said against the truth."""
import bisect
import re

import claims
from daemon import seconds

NEAR = 1.0  # s between an answer on the wire and the time that is stored for it, at most, on a busy machine
SLOW = 0.03  # s that an answer may be late by this machine's load for it to count as prompt


def canonical(register, words):
    v = register.decode(words)
    if register.point == "oil.pressure":
        return (v - 4000) * 62.5
    if register.unit == "Wh":
        return v * 3600
    if register.unit == "r/min":
        return v / 60
    return v


def answered(bus, instruments):
    """Sound answers in order of time: (time, value by point, exchange)."""
    out = []
    for x in bus.log:
        if x.fate not in ("sound", "late"):
            continue
        table = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}[x.function]
        held = {}
        for r in instruments[x.unit].registers:
            at = r.address - x.address
            if r.table == table and at >= 0 and at + r.size <= x.count:
                held[r.point] = canonical(r, x.words[at : at + r.size])
        if held:
            out.append((x.done, held, x))
    return sorted(out, key=lambda a: a[0])


def same(a, b):
    return abs(a - b) <= 1e-6 * max(1, abs(b))


def values(bus, instruments, readings):
    """Stored values that no answer near them holds, and answers of whole blocks that were not stored.

    The values of one row that lie in one answer must all be those of that answer.
    """
    truth = answered(bus, instruments)
    times = [a[0] for a in truth]
    points = {p for _, held, _ in truth for p in held}
    stored, bad, kept, count = 0, [], set(), {}
    for at, _, row in readings:
        open_points = {p for p in row if p in points}
        stored += len(open_points)
        for p in open_points:
            count[p] = count.get(p, 0) + 1
        t = at + max((row[p][1] for p in open_points), default=0)
        near = range(bisect.bisect_left(times, at - NEAR), bisect.bisect_right(times, t + NEAR))
        # An answer is on the wire before its time is taken, and is stored once: at rest many are alike.
        for i in sorted(near, key=lambda i: (id(truth[i][2]) in kept, times[i] > t + 0.005, abs(times[i] - t))):
            if not open_points:
                break
            mine = [p for p in truth[i][1] if p in row]
            if any(p in open_points for p in mine) and all(same(truth[i][1][p], row[p][0]) for p in mine):
                open_points -= set(mine)
                kept.add(id(truth[i][2]))
        bad += [f"{p} {row[p][0]:g} at {at - bus.start_at:.3f} s" for p in open_points]
    for p, n in count.items():
        have = sum(p in held for _, held, _ in truth)
        if n > have:
            bad.append(f"{p} is stored {n} times, {have} times it was answered")
    # A question for less than a planned block is a probe of the line and is not stored. A planned block is one
    # of which values were stored. An answer that this machine's load made late counts as that of a slow unit.
    blocks = {(x.unit, x.function, x.address, x.count) for x in bus.log if id(x) in kept}
    sound = [x for x in bus.log if x.fate == "sound" and x.late < SLOW and (x.unit, x.function, x.address, x.count) in blocks]
    lost = [x for x in sound if id(x) not in kept]
    return stored, bad, len(sound), lost


def unasked(bus, spans, instruments):
    """The longest time in which a point was not asked for although its unit was there, by unit."""
    worst = (0.0, "")
    for a, b in spans:
        for unit, one in instruments.items():
            for r in one.registers:
                table = {"discrete": 2, "holding": 3, "input": 4}[r.table]
                asked = [x.asked - bus.start_at for x in bus.log if x.unit == unit and x.function == table
                         and x.address <= r.address and r.address + r.size <= x.address + x.count]
                marks = [a, *[t for t in asked if a < t < b], b]
                gap = max(y - x for x, y in zip(marks, marks[1:]))
                worst = max(worst, (gap, r.point))
    return worst


def unread(bus, spans):
    """The longest times without a sound answer of a unit that are over what a span allows."""
    faults = []
    for a, b, unit, most in spans:
        sound = [x.done - bus.start_at for x in bus.log if x.unit == unit and x.fate == "sound"]
        marks = [a, *[t for t in sound if a < t < b], b]
        gap, since = max((y - x, x) for x, y in zip(marks, marks[1:]))
        if gap > most:
            faults.append(f"unit {unit} was not read for {gap:.2f} s from {since:.1f} s on, {most:g} s are the most")
    return faults


def listed(events, said):
    """The list of alarms says of each what the journal said last."""
    last = {}
    for e in events:
        if e["kind"] == "alarm" and e.get("to"):
            last[e["rule"]] = e["to"]
    states = {a["rule"]: a["state"] for a in said}
    return [f"alarms: {rule} is {states.get(rule)!r}, the journal said {to!r} last" for rule, to in last.items()
            if states.get(rule) != to and states.get(rule) != "suppressed by design"]


def alarms(scenario, bus, events):
    """False alarms and due ones that did not come in their window."""
    raised, false, missed = [], [], []
    for e in events:
        if e["kind"] != "alarm":
            continue
        a = e.get("alarm") or e
        if a.get("to") not in ("unacknowledged", "active", "active, unacknowledged"):
            continue
        raised.append((seconds(e["instant"]) - bus.start_at, a["rule"], e["text"]))
    patterns = [d[0] for d in scenario.due] + scenario.allowed
    for t, rule, text in raised:
        if not any(re.fullmatch(p, rule) for p in patterns):
            false.append(f"{rule} at {t:.1f} s ({text})")
    for pattern, early, late in scenario.due:
        at = [t for t, rule, _ in raised if re.fullmatch(pattern, rule)]
        if not any(early <= t <= late for t in at):
            missed.append(f"{pattern} due {early:.1f} to {late:.1f} s, came at {', '.join(f'{t:.1f}' for t in at) or 'no time'}")
    return raised, false, missed


def lines(bus, said):
    """What the list of lines counted, against what became of every question."""
    wrong = []
    fates = [x.fate for x in bus.log]
    babble = bool(bus.faults.babble)  # makes answers corrupt, and lost ones look so: only the least is known
    spoilt, unanswered = fates.count("spoilt"), sum(fates.count(f) for f in ("lost", "unheard", "hung", "late"))
    counts = [("corrupt", ("corrupt",), spoilt), ("without an answer", ("no_answers",), unanswered)]
    if babble:
        counts = [("corrupt or without an answer", ("corrupt", "no_answers", "foreign"), spoilt + unanswered)]
    for name, keys, true in counts:
        counted = sum(x[k] for x in said for k in keys)
        if counted < true - max(2, 0.03 * true) or not babble and counted > true + max(2, 0.03 * true):
            wrong.append(f"lines: {counted} exchanges {name}, true {true}")
    return wrong


def verdicts(scenario, bus, truth, runs, report, wiring):
    """All claims and verdicts of the report, and what the list of runs says."""
    c = claims.Claims(scenario, bus, truth)
    c.runs(runs)
    if report:
        c.report(report)
    c.wiring(wiring)
    return c
