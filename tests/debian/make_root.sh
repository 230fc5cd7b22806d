#!/bin/bash
# make_root.sh SUITE: a small Debian with systemd as init, in $QUIETCUFF_DEBIAN (else ~/.cache/quietcuff-debian)/SUITE.
# As root. Needs mmdebstrap. Nothing of this machine's own root is touched; tests boot it under an overlay.
set -euo pipefail
suite=$1; root=${QUIETCUFF_DEBIAN:-$HOME/.cache/quietcuff-debian}/$suite
[ -e "$root/.whole" ] && exit 0
mkdir -p "$(dirname "$root")"; rm -rf "$root"
mirror=$(awk '$1 == "URIs:" {print $2; exit}' /etc/apt/sources.list.d/debian.sources 2>/dev/null || true)
mirror=${mirror:-http://deb.debian.org/debian}
nice mmdebstrap --quiet --mode=root --variant=minbase \
    --include=systemd,systemd-sysv,dbus,bluez,python3,adduser,debconf,runit-helper,sudo,procps \
    "$suite" "$root" "deb $mirror $suite main"
ln -sf /dev/null "$root/etc/systemd/system/tmp.mount"
touch "$root/.whole"
