# SPDX-License-Identifier: GPL-3.0-or-later
# setup.sh - what cli/demo.sh and tests/run.sh share; read in with `.`, does nothing by itself.
# The caller has changed to the project's top folder. Everything said goes to standard error.

# What a build needs, by package name (Debian 12), and what tells that it is there.
setup_build="gcc libc6-dev meson ninja-build pkg-config python3 libfftw3-dev libsndfile1-dev libgsl-dev
    libyaml-dev libjansson-dev libpopt-dev nettle-dev libsuitesparse-dev libsqlite3-dev
    zlib1g-dev libcmocka-dev"
# gnuplot is what pages are drawn with; the program does without, and says so. Chromium looks at them.
setup_tests="python3-numpy python3-scipy python3-yaml ngspice gnuplot-nox chromium fonts-dejavu-core"

setup_has() {
    case $1 in
    gcc) command -v cc ;;
    libc6-dev) echo '#include <stdio.h>' | cc -E - ;;
    meson | pkg-config | python3) command -v "$1" ;;
    ninja-build) command -v ninja ;;
    libfftw3-dev) pkg-config --exists fftw3 ;;
    libsndfile1-dev) pkg-config --exists sndfile ;;
    libgsl-dev) pkg-config --exists gsl ;;
    libyaml-dev) pkg-config --exists yaml-0.1 ;;
    libjansson-dev) pkg-config --exists jansson ;;
    libpopt-dev) pkg-config --exists popt ;;
    nettle-dev) pkg-config --exists nettle ;;
    libsqlite3-dev) pkg-config --exists sqlite3 ;;
    zlib1g-dev) pkg-config --exists zlib ;;
    libsuitesparse-dev) echo "#include <suitesparse/klu.h>" | cc -E - ;;
    libcmocka-dev) pkg-config --exists cmocka ;;
    python3-numpy) /usr/bin/python3 -c 'import numpy' ;;
    python3-scipy) /usr/bin/python3 -c 'import scipy' ;;
    python3-yaml) /usr/bin/python3 -c "import yaml" ;;
    ngspice) command -v ngspice ;;
    gnuplot-nox) command -v gnuplot ;;
    chromium) command -v chromium ;;
    fonts-dejavu-core) [ -d /usr/share/fonts/truetype/dejavu ] ;;
    *) false ;;
    esac >/dev/null 2>&1
}

setup_missing() {
    missing=
    for package in "$@"; do
        setup_has "$package" || missing="$missing $package"
    done
    missing=${missing# }
}

setup_fail() {
    echo "$*" >&2
    exit 1
}

# setup_say_log FILE WHAT: WHAT went wrong, with the end of what it said; ends the script.
setup_say_log() {
    tail -n 40 "$1" >&2
    setup_fail "$2"
}

# setup_packages PACKAGE...: installs those that are missing.
setup_packages() {
    setup_missing "$@"
    [ -n "$missing" ] || return 0
    command -v apt-get >/dev/null ||
        setup_fail "Please install (these are Debian's names): $missing"
    as_root=
    if [ "$(id -u)" != 0 ]; then
        command -v sudo >/dev/null || setup_fail "Please install, as root: apt-get install $missing"
        as_root=sudo
    fi
    echo "Installing: $missing" >&2
    log=$(mktemp)
    # the package lists may be absent or old: fetched only when the first try fails
    # shellcheck disable=SC2086
    setup_apt install $missing >"$log" 2>&1 ||
        { setup_apt update && setup_apt install $missing; } >"$log" 2>&1 ||
        setup_say_log "$log" "The packages could not be installed: $missing"
    rm -f "$log"
    setup_missing "$@"
    [ -z "$missing" ] || setup_fail "Still missing after the installation: $missing"
}

setup_apt() {
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get -qq -y --no-install-recommends "$@" </dev/null
}

# setup_folder NAME: sets $folder to the build folder NAME in the project, or where that cannot be written
# (somebody else's clone or build) in the user's cache.
setup_folder() {
    folder=$1
    case $folder in
    /*) return 0 ;;
    esac
    if [ -e "$folder" ]; then
        # -w says yes to root on a read-only file system too: try
        (: >"$folder/.writable") 2>/dev/null && rm -f "$folder/.writable" && return 0
    else
        mkdir "$folder" 2>/dev/null && return 0
    fi
    folder=${XDG_CACHE_HOME:-$HOME/.cache}/coldjoint/$(pwd | cksum | cut -d ' ' -f 1)/$1
    mkdir -p "$folder"
}

# setup_meson FOLDER OPTION...: configures the build folder unless it is for this source and these options.
setup_meson() {
    folder=$1
    shift
    wanted="$(pwd) $(meson --version) $*"
    if [ -f "$folder/build.ninja" ] && [ "$(cat "$folder/.setup" 2>/dev/null)" = "$wanted" ]; then
        return 0
    fi
    # a folder of another place, version or option set is not patched up but made anew; what is not ours stays
    if [ -e "$folder/.setup" ]; then
        rm -rf "$folder"
    elif [ -e "$folder/meson-private" ]; then
        setup_fail "$folder is a build folder that these scripts did not make; give BUILD=another-name"
    fi
    log=$(mktemp)
    meson setup "$folder" "$@" >"$log" 2>&1 || setup_say_log "$log" "meson setup failed"
    rm -f "$log"
    echo "$wanted" >"$folder/.setup"
}

# setup_ninja FOLDER TARGET...: builds; says something only when it goes wrong.
setup_ninja() {
    folder=$1
    shift
    ninja -C "$folder" -n "$@" 2>/dev/null | grep -q 'no work to do' || echo "Building in $folder" >&2
    log=$(mktemp)
    ninja -C "$folder" "$@" >"$log" 2>&1 || setup_say_log "$log" "The build failed"
    rm -f "$log"
}
