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

# install_by_uv DIR REQUIREMENTS: what make_environment installs, by uv, in a fifth of the time of pip.
# It fails silently where uv cannot be had or cannot do it. uv does not read the settings of pip, so it
# is given the index and the certificates that stand there.
install_by_uv() (
    py="$1/bin/python"
    "$py" -m pip install --require-hashes -r "$root/docker/installer-requirements.txt" || exit 1
    : "${UV_DEFAULT_INDEX:=${PIP_INDEX_URL:-$("$py" -m pip config get global.index-url || :)}}"
    : "${SSL_CERT_FILE:=${PIP_CERT:-$("$py" -m pip config get global.cert || :)}}"
    [ -z "$UV_DEFAULT_INDEX" ] || export UV_DEFAULT_INDEX
    [ -z "$SSL_CERT_FILE" ] || export SSL_CERT_FILE
    "$py" -m uv pip install --python "$py" --require-hashes -r "$root/$2" &&
        "$py" -m uv pip install --python "$py" --no-deps --reinstall "$root"
) >/dev/null 2>&1

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
    install_by_uv "$1" "$2" || {
        "$1/bin/python" -m pip install --quiet --quiet --require-hashes -r "$root/$2"
        "$1/bin/python" -m pip install --quiet --quiet --no-deps --force-reinstall "$root"
    }
    printf '%s\n' "$state" >"$stamp"
}
