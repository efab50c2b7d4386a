#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs what is missing, builds, and shows one faulty mixer. First without a board file: the two outputs
# against each other, as an eight-bit oscilloscope saw them. Then with it: five steps, two pins that read alike, and
# one reading that settles which of them makes no contact.
set -eu
cd "$(dirname "$0")/.."
. cli/setup.sh

# shellcheck disable=SC2086
setup_packages $setup_build
setup_folder "${BUILD:-build-release}"
setup_meson "$folder"
setup_ninja "$folder" cli/coldjoint

# 1: a difference, or a fault, was found, as it has to be here
run() {
    echo "$ coldjoint $*"
    result=0
    "$folder/cli/coldjoint" "$@" || result=$?
    [ "$result" -eq 1 ] || setup_fail "The fault was not found (exit status $result)"
}

run compare fixtures/captures/vh07-output-open.csv
echo
run diagnose fixtures/boards/hall-mixer.yaml fixtures/units/vh07
echo
# what the answer suggests: the circuit that made the captures has 610 mV peak on b1 then
run diagnose fixtures/boards/hall-mixer.yaml fixtures/units/vh07 right-high:tone_peak_v@b1=610m
