#!/bin/bash
# Builds every package twice, the second time from another folder, and compares them:
#   deploy/package/verify.sh FOLDER
# Leaves the packages in FOLDER, and an older version beside them for the upgrade test.
set -euo pipefail
out=${1:?"usage: verify.sh FOLDER"}
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$(dirname "$0")/../.."
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
export SOURCE_DATE_EPOCH
copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
git ls-files -z | xargs -0 cp --parents -t "$copy"
deploy/package/build.sh 0.2.0 "$out"
"$copy/deploy/package/build.sh" 0.2.0 "$copy/out" >/dev/null
for deb in "$out"/soakrig_0.2.0_*.deb; do
  cmp "$deb" "$copy/out/$(basename "$deb")" || { echo "verify.sh: two builds of $(basename "$deb") differ" >&2; exit 1; }
done
echo 'both builds are the same'
deploy/package/build.sh 0.1.0 "$out" amd64 >/dev/null
if command -v lintian >/dev/null; then
  lintian --fail-on error,warning "$out"/soakrig_0.2.0_*.deb
else
  echo 'lintian is not installed: the packaging rules were NOT RUN'
fi
