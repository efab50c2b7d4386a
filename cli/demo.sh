#!/bin/sh
# SPDX-License-Identifier: GPL-3.0-or-later
# Installs what is missing, builds, and compares the two outputs of a mixer whose summing op-amp has an
# output pin that makes no contact, as an eight-bit oscilloscope saw them.
set -eu
cd "$(dirname "$0")/.."
. cli/setup.sh

# shellcheck disable=SC2086
setup_packages $setup_build
setup_folder "${BUILD:-build-release}"
setup_meson "$folder"
setup_ninja "$folder" cli/coldjoint

capture=fixtures/captures/vh07-output-open.csv
echo "$ coldjoint compare $capture"
result=0
"$folder/cli/coldjoint" compare "$capture" || result=$?
# 1: a difference was found, as it has to be here
[ "$result" -eq 1 ] || setup_fail "The fault in $capture was not found (exit status $result)"
