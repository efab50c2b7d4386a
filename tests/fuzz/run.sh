#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# run.sh [SECONDS [TARGET...]]: builds each fuzz target with clang, libFuzzer and the address and undefined-
# behaviour sanitizers, and runs it for SECONDS (600) from its corpus. What it finds new is kept in the build
# folder ($FUZZ_DIR, default build-fuzz beside the source); inputs that crash are left there too.
set -eu
source=$(cd "$(dirname "$0")/../.." && pwd)
build=${FUZZ_DIR:-$source/../build-fuzz}
seconds=${1:-600}
[ $# -gt 0 ] && shift
mkdir -p "$build"
packages='fftw3 sndfile gsl yaml-0.1 jansson nettle'
for target in "${@:-$(ls "$source"/tests/fuzz/fuzz_*.c)}"; do
    for file in $target; do
        name=$(basename "$file" .c)
        name=${name#fuzz_}
        case $name in
        scope) rooms="$source/lib/base/*.c $source/lib/capture/*.c" ;;
        board) rooms="$source/lib/base/*.c $source/lib/board/*.c" ;;
        rules)
            python3 "$source/lib/diagnosis/embed.py" "$source/fixtures/rules/bench.yaml" "$build/bench_rules.c" \
                cj__bench_rules diagnosis/internal.h
            rooms="$source/lib/base/*.c $source/lib/board/*.c $source/lib/diagnosis/*.c $build/bench_rules.c
                $source/lib/figures/figure.c $source/lib/figures/instruments.c"
            ;;
        *) rooms="$source/lib/*/*.c" ;;
        esac
        # shellcheck disable=SC2046,SC2086
        clang -g -O1 -std=gnu17 -D_GNU_SOURCE -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=all \
            -I"$source/include" -I"$source/lib" $(pkg-config --cflags $packages) \
            "$source/tests/fuzz/fuzz_$name.c" $rooms -o "$build/fuzz_$name" $(pkg-config --libs $packages) -lm
        set -- "found/$name" "$source/tests/fuzz/corpus/$name"
        [ -f "$source/tests/fuzz/$name.dict" ] && set -- -dict="$source/tests/fuzz/$name.dict" "$@"
        mkdir -p "$build/found/$name"
        echo "== $name, $seconds s"
        (cd "$build" && "./fuzz_$name" -max_total_time="$seconds" -timeout=20 -rss_limit_mb=2048 \
            -max_len=8192 -print_final_stats=1 "$@")
    done
done
