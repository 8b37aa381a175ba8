#!/usr/bin/env bash
# Fuzz the core with libFuzzer under ASan and UBSan: run.sh [executions each, default 200000] [frame|image|board ...]
# Starts from corpus/ beside this script. What is found new goes to the folder LEANMIX_CORPUS if that is set, else away.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
runs=${1:-200000}
shift || true
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for target in ${*:-frame image board}; do
    clang -std=c99 -g -O1 -fsanitize=fuzzer,address,undefined -fno-sanitize-recover=all -I"$here/../../core" \
        -o "$work/$target" "$here/fuzz_$target.c" "$here"/../../core/*.c
    found=${LEANMIX_CORPUS:-$work}/$target-found
    mkdir -p "$found" "$here/corpus/$target"
    longest=600
    [ "$target" = board ] && longest=120 # each byte may stand for many frames
    status=0
    "$work/$target" -runs="$runs" -max_len="$longest" -timeout=10 -print_final_stats=1 -verbosity=0 -artifact_prefix="$found/" \
        "$found" "$here/corpus/$target" >"$work/log" 2>&1 || status=$?
    grep -E "number_of_executed_units|ERROR|SUMMARY|artifact" "$work/log" | sed "s/^/$target: /"
    [ "$status" = 0 ] || { cat "$work/log" >&2; exit "$status"; }
done
