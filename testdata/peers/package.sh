#!/usr/bin/env bash
# Builds the Debian packages, one of them again in another folder, compares the
# bytes, asks lintian and systemd about them, and takes it through install, upgrade, removal and purge with the
# real dpkg, on a throw-away overlay of this machine's own files.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)

if [ "${1:-}" != inside ]; then
  missing=()
  for package in lintian systemd udev man-db; do dpkg -s "$package" >/dev/null 2>&1 || missing+=("$package"); done
  if [ ${#missing[@]} -gt 0 ]; then
    apt-get update -q >/dev/null
    DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends "${missing[@]}" >/dev/null
  fi
  work=$(mktemp -d)
  trap 'rm -rf "$work"' EXIT
  export LEVEL=1 # of compression, for speed
  OUTPUT="$work/one" VERSION=0.1 "$root/deploy/deb/build" ${ARCHITECTURES:-amd64 arm64 armhf}
  lintian --allow-root --fail-on error,warning --suppress-tags bad-distribution-in-changes-file "$work"/one/*.deb &
  lint=$!
  cp -a "$root" "$work/elsewhere"
  (umask 077 && TZ=Asia/Tokyo OUTPUT="$work/two" VERSION=0.1 "$work/elsewhere/deploy/deb/build" amd64)
  cmp "$work/one/tickover_0.1_amd64.deb" "$work/two/tickover_0.1_amd64.deb"
  echo "package: a build in another folder, time zone and mask gives the same bytes"
  for deb in "$work"/one/*.deb; do
    size=$(stat -c %s "$deb")
    echo "package: ${deb##*/} has $size bytes"
    [ "$size" -le $((12 * 1000 * 1000)) ] || { echo "it is larger than 12 MB"; exit 1; }
  done
  # The upgrade is the same program under a higher number.
  dpkg-deb -R "$work/two/tickover_0.1_amd64.deb" "$work/newer"
  sed -i 's/^Version: .*/Version: 0.2/' "$work/newer/DEBIAN/control"
  dpkg-deb --root-owner-group -Zxz -z$LEVEL --build "$work/newer" "$work/two/tickover_0.2_amd64.deb" >/dev/null
  wait $lint
  echo "package: lintian is content"
  # The overlay is mounted in a namespace of its own, so nothing of it is left.
  unshare --mount "$0" inside "$work/two"
  exit
fi

debs=$2
layer=$(mktemp -d)
mount -t tmpfs tmpfs "$layer"
mkdir "$layer"/{upper,work,root}
mount -t overlay overlay -o "lowerdir=/,upperdir=$layer/upper,workdir=$layer/work" "$layer/root"
mount -t proc proc "$layer/root/proc"
mount -t devtmpfs devtmpfs "$layer/root/dev" 2>/dev/null || mount --rbind /dev "$layer/root/dev"
mkdir -p "$layer/root/run" && mount -t tmpfs tmpfs "$layer/root/run" # no service manager in there
mount -t tmpfs tmpfs "$layer/root/tmp"
cp "$debs"/*.deb "$layer/root/tmp"

in_root() { chroot "$layer/root" "$@"; }
has() { in_root test -e "$1" || { echo "package: $1 is missing $2"; exit 1; }; }
gone() { ! in_root test -e "$1" || { echo "package: $1 is still there $2"; exit 1; }; }
mode() { # path: owner and mode
  in_root stat -c '%U:%G %a' "$1"
}
equal() { [ "$1" = "$2" ] || { echo "package: $3 is $1, want $2"; exit 1; }; }

in_root dpkg -i /tmp/tickover_0.1_amd64.deb
in_root dpkg -V tickover
equal "$(mode /var/lib/tickover)" "tickover:tickover 750" "the state folder"
equal "$(mode /var/lib/tickover/token)" "tickover:tickover 600" "the token"
in_root id -nG tickover | grep -qw dialout || { echo "package: the user may not open serial ports"; exit 1; }
has /etc/tickover/tickover.yaml "after installing"
has /etc/systemd/system/multi-user.target.wants/tickover.service "after installing"
in_root tickover check --config /etc/tickover/tickover.yaml | grep "no devices yet"
in_root systemd-analyze verify --man=no --recursive-errors=yes tickover.service
in_root systemd-analyze verify --man=no --recursive-errors=yes tickover@second.service
in_root systemd-analyze security --offline=true --threshold=15 --no-pager tickover.service | tail -1
in_root man --warnings -l /usr/share/man/man1/tickover.1.gz >/dev/null

# The daemon as the unit starts it, to readiness; it leaves a store behind.
in_root setpriv --reuid tickover --regid tickover --init-groups tickover run --config /etc/tickover/tickover.yaml \
  --state /var/lib/tickover --listen 127.0.0.1:0 --for 1s
token=$(in_root cat /var/lib/tickover/token)
in_root sed -i 's/Standby set/My set/' /etc/tickover/tickover.yaml

in_root dpkg -i /tmp/tickover_0.2_amd64.deb
equal "$(in_root dpkg-query -W -f '${Version}' tickover)" 0.2 "the version"
equal "$(in_root cat /var/lib/tickover/token)" "$token" "the token after the upgrade"
in_root grep -q "My set" /etc/tickover/tickover.yaml || { echo "package: the upgrade lost the configuration"; exit 1; }
in_root tickover verify --state /var/lib/tickover

in_root dpkg -r tickover
gone /usr/bin/tickover "after removal"
has /etc/tickover/tickover.yaml "after removal"
has /var/lib/tickover/tickover.db "after removal"

in_root touch /var/lib/tickover/reading-token # as a daemon makes it that is read by token
in_root dpkg -P tickover
gone /etc/tickover "after purging"
gone /var/lib/tickover/token "after purging"
gone /var/lib/tickover/reading-token "after purging"
gone /etc/systemd/system/multi-user.target.wants/tickover.service "after purging"
has /var/lib/tickover/tickover.db "after purging: readings are kept"
echo "package: installed, upgraded, removed and purged"
