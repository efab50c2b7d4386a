#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs what is missing, builds, and runs every test.
#   sh tests/run.sh [MESON-SETUP-OPTION...] [-- MESON-TEST-OPTION...]
# Each set of options has a build folder of its own; BUILD=FOLDER names another.
#   sh tests/run.sh -- report cli
#   sh tests/run.sh -Db_sanitize=address,undefined -Db_lundef=false
set -eu
cd "$(dirname "$0")/.."
. cli/setup.sh

options=
while [ $# -gt 0 ] && [ "$1" != -- ]; do
    case $1 in
    -*[[:space:]]*) setup_fail "no blanks within an option, please: $1" ;;
    -*) options="$options $1" ;;
    *) setup_fail "$1 is no option of meson setup; options of meson test stand behind --" ;;
    esac
    shift
done
[ $# -eq 0 ] || shift

# shellcheck disable=SC2086
setup_packages $setup_build $setup_tests
name=build-release
[ -z "$options" ] || name=build-$(echo "$options" | cksum | cut -d ' ' -f 1)
setup_folder "${BUILD:-$name}"
# shellcheck disable=SC2086
setup_meson "$folder" $options
setup_ninja "$folder"
# where a build has the sanitizers: a refused allocation is a case under test here, not an error
export ASAN_OPTIONS="${ASAN_OPTIONS:-allocator_may_return_null=1:detect_leaks=1}"
export UBSAN_OPTIONS="${UBSAN_OPTIONS:-print_stacktrace=1}"
exec meson test -C "$folder" --no-rebuild --print-errorlogs "$@"
