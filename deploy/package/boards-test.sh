#!/bin/bash
# Proves that a board computes and stores what a desk does: the reference functions, the
# codes of every stored format, conversion and analysis, each against values and bytes
# that do not depend on the processor, on arm64 and arm by emulation:
#   deploy/package/boards-test.sh [all]
# With "all" every test of these packages runs, which takes ten minutes.
# Needs qemu-user-static.
set -euo pipefail
cd "$(dirname "$0")/../.."
export CGO_ENABLED=0 GOOS=linux GOARM=6
chosen=(
  'drivers/its90 PublishedTables|PublishedTypeA|PublishedInverse|SameBitsEverywhere'
  'daemon/record Bytes|BodiesComeBack|CheckBlock|BlockRegularSignal'
  'daemon/convert .'
  'daemon/internal/journal ReleasedFormatsOpen|CleanCloseContinues'
  'daemon/analysis Golden|FitAgrees|UncertaintyExample|GuardBand|ConstantLoadEndToEnd'
)
for board in arm64:qemu-aarch64-static arm:qemu-arm-static; do
  for line in "${chosen[@]}"; do
    read -r package run <<<"$line"
    [ "${1:-}" != all ] || run=.
    GOARCH=${board%:*} go test -trimpath -count 1 -timeout 30m -run "$run" -exec "${board#*:}" "./$package" | sed "s/^/${board%:*} /"
  done
done
