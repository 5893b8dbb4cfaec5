#!/usr/bin/env python3
"""Plays every scenario against the built daemon and prints one table; exit 1 when a row misses.

  rig.py --program PATH [--long] [--seeds 1,2] [--only PATTERN] [--known FILE] [--keep FOLDER] [--jobs N]
"""
import argparse
import json
import multiprocessing
import os
import re
import shutil
import sys
import tempfile
import time
import traceback

import judge
import scenarios
from bus import Bus, now
from daemon import Daemon, seconds
from machine import Truth
from units import Instrument, engine, meter

LEAD = 4.0  # s from the daemon's start to 0 of the script
COLUMNS = ("scenario", "values", "wrong", "sound", "unkept", "claims", "inside", "verdicts", "wrong v.", "due", "missed",
           "false", "writes", "unasked", "late ms")


def play(program, scenario, folder, seed):
    truth = Truth(scenario.script)
    instruments = {1: Instrument(scenario.meter, meter(truth, seed), seed, scenario.functions.get(1)),
                   2: Instrument(scenario.engine, engine(truth), seed + 1000, scenario.functions.get(2))}
    truth.energy(0)
    os.makedirs(folder)
    path = os.path.join(folder, "line")
    bus = Bus(path, instruments, scenario.faults, now() + 3600)  # 3600: standstill until the daemon is up
    bus.start()
    daemon = Daemon(program, folder, path, [("meter", 1, scenario.meter), ("engine", 2, scenario.engine)], scenario.every)
    try:
        daemon.start()
        bus.start_at = now() + LEAD
        if scenario.phase is not None:
            scenario.placed = set()
        memory = 0
        while bus.t() < scenario.script.end:
            if scenario.phase is not None:
                move_stop(scenario, bus)
            time.sleep(0.02 if scenario.phase is not None else 0.25)
            memory = max(memory, daemon.memory())
        events = daemon.events()
        said = json.loads(daemon.ask("lines", "--json"))
        counted = judge.lines(bus, said) + judge.listed(events, json.loads(daemon.ask("alarms", "--json")))
        stated = sum(x[k] for x in said for k in ("retries", "late", "ghosts", "foreign", "corrupt", "no_answers"))
        code = daemon.stop()
        bus.stopping = True
        bus.join()
        return sum_up(scenario, bus, truth, instruments, daemon, events, code, memory, counted, stated)
    finally:
        daemon.stop()
        bus.stopping = True
        bus.join()


def move_stop(scenario, bus):
    """A stop is moved to its tenth of the interval after the last question to the meter before it."""
    for i, r in enumerate(scenario.script.runs):
        if i in scenario.placed or not r.stop - 1.5 < bus.t() < r.stop - 0.5:
            continue
        asked = [x.asked for x in bus.log if x.unit == 1 and x.count > 6]
        if asked:
            every = scenarios.interval(scenario.every)
            r.stop = asked[-1] - bus.start_at + every * (round((r.stop - asked[-1] + bus.start_at) / every) + scenario.phase / 10)
            scenario.placed.add(i)


def sum_up(scenario, bus, truth, instruments, daemon, events, code, memory, counted, stated):
    runs = json.loads(daemon.ask("runs", "--json"))
    reports = [(r, json.loads(daemon.ask("report", r["id"], "--format", "json"))) for r in runs]
    wiring = json.loads(daemon.ask("wiring", "check", "--json"))
    stored, bad, sound, lost = judge.values(bus, instruments, daemon.readings())
    raised, false, missed = judge.alarms(scenario, bus, events)
    c = judge.verdicts(scenario, bus, truth, runs, reports, wiring)
    c.judged += 3
    c.wrong += counted
    gap, point = judge.unasked(bus, scenario.answers, instruments)
    limit = max(10, 3 * scenarios.interval(scenario.every))
    late = sorted(bus.lateness)[int(0.99 * len(bus.lateness))] if bus.lateness else 0
    # Not what was on its way when the daemon was stopped or the adapter pulled.
    cuts = [u[0] for u in scenario.faults.unplug]
    lost = [x for x in lost if x.done - bus.start_at < scenario.script.end - 1
            and not any(abs(x.done - bus.start_at - c) < 0.2 for c in cuts)]
    faults = []
    if code:
        faults.append(f"exit {code}")
    faults += [f"wrong value: {b}" for b in bad[:5]]
    if stored < 100:
        faults.append(f"only {stored} values were stored")
    if len(lost) > stated:
        faults.append(f"{len(lost)} sound answers are not stored, the first at {lost[0].done - bus.start_at:.2f} s: unit {lost[0].unit} "
                      f"function {lost[0].function} {lost[0].address}+{lost[0].count}")
    if c.total and len(c.outside) > 0.01 * c.total:
        faults += [f"claim: {x}" for x in c.outside]
    faults += [f"verdict: {x}" for x in c.wrong] + [f"missed: {x}" for x in missed] + [f"false alarm: {x}" for x in false]
    faults += [f"write on the bus: {v}" for v in bus.violations]
    faults += judge.unread(bus, scenario.unread)
    if gap > limit:
        faults.append(f"{point} was not asked for in {gap:.1f} s, {limit:g} s are the most")
    row = (scenario.name, stored, len(bad), sound, len(lost), c.total, c.total - len(c.outside), c.judged, len(c.wrong),
           len(scenario.due), len(missed), len(false), len(bus.violations), f"{gap:.1f}" if scenario.answers else "-", f"{late * 1000:.0f}")
    details = {"row": row, "faults": faults, "memory": memory, "raised": raised,
               "states": [(round(seconds(e["instant"]) - bus.start_at, 2), e["text"]) for e in events if e["kind"] == "engine"]}
    with open(os.path.join(daemon.folder, "line.csv"), "w", encoding="utf-8") as f:
        for x in bus.log:
            f.write(f"{x.asked:.4f},{x.done:.4f},{x.late:.4f},{x.unit},{x.function},{x.address},{x.count},{x.fate},{' '.join(map(str, x.words))}\n")
    details["lost"] = [x.done for x in lost]
    with open(os.path.join(daemon.folder, "result.json"), "w", encoding="utf-8") as f:
        json.dump(details, f, indent=1, default=str)
    return details


def work(job):
    program, scenario, folder, seed = job
    try:
        return play(program, scenario, folder, seed)
    except Exception:  # noqa: BLE001: a scenario that breaks is a row that misses
        return {"row": (scenario.name, *["-"] * (len(COLUMNS) - 1)), "faults": ["broke: " + traceback.format_exc(limit=-3)], "memory": 0}


def table(results):
    rows = [COLUMNS, *[tuple(str(c) for c in r["row"]) for r in results]]
    widths = [max(len(r[i]) for r in rows) for i in range(len(COLUMNS))]
    for r in rows:
        print("  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, widths))))


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--program", required=True)
    p.add_argument("--long", action="store_true")
    p.add_argument("--seeds", default="1")
    p.add_argument("--only", default="")
    p.add_argument("--known", help="file of faults that are known: row pattern | fault pattern | why; they are shown and not counted")
    p.add_argument("--keep", help="folder that keeps stores, logs and results")
    p.add_argument("--jobs", type=int, default=32)
    a = p.parse_args()
    jobs = []
    root = a.keep or tempfile.mkdtemp(prefix="rig")
    for seed in map(int, a.seeds.split(",")):
        for i, s in enumerate((scenarios.long if a.long else scenarios.short)(1000 * seed)):
            if re.search(a.only, s.name):
                jobs.append((os.path.abspath(a.program), s, os.path.join(root, f"{seed}-{i}"), seed))
    known = []
    if a.known:
        with open(a.known, encoding="utf-8") as f:
            known = [tuple(c.strip() for c in line.split(" | ")[:2]) for line in f if " | " in line and line[0] != "#"]
    began = time.monotonic()
    with multiprocessing.get_context("fork").Pool(min(a.jobs, len(jobs)), maxtasksperchild=1) as pool:
        results = pool.map(work, jobs, chunksize=1)
    table(results)
    misses, used = 0, set()
    for r in results:
        excused = {f: [k for k in known if re.fullmatch(k[0], r["row"][0]) and re.search(k[1], f)] for f in r["faults"]}
        used |= {k for ks in excused.values() for k in ks}
        misses += any(not ks for ks in excused.values())
        if r["faults"]:
            print(f"\n{r['row'][0]}:")
        for f, ks in excused.items():
            print(("  known   " if ks else "  MISSES  ") + f)
    for k in known:
        if k not in used:
            print(f"\nknown and not seen this time: {k[0]} | {k[1]}")
    most = max(r["memory"] for r in results)
    print(f"\n{len(results)} rows, {misses} miss; highest memory of a daemon {most / 2**20:.0f} MiB; {time.monotonic() - began:.0f} s")
    share = [sum(r["row"][i] for r in results if r["row"][i] != "-") for i in (5, 6)]
    print(f"claims inside: {share[1]} of {share[0]}, {100 * share[1] / max(1, share[0]):.1f} %")
    if not a.keep:
        shutil.rmtree(root)
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
