#!/usr/bin/env bash
# The card fails for real: file systems filled to the last byte, images cut off
# while they are written, and a running daemon whose writes and flushes the
# kernel refuses for a while (strace turns them into errors), then a file system
# that turns read-only under a running daemon by a fault of its own. Nothing
# that was acknowledged may be lost, and everything must mend by itself where
# the kernel lets it. Needs root.
#
#   disk.sh [cuts] [long]     10 cuts when not given; long is that of watch.sh
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)

missing=()
for package in strace xfsprogs e2fsprogs curl python3; do dpkg -s "$package" >/dev/null 2>&1 || missing+=("$package"); done
if [ ${#missing[@]} -gt 0 ]; then
  apt-get update -q >/dev/null
  DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends "${missing[@]}" >/dev/null
fi

go -C "$root" test -tags disk -run 'DiskFull|ImageCuts' -count=1 -v -timeout 1h ./collector/store -cuts "${1:-10}" | grep -v '^=== '

work=$(mktemp -d)
pids=()
cleanup() {
  kill "${pids[@]}" 2>/dev/null || true
  wait 2>/dev/null || true
  umount "$work/mounted" 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT
cd "$work"
go build -C "$root" -o "$work/tickover" ./cmd/tickover
page=$(/usr/bin/python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
./tickover demo --state state --listen "127.0.0.1:$page" >demo.log 2>&1 &
daemon=$!
pids+=($daemon)

metric() { curl -sf "http://127.0.0.1:$page/metrics" | awk -v name="$1" '$1 == name { print $2 }'; }
wait_for() { # name value
  for _ in $(seq 600); do [ "$(metric "$1" || true)" = "$2" ] && return; sleep 0.1; done
  echo "$1 did not become $2"; tail -5 demo.log; exit 1
}
wait_for tickover_store_degraded 0
scans() { ./tickover verify --state "$1" | sed -n 's/.* blocks with \([0-9]*\) scans.*/\1/p'; }
./tickover backup --state state before >backup.log
first=$(metric tickover_store_scans_total) there=$(scans before)

refuse() { # call error: the kernel refuses every such call of the daemon's until "allow"
  strace -qq -f -p "$daemon" -o /dev/null -e trace="$1" -e inject="$1:error=$2" 2>strace.log &
  tracer=$!
  pids+=($tracer)
}
allow() { kill -TERM "$tracer"; wait "$tracer" 2>/dev/null || true; }

for fault in fdatasync:EIO pwrite64:ENOSPC pwrite64:EROFS; do
  before=$(metric tickover_store_scans_total)
  refuse "${fault%%:*}" "${fault##*:}"
  wait_for tickover_store_degraded 1
  ! ./tickover backup --state state "copy-$fault" >backup.log 2>&1 || { echo "a backup was made during $fault"; exit 1; }
  curl -sf "http://127.0.0.1:$page/healthz" >health.log || { echo "the daemon is not well during $fault"; exit 1; }
  grep -q 'scans arrive' health.log && grep -q 'the store is degraded' health.log
  for _ in $(seq 100); do [ "$(metric tickover_store_scans_total)" -gt $((before + 5)) ] && break; sleep 0.1; done
  allow
  wait_for tickover_store_degraded 0
  rm -rf "copy-$fault"
  ./tickover backup --state state "copy-$fault" >backup.log 2>&1 || { cat backup.log; exit 1; }
  ./tickover verify --state "copy-$fault" | grep -q '^no problems' || { echo "the copy made after $fault is not whole"; exit 1; }
  echo "$fault: told, $(($(metric tickover_store_scans_total) - before)) scans kept meanwhile, mended by itself"
done
kept=$(metric tickover_store_scans_total) lost=$(metric tickover_store_lost_scans_total)
kill -TERM "$daemon"
wait "$daemon" || { echo "the daemon ended badly"; tail -5 demo.log; exit 1; }
./tickover verify --state state | tail -1 | grep '^no problems'
stored=$(($(scans state) - there))
echo "scans taken since the first fault $((kept - first)), in the store $stored, lost $lost"
[ "$lost" = 0 ] && [ "$stored" -ge $((kept - first)) ]

# The file system finds itself damaged and takes no more writes, as ext4 does
# with errors=remount-ro. Kernels of today give it back only after it was
# unmounted and checked, so the daemon has to be started again then: until then
# it watches on, and everything up to the fault must be there after.
truncate -s 64M card
mkfs.ext4 -q card
mkdir mounted
mount -o loop,errors=remount-ro card mounted
device=$(basename "$(findmnt -no SOURCE mounted)")
run_on_card() { ./tickover demo --state mounted/state --listen "127.0.0.1:$page" >demo.log 2>&1 & daemon=$!; pids+=($daemon); wait_for tickover_store_degraded 0; }
run_on_card
for _ in $(seq 100); do [ "$(metric tickover_store_scans_total)" -gt 5 ] && break; sleep 0.1; done
note=$(./tickover note --state mounted/state "written before the card failed" 2>&1) || { echo "$note"; exit 1; }
# First a refusal that the file system itself takes back: files made immutable
# take no more writes from whoever has them open, and all when they no longer are.
chattr +i mounted/state/tickover.db mounted/state/tickover.ring
wait_for tickover_store_degraded 1
before=$(metric tickover_store_scans_total)
for _ in $(seq 100); do [ "$(metric tickover_store_scans_total)" -gt $((before + 5)) ] && break; sleep 0.1; done
chattr -i mounted/state/tickover.db mounted/state/tickover.ring
sync -f mounted # or the fault below loses the release with the journal, and the files come back immutable
wait_for tickover_store_degraded 0
[ "$(metric tickover_store_lost_scans_total)" = 0 ]
echo "files that take no writes for a while: told, $(($(metric tickover_store_scans_total) - before)) scans kept meanwhile, mended by itself"
echo 1 >"/sys/fs/ext4/$device/trigger_fs_error"
! touch mounted/probe 2>/dev/null || { echo "the file system still takes writes"; exit 1; }
wait_for tickover_store_degraded 1
before=$(metric tickover_store_scans_total)
for _ in $(seq 100); do [ "$(metric tickover_store_scans_total)" -gt $((before + 5)) ] && break; sleep 0.1; done
curl -sf "http://127.0.0.1:$page/healthz" >health.log || { echo "the daemon is not well on a read-only file system"; exit 1; }
grep -q 'scans arrive' health.log && grep -q 'the store is degraded' health.log
if mount -o remount,rw mounted 2>/dev/null && touch mounted/probe 2>/dev/null; then
  wait_for tickover_store_degraded 0
  after="mended by itself when it was writable again"
else
  after="this kernel wants it unmounted and checked first"
fi
kill -TERM "$daemon"
wait "$daemon" || true # it tells that readings in memory are lost
umount mounted
e2fsck -fy card >fsck.log 2>&1 || [ $? -le 1 ]
mount -o loop card mounted
./tickover verify --state mounted/state | tail -1 | grep '^no problems'
run_on_card
curl -sf "http://127.0.0.1:$page/api/v1/events?limit=1000" >events.log
grep -q "written before the card failed" events.log || { echo "an acknowledged note is lost"; exit 1; }
kill -TERM "$daemon"
wait "$daemon" || { echo "the daemon ended badly on the mended card"; tail -5 demo.log; exit 1; }
./tickover verify --state mounted/state | tail -1 | grep '^no problems'
umount mounted
bash "$here/watch.sh" "${2:-short}"
echo "file system read-only by a fault of its own: told, watched on; $after; nothing acknowledged lost"
