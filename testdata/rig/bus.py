"""One RS-485 line on a pseudo-terminal, with units that answer as scripted, and its faults.

Written from the MODBUS Application Protocol V1.1b3 and MODBUS over Serial Line V1.02. Every
question is written down with the registers that were answered, at the time they were: that is the
truth that stored values are held against. Anything but a read is written down as a violation.
"""
import os
import random
import select
import struct
import termios
import threading
import time
import tty

READS = (1, 2, 3, 4)


def now():
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def crc(data):
    c = 0xFFFF
    for b in data:
        c ^= b
        for _ in range(8):
            c = (c >> 1) ^ 0xA001 if c & 1 else c >> 1
    return struct.pack("<H", c)


class Exchange:
    """One question: when, to whom, for what, and what became of it."""
    __slots__ = ("asked", "done", "unit", "function", "address", "count", "fate", "words", "late")

    def __init__(self, asked, unit, function, address, count):
        self.asked, self.unit, self.function, self.address, self.count = asked, unit, function, address, count
        self.done, self.fate, self.words, self.late = asked, "unheard", (), 0.0


class Faults:
    """What may go wrong, in s of the script; all lists of (from, to, ...)."""

    def __init__(self, seed=0):
        self.spoil = []  # (from, to, share or "every second")
        self.lose = []  # (from, to, share)
        self.hang = []  # (from, to, unit, address, exception others get, answers late)
        self.deaf = []  # (from, to, unit, one in n not heard)
        self.babble = []  # (from, to, bursts a second)
        self.unplug = []  # (from, to)
        self.skip = []  # [from, unit, how many questions from then on are not heard]
        self.random = random.Random(seed)
        self.turn = 0


class Bus(threading.Thread):
    """units: number -> object with words(function, address, count, t) -> list, or None: no such."""

    def __init__(self, path, units, faults, start, baud=19200):
        super().__init__(daemon=True)
        self.path, self.units, self.faults, self.start_at, self.baud = path, units, faults, start, baud
        self.log, self.violations, self.stray, self.lateness = [], [], 0, []
        self.stopping, self.master, self.slave = False, None, None
        self.late_answers = []
        self.lock = threading.Lock()
        self.plug()

    def plug(self):
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave, termios.TCSANOW)
        os.set_blocking(self.master, False)
        fresh = self.path + ".new"
        os.symlink(os.ttyname(self.slave), fresh)
        os.replace(fresh, self.path)

    def unplug(self):
        os.unlink(self.path)
        os.close(self.slave)
        os.close(self.master)
        self.master = self.slave = None

    def t(self):
        return now() - self.start_at

    def within(self, spans):
        t = self.t()
        return next((s for s in spans if s[0] <= t < s[1]), None)

    def run(self):
        held = b""
        heard = 0.0
        while not self.stopping:
            out = self.within(self.faults.unplug)
            if out and self.master is not None:
                self.unplug()
                held = b""
            if self.master is None:
                if not out:
                    self.plug()
                else:
                    time.sleep(0.02)
                continue
            self.extras()
            ready, _, _ = select.select([self.master], [], [], 0.02)
            if ready:
                try:
                    held += os.read(self.master, 512)
                except OSError:
                    continue
                heard = now()
            held = self.take(held, not ready and now() - heard > 0.02)
        if self.master is not None:
            self.unplug()

    def extras(self):
        """Late answers that are due, and babble."""
        for due in [d for d in self.late_answers if d[0] <= self.t()]:
            self.late_answers.remove(due)
            self.send(due[1])
        b = self.within(self.faults.babble)
        if b and self.faults.random.random() < 0.02 * b[2]:
            self.send(bytes(self.faults.random.randrange(256) for _ in range(self.faults.random.randrange(1, 9))))

    def take(self, held, quiet):
        """Takes questions off the front; what is none when the line is quiet is looked at and dropped."""
        while held:
            size = 8 if len(held) > 1 and held[1] in READS else 7 if len(held) > 1 and held[1] == 0x2B else 0
            if size and len(held) >= size and crc(held[: size - 2]) == held[size - 2 : size]:
                self.question(held[:size])
                held = held[size:]
                continue
            if not quiet:
                return held
            if len(held) >= 4 and crc(held[:-2]) == held[-2:] and held[1] not in (*READS, 0x2B):
                self.violations.append((self.t(), held.hex()))
            else:
                self.stray += 1
            return b""
        return held

    def question(self, frame):
        asked = now()
        unit, function = frame[0], frame[1]
        address, count = struct.unpack(">HH", frame[2:6]) if function in READS else (0, 0)
        x = Exchange(asked, unit, function, address, count)
        self.log.append(x)
        f = self.faults
        one = self.units.get(unit)
        if one is None:
            x.fate = "no such unit"
            return
        deaf = self.within([s for s in f.deaf if s[2] == unit])
        if deaf and f.random.randrange(deaf[3]) == 0:
            return
        for gap in f.skip:
            if self.t() >= gap[0] and unit == gap[1] and gap[2] > 0:
                gap[2] -= 1
                return
        answer = None
        hang = self.within([s for s in f.hang if s[2] == unit])
        if hang and address <= hang[3] < address + count:
            x.fate = "hung"
            if hang[5] and not isinstance(one.words(function, address, count, self.t()), int):
                words = one.words(function, address, count, self.t())
                x.fate, x.words = "late", tuple(words)  # may be stored, as of the time that it was asked for
                self.late_answers.append((hang[1], self.frame(unit, function, words)))
            return
        if hang and hang[4]:
            answer, x.fate = self.refusal(unit, function, hang[4]), f"refused {hang[4]:02d}"
        elif function == 0x2B:
            answer, x.fate = self.refusal(unit, function, 1), "refused 01"
        else:
            words = one.words(function, address, count, self.t())
            if isinstance(words, int):
                answer, x.fate = self.refusal(unit, function, words), f"refused {words:02d}"
            else:
                answer, x.fate, x.words = self.frame(unit, function, words), "sound", tuple(words)
        x.late = self.pace(asked, len(frame) + len(answer))
        lost = self.within(f.lose)
        if lost and f.random.random() < lost[2]:
            x.fate = "lost"
            return
        spoil = self.within(f.spoil)
        f.turn += 1
        if spoil and (f.turn % 2 if spoil[2] == "every second" else f.random.random() < spoil[2]):
            x.fate = "spoilt"
            at = f.random.randrange(len(answer))
            answer = answer[:at] + bytes([answer[at] ^ (1 << f.random.randrange(8))]) + answer[at + 1 :]
            if f.random.random() < 0.3:
                answer = answer[: f.random.randrange(1, len(answer))]
        x.done = now()
        self.send(answer)

    def pace(self, asked, size):
        """Waits for the time that both frames take on the wire and 5 ms of the unit's own; says how much later it is."""
        due = asked + size * 10 / self.baud + 0.005
        while now() < due:
            time.sleep(max(0, due - now()))
        self.lateness.append(now() - due)
        return self.lateness[-1]

    def send(self, data):
        try:
            os.write(self.master, data)
        except OSError:
            pass

    @staticmethod
    def frame(unit, function, words):
        if function in (1, 2):
            body = bytearray((len(words) + 7) // 8)
            for i, bit in enumerate(words):
                body[i // 8] |= (bit & 1) << (i % 8)
        else:
            body = struct.pack(f">{len(words)}H", *words)
        head = bytes([unit, function, len(body)]) + bytes(body)
        return head + crc(head)

    @staticmethod
    def refusal(unit, function, code):
        head = bytes([unit, function | 0x80, code])
        return head + crc(head)
