# shellcheck shell=sh
# What a machine must have, and how an environment is made. Sourced by POSIX shell scripts that
# have set `root` to the root of the checkout.

die() {
    printf '%s\n' "$*" >&2
    exit 1
}

# Sets `python` to a Python that can make an environment, or says what is missing.
require_python() {
    python=
    # Python 3.13 has dropped what the C code of the rule engine calls.
    for candidate in ${PYTHON:-python3 python3.12 python3.11}; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 13))'; then
            python=$candidate
            break
        fi
    done
    [ -n "$python" ] || die "Python 3.11 or 3.12 is needed and was not found.
Install it (on Debian 12 or Ubuntu 24.04: apt-get install python3 python3-venv python3-dev),
or name it: PYTHON=/path/to/python3.12 sh $0"
    "$python" -c 'import ensurepip, venv' 2>/dev/null ||
        die "$python lacks the venv module (on Debian or Ubuntu: apt-get install python3-venv)."
}

# Sets `python`, and sees to what the rule engine is compiled with.
require_tools() {
    require_python
    # The rule engine is distributed as C source only.
    command -v "${CC:-cc}" >/dev/null 2>&1 || command -v gcc >/dev/null 2>&1 ||
        die "A C compiler is needed (on Debian or Ubuntu: apt-get install build-essential)."
    "$python" -c 'import os, sys, sysconfig
sys.exit(not os.path.exists(os.path.join(sysconfig.get_path("include"), "Python.h")))' ||
        die "The headers of $python are needed (on Debian or Ubuntu: apt-get install python3-dev)."
}

# make_environment DIR REQUIREMENTS: a virtual environment with the pinned packages and the
# project. What is there already and still fits is kept.
make_environment() {
    stamp="$1/ohmpath-stamp"
    state=$(
        cd "$root" &&
            find pyproject.toml LICENSE README.md service rules "$2" -type f \
                ! -name '*.pyc' ! -path '*cache*' -exec cksum {} + 2>/dev/null |
            LC_ALL=C sort | cksum
    )
    [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$state" ] && return
    if [ ! -x "$1/bin/python" ] ||
        ! "$1/bin/python" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 13))'; then
        rm -rf "$1"
        "$python" -m venv "$1"
    fi
    # uv installs in parallel: seconds in place of minutes. Where it cannot be had, pip does the same.
    if "$1/bin/python" -m pip install --quiet --quiet --require-hashes \
        -r "$root/docker/installer-requirements.txt" 2>/dev/null; then
        install="$1/bin/uv pip install --quiet --python $1/bin/python"
    else
        install="$1/bin/python -m pip install --quiet --quiet"
    fi
    $install --require-hashes -r "$root/$2"
    $install --no-deps --force-reinstall "$root"
    printf '%s\n' "$state" >"$stamp"
}
