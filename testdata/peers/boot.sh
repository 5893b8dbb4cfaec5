#!/usr/bin/env bash
# Boots a fresh Debian in a container with its own service manager, installs
# the package as README.md says and measures the time to the first metric, to
# readiness, and what a hung daemon comes to. Needs root, systemd-container and
# debootstrap; takes a minute to fetch Debian the first time.
#
#   testdata/peers/boot.sh [FOLDER WITH A DEBIAN ROOT]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)

work=$(mktemp -d)
leader=
cleanup() {
  [ -z "$leader" ] || kill -s RTMIN+4 "$leader" 2>/dev/null || true # power off
  [ -z "${container:-}" ] || wait "$container" 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT

debian=${1:-$work/debian}
[ -e "$debian/etc/debian_version" ] ||
  debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,udev,curl bookworm "$debian" >/dev/null
OUTPUT="$work" VERSION=0.1 LEVEL=1 "$root/deploy/deb/build" "$(dpkg --print-architecture)"

mkdir "$work/machine"
systemd-nspawn -D "$debian" --volatile=overlay --boot --register=no --keep-unit --private-network --console=pipe \
  --bind-ro="$work:/mnt" >"$work/console.log" 2>&1 </dev/null &
container=$!
for _ in $(seq 100); do
  leader=$(pgrep -P "$container" | head -1 || true)
  [ -n "$leader" ] && nsenter -t "$leader" -a systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded' && break
  sleep 0.2
done
in_it() { nsenter -t "$leader" -m -u -i -n -p -C "$@"; }

started=$(date +%s.%N)
in_it dpkg -i "/mnt/tickover_0.1_$(dpkg --print-architecture).deb" >"$work/install.log" 2>&1 || { cat "$work/install.log"; exit 1; }
for _ in $(seq 300); do in_it curl -sf http://127.0.0.1:8485/metrics >"$work/metrics" 2>/dev/null && break; sleep 0.1; done
grep -q tickover_build_info "$work/metrics" || { echo "boot: no metric"; in_it journalctl -u tickover --no-pager | tail; exit 1; }
echo "boot: first metric $(echo "$(date +%s.%N) - $started" | bc) s after dpkg -i began"
in_it systemctl show tickover -p ActiveState -p StatusText -p User
in_it systemctl is-enabled tickover

before=$(in_it date +%s%N)
in_it systemctl restart tickover # returns when the daemon says that it is ready
echo "boot: ready $((($(in_it date +%s%N) - before) / 1000000)) ms after systemctl restart began, stopping included"
main=$(in_it systemctl show tickover -p MainPID --value)
in_it grep VmRSS "/proc/$main/status"

# A second set with a configuration of its own.
in_it sh -c 'printf "set: {name: Second}\nlisten: 127.0.0.1:8486\n" >/etc/tickover/second.yaml && systemctl start tickover@second'
in_it curl -sf http://127.0.0.1:8486/healthz

# A daemon that hangs is started anew by the watchdog.
in_it sh -c "kill -STOP $main"
for _ in $(seq 150); do
  now=$(in_it systemctl show tickover -p MainPID --value)
  [ "$now" != "$main" ] && [ "$now" != 0 ] && break
  sleep 1
done
[ "$now" != "$main" ] || { echo "boot: a daemon that hangs stays"; exit 1; }
echo "boot: a daemon that hung was started anew"
in_it journalctl -u tickover --no-pager | grep -i watchdog | head -2
