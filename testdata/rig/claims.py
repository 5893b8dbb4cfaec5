"""Every claim of the report with a truth in closed form, and the verdicts that hang on it."""
import re

from daemon import seconds
from scenarios import interval
from machine import DROOP_HZ, NO_LOAD_HZ, RATED_HZ, RATED_W, SELF_RPM

# ISO 8528-5:2005 Table 4 (figures met in handbooks that quote it; alpha_f from memory).
G1 = {"frequency droop": 8, "frequency rise at load off": 18, "frequency dip at load on": 19,  # 15 + droop 4
      "frequency deviation from rated at load on": 15, "frequency recovery, load on": 10,
      "frequency recovery, load off": 10, "voltage rise at load off": 35, "voltage dip at load on": 25,
      "voltage recovery, load on": 10, "voltage recovery, load off": 10}
STEP = {"frequency dip at load on": "hz difference", "frequency rise at load off": "hz difference",
        "frequency deviation from rated at load on": "hz deviation", "frequency recovery, load on": "hz return",
        "frequency recovery, load off": "hz return", "voltage dip at load on": "v deviation",
        "voltage rise at load off": "v deviation", "voltage recovery, load on": "v return",
        "voltage recovery, load off": "v return"}
DIGIT = {"%": 0.05, "Hz": 0.02, "V": 0.2, "s": 0.01, "bar": 0.02, "kWh": 0.0}


class Claims:
    def __init__(self, scenario, bus, truth):
        self.s, self.bus, self.truth = scenario, bus, truth
        self.total, self.outside, self.judged, self.wrong = 0, [], 0, []

    def claim(self, where, f, truth):
        """One figure against its truth; a figure that says no bounds claims its value to one digit."""
        if f["value"] is None or truth is None:
            return
        unc = f["uncertainty"] or 0
        digit = DIGIT.get(f["unit"], 0)
        low, high = abs(f["value"]) - unc - digit, abs(f["value"]) + unc + digit
        if f["bound"] == "interval":
            low = float("-inf") if f["low"] is None else f["low"] - digit
            high = float("inf") if f["high"] is None else f["high"] + digit
        elif f["bound"] == "at least":
            high = float("inf")
        elif f["bound"] == "at most":
            low = float("-inf")
        self.total += 1
        if not low <= truth <= high:
            self.outside.append(f"{where}, {f['name']}: true {truth:.3f} {f['unit']}, said {f['bound']} {f['value']:.3f}"
                                + (f" [{f['low']}, {f['high']}]" if f["bound"] == "interval" else f" ± {unc:g}"))

    def verdict(self, where, f, truth, limit):
        if f["verdict"] not in ("within", "outside") or truth is None:
            return
        self.judged += 1
        if (f["verdict"] == "within") != (truth <= limit):
            self.wrong.append(f"{where}, {f['name']}: said {f['verdict']} {limit:g}, true {truth:.2f}")

    # -- runs -----------------------------------------------------------------------------
    def runs(self, runs):
        seen = [r for r in self.s.script.runs if not self.hidden(r.crank)]
        unseen = len(self.s.script.runs) - len(seen)
        starts = sum(r.fires is not None for r in self.s.script.runs)
        cranks = sum(r["cranks"] for r in runs)
        self.judged += 2
        if not len(seen) <= cranks <= len(seen) + unseen:
            self.wrong.append(f"runs: {cranks} cranks, true {len(seen)} seen and {unseen} unseen")
        if sum(r["starts"] for r in runs) != starts:
            self.wrong.append(f"runs: {sum(r['starts'] for r in runs)} starts, true {starts}")

    def hidden(self, t):
        return self.s.unseen is not None and self.s.unseen[0] <= t < self.s.unseen[1]

    # -- report ---------------------------------------------------------------------------
    def report(self, pages):
        for run, r in pages:
            self.zero = seconds(run["from"]) - self.bus.start_at
            for one in r["first_start"]:
                self.start(one)
            self.steps(r["load_steps"])
            self.spans(r["steady_spans"])
            self.whole(r, run)

    def at(self, moment):
        return None if moment["offset_seconds"] is None else self.zero + moment["offset_seconds"]

    def start(self, one):
        t, at = self.truth, self.at(one)
        real = min(self.s.script.runs, key=lambda r: abs(r.crank - at))
        where = f"start at {at:.1f} s"
        if abs(real.crank - at) > 4 and not self.hidden(real.crank):
            self.judged += 1
            self.wrong.append(f"{where}: no crank then")
            return
        self.judged += 1
        if one["started"] != (real.fires is not None):
            self.wrong.append(f"{where}: started {one['started']}")
        since = lambda x: None if x is None else x - real.crank  # noqa: E731
        truths = {"crank time": since(t.release(real)),
                  "time to first oil pressure": since(t.cross(t.oil, 0.3, real.crank)),
                  "time to 1 bar of oil pressure": since(t.cross(t.oil, 1.0, real.crank)),
                  "battery lowest": t.battery(real.crank)}
        if real.fires is not None:
            truths["time to self-sustained speed"] = since(t.cross(t.rpm, SELF_RPM, real.fires))
            truths["time to 90 % of rated voltage"] = since(t.cross(t.emf, 0.9 * 400 / 3**0.5, real.fires))
        for f in one["figures"]:
            if f["name"] in truths:
                self.claim(where, f, truths[f["name"]])

    def steps(self, said):
        real = [(at, a, b, i) for i, (at, a, b) in enumerate(self.truth.steps) if abs(b - a) >= 1000]
        ct = self.s.script.reversed_ct
        for one in said:
            at = self.at(one)
            near = [r for r in real if -0.3 <= at - r[0] < 4 + 2 * interval(self.s.every)]
            where = f"step at {at:.1f} s"
            self.judged += 1
            gap = self.s.script.neutral_open
            if gap and any(-0.3 <= at - g < 6 for g in gap):  # power moves between the phases: no step by a person
                self.wrong += [f"{where}: {f['name']} {f['verdict']}, it is the neutral" for f in one["figures"]
                               if f["verdict"] in ("within", "outside") and "voltage" in f["name"]]
                continue
            if not near:
                self.wrong.append(f"{where}: no step then ({one['from_w']:.0f} to {one['to_w']:.0f} W)")
                continue
            i = near[-1][3]
            if ct is not None or self.s.script.neutral_open:
                on = near[-1][2] > near[-1][1]
                other = "load off" if on else "load on"
                if ct is not None and any(f["name"].endswith(other) for f in one["figures"]):
                    self.wrong.append(f"{where}: {one['from_w']:.0f} to {one['to_w']:.0f} W is judged as {other}, it is the other")
                continue
            truth = self.truth.step_truth(i)
            for f in one["figures"]:
                key = STEP.get(f["name"])
                if key:
                    self.claim(where, f, truth[key])
                    self.verdict(where, f, truth[key], G1[f["name"]])
                elif f["name"] in ("lowest frequency", "highest frequency"):
                    self.claim(where, f, truth["hz extreme"])

    def spans(self, said):
        """Steady spans mix no loads and hold no falling speed."""
        for one in said:
            a, b = self.at(one["from"]), self.at(one["to"])
            self.judged += 1
            inside = [s for s in self.truth.steps if a + 0.2 < s[0] < b - 0.2]
            stops = [r.stop for r in self.s.script.runs if a < r.stop < b - 0.2]
            gap = self.s.script.neutral_open
            if inside or stops:
                self.wrong.append(f"steady span {a:.1f} to {b:.1f} s: holds {'a stop' if stops else 'a load step'}")
            elif "frequency" in one["points"] and self.s.script.reversed_ct is None and not gap:
                mean = one["points"]["frequency"]["mean"]
                true = NO_LOAD_HZ - DROOP_HZ * sum(self.truth.load((a + b) / 2)) / RATED_W
                self.total += 1
                if abs(mean - true) > 0.05:
                    self.outside.append(f"steady span {a:.1f} to {b:.1f} s: mean {mean:.3f} Hz, true {true:.3f}")

    def whole(self, r, run):
        plain = self.s.script.reversed_ct is None and not self.s.script.neutral_open
        a = self.zero
        b = seconds(run["to"]) - self.bus.start_at if run.get("to") else self.s.script.end
        joules = self.truth.energy(b) - self.truth.energy(a)
        for f in r["figures"]:
            if f["name"] == "frequency droop" and plain:
                self.claim("whole run", f, 100 * DROOP_HZ / RATED_HZ)
                self.verdict("whole run", f, 4.0, 8)
            elif f["name"] == "steady-state frequency band" and plain:
                self.verdict("whole run", f, 0.1, 2.5)
            elif f["name"] in ("energy delivered", "energy by the meter's counter") and f["value"] is not None:
                if plain or f["name"].endswith("counter"):
                    digit = 0.001 if f["uncertainty"] is None and "counter" in f["name"] else 0
                    self.claim("whole run", {**f, "uncertainty": (f["uncertainty"] or 0) + digit}, abs(joules) / 3.6e6)
            elif f["name"] in G1 and f["verdict"] == "outside" and plain:
                self.judged += 1
                self.wrong.append(f"whole run, {f['name']}: said outside ({f['reason']}); the set keeps to it")
        findings = " ".join(r["findings"])
        for word in self.s.findings:
            self.judged += 1
            if not re.search(word, findings):
                self.wrong.append(f"findings do not name {word}")
        if plain and re.search(r"G1 not met|G1: not met", findings):
            self.judged += 1
            self.wrong.append("findings: G1 not met; the set meets it")

    def wiring(self, checks):
        found = [c for c in checks if c["outcome"] == "finding"]
        self.judged += 1
        if self.s.findings and not found:
            self.wrong.append("wiring check finds nothing")
        if not self.s.findings and not self.s.script.neutral_open and not self.s.lossy:
            harmless = [c for c in found if c["code"] not in ("C01",)]
            self.wrong += [f"wiring {c['code']}: {c['words'][:100]}" for c in harmless
                           if self.s.script.sender_dead_from is None and self.s.script.no_oil_from is None]
