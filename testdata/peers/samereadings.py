#!/usr/bin/env python3
"""Compares what blocks.py printed with a CSV export that has lags, reading by
reading: samereadings.py READINGS.tsv EXPORT.csv"""
import csv
import struct
import sys

CAUSES = ["", "not polled yet", "line closed", "no answer", "corrupt answer", "foreign answer", "device exception",
          "not implemented by the device", "implausible", "sensor failed", "input bad", "undefined", "stale"]

read, groups = {}, {}
for line in open(sys.argv[1]):
    boot, at, group, point, bits, quality, cause, lag = line.rstrip("\n").split("\t")
    key = boot, "%.6f" % (int(at) / 1e9), group, point
    if key in read:
        sys.exit("twice: %s" % (key,))
    value = repr(struct.unpack(">d", bytes.fromhex(bits))[0]) if quality == "1" else CAUSES[int(cause)]
    read[key] = value, int(lag) / 1e3
    groups.setdefault(group, set()).add(point)

rows = csv.reader(open(sys.argv[2]))
head = next(rows)
names = {i: head[i].split(" ")[0] for i in range(7, len(head))}
lag_of = {name: i for i, name in names.items() if head[i].endswith(" lag [s]")}
value_of = {name: i for i, name in names.items() if not head[i].endswith(" lag [s]")}
good = bad = late = 0
for row in rows:
    boot, at, group, quality = row[3:7]
    causes = {} if quality == "good" else dict(one.split(": ", 1) for one in quality.split("; "))
    for point in groups.get(group, set()) & value_of.keys():
        got = read.pop((boot, at, group, point), None)
        if point in causes:
            value, bad = causes[point], bad + 1
        else:
            cell = row[value_of[point]]
            value = repr(float(cell)) if cell else ""
            good += 1
        lag = row[lag_of[point]]
        late += lag not in ("", "0")
        if got is None and not value and not lag:
            good -= 1  # the group's columns were others then
        elif got != (value, float(lag or "nan")):
            sys.exit("%s at %s of %s: read %s, exported %s" % (point, at, group, got, (value, lag)))
# The computer's own facts are in the store and in no export.
read = {key: got for key, got in read.items() if key[3] in value_of}
if read:
    sys.exit("%d readings are not in the export, such as %s" % (len(read), next(iter(read.items()))))
print("%d good values, %d causes and %d lags other than 0 are the same" % (good, bad, late))
sys.exit(good < 50000 or late < 100)
