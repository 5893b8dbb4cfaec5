#!/usr/bin/env bash
# Boots a fresh Debian in a container with its own service manager, and follows
# README.md to the letter in it: the commands of "Ten minutes to a first
# reading on a Pi" are taken from there, and a meter made with pymodbus hangs
# behind a pseudo-terminal. Measures the time to the first metric and to the
# first reading, then tries a read-only root, a second set and a hung daemon.
# The container has no network and no clock of its own. Needs root,
# systemd-container and debootstrap; fetches Debian the first time.
#
#   testdata/peers/boot.sh [FOLDER FOR A DEBIAN ROOT, KEPT]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
architecture=$(dpkg --print-architecture)
adapter=/dev/rs485/simulated

work=$(mktemp -d)
leader=
off() {
  [ -z "$leader" ] || kill -s RTMIN+4 "$leader" 2>/dev/null || true # power off
  [ -z "${container:-}" ] || wait "$container" 2>/dev/null || true
  leader= container=
}
cleanup() {
  off
  umount -R "$work/machine" "$work/layer" 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT

debian=${1:-$work/debian}
[ -e "$debian/etc/debian_version" ] ||
  debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,udev,curl,sudo,adduser,socat,python3-pymodbus,python3-serial-asyncio bookworm "$debian" >/dev/null
OUTPUT="$work" VERSION=0.1 LEVEL=1 "$root/deploy/deb/build" "$architecture"
cp "$here/pymodbus_slave.py" "$work"

# What is written goes to a layer that is thrown away.
mkdir "$work/layer" "$work/machine"
mount -t tmpfs tmpfs "$work/layer"
mkdir "$work/layer/upper" "$work/layer/work" "$work/layer/state"
mount -t overlay overlay -o "lowerdir=$debian,upperdir=$work/layer/upper,workdir=$work/layer/work" "$work/machine"
on() { # options: boots it, with the adapter and the meter
  systemd-nspawn -D "$work/machine" --boot --register=no --keep-unit --private-network --console=pipe \
    --bind-ro="$work:/mnt" "$@" >"$work/console.log" 2>&1 </dev/null &
  container=$!
  for _ in $(seq 100); do
    leader=$(pgrep -P "$container" | head -1 || true)
    [ -n "$leader" ] && nsenter -t "$leader" -a systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded' && break
    sleep 0.2
  done
  in_it mkdir -p "${adapter%/*}"
  in_it systemd-run -q --unit=adapter socat "pty,raw,echo=0,link=$adapter,group=dialout,mode=660" pty,raw,echo=0,link=/run/meter
  in_it systemd-run -q --unit=meter sh -c 'until [ -e /run/meter ]; do sleep 0.1; done; exec /usr/bin/python3 /mnt/pymodbus_slave.py /run/meter 9600 1'
  until in_it journalctl -u meter --no-pager | grep -q ready; do in_it systemctl is-active -q meter || fail "the meter does not run"; sleep 0.2; done
}
in_it() { nsenter -t "$leader" -m -u -i -n -p -C "$@"; }
fail() { echo "boot: $*"; in_it journalctl -u tickover -u meter -u adapter --no-pager | tail -20; exit 1; }
metric() { # seconds pattern [port]: wait until a scrape shows it
  local end=$((SECONDS + $1))
  until in_it curl -sf "http://127.0.0.1:${3:-8485}/metrics" 2>/dev/null | grep -q "$2"; do
    [ $SECONDS -lt $end ] || fail "no $2 in a scrape within $1 s"
    sleep 0.1
  done
}
took() { echo "boot: $1 $(echo "$(date +%s.%N) - $started" | bc) s after the package's installation began"; }

# The person of the README and her package.
on
in_it sh -c "useradd -m -s /bin/bash ada && echo 'ada ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/ada && cp /mnt/*.deb ~ada"

mapfile -t words < <(/usr/bin/python3 - "$root/README.md" <<'PY'
import re, sys
text = open(sys.argv[1]).read()
steps = " ".join(text.split("## Ten minutes", 1)[1].split("\n## ", 1)[0].split())
print(*[c for c in re.findall(r"`([^`]+)`", steps) if re.match(r"(sudo|tickover) ", c)], sep="\n")
PY
)
[ ${#words[@]} -ge 9 ] || fail "README.md has only ${#words[@]} commands"
started=$(date +%s.%N)
for command in "${words[@]}"; do
  command=${command//"/dev/rs485/..."/$adapter}
  in_it su - ada -c "$command" >"$work/said" 2>&1 </dev/null || { cat "$work/said"; fail "$command"; }
  echo "ada\$ $command"
  case $command in
  *dpkg*)
    metric 30 tickover_build_info
    took "first metric" ;;
  *tickover\ check*) grep "meter1" "$work/said" | head -3 ;;
  *tickover\ peek*) grep "frequency" "$work/said" ;;
  *systemctl\ start*)
    metric 30 'genset_phase_voltage_volts{phase="L1"} 230.1'
    took "first reading of the meter" ;;
  *tickover\ runs*) cat "$work/said" ;;
  esac
done
in_it systemctl show tickover -p ActiveState -p StatusText -p User
in_it systemctl is-enabled tickover
in_it journalctl -u tickover --no-pager -p warning | tail -5
in_it ls /home/ada/report.html

before=$(in_it date +%s%N)
in_it systemctl restart tickover # returns when the daemon says that it is ready
echo "boot: ready $((($(in_it date +%s%N) - before) / 1000000)) ms after systemctl restart began, stopping included"
main=$(in_it systemctl show tickover -p MainPID --value)
in_it grep -E 'VmRSS|RssAnon' "/proc/$main/status"

# A second set beside it, by the words of upkeep.md.
in_it cp /usr/share/tickover/first.yaml /etc/tickover/second.yaml
in_it sh -c 'echo "listen: 127.0.0.1:8486" >>/etc/tickover/second.yaml'
in_it systemctl enable -q --now tickover@second
metric 30 'genset_info{class="",name="Standby set",site=""}' 8486
metric 30 'genset_phase_voltage_volts{phase="L1"} 230.1'
[ "$(in_it systemctl show tickover -p MainPID --value)" = "$main" ] || fail "the second set disturbed the first"
echo "boot: two sets run beside each other"

# Booted anew with a root that cannot be written, it starts by itself; only the
# folder of the state is another medium.
in_it systemctl disable -q tickover@second
off
cp -a "$work/machine/var/lib/tickover/." "$work/layer/state"
chown --reference="$work/machine/var/lib/tickover" "$work/layer/state"
on --read-only --bind="$work/layer/state:/var/lib/tickover"
! in_it touch /etc/written 2>/dev/null || fail "the root can be written"
metric 30 'genset_phase_voltage_volts{phase="L1"} 230.1'
in_it tickover runs
echo "boot: it starts by itself after a reboot, on a read-only root"

# A daemon that hangs is started anew by the watchdog.
main=$(in_it systemctl show tickover -p MainPID --value)
in_it sh -c "kill -STOP $main"
for _ in $(seq 150); do
  now=$(in_it systemctl show tickover -p MainPID --value)
  [ "$now" != "$main" ] && [ "$now" != 0 ] && break
  sleep 1
done
[ "$now" != "$main" ] || fail "a daemon that hangs stays"
echo "boot: a daemon that hung was started anew"
in_it journalctl -u tickover --no-pager | grep -i watchdog | head -2
