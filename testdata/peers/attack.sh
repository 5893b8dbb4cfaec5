#!/usr/bin/env bash
# Strangers and clumsy clients against the built daemon: idle, slow and unread
# connections by the hundred, reports, wrong credentials with the right one
# between them, odd methods, paths, hosts and bodies. Loopback only, bounded in
# count and time; whatever it starts it ends. attack.py says what must hold.
#
#   attack.sh [seconds of each attack] [more options of attack.py]
#
# TICKOVER names a built program; without it one is built.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
seconds=${1:-14}
shift || true
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
if [ -n "${TICKOVER:-}" ]; then ln -s "$TICKOVER" "$work/tickover"; else go build -C "$root" -o "$work/tickover" ./cmd/tickover; fi
# A day of readings that reports are made of.
"$work/tickover" demo --state "$work/state" --listen 127.0.0.1:0 --for 2s >"$work/demo.log" 2>&1 || { cat "$work/demo.log"; exit 1; }
ulimit -n 8192 2>/dev/null || true
python3 "$here/attack.py" --program "$work/tickover" --state "$work/state" --seconds "$seconds" "$@"
