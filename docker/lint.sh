#!/bin/sh
# Judges what is in docker/ by linters, in an environment of its own (.venv-lint). Each of them must
# also find the fault that is put into a copy for it: a check that cannot fail is none.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/docker/prerequisites.sh"

require_python
bin="$root/.venv-lint/bin"
[ -x "$bin/python" ] || "$python" -m venv "$root/.venv-lint"
"$bin/python" -m pip install --quiet --require-hashes -r "$root/docker/lint-requirements.txt"
PATH="$bin:$PATH" exec "$bin/python" "$root/docker/lint.py"
