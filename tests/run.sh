#!/bin/sh
# Style, types and tests, in an environment of its own (.venv-test).
#
#   sh tests/run.sh              the short form: what needs no server, proxy or browser, one visit over HTTP
#   sh tests/run.sh --all        everything, as CI runs it
#   sh tests/run.sh ARGUMENTS    these go to pytest, such as tests/api -x; paths are run whole
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/docker/prerequisites.sh"
bin="$root/.venv-test/bin"

processes=auto
case "${1:-}" in
'') set -- -m "not long" ;;
--all)
    shift
    export OHMPATH_TESTS=all
    # Tests of a running service wait for it half of their time.
    processes=$(($(getconf _NPROCESSORS_ONLN) * 2))
    ;;
esac

require_tools
echo "Preparing .venv-test (the first time takes a minute) ..."
make_environment "$root/.venv-test" tests/requirements.txt
cd "$root"
"$bin/ruff" check .
"$bin/mypy" --strict service
"$bin/bandit" --quiet --configfile pyproject.toml --recursive service
# By files, so that what a file shares is made once; those that take longest begin first.
exec "$bin/python" -m pytest -n "$processes" --maxprocesses 8 --max-worker-restart 0 \
    --dist loadfile --no-loadscope-reorder "$@"
