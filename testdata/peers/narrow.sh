#!/usr/bin/env bash
# The store's tests of 32 bits as 386 programs, in an emulated machine with
# Debian's own kernel: for kernels that run 64-bit programs only. About a
# minute, nearly all of it TestCap, which fills a store of 2 GiB.
set -euo pipefail
cd "$(dirname "$0")/../.."
apt-get update -q >/dev/null
DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends qemu-system-x86 busybox-static cpio >/dev/null
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

root=$work/root
mkdir -p "$root"/{bin,dev,proc,tmp,collector/store,testdata}
GOARCH=386 CGO_ENABLED=0 go test -c -trimpath -o "$root/collector/store/tests" ./collector/store
cp -r testdata/store "$root/testdata/"
cp /bin/busybox "$root/bin/"
cat >"$root/init" <<'INIT'
#!/bin/busybox sh
bb=/bin/busybox
$bb mount -t devtmpfs dev /dev
$bb mount -t proc proc /proc
$bb mount -t tmpfs -o size=90% tmp /tmp
cd /collector/store
./tests '-test.run=TestCap|BytesAre|TestQueries|Format' -test.v
echo "tests ended with $?"
$bb poweroff -f
INIT
chmod +x "$root/init"

kernel=$(apt-cache depends linux-image-cloud-amd64 | awk '/Depends: linux-image/ { print $2; exit }')
(cd "$work" && apt-get download -q "$kernel" >/dev/null 2>&1 && dpkg -x "$kernel"_*.deb kernel)
(cd "$root" && find . | cpio -o -H newc 2>/dev/null) >"$work/root.cpio"
timeout 600 qemu-system-x86_64 -m 6G -smp 2 -nographic -no-reboot -nic none \
  -kernel "$work"/kernel/boot/vmlinuz-* -initrd "$work/root.cpio" \
  -append "console=ttyS0 quiet panic=-1" </dev/null | tr -d '\r' >"$work/said"
grep -E '^(--- |tests ended)|panic|_test.go' "$work/said"
grep -q '^--- PASS: TestCap' "$work/said" && grep -qx 'tests ended with 0' "$work/said"
echo "narrow: the store's tests pass on a 386"
