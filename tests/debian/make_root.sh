#!/bin/bash
# make_root.sh SUITE [ARCH]: a small Debian with systemd as init, in $QUIETCUFF_DEBIAN (else ~/.cache/quietcuff-debian)/SUITE,
# that of another processor (arm64) in SUITE-ARCH. As root. Needs mmdebstrap, for another processor qemu-user-static and
# arch-test too, and some ten minutes. Nothing of this machine's own root is touched; tests boot it under an overlay.
set -euo pipefail
suite=$1 arch=${2:-$(dpkg --print-architecture)}
name=$suite; [ "$arch" = "$(dpkg --print-architecture)" ] || name=$suite-$arch
root=${QUIETCUFF_DEBIAN:-$HOME/.cache/quietcuff-debian}/$name
[ -e "$root/.whole" ] && exit 0
mkdir -p "$(dirname "$root")"; rm -rf "$root"
mirror=$(awk '$1 == "URIs:" {print $2; exit}' /etc/apt/sources.list.d/debian.sources 2>/dev/null || true)
mirror=${mirror:-http://deb.debian.org/debian}
if [ "$name" != "$suite" ] && ! arch-test "$arch" >/dev/null; then  # its programs run here only where the kernel knows how
    mountpoint -q /proc/sys/fs/binfmt_misc || mount -t binfmt_misc binfmt_misc /proc/sys/fs/binfmt_misc
    cat /usr/lib/binfmt.d/qemu-aarch64.conf > /proc/sys/fs/binfmt_misc/register
fi
nice mmdebstrap --quiet --mode=root --variant=minbase --architectures="$arch" \
    --include=systemd,systemd-sysv,dbus,bluez,python3,adduser,debconf,runit-helper,sudo,procps \
    "$suite" "$root" "deb $mirror $suite main"
ln -sf /dev/null "$root/etc/systemd/system/tmp.mount"
touch "$root/.whole"
