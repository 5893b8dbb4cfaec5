#!/usr/bin/env python3
"""Strangers and clumsy clients against the built daemon, on loopback only. attack.sh calls it.

While each attack goes on, an owner asks /metrics, /healthz and /api/v1/now, writes notes, and an
alarm is due again and again. Every row must hold: each question of the owner's answered rightly
within 1 s, every alarm raised and shown within its own time and 1 s, every acknowledged note in the
journal, memory at most 96 MiB, no crash, no answer of the 500s but 503 to those who attack.
"""
import argparse
import http.client
import json
import multiprocessing
import os
import random
import socket
import sys
import tempfile
import threading
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "rig"))
from bus import Bus, Faults, now  # noqa: E402
from daemon import Daemon, seconds  # noqa: E402
from units import Instrument, Register  # noqa: E402

WITHIN = 1.0  # s for each answer to the owner, and for an alarm beyond its own time
MEMORY = 96 * 2**20
EVERY, DELAY = 0.5, 1.0  # s, of the point polled and of its alarm
PERIOD, RAISED = 5.0, 3.2  # s: how often the alarm is due at most, how long its cause stays
fork = multiprocessing.get_context("fork")
ROWS = 11  # each attack has a point and an alarm of its own: the journal leaves out what changes too often
LEVEL = [Register(f"rig.level{n}", "input", n, "unsigned 16", 1, "", "quantity: count") for n in range(ROWS)]
ALARM = "alarms:\n" + "".join(f"""  - name: rig.level{n}.high
    label: Level {n} of the rig too high
    priority: warning
    point: rig.level{n}
    above: "100"
    on delay: 1 s
    action: None; this is a test.
""" for n in range(ROWS)) + "reading: by token\n"


# -- the line ----------------------------------------------------------------------------
def line(path, zero, cause, stop):
    """The cause of alarm number cause is there in the first RAISED s of every PERIOD; of none below 0."""
    def values(t, rnd):
        on = (now() - zero) % PERIOD < RAISED
        return {f"rig.level{n}": 500 if on and n == cause.value else rnd.randrange(5) for n in range(ROWS)}

    bus = Bus(path, {1: Instrument(LEVEL, values, 1)}, Faults(), zero)
    bus.start()
    stop.wait()
    bus.stopping = True
    bus.join()
    if bus.violations:
        os._exit(3)


# -- the owner ---------------------------------------------------------------------------
def ask(port, method, path, token, body=None, source="127.0.0.1", timeout=10, headers=None):
    c = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout, source_address=(source, 0))
    try:
        h = {"Authorization": f"Bearer {token}"} if token else {}
        c.request(method, path, body, {**h, **(headers or {})})
        r = c.getresponse()
        return r.status, r.read()
    finally:
        c.close()


def owner(port, token, zero, rule, stop, out):
    """Asks, writes notes and looks for the alarm until stop; then hands over what it met."""
    looks, notes, alarms, again = [], [], [], []

    def insist(*words, **more):
        """Asks once more when the connection is closed without an answer, as a browser does."""
        try:
            return ask(port, *words, **more)
        except ConnectionResetError:
            again.append(words[1])
            return ask(port, *words, **more)

    def watch(path, right):
        while not stop.is_set():
            began = time.monotonic()
            try:
                status, body = insist("GET", path, token)
                wrong = "" if status == 200 and right in body else f"{path}: {status}"
            except OSError as e:
                wrong = f"{path}: {e or type(e).__name__}"
            looks.append((time.monotonic() - began, wrong))
            time.sleep(0.2)

    def write():
        n = 0
        while not stop.is_set():
            n += 1
            text = f"owner {os.getpid()} {n}"
            try:
                status, _ = insist("POST", "/api/v1/notes", token, json.dumps({"text": text, "who": "owner"}),
                                headers={"Content-Type": "application/json"})
                notes.append((text, status))
            except OSError as e:
                notes.append((text, str(e) or type(e).__name__))
            time.sleep(0.5)

    def see():
        seen = set()
        while not stop.is_set():
            turn = int((now() - zero) // PERIOD)
            try:
                _, body = ask(port, "GET", "/api/v1/alarms", token)
                mine = next(a for a in json.loads(body) if a["rule"] == rule)
                if mine["active"] and turn not in seen and (now() - zero) % PERIOD < RAISED + DELAY:
                    seen.add(turn)
                    alarms.append((turn, (now() - zero) % PERIOD))
            except (OSError, ValueError, StopIteration, TypeError):
                pass
            time.sleep(0.1)

    threads = [threading.Thread(target=watch, args=a) for a in (
        ("/metrics", b"tickover_"), ("/healthz", b"scans arrive"), ("/api/v1/now", b'"rig.level0"'))]
    threads += [threading.Thread(target=write), threading.Thread(target=see)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    out.put((looks, notes, alarms, len(again)))


# -- those who attack: each returns a list of (what, status) that should not have been -------------
def connect(port, source):
    s = socket.socket()
    s.settimeout(5)
    s.bind((source, 0))
    s.connect(("127.0.0.1", port))
    return s


def somebody(i, many=True):
    return f"127.0.0.{2 + i % 200}" if many else "127.0.0.9"


def hold(port, until, count, start, drip, many):
    """count connections from many addresses or one, opened again when they are closed; each drips bytes."""
    held, made = [None] * count, 0
    while time.monotonic() < until:
        for i in range(count):
            try:
                if held[i] is None:
                    if made > 20 * count:
                        continue
                    made += 1
                    held[i] = connect(port, somebody(i, many))
                    held[i].sendall(start)
                elif drip:
                    held[i].sendall(drip)
            except OSError:
                held[i] = None
            if time.monotonic() > until:
                break
        time.sleep(0.5)
    for s in held:
        if s:
            s.close()
    return []


def idle(port, token, until, seed):
    return hold(port, until, 500, b"", b"", True)


def idle_one(port, token, until, seed):
    return hold(port, until, 500, b"", b"", False)


def slow_heads(port, token, until, seed):
    return hold(port, until, 500, b"GET /api/v1/now HTTP/1.1\r\nHost: skid\r\n", b"X-A: b\r\n", True)


def slow_bodies(port, token, until, seed):
    head = b"POST /api/v1/notes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 60000\r\n"
    right = b"Authorization: Bearer " + token.encode() + b"\r\n"
    a = threading.Thread(target=hold, args=(port, until, 60, head + right + b"\r\n", b"t", True))
    a.start()
    hold(port, until, 200, head + b"\r\n", b"t", True)
    a.join()
    return []


def streams(port, token, until, seed):
    """Streams that nobody reads, with the right token."""
    return hold(port, until, 300, b"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer " + token.encode() + b"\r\n\r\n", b"", True)


def crowd(until, count, work):
    """count threads that do work(number) until then; what it returns is collected."""
    bad = []

    def go(i):
        while time.monotonic() < until:
            try:
                bad.extend(work(i) or [])
            except (OSError, http.client.HTTPException):
                time.sleep(0.05)

    threads = [threading.Thread(target=go, args=(i,)) for i in range(count)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    return bad


def reports(port, token, until, seed):
    kinds = ("html", "json", "text")

    def one(i):
        status, _ = ask(port, "GET", f"/api/v1/runs/1/report?format={kinds[i % 3]}", token, source=somebody(i), timeout=30)
        if status >= 500 and status != 503:
            return [(f"report {kinds[i % 3]}", status)]
        if status in (429, 503):
            time.sleep(0.2)

    return crowd(until, 20, one)


def guesses(port, token, until, seed):
    """Wrong tokens without end, also from the owner's address; the right one between them must get in."""
    rnd = random.Random(seed)

    def one(i):
        for source in (somebody(rnd.randrange(200)), "127.0.0.1"):
            status, _ = ask(port, "GET", "/api/v1/now", "%064x" % rnd.getrandbits(256), source=source)
            if status not in (401, 403, 429):
                return [("a wrong token", status)]
            if rnd.random() < 0.1:
                status, _ = ask(port, "GET", "/api/v1/now", token, source=source)
                if status != 200:
                    return [("the right token", status)]
        time.sleep(0.01)

    return crowd(until, 8, one)


def guess_writes(port, token, until, seed):
    """Wrong tokens on what writes: acknowledge, notes, clock."""
    rnd = random.Random(seed)

    def one(i):
        path = rnd.choice(("/api/v1/notes", "/api/v1/alarms/rig.level0.high/ack", "/api/v1/clock", "/api/v1/check-in"))
        status, _ = ask(port, "POST", path, "%064x" % rnd.getrandbits(256), "text=x&who=y", source=somebody(rnd.randrange(200)),
                        headers={"Content-Type": "application/x-www-form-urlencoded"})
        if status not in (400, 401, 403, 408, 415, 429):
            return [(f"a wrong token at {path}", status)]
        time.sleep(0.01)

    return crowd(until, 8, one)


def odd(port, token, until, seed):
    """Wrong methods, odd paths, heads and hosts, bodies too large."""
    rnd = random.Random(seed)
    right = f"Authorization: Bearer {token}\r\n"
    paths = ("/", "/../../etc/passwd", "/%2e%2e/token", "/api/v1/runs/%00/report", "/api/v1/runs/../../x/report", "//now", "/api/v1/now?" + "a=b&" * 900,
             "/api/v1/export?from=x", "/api/v1/events?limit=-1", "/api/v1/events?after=99999999999999999999", "/api/v1/trends?span=%ff",
             "/api/v1/photos/-1", "/api/v1/runs/1/compare/2", "/metrics?collect[]=x", "*", "http://evil.example/api/v1/now")

    def talk(text, source):
        with connect(port, source) as s:
            s.sendall(text if isinstance(text, bytes) else text.encode("latin1"))
            s.settimeout(8)
            head = s.recv(4096).split(b"\r\n")[0].split(b" ")
            return int(head[1]) if len(head) > 1 and head[1].isdigit() else 0

    def one(i):
        source, bad = somebody(rnd.randrange(200)), []
        kind = rnd.randrange(6)
        if kind == 0:
            method = rnd.choice(("DELETE", "PUT", "PATCH", "TRACE", "CONNECT", "PROPFIND", "POST"))
            status = talk(f"{method} /api/v1/now HTTP/1.1\r\nHost: 127.0.0.1\r\n{right}Content-Length: 0\r\n\r\n", source)
            bad = [(f"{method} /api/v1/now", status)] if status not in (400, 405) else []
        elif kind == 1:
            status = talk(f"GET {rnd.choice(paths)} HTTP/1.1\r\nHost: 127.0.0.1\r\n{right}\r\n", source)
            bad = [("odd path", status)] if status >= 500 else []
        elif kind == 2:
            # A page that was bound to our address by its name's server can't send the token.
            status = talk("GET /api/v1/now HTTP/1.1\r\nHost: evil.example\r\n\r\n", source)
            bad = [("the host evil.example", status)] if status < 400 or status >= 500 else []
        elif kind == 3:
            status = talk(f"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: {'a' * 200000}\r\n\r\n", source)
            bad = [("a head of 200 kB", status)] if status and status not in (400, 401, 431) else []
        elif kind == 4:
            status, _ = ask(port, "POST", "/api/v1/notes", token, b"x" * (3 << 20), source=source,
                            headers={"Content-Type": "application/json"})
            bad = [("a body of 3 MB", status)] if status < 400 or status >= 500 and status != 503 else []
        else:
            talk(rnd.randbytes(rnd.randrange(1, 400)) + b"\r\n\r\n", source)
        return bad

    return crowd(until, 6, one)


def all_at_once(port, token, until, seed):
    made = [threading.Thread(target=f, args=(port, token, until, seed)) for f in (idle, streams, reports, guesses, odd, slow_bodies)]
    for t in made:
        t.start()
    for t in made:
        t.join()
    return []


ATTACKS = {"nobody (for comparison)": lambda port, token, until, seed: time.sleep(until - time.monotonic()) or [],
           "500 idle connections": idle, "500 idle ones of one address": idle_one, "500 slow heads": slow_heads,
           "260 slow bodies": slow_bodies, "20 reports at once": reports, "300 streams unread": streams,
           "wrong tokens, right ones between": guesses, "wrong tokens that write": guess_writes,
           "odd methods, paths, hosts, bodies": odd, "all at once": all_at_once}


def run_attack(name, port, token, until, seed, out):
    out.put(ATTACKS[name](port, token, until, seed))


def journal(port, token, kind):
    """All events of a kind."""
    events, after = [], 0
    while True:
        page = json.loads(ask(port, "GET", f"/api/v1/events?limit=1000&kind={kind}&after={after}", token)[1])
        events += page["events"]
        if not page["next"] or page["next"] <= after:
            return events
        after = page["next"]


def raised(daemon, token, zero, rule, since):
    """By turn, how many s after its cause the alarm was raised, by the journal."""
    out = {}
    for e in journal(daemon.port, token, "alarm"):
        at = seconds(e["instant"])
        if e["rule"] == rule and e["to"].startswith(("unack", "active")) and at and at >= since:
            out.setdefault(int((at - zero) // PERIOD), (at - zero) % PERIOD)
    return out


def play(name, daemon, token, zero, cause, seconds, seed):
    """One attack; returns the row and what was wrong."""
    stop, got, bad = fork.Event(), fork.Queue(), fork.Queue()
    cause.value = list(ATTACKS).index(name)
    rule = f"rig.level{cause.value}.high"
    until = time.monotonic() + seconds
    people = [fork.Process(target=owner, args=(daemon.port, token, zero, rule, stop, got)),
              fork.Process(target=run_attack, args=(name, daemon.port, token, until, seed, bad))]
    since = now()
    first = int((now() - zero) // PERIOD) + 1
    for p in people:
        p.start()
    memory = 0
    while time.monotonic() < until and daemon.process.poll() is None:
        memory = max(memory, daemon.memory())
        time.sleep(0.1)
    last = int((now() - zero - RAISED - DELAY) // PERIOD)
    stop.set()
    strange = bad.get(timeout=60)
    looks, notes, alarms, again = got.get(timeout=60)
    for p in people:
        p.join(10)
        if p.is_alive():
            p.kill()
    faults = [] if daemon.process.poll() is None else [f"the daemon ended: {daemon.said()[-400:]}"]
    wrong = [w for _, w in looks if w]
    faults += [f"{n} × {w}" for w, n in sorted({w: wrong.count(w) for w in wrong}.items())]
    if again > 2 + 0.02 * len(looks):
        faults.append(f"{again} connections of the owner were closed without an answer")
    worst = max((t for t, _ in looks), default=99)
    if worst > WITHIN:
        faults.append(f"{sum(t > WITHIN for t, _ in looks)} answers to the owner took more than {WITHIN:g} s")
    late = {turn: at for turn, at in alarms}
    due = [t for t in range(first, last + 1)]
    own = EVERY + DELAY
    slow = [late.get(t, 99) - own for t in due]
    faults += [f"alarm {t} {'was not shown' if late.get(t) is None else f'came {late[t] - own:.2f} s beyond its own time'}"
               for t, s in zip(due, slow) if s > WITHIN]
    judged = raised(daemon, token, zero, rule, since) if daemon.process.poll() is None else {}
    behind = [judged.get(t, 99) - own for t in due]
    faults += [f"alarm {t} is not in the journal" if b > 90 else f"alarm {t} was raised {b:.2f} s beyond its own time"
               for t, b in zip(due, behind) if b > WITHIN]
    if not due:
        faults.append("no alarm was due in it: give it more --seconds")
    refused = [n for n in notes if n[1] not in (200, 201)]
    if refused:
        faults.append(f"{len(refused)} of {len(notes)} notes of the owner were refused, the first by {refused[0][1]}")
    if memory > MEMORY:
        faults.append(f"memory {memory / 2**20:.0f} MiB")
    kinds = {}
    for s in strange:
        kinds[tuple(s)] = kinds.get(tuple(s), 0) + 1
    faults += [f"{n} × {what}: answered {status}" for (what, status), n in list(kinds.items())[:8]]
    worst_judged = max([b for b in behind if b < 90], default=float("nan"))
    shown = max([s for s in slow if s < 90], default=float("nan"))
    row = (name, len(looks), len(wrong), again, f"{worst:.2f}", f"{sum(s < 90 for s in slow)}/{len(due)}", f"{shown:.2f}", f"{worst_judged:.2f}",
           f"{len(notes) - len(refused)}/{len(notes)}", f"{memory / 2**20:.0f}", len(strange))
    return row, faults, [n[0] for n in notes if n[1] in (200, 201)]


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--program", required=True)
    p.add_argument("--state", help="folder with a store to begin with; its run 1 is what reports are asked of")
    p.add_argument("--seconds", type=float, default=14, help="of each attack")
    p.add_argument("--only", default="")
    p.add_argument("--known", default="", help="names of rows, semicolons between, that are known to miss: shown and not counted")
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    with tempfile.TemporaryDirectory(prefix="attack") as folder:
        return attack(a, folder)


def print_row(row):
    print(f"{row[0]:<32}" + "".join(f"{c!s:>9}" for c in row[1:]), flush=True)


def attack(a, folder):
    global PERIOD
    PERIOD = max(PERIOD, a.seconds / 6)
    path, zero, cause, end = os.path.join(folder, "line"), now(), fork.Value("i", -1), fork.Event()
    bus = fork.Process(target=line, args=(path, zero, cause, end))
    bus.start()
    while not os.path.exists(path):
        time.sleep(0.05)
    daemon = Daemon(os.path.abspath(a.program), folder, path, [("rig", 1, LEVEL)], "500 ms", ALARM)
    if a.state:
        os.rename(a.state, daemon.state)
    rows, misses, kept = [], 0, []
    print_row(("attack", "asked", "wrong", "again", "worst s", "shown", "late s", "raised s", "notes", "MiB", "strange"))
    faults = {}
    try:
        daemon.start(ready=lambda: os.path.exists(os.path.join(daemon.state, "token")) and socket.create_connection(("127.0.0.1", daemon.port), 1).close() is None)
        with open(os.path.join(daemon.state, "token"), encoding="utf-8") as f:
            token = f.read().strip()
        time.sleep(3)
        for name in ATTACKS:
            if a.only in name and daemon.process.poll() is None:
                row, faults[name], notes = play(name, daemon, token, zero, cause, a.seconds, a.seed)
                rows.append(row)
                print_row(row)
                kept += notes
        time.sleep(1)
        texts = {e["text"] for e in journal(daemon.port, token, "note")}
        lost = [k for k in kept if k not in texts]
        code = daemon.stop()
        end.set()
        bus.join(10)
        faults["afterwards"] = ([f"{len(lost)} of {len(kept)} acknowledged notes are not in the journal"] if lost else []) + (
            [f"the daemon ended with {code}"] if code else []) + (["a write was seen on the bus"] if bus.exitcode == 3 else [])
    finally:
        daemon.stop()
        end.set()
        bus.join(10)
    known = [k for k in a.known.split(";") if k]
    for name, list_ in faults.items():
        misses += bool(list_) and name not in known
        for f in list_:
            print(f"  {'known ' if name in known else 'MISSES'} {name}: {f}")
    print(f"{len(kept)} notes acknowledged, {len(kept) - len(lost)} in the journal; {len(rows)} attacks, {misses} miss")
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
