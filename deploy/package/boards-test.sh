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
packages=(./drivers/its90 ./daemon/record ./daemon/convert ./daemon/internal/journal ./daemon/analysis
  ./daemon/analysis/{compare,zero,internal/series,internal/budget,internal/limiting})
# Of its90, record, convert, journal, analysis and its rooms; each package has some of them.
chosen='PublishedTables|PublishedTypeA|PublishedInverse|SameBitsEverywhere'
chosen+='|SampleBytes|BlockBytes|BodiesComeBack|CheckBlock|BlockRegularSignal'
chosen+='|FixedSlope|Laws|Calibration|Budget'
chosen+='|ReleasedFormatsOpen|CleanCloseContinuesTheNumbers'
chosen+='|Golden.*|FitAgreesWithReferenceDatasets|UncertaintyExample|GuardBandArithmetic|ConstantLoadEndToEnd'
chosen+='|PairOfTheWorkedExample|SteamPointC|EnvelopeAndDips'
run="^Test($chosen)\$"
[ "${1:-}" != all ] || run=.
for board in arm64:qemu-aarch64-static arm:qemu-arm-static; do
  GOARCH=${board%:*} go test -trimpath -ldflags='-s -w' -vet=off -count 1 -timeout 30m -run "$run" -exec "${board#*:}" "${packages[@]}" |
    sed "s/^/${board%:*} /" | awk '{ print } /no tests to run/ { print "boards-test.sh: nothing was run there"; bad = 1 } END { exit bad }'
done
