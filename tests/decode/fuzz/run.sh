#!/bin/sh
# Fuzzes each decoder by coverage for so many minutes, from the seeds beside it.
#
#   tests/decode/fuzz/run.sh 60            # minutes for each of FITS, gzipped FITS, TIFF, PNG, JPEG
#   tests/decode/fuzz/run.sh 60 png jpg    # these alone
#
# Needs cargo-fuzz (cargo install cargo-fuzz). It builds on the stable toolchain:
# RUSTC_BOOTSTRAP lets that one instrument the code. A file that is answered in
# more than 2 s, takes more than 512 MiB or stops the program is a find; it is
# kept under target/fuzz/found. Mend it, then add it to tests/decoder-seeds/found.
set -eu
minutes="${1:-60}"
[ $# -eq 0 ] || shift
[ $# -gt 0 ] || set -- fits fits.gz tif png jpg
cd "$(dirname "$0")"
root="$(cd ../../.. && pwd)"
work="${FUZZ_WORK:-$root/target/fuzz}"
export RUSTC_BOOTSTRAP=1
cargo fuzz build --fuzz-dir . --sanitizer none --target-dir "$work/build" frames
program="$(find "$work/build" -name frames -type f -perm -u+x | head -n 1)"
mkdir -p "$work/found"
finds=0
for kind in "$@"; do
    corpus="$work/corpus-$kind"
    mkdir -p "$corpus"
    for seed in "$root"/tests/decoder-seeds/*."$kind" "$root"/tests/decoder-seeds/found/*."$kind"; do
        if [ -e "$seed" ]; then cp "$seed" "$corpus/"; fi
    done
    "$program" "$corpus" -max_total_time=$((minutes * 60)) -timeout=2 -rss_limit_mb=512 -max_len=131072 \
        -artifact_prefix="$work/found/$kind-" -print_final_stats=1 -verbosity=0 >"$work/$kind.log" 2>&1 ||
        finds=$((finds + 1))
    runs="$(sed -n 's/^stat::number_of_executed_units: *//p' "$work/$kind.log")"
    slowest="$(sed -n 's/^stat::slowest_unit_time_sec: *//p' "$work/$kind.log")"
    memory="$(sed -n 's/^stat::peak_rss_mb: *//p' "$work/$kind.log")"
    echo "$kind: ${runs:-?} files in $minutes min, slowest ${slowest:-?} s, most memory ${memory:-?} MiB"
done
echo "finds: $finds"
ls "$work/found"
[ "$finds" -eq 0 ]
