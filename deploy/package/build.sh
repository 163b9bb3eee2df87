#!/bin/bash
# Builds the Debian packages, the same bytes from the same sources each time:
#   deploy/package/build.sh VERSION FOLDER [amd64|arm64|armhf ...]
# Needs go and nfpm (go install github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2).
# SOURCE_DATE_EPOCH dates everything inside; without it the newest commit's time does.
set -euo pipefail
version=${1:?"usage: build.sh VERSION FOLDER [ARCH ...]"}
mkdir -p "${2:?"usage: build.sh VERSION FOLDER [ARCH ...]"}"
out=$(cd "$2" && pwd)
shift 2
[ $# -gt 0 ] || set -- amd64 arm64 armhf
cd "$(dirname "$0")/../.."
umask 022
SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct)}
export SOURCE_DATE_EPOCH TZ=UTC LC_ALL=C CGO_ENABLED=0 GOOS=linux
stage=$(mktemp -d)
trap 'rm -rf "$stage"' EXIT

# What is the same on every machine: manual, completions, licences, guides, examples.
common=$stage/common
mkdir -p "$common/doc/examples" "$common/doc/guides"
for cmd in daemon/soakd client/soak; do
  go run -trimpath "./$cmd" docs "$common"
done
rm -f "$common"/man/soak*-completion*.1
go run ./deploy/package/manual >"$common/man/rig.yaml.5"
gzip -9n "$common"/man/*
go run ./deploy/package/licences ./daemon/soakd ./client/soak | gzip -9n >"$common/doc/licences.txt.gz"
cp deploy/package/copyright "$common/doc/"
printf 'soakrig (%s) unstable; urgency=medium\n\n  * Built from the repository; its log says what changed.\n\n -- the soakrig maintainers <soakrig@localhost>  %s\n' \
  "$version" "$(date -R -d "@$SOURCE_DATE_EPOCH")" | gzip -9n >"$common/doc/changelog.gz"
cp deploy/systemd/clock.conf "$common/doc/examples/"
cp -R deploy/rigs "$common/doc/examples/rigs"
cp -R deploy/guides "$common/doc/"
find "$common/doc" -name '*_test.go' -delete
cp deploy/systemd/soakd.service deploy/systemd/sysusers.conf deploy/systemd/60-soakd.rules \
  deploy/systemd/modules-load.conf deploy/rigs/simulated.yaml "$common/"
cp deploy/package/{postinst,prerm,postrm,overrides,nfpm.yaml} "$common/"

build() { # ARCHITECTURE
  case $1 in
    amd64) export GOARCH=amd64 GOARM= ;;
    arm64) export GOARCH=arm64 GOARM= ;;
    armhf) export GOARCH=arm GOARM=6 ;; # the oldest boards that still run current systems
    *) echo "build.sh: unknown architecture $1: want amd64, arm64 or armhf" >&2; return 2 ;;
  esac
  dir=$stage/$1
  cp -R "$common" "$dir"
  mkdir "$dir/bin"
  go build -trimpath -buildvcs=false -ldflags "-s -w -buildid= -X main.version=$version" -o "$dir/bin/" ./daemon/soakd ./client/soak
  find "$dir" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
  (cd "$dir" && PACKAGE_ARCH=$1 PACKAGE_VERSION=$version nfpm package -p deb -f nfpm.yaml -t "$out/soakrig_${version}_$1.deb" >/dev/null)
  for b in soakd soak; do
    awk -v "a=$1" -v "b=$b" -v "n=$(stat -c %s "$dir/bin/$b")" 'BEGIN {
      printf "%-6s %-6s %6.2f MB\n", a, b, n / 1e6
      if (b == "soakd" && n >= 25e6) { print "build.sh: soakd must stay below 25 MB" > "/dev/stderr"; exit 1 }
    }'
  done
}
builds=()
for arch; do
  (build "$arch") &
  builds+=($!)
done
for b in "${builds[@]}"; do wait "$b"; done
(cd "$out" && sha256sum soakrig_"${version}"_*.deb)
