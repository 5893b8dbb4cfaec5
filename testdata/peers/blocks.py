#!/usr/bin/env python3
"""Reads the files of a store and prints what they hold, one line for each
reading: boot, ns since boot, group, point, bits of the value, quality, cause,
lag in ms. With groups named, only theirs. With --minutes, one line for each
point and minute: boot, minute, group, point, bits of mean, least and greatest,
good samples, tenths of a second they held.

Written from collector/store/FORMAT.md and, for the pages of bbolt's file, from
the description in its repository (go.etcd.io/bbolt, internal/common/page.go and
meta.go); it shares no code with Tickover. Only the standard library is used.

    blocks.py [--minutes] FOLDER [GROUP...]
"""
import mmap
import os
import struct
import sys

WRAP = 1 << 64


def die(words):
    sys.exit("blocks.py: " + words)


def signed(v):
    v &= WRAP - 1
    return v - WRAP if v >> 63 else v


def castagnoli_table():
    table = []
    for n in range(256):
        for _ in range(8):
            n = n >> 1 ^ (0x82F63B78 if n & 1 else 0)
        table.append(n)
    return table


TABLE = castagnoli_table()


def crc32c(*parts):
    crc = 0xFFFFFFFF
    for part in parts:
        for b in part:
            crc = TABLE[(crc ^ b) & 255] ^ crc >> 8
    return crc ^ 0xFFFFFFFF


class Fields:
    """Small fields, one after the other."""

    def __init__(self, data):
        self.data, self.at = data, 0

    def take(self, n):
        if n > len(self.data) - self.at:
            die("a field reaches beyond its end")
        self.at += n
        return self.data[self.at - n:self.at]

    def byte(self):
        return self.take(1)[0]

    def uvarint(self):
        v = shift = 0
        while True:
            b = self.byte()
            v |= (b & 127) << shift
            shift += 7
            if b < 128:
                return v

    def varint(self):
        u = self.uvarint()
        return u >> 1 ^ -(u & 1)

    def text(self):
        return self.take(self.uvarint())

    def rest(self):
        return self.take(len(self.data) - self.at)


# bbolt's file: pages of 4096 bytes.

BRANCH, LEAF, META = 1, 2, 4


class Tree:
    def __init__(self, path):
        with open(path, "rb") as f:
            self.file = mmap.mmap(f.fileno(), 0, access=mmap.ACCESS_READ)
        metas = [m for m in map(self.meta, (0, 1)) if m]
        if not metas:
            die("no whole meta page")
        self.root = max(metas)[1]

    def meta(self, page):
        at = page * 4096 + 16
        head = self.file[at:at + 56]
        magic, version, size, _, root, _, _, _, txid = struct.unpack("<IIIIQQQQQ", head)
        fnv = 0xCBF29CE484222325
        for b in head:
            fnv = (fnv ^ b) * 0x100000001B3 % WRAP
        if magic != 0xED0CDAED or version != 2 or size != 4096 or fnv != struct.unpack("<Q", self.file[at + 56:at + 64])[0]:
            return None
        return txid, root

    def page(self, number):
        overflow = struct.unpack_from("<I", self.file, number * 4096 + 12)[0]
        return self.file[number * 4096:(number + overflow + 1) * 4096]

    def walk(self, page):
        """Yields flags, key and value of every entry below a page."""
        _, kind, count, _ = struct.unpack_from("<QHHI", page)
        for i in range(count):
            at = 16 + 16 * i
            if kind == BRANCH:
                yield from self.walk(self.page(struct.unpack_from("<IIQ", page, at)[2]))
            elif kind == LEAF:
                flags, pos, k, v = struct.unpack_from("<IIII", page, at)
                yield flags, page[at + pos:at + pos + k], page[at + pos + k:at + pos + k + v]
            else:
                die("a page is neither branch nor leaf")

    def bucket(self, *names):
        """Yields the entries of a bucket, nothing when there is none."""
        entries = self.walk(self.page(self.root))
        for name in names:
            value = next((v for flags, k, v in entries if flags == 1 and k == name), None)
            if value is None:
                return
            root = struct.unpack_from("<Q", value)[0]
            entries = self.walk(self.page(root) if root else value[16:])
        yield from entries

    def values(self, *names):
        for flags, key, value in self.bucket(*names):
            if flags == 0:
                yield key, payload(key, value)


def payload(key, value):
    if struct.unpack("<I", value[1:5])[0] != crc32c(key, value[:1], value[5:]):
        die("the sum of a value is wrong, key " + key.hex())
    if value[0] != 1:
        die("a value has version %d" % value[0])
    return value[5:]


# Blocks.

def schema(data):
    f = Fields(data)
    group, points = f.text().decode(), []
    for _ in range(f.uvarint()):
        points.append((f.text().decode(), f.varint(), f.varint(), f.varint(), f.byte() == 1))
    return group, points


def integers(data, n):
    f = Fields(data)
    kind, base = f.byte(), f.varint()
    if kind == 0:
        return [base] * n
    step = f.varint() if kind == 6 else 0
    misses, out = residuals(f.rest(), n), []
    last, rise, s = base, 0, signed(base << 4)
    for i, miss in enumerate(misses):
        if kind == 1:
            guess = base
        elif kind == 2:
            guess = last
        elif kind == 3:
            guess = last + rise
        elif kind in (4, 5):
            guess = s + 8 >> 4
        elif kind == 6:
            guess = base if i == 0 else base + ((last - base + step // 2) // step + 1) * step
        else:
            die("predictor %d" % kind)
        v = signed(guess + miss)
        if kind in (4, 5):
            s = signed(s + (signed((v << 4) - s) >> (2 if kind == 4 else 3)))
        rise, last = v - last, v
        out.append(v)
    return out


def residuals(data, n):
    bits = bin(int.from_bytes(b"\1" + data, "big"))[3:]
    at, out = 0, []
    while len(out) < n:
        p = int(bits[at:at + 5], 2)
        at += 5
        for _ in range(min(64, n - len(out))):
            end = bits.find("0", at, at + 20)
            if end < 0:
                length = int(bits[at + 20:at + 26], 2) + 1
                u = int(bits[at + 26:at + 26 + length], 2)
                at += 26 + length
            else:
                u = end - at << p
                at = end + 1 + p
                if p:
                    u |= int(bits[end + 1:at], 2)
            out.append(u >> 1 ^ -(u & 1))
    return out


def single(x):
    return struct.unpack("<f", struct.pack("<f", x))[0]


def column(data, n, num, den, off):
    """Returns values and statuses of one point."""
    f = Fields(data)
    form, status, zero = f.byte(), [(1, 0)] * n, set()
    if form & 128:
        form, status = form & 127, []
        while len(status) < n:
            what, rows = f.uvarint(), f.uvarint()
            if what >> 16:
                zero.update(range(len(status), len(status) + rows))
            status += [(what >> 8 & 255, what & 255)] * rows
    if form == 5:
        values = list(struct.unpack("<%dd" % n, f.rest()))
    else:
        param = f.byte() if form in (1, 2) else 0
        values = converted(form, param, integers(f.rest(), n), num, den, off)
    return [0.0 if i in zero else v for i, v in enumerate(values)], status


def converted(form, param, counts, num, den, off):
    def convert(x):
        return (x * num + off) / den if num else x

    if form in (0, 1):
        if num == 0:
            num, den, off = 1, 1, 0
        e = param - 256 if param > 127 else param
        num, den, off = (num * 10 ** e, den, off) if e >= 0 else (num, den * 10 ** -e, off * 10 ** -e)
        return [(float(k) * num + off) / den for k in counts]
    if form == 2:
        return [convert(single(float(k) / 10 ** param)) for k in counts]
    if form == 3:
        return [convert(struct.unpack("<f", struct.pack("<i", k))[0]) for k in counts]
    if form == 4:
        return [struct.unpack("<d", struct.pack("<q", k))[0] for k in counts]
    die("form %d" % form)


def lags(data, n, points):
    if not data:
        return [[0] * n] * points
    f = Fields(data)
    count = f.uvarint()
    of = [f.uvarint() for _ in range(points)]
    columns, before = [[0] * n], []
    for length in [f.uvarint() for _ in range(count)]:
        c = Fields(f.take(length))
        form = c.byte()
        if form == 2:
            now = list(struct.unpack("<%dI" % n, c.rest()))
        else:
            now = integers(c.rest(), n)
        if form == 1:
            now = [a + b for a, b in zip(now, before)]
        columns.append(now)
        before = now
    if f.rest():
        die("bytes are left behind the lags")
    return [columns[i] for i in of]


def body(data, boot, kind):
    """Yields boot, offset, group and the readings of each row."""
    group, points = kind
    f = Fields(data)
    n, first, _ = f.uvarint(), f.varint(), f.uvarint()
    parts = [f.take(length) for length in [f.uvarint() for _ in range(len(points) + 1)]]
    unit = Fields(parts[0])
    step = unit.uvarint()
    offsets = [first + step * t for t in integers(unit.rest(), n)]
    columns = [column(c, n, num, den, off) for c, (_, num, den, off, _) in zip(parts[1:], points)]
    late = lags(f.rest(), n, len(points))
    for i, at in enumerate(offsets):
        yield boot, at, group, [(p[0], values[i], status[i], lag[i]) for p, (values, status), lag in zip(points, columns, late)]


def minutes(data, kind):
    """Yields the minute and the figures of each point."""
    f = Fields(data)
    n = f.uvarint()
    parts = [f.take(length) for length in [f.uvarint() for _ in range(len(kind[1]) + 1)]]
    for minute, *figures in zip(integers(parts[0], n), *[figured(p, n, point) for p, point in zip(parts[1:], kind[1])]):
        yield minute, figures


def figured(data, n, point):
    _, num, den, off, _ = point
    f = Fields(data)
    if f.byte() == 1:
        mean, low, high = [column(f.text(), n, num, den, off)[0] for _ in range(3)]
    else:
        form, param = f.byte(), f.byte()
        m, below, above = [integers(f.text(), n) for _ in range(3)]
        c = [(x + 5) // 10 for x in m]
        tenths = (2, param + 1) if form == 2 else (1, (param if form == 1 else 0) - 1 & 255)
        mean = converted(*tenths, m, num, den, off)
        low = converted(form, param, [a - b for a, b in zip(c, below)], num, den, off)
        high = converted(form, param, [a + b for a, b in zip(c, above)], num, den, off)
    return zip(mean, low, high, integers(f.text(), n), integers(f.text(), n))


def tier(tree, groups):
    """Prints all minutes."""
    schemas = known(tree)
    for flags, name, _ in tree.bucket(b"minutes"):
        group = name[1:].decode()
        if flags != 1 or groups and group not in groups:
            continue
        for key, value in tree.values(b"minutes", name):
            boot, first, number = struct.unpack(">III", key[1:])
            for i, (minute, figures) in enumerate(minutes(value, schemas[number])):
                if i == 0 and minute != first - (1 << 31):
                    die("minutes do not begin at their key")
                for (point, *_), (*three, count, held) in zip(schemas[number][1], figures):
                    bits = [struct.pack(">d", x).hex() if count else "" for x in three]
                    print(boot, minute, group, point, *bits, count, held if count else 0, sep="\t")


def known(tree):
    """Returns the schemas, which spares must repeat."""
    schemas = {struct.unpack(">I", k)[0]: schema(v) for k, v in tree.values(b"schemas")}
    for k, v in tree.values(b"spares"):
        number, spare = struct.unpack(">I", k[1:])[0], schema(Fields(v).text())
        if schemas.setdefault(number, spare) != spare:
            die("schema %d and its spare differ" % number)
    return schemas


def blocks(tree, groups):
    """Yields the rows of all blocks in order, group by group."""
    schemas = known(tree)
    for flags, name, _ in tree.bucket(b"blocks"):
        if flags != 1 or groups and name[1:].decode() not in groups:
            continue
        before = None
        for key, value in tree.values(b"blocks", name):
            boot, offset = struct.unpack(">IQ", key)
            offset = signed(offset ^ 1 << 63)
            f = Fields(value)
            kind, ordinal = schemas[f.uvarint()], f.uvarint()
            if kind[0] != name[1:].decode() or before not in (None, ordinal - 1):
                die("block %d of %s is out of order" % (ordinal, kind[0]))
            before = ordinal
            for i, row in enumerate(body(f.rest(), boot, kind)):
                if i == 0 and row[1] != offset:
                    die("a block does not begin at its key")
                yield row


# The ring.

def ring(path, sealed):
    """Yields the rows of all batches that the data file has not got."""
    if not os.path.exists(path):
        return
    with open(path, "rb") as f:
        data = f.read()
    slots = {}
    for i in range(len(data) // 4096):
        s = data[i * 4096:(i + 1) * 4096]
        length, number, first, count, crc = struct.unpack_from("<HQQII", s, 6)
        if s[:4] == b"TkSl" and s[4] in (1, 2) and crc == crc32c(s[:28], s[32:]) and number % (len(data) // 4096) == i:
            slots[number] = first, count, s[32:32 + length]
    for number in sorted(slots):
        first, count, _ = slots[number]
        mine = [slots.get(first + i, (None, None, b"")) for i in range(count)]
        if number == first and first + count - 1 > sealed and all(m[:2] == (first, count) for m in mine):
            yield from batch(b"".join(m[2] for m in mine))


def batch(data):
    f = Fields(data)
    for _ in range(f.uvarint()):
        f.uvarint()
        f.text()
    for _ in range(f.uvarint()):
        kind, boot = schema(f.text()), f.uvarint()
        yield from body(f.text(), boot, kind)


def main(figures, folder, *groups):
    tree = Tree(os.path.join(folder, "tickover.db"))
    meta = dict(tree.values(b"meta"))
    number = struct.unpack(">I", meta[b"format"])[0]
    if number not in (1, 2, 3):
        die("format %d" % number)
    if figures:
        tier(tree, groups)
        return
    last = {}
    stored = list(blocks(tree, groups))
    sealed = struct.unpack(">Q", meta[b"sealed"])[0]
    newer = sorted(ring(os.path.join(folder, "tickover.ring"), sealed), key=lambda row: row[:2])
    newer = [row for row in newer if not groups or row[2] in groups]
    for boot, at, group, readings in stored + newer:
        if last.get(group, (0, 0)) >= (boot, at):
            continue
        last[group] = boot, at
        for point, value, (quality, cause), lag in readings:
            print(boot, at, group, point, struct.pack(">d", value).hex(), quality, cause, lag, sep="\t")
    print("%d rows in blocks, %d in the ring" % (len(stored), len(newer)), file=sys.stderr)


if __name__ == "__main__":
    main(sys.argv[1] == "--minutes", *[a for a in sys.argv[1:] if a != "--minutes"])
