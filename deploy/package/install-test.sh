#!/bin/bash
# Proves a package in a clean Debian root, as root:
#   deploy/package/install-test.sh OLDER.deb NEWER.deb [ROOT]
#   deploy/package/install-test.sh root ROOT     only makes the root
# The commands of the README's chapter on installing, as they stand there, up to a
# verdict; upgrade with a live journal and an open run, downgrade, a wrong
# configuration, remove, purge. The root has its own network, so that it meets no other
# soakd. Where no clean root can be made, an overlay over this machine's own stands in,
# which is said.
set -euo pipefail
case $#:${1:-} in
2:root | 2:*.deb | 3:*.deb) ;;
*) echo "usage: install-test.sh OLDER.deb NEWER.deb [ROOT], or: root ROOT" >&2; exit 2 ;;
esac

make_root() { # FOLDER
  [ ! -d "$1/usr" ] || return 0
  mirror=$(apt-get indextargets --format '$(SITE)' 'Created-By: Packages' | head -n 1) # the one this machine uses
  if ! mmdebstrap --quiet --variant=minbase --include=systemd,udev bookworm "$1" "$mirror"; then
    echo 'install-test: NO CLEAN ROOT could be made; an overlay over this machine stands in' >&2
    rm -rf --one-file-system "$1"
    mkdir "$1"
  fi
}
if [ "$1" = root ]; then
  make_root "$2"
  exit
fi
older=$(realpath "$1") newer=$(realpath "$2") root=${3:-}
if [ -z "${SOAKRIG_OWN_NETWORK:-}" ]; then
  if [ -z "$root" ]; then
    temporary=$(mktemp -d)
    root=$temporary/root
    trap 'rm -rf --one-file-system "$temporary"' EXIT
  fi
  make_root "$root"
  SOAKRIG_OWN_NETWORK=1 unshare --net --mount --pid --fork --kill-child "$0" "$older" "$newer" "$(realpath "$root")"
  exit
fi

ip link set lo up
if [ ! -d "$root/usr" ]; then
  layer=$(mktemp -d)
  mount -t tmpfs tmpfs "$layer"
  mkdir "$layer/upper" "$layer/work"
  mount -t overlay -o "lowerdir=/,upperdir=$layer/upper,workdir=$layer/work" overlay "$root"
  chroot "$root" dpkg -P soakrig >/dev/null 2>&1 || true
fi
mount -t proc proc "$root/proc"
mount -t tmpfs tmpfs "$root/run"
mount -t devpts devpts "$root/dev/pts"
in_root() { chroot "$root" env LC_ALL=C DEBIAN_FRONTEND=noninteractive PATH=/run/bin:/usr/sbin:/usr/bin:/sbin:/bin "$@"; }
say() { printf -- '-- %s\n' "$*"; }
die() { printf 'install-test: %s\n' "$*" >&2; [ ! -e "$root/run/soakd.log" ] || cat "$root/run/soakd.log" >&2; exit 1; }
want() { grep -q -- "$2" <<<"$1" || die "no '$2' in: $1"; }

# What this root lacks: sudo, and a running systemd. The second does what the unit says
# of start, stop and readiness; the unit itself is tested beside its file.
rm -f "$root/root/carrier-1.html" # of an earlier test in the same root
mkdir "$root/run/bin"
printf '#!/bin/sh\nexec "$@"\n' >"$root/run/bin/sudo"
cat >"$root/run/bin/systemctl" <<'END'
#!/bin/sh
set -e
if [ -e /run/soakd.pid ]; then
  kill "$(cat /run/soakd.pid)" && while kill -0 "$(cat /run/soakd.pid)" 2>/dev/null; do sleep 0.1; done
  rm /run/soakd.pid
fi
case "$*" in
"stop soakd") exit 0 ;;
"restart soakd" | "start soakd") ;;
*) echo "systemctl $*: not known in this root" >&2; exit 1 ;;
esac
setsid soakd -config /etc/soakd/rig.yaml </dev/null >/dev/null 2>>/run/soakd.log &
echo $! >/run/soakd.pid
for _ in $(seq 300); do
  ! soak status >/dev/null 2>&1 || exit 0
  kill -0 "$(cat /run/soakd.pid)" || exit 1
  sleep 0.1
done
exit 1
END
chmod +x "$root"/run/bin/*

# Prints the commands of the README's chapter on installing.
readme() {
  awk '/^## /{ on = $0 == "## Install" } on && /^```/{ code = !code; next } on && code' "$(dirname "$0")/../../README.md"
}
mapfile -t commands < <(readme)
[ "${#commands[@]}" -ge 8 ] || die "the README has ${#commands[@]} commands"
[[ ${commands[0]} == deploy/package/build.sh\ * ]] || die "the README begins with: ${commands[0]}"

# The first of them has been run: it made the packages. The older one stands in under
# the newer one's name, so that there is something to upgrade.
version=$(cut -d ' ' -f 2 <<<"${commands[0]}")
mkdir -p "$root/root/packages"
cp "$older" "$root/root/packages/soakrig_${version}_$(dpkg --print-architecture).deb"
cp "$newer" "$root/root/newer.deb"
rig=$root/etc/soakd/rig.yaml
for command in "${commands[@]:1}"; do
  say "$command"
  code=0
  output=$(in_root sh -c "cd /root && $command" 2>&1) || code=$?
  case $code:$command in
  0:*) ;;
  5:soak\ watch* | 5:soak\ show*) ;; # a verdict may be marginal
  *) die "exit code $code: $output" ;;
  esac
  case $command in
  *'apt install'*)
    first=$(in_root soakd --version)
    want "$(in_root getent group spi gpio i2c soakd-keys | wc -l)" 4
    [ -L "$root/etc/systemd/system/multi-user.target.wants/soakd.service" ] || die 'the service is not enabled'
    want "$(in_root dpkg-query -W -f '${Conffiles}' soakrig)" /etc/soakd/rig.yaml
    for f in man/man1/soak.1.gz man/man1/soakd.1.gz man/man1/soakd-check.1.gz man/man5/rig.yaml.5.gz bash-completion/completions/soak \
      zsh/vendor-completions/_soakd fish/vendor_completions.d/soak.fish doc/soakrig/licences.txt.gz doc/soakrig/copyright doc/soakrig/guides/meter.md; do
      [ -s "$root/usr/share/$f" ] || die "no /usr/share/$f"
    done
    ;;
  'soakd check'*) want "$output" SIMULATED; want "$output" 'not a safety device' ;;
  *sed*) cmp -s "$rig" "$root/usr/share/doc/soakrig/examples/rigs/simulated.yaml" && die 'the README edits nothing' ;;
  'soak show'*) want "$output" 'carrier-1'; grep -qiE 'pass|marginal' <<<"$output" || die "no verdict: $output"; head -n 12 <<<"$output" ;;
  'soak report'*) grep -q '</html>' "$root/root/carrier-1.html" || die 'no report' ;;
  esac
done

say 'upgrade with an open run'
in_root soak start carrier-2 --setup rated --load 200min >/dev/null
cp "$rig" "$root/run/edited.yaml"
in_root apt-get install -qq -o Dpkg::Options::=--force-confold /root/newer.deb >/dev/null
[ "$(in_root soakd --version)" != "$first" ] || die 'the version did not change'
cmp "$rig" "$root/run/edited.yaml" || die 'the upgrade changed the configuration'
in_root systemctl restart soakd
runs=$(in_root soak runs)
want "$runs" carrier-1
want "$runs" carrier-2
in_root soak stop >/dev/null || [ $? -eq 5 ] || die 'the open run does not go on'

say 'back to the older version, with the same journal'
in_root apt-get install -qq --allow-downgrades -o Dpkg::Options::=--force-confold "/root/packages/soakrig_${version}_$(dpkg --print-architecture).deb" >/dev/null
[ "$(in_root soakd --version)" = "$first" ] || die 'the version did not change back'
in_root systemctl restart soakd
want "$(in_root soak runs)" carrier-2

say 'a wrong configuration'
echo 'rigg: x' >>"$rig"
in_root soakd check >/dev/null 2>"$root/run/wrong" && die 'a wrong configuration is taken'
want "$(cat "$root/run/wrong")" 'rig.yaml:[0-9]*:1: rigg: unknown key'
kill -HUP "$(cat "$root/run/soakd.pid")" # it stays with the old one
want "$(in_root soak status)" bench-1
cp "$root/run/edited.yaml" "$rig"
in_root systemctl stop soakd

say 'remove, install again, purge'
in_root apt-get remove -qq soakrig >/dev/null
[ ! -e "$root/usr/bin/soakd" ] && [ -e "$rig" ] || die 'remove must take programs and leave the configuration'
ls "$root"/var/lib/soakd/*.db >/dev/null || die 'remove took the journal'
in_root apt-get install -qq /root/newer.deb >/dev/null
cmp "$rig" "$root/run/edited.yaml" || die 'installing again changed the configuration'
[ -L "$root/etc/systemd/system/multi-user.target.wants/soakd.service" ] || die 'installed again, the service is not enabled'
want "$(in_root apt-get purge -qq soakrig)" 'the journal in /var/lib/soakd stays'
[ ! -e "$rig" ] || die 'purge must take the configuration'
ls "$root"/var/lib/soakd/*.db >/dev/null || die 'purge took the journal'
say 'all is well'
