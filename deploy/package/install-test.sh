#!/bin/bash
# Proves a package in a clean Debian root, as root:
#   deploy/package/install-test.sh OLDER.deb NEWER.deb [ROOT]
# Install, check, a judged run on the simulated rig, upgrade with a live journal and an
# open run, remove, purge. ROOT is made by debootstrap if it does not exist; the root
# has its own network, so that it meets no other soakd.
set -euo pipefail
[ $# -ge 2 ] || { echo "usage: install-test.sh OLDER.deb NEWER.deb [ROOT]" >&2; exit 2; }
older=$(realpath "$1") newer=$(realpath "$2") root=${3:-}
if [ -z "${SOAKRIG_OWN_NETWORK:-}" ]; then
  temporary=
  if [ -z "$root" ]; then
    temporary=$(mktemp -d)
    root=$temporary/root
    trap 'rm -rf --one-file-system "$temporary"' EXIT
  fi
  if [ ! -d "$root/usr" ]; then
    mirror=$(apt-get indextargets --format '$(SITE)' 'Created-By: Packages' | head -n 1) # the one this machine uses
    debootstrap --variant=minbase --include=systemd,udev bookworm "$root" "$mirror" >/dev/null
  fi
  SOAKRIG_OWN_NETWORK=1 unshare --net --mount --pid --fork --kill-child "$0" "$older" "$newer" "$(realpath "$root")"
  exit
fi

ip link set lo up
mount -t proc proc "$root/proc"
mount -t tmpfs tmpfs "$root/run"
in_root() { chroot "$root" env LC_ALL=C PATH=/usr/sbin:/usr/bin:/sbin:/bin "$@"; }
say() { printf -- '-- %s\n' "$*"; }
die() { printf 'install-test: %s\n' "$*" >&2; [ ! -e "$root/run/soakd.log" ] || cat "$root/run/soakd.log" >&2; exit 1; }
want() { grep -q -- "$2" <<<"$1" || die "no '$2' in: $1"; }
daemon=
start() {
  chroot "$root" /usr/bin/soakd -config /etc/soakd/rig.yaml 2>>"$root/run/soakd.log" &
  daemon=$!
  for _ in $(seq 100); do
    in_root soak status >/dev/null 2>&1 && return
    kill -0 "$daemon" 2>/dev/null || die 'soakd ended'
    sleep 0.2
  done
  die 'soakd does not answer'
}
stop() { kill -TERM "$daemon"; wait "$daemon" || die "soakd ended with $?"; }

say 'install'
cp "$older" "$root/older.deb"
cp "$newer" "$root/newer.deb"
in_root dpkg -i /older.deb
first=$(in_root soakd --version)
want "$(in_root getent group spi gpio i2c soakd-keys | wc -l)" 4
[ -L "$root/etc/systemd/system/multi-user.target.wants/soakd.service" ] || die 'the service is not enabled'
want "$(in_root dpkg-query -W -f '${Conffiles}' soakrig)" /etc/soakd/rig.yaml

say 'check, as installed'
report=$(in_root soakd check) || die "soakd check fails: $report"
want "$report" SIMULATED
want "$report" 'not a safety device'

say 'a judged run'
rig=$root/etc/soakd/rig.yaml
sed -i 's/^simulated: .*/simulated: {speed: 200, load: [{at: 0s, level: 0}, {at: 1h, level: 1}, {at: 90m, level: 0}]} # edited/' "$rig"
grep -q '# edited' "$rig" || die 'rig.yaml has no line to edit'
start
in_root soak start carrier-1 --setup rated --load 30min
for _ in $(seq 120); do
  runs=$(in_root soak runs)
  grep -qE 'pass|fail|marginal|void' <<<"$runs" && break
  sleep 0.5
done
grep -qE 'pass|fail|marginal' <<<"$runs" || die "no verdict: $runs"
in_root soak show last || [ $? -eq 3 ] || [ $? -eq 5 ] || die 'soak show'

say 'upgrade with an open run'
in_root soak start carrier-2 --setup rated --load 200min
in_root dpkg -i --force-confdef --force-confold /newer.deb
[ "$(in_root soakd --version)" != "$first" ] || die 'the version did not change'
grep -q '# edited' "$rig" || die 'the upgrade lost the configuration'
stop
start
runs=$(in_root soak runs)
want "$runs" carrier-1
want "$runs" carrier-2
in_root soak stop || [ $? -eq 5 ] || die 'the open run does not go on'
stop

say 'remove, purge'
in_root dpkg -r soakrig
[ ! -e "$root/usr/bin/soakd" ] && [ -e "$rig" ] || die 'remove must take programs and leave the configuration'
ls "$root"/var/lib/soakd/*.db >/dev/null || die 'remove took the journal'
in_root dpkg -P soakrig
[ ! -e "$rig" ] || die 'purge must take the configuration'
ls "$root"/var/lib/soakd/*.db >/dev/null || die 'purge took the journal'
say 'all is well'
