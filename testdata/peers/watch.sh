#!/usr/bin/env bash
# The watch goes on whatever the card does. A running daemon gets, one after
# another, a card that is slow to flush (strace delays the calls), one whose writes end
# in an I/O error (strace again), a file system without a free block, files that take no
# writes, a folder deleted, and a start on a folder that cannot be used. For each a
# row of a table: how long until it was reported (as degraded, or in the journal when it
# was put right at once), the slowest answer of /api/v1/now, alarms listed of those due
# (due.py) and how long after their own time, rounds skipped, readings lost, whether a
# note that was confirmed is there afterwards, and how long until all was well after the
# fault ended. Needs root; fails when a row misses its limit. A sector that can't be
# read is not among them: it needs the device mapper, which a container has not got;
# TestATransactionThatMetAFaultHoldsNothing of the store has such a fault.
# TICKOVER names a built program; without it one is built.
#
#   watch.sh          the short form: flushes of 3 s, each other fault 16 s
#   watch.sh long     flushes of 0.1, 1, 3, 10 s and of ten minutes, each fault 30 s
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
form=${1:-short}
missing=()
for package in strace e2fsprogs curl python3; do dpkg -s "$package" >/dev/null 2>&1 || missing+=("$package"); done
if [ ${#missing[@]} -gt 0 ]; then
  apt-get update -q >/dev/null
  DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends "${missing[@]}" >/dev/null
fi

work=$(mktemp -d)
daemon= tracer= unit=
cleanup() {
  [ -z "$tracer" ] || kill "$tracer" 2>/dev/null || true
  [ -z "$daemon" ] || kill "$daemon" 2>/dev/null || true
  [ -z "$unit" ] || kill "$unit" 2>/dev/null || true
  wait 2>/dev/null || true
  umount "$work/card" 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT
cd "$work"
if [ -n "${TICKOVER:-}" ]; then ln -s "$TICKOVER" "$work/tickover"; else go build -C "$root" -o "$work/tickover" ./cmd/tickover; fi
mkdir card
truncate -s 64M image
mkfs.ext4 -q -m 0 image
mount -o loop image card
page=$(/usr/bin/python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
url=http://127.0.0.1:$page
/usr/bin/python3 "$here/due.py" line "$work" &
unit=$!
until [ -e line ] && [ -e zero ]; do sleep 0.1; done
begin() { ./tickover run --config due.yaml --state card/state --listen "127.0.0.1:$page" >demo.log 2>&1 & daemon=$!; }
metric() { curl -sf -m 5 "$url/metrics" | awk -v name="$1" 'index($1, name) == 1 { n += $2 } END { print n + 0 }'; }
degraded() { [ "$(metric tickover_store_degraded)" = "$1" ]; }
wait_for() { # seconds command...
  local end=$((SECONDS + $1)); shift
  until "$@" 2>/dev/null; do [ $SECONDS -lt $end ] || { echo "waited for: $*"; tail -5 demo.log; return 1; }; sleep 0.1; done
}
up() { curl -sf -m 2 "$url/healthz" >/dev/null; }
begin
wait_for 120 up
wait_for 20 degraded 0

now() { date +%s.%N; }
since() { /usr/bin/python3 -c "print('%.1f' % ($(now) - $1))"; }
slow() { # microseconds: each flush takes so much longer
  strace -qq -f -p "$daemon" -o /dev/null -e trace=fdatasync,fsync -e "inject=fdatasync,fsync:delay_enter=$1" 2>strace.log &
  tracer=$!
}
quick() { kill -TERM "$tracer"; wait "$tracer" 2>/dev/null || true; tracer=; }

broken() { # every write and flush ends in an I/O error
  strace -qq -f -p "$daemon" -o /dev/null -e trace=pwrite64,fdatasync,fsync -e inject=pwrite64,fdatasync,fsync:error=EIO 2>strace.log &
  tracer=$!
}

failed=0
length=16
[ "$form" = short ] || length=30
printf '%-28s %7s %7s %7s %7s %8s %6s %6s %7s\n' fault "said s" "now s" alarms "late s" skipped lost note "well in s"
journal_says_made_again() { curl -sf -m 2 "$url/api/v1/events?limit=1000" | grep -q 'made again'; }
row() { # name, must be said (yes, no), command that makes the fault, command that ends it
  local name=$1 must=$2 make=$3 mend=$4 said=- slowest=0 well=- skipped lost begun end t note=unsaid
  skipped=$(metric tickover_line_overruns_total) lost=$(metric tickover_store_lost_scans_total)
  $make
  begun=$(now) end=$((SECONDS + length))
  (./tickover note --state card/state "note during $name" >"note.log" 2>&1 && echo confirmed >note.said || echo refused >note.said) &
  local noting=$!
  /usr/bin/python3 "$here/due.py" look "$work" "$page" $length >due.txt &
  local looking=$!
  while [ $SECONDS -lt $end ]; do
    t=$(curl -s -m 5 -o /dev/null -w '%{time_total}' "$url/api/v1/now" || echo 9)
    slowest=$(/usr/bin/python3 -c "print(max($t, $slowest))")
    [ "$said" != - ] || ! { degraded 1 || journal_says_made_again; } || said=$(since "$begun")
    sleep 0.1
  done
  skipped=$(($(metric tickover_line_overruns_total) - skipped)) lost=$(($(metric tickover_store_lost_scans_total) - lost))
  $mend
  begun=$(now)
  wait_for 15 degraded 0 && well=$(since "$begun") || failed=1
  wait "$noting" || true
  wait "$looking" || failed=1
  local due listed late
  read -r due listed late <due.txt
  note=$(cat note.said)
  if [ "$note" = confirmed ]; then
    curl -sf "$url/api/v1/events?limit=1000" | grep -q "note during $name" || { note=LOST; failed=1; }
  fi
  printf '%-28s %7s %7.3f %7s %7s %8s %6s %6.6s %7s\n' "$name" "$said" "$slowest" "$listed/$due" "$late" "$skipped" "$lost" "$note" "$well"
  /usr/bin/python3 - "$must" "$said" "$slowest" "$lost" "$well" "$due" "$listed" "$late" <<'PY' || { echo "  $name misses a limit"; failed=1; }
import sys
must, said, slowest, lost, well, due, listed, late = sys.argv[1:]
ok = (said == '-') if must == 'no' else (said != '-' and float(said) <= 5)
alarms = listed == due != '0' and float(late) <= 1
sys.exit(0 if ok and alarms and float(slowest) <= 1 and lost == '0' and well != '-' and float(well) <= 10 else 1)
PY
}

delays="3"
[ "$form" = short ] || delays="0.1 1 3 10 600"
for s in $delays; do
  must=yes
  case $s in 0.1 | 1) must=no ;; esac
  row "flush of $s s" $must "slow $(/usr/bin/python3 -c "print(int($s * 1e6))")" quick
done
row "files take no writes" yes "chattr +i card/state/tickover.db card/state/tickover.ring" "chattr -i card/state/tickover.db card/state/tickover.ring"
# The ring's blocks are given back first, or it would have its room on a full card.
fill() { fallocate --punch-hole --offset 0 --length 4MiB card/state/tickover.ring; head -c 100m /dev/zero >card/ballast 2>/dev/null || true; }
row "no free block" yes fill "rm -f card/ballast"
row "writes end in EIO" yes broken quick
vanish() { rm -rf card/state; }
row "folder deleted" yes vanish true
rss=$(awk '/^VmHWM/ { print int($2 / 1024) }' "/proc/$daemon/status") anon=$(awk '/^RssAnon/ { print int($2 / 1024) }' "/proc/$daemon/status")
kill -TERM "$daemon"; wait "$daemon" || { echo "the daemon ended badly"; tail -5 demo.log; failed=1; }
./tickover verify --state card/state | tail -1 | grep -q '^no problems' || { echo "the store is damaged"; ./tickover verify --state card/state | tail -5; failed=1; }
echo "memory: $rss MiB at most, of it $anon MiB of its own at the end"

# A start on a folder that cannot be used.
printf 'set: {name: skid}\nlisten: 127.0.0.1:%s\n' "$page" >plain.yaml
./tickover init --help >/dev/null 2>&1 || true
mv card/state card/away
touch card/state
./tickover run --config plain.yaml --state card/state >demo.log 2>&1 &
daemon=$! begun=$(now)
wait_for 10 degraded 1 || failed=1
said=$(since "$begun")
rm card/state && mv card/away card/state
begun=$(now)
wait_for 12 degraded 0 || failed=1
printf '%-28s %7s %7s %7s %7s %8s %6s %6s %7s\n' "start without a folder" "$said" - - - - - - "$(since "$begun")"
kill -TERM "$daemon"; wait "$daemon" || failed=1
daemon=
exit $failed
