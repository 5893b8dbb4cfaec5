"""The built daemon: its configuration, its life, and what it says afterwards."""
import csv
import json
import os
import re
import subprocess
import time
import urllib.request

BASE = """set:
  name: Rig set
  apparent power: 50 kVA
  power factor: 0.8
  voltage: 400 V
  frequency: 50 Hz
  poles: 4
  battery: 12 V
  judged by: G1
lines:
  - name: skid
    serial: {path}
    baud: 19200
    parity: none
devices:
"""

# What the unit in a column's heading means in the canonical unit.
FACTORS = {"": 1, "V": 1, "mV": 1e-3, "A": 1, "Hz": 1, "W": 1, "kW": 1e3, "var": 1, "kvar": 1e3, "VA": 1, "kVA": 1e3,
           "J": 1, "Wh": 3600, "kWh": 3.6e6, "Pa": 1, "kPa": 1e3, "bar": 1e5, "°C": 1, "K": 1, "1/s": 1, "r/min": 1 / 60}


def seconds(instant):
    """'2+8m7.902s' -> 487.902; None for 'never'."""
    m = re.fullmatch(r"\d+\+(?:(\d+)h)?(?:(\d+)m)?(?:([\d.]+)s)?(?:([\d.]+)ms)?(?:([\d.]+)µs)?", instant)
    if not m:
        return None
    h, mins, s, ms, us = (float(x or 0) for x in m.groups())
    return 3600 * h + 60 * mins + s + ms / 1e3 + us / 1e6


class Daemon:
    def __init__(self, program, folder, path, devices, every, extra=""):
        self.program, self.folder = program, folder
        self.state = os.path.join(folder, "state")
        self.config = os.path.join(folder, "rig.yaml")
        self.port = None  # the daemon chooses it and logs it
        text = BASE.format(path=path)
        for name, unit, registers in devices:
            text += f"  - name: {name}\n    line: skid\n    unit: {unit}\n    every: {every}\n    points:\n"
            text += "\n".join(r.config() for r in registers) + "\n"
        with open(self.config, "w", encoding="utf-8") as f:
            f.write(text + extra)
        self.log = open(os.path.join(folder, "daemon.log"), "w", encoding="utf-8")
        self.process = None

    def start(self, ready=None):
        """Starts it and waits until it is well, or until ready says so."""
        self.process = subprocess.Popen(
            [self.program, "run", "--config", self.config, "--state", self.state, "--listen", "127.0.0.1:0"],
            stdout=self.log, stderr=subprocess.STDOUT)
        for _ in range(200):
            logged = re.search(r"http://127\.0\.0\.1:(\d+)", self.said())
            self.port = int(logged[1]) if logged else None
            try:
                if self.port is None:
                    raise OSError("no port yet")
                if ready() if ready else self.get("/healthz", timeout=2):
                    return
                time.sleep(0.1)
            except OSError:
                if self.process.poll() is not None:
                    break
                time.sleep(0.1)
        raise RuntimeError("the daemon does not come up: " + self.said())

    def said(self):
        with open(self.log.name, encoding="utf-8") as f:
            return f.read()[-2000:]

    def get(self, path, timeout=5):
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=timeout) as r:
            return r.read().decode()

    def events(self):
        """The whole journal, by the API; answers in pages."""
        out, after = [], 0
        while True:
            page = json.loads(self.get(f"/api/v1/events?limit=500&after={after}"))
            fresh = [e for e in page["events"] if e["seq"] > after]
            out += fresh
            if not fresh or len(page["events"]) < 500:
                return out
            after = fresh[-1]["seq"]

    def memory(self):
        with open(f"/proc/{self.process.pid}/status", encoding="utf-8") as f:
            kib = next((int(line.split()[1]) for line in f if line.startswith("VmRSS:")), None)
        if kib is None:
            raise RuntimeError("the daemon ended: " + self.said())
        return kib * 1024

    def stop(self):
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.terminate()
        try:
            return self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            return -9
        finally:
            self.log.close()

    def ask(self, *words):
        done = subprocess.run([self.program, *words, "--state", self.state], capture_output=True, text=True, timeout=120)
        if done.returncode:
            raise RuntimeError(f"tickover {' '.join(words)}: exit {done.returncode}: {done.stderr or done.stdout}")
        return done.stdout

    def readings(self):
        """Rows of the export: time since boot in s, quality, and by point its value and lateness in s."""
        rows = csv.reader(self.ask("export", "--lags").splitlines())
        head = next(rows)
        heads = [re.fullmatch(r"(.*?)(?: \[(.*)\])?", h).groups() for h in head]
        at = head.index("seconds since boot")
        quality = head.index("quality")
        first = quality + 1
        late = {h[0].removesuffix(" lag"): i for i, h in enumerate(heads) if h[0].endswith(" lag")}
        for row in rows:
            values = {}
            for i in range(first, len(row)):
                point, unit = heads[i]
                if row[i] and not point.endswith(" lag"):
                    lag = float(row[late[point]] or 0) if point in late else 0.0
                    values[point] = (float(row[i]) * FACTORS.get(unit or "", 1), lag)
            yield float(row[at]), row[quality], values
