#!/bin/sh
# Everything that must hold: style, types, tests, in an environment of its own (.venv-test).
# Arguments are passed on to pytest: sh tests/run.sh tests/api -x
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/docker/prerequisites.sh"
bin="$root/.venv-test/bin"

require_tools
echo "Preparing .venv-test (the first time takes a few minutes) ..."
make_environment "$root/.venv-test" tests/requirements.txt
cd "$root"
"$bin/ruff" check .
"$bin/mypy" --strict service
"$bin/bandit" --quiet --configfile pyproject.toml --recursive service
# By files, so that what a file shares is made once.
exec "$bin/python" -m pytest -n auto --maxprocesses 8 --dist loadfile --no-loadscope-reorder "$@"
