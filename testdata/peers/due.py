"""An alarm that is due again and again, for watch.sh: a unit on a pseudo-terminal shows its cause
for RAISED s of every PERIOD, and the API of the daemon is asked when the alarm is listed.

  due.py line FOLDER             serves the unit at FOLDER/line until ended; writes FOLDER/due.yaml
  due.py look FOLDER PORT S      for S seconds; prints how many alarms were due, listed, and the
                                 longest time beyond the alarm's own (poll and delay), "-" for none
"""
import json
import multiprocessing
import os
import signal
import sys
import time
import urllib.request

from attack import ALARM, DELAY, EVERY, LEVEL, PERIOD, RAISED, Daemon, line, now


def serve(folder):
    zero, stop = now(), multiprocessing.get_context("fork").Event()
    # "every" of the daemon is written as in attack.py; its port is the caller's choice.
    Daemon("", folder, os.path.join(folder, "line"), [("rig", 1, LEVEL)], f"{EVERY * 1000:.0f} ms", ALARM.replace("reading: by token\n", ""))
    os.rename(os.path.join(folder, "rig.yaml"), os.path.join(folder, "due.yaml"))
    with open(os.path.join(folder, "zero"), "w", encoding="utf-8") as f:
        f.write(repr(zero))
    signal.signal(signal.SIGTERM, lambda *_: os._exit(0))
    cause = type("On", (), {"value": 1})
    line(os.path.join(folder, "line"), zero, cause, stop)


def look(folder, port, length):
    with open(os.path.join(folder, "zero"), encoding="utf-8") as f:
        zero = float(f.read())
    own, listed = EVERY + DELAY, {}
    # Whole turns only: from the next begin on, as many as fit.
    first = int((now() - zero) // PERIOD) + 1
    last = first + max(int(length // PERIOD) - 2, 0)
    while now() < zero + last * PERIOD + RAISED + DELAY:
        turn, at = divmod(now() - zero, PERIOD)
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/alarms", timeout=2) as r:
                alarm = next(a for a in json.load(r) if a["rule"] == "rig.level1.high")
            if first <= turn <= last and alarm["active"] and at < RAISED + DELAY:
                listed.setdefault(int(turn), (now() - zero) % PERIOD - own)
        except (OSError, ValueError, StopIteration):
            pass
        time.sleep(0.05)
    worst = f"{max(max(listed.values()), 0):.2f}" if listed else "-"
    print(last - first + 1, len(listed), worst)


if __name__ == "__main__":
    if sys.argv[1] == "line":
        serve(sys.argv[2])
    else:
        look(sys.argv[2], int(sys.argv[3]), float(sys.argv[4]))
