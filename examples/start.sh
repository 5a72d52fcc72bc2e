#!/bin/sh
# Install the service into .venv, start it, ask it about examples/no-heat.json, sum up the answer, keep it running.
#
#   sh examples/start.sh          serve on 127.0.0.1:8080 (PORT=N to change) until Ctrl-C
#   sh examples/start.sh --once   the same, but stop after the answer
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/docker/prerequisites.sh"

once=
case "${1:-}" in
'') ;;
--once) once=yes ;;
*) die "usage: sh examples/start.sh [--once]" ;;
esac
port=${PORT:-8080}
base="http://127.0.0.1:$port"
bin="$root/.venv/bin"

require_tools
echo "Preparing .venv (the first time takes a minute or two) ..."
make_environment "$root/.venv" docker/requirements.txt

# Asked before starting, so that it is not another program that answers below.
"$bin/python" - "$port" <<'PY' || exit 1
import sys
from service.running.server import why_not_bindable

reason = why_not_bindable("127.0.0.1", int(sys.argv[1]))
sys.exit(f"{reason} (here: PORT=8081 sh examples/start.sh)" if reason else 0)
PY

"$bin/ohmpath" serve --host 127.0.0.1 --port "$port" &
service=$!
trap 'kill "$service" 2>/dev/null || true; wait "$service" 2>/dev/null || true' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

case=$(dirname -- "$0")/no-heat.json
"$bin/python" "$root/examples/ask.py" "$base" "$case" ||
    die "The service did not answer as it should; what is printed above says why."
echo
if [ -n "$once" ]; then
    echo "The whole answer: $bin/ohmpath assess $case"
    exit 0
fi
echo "The whole answer: curl -s $base/v1/assessments -H 'Content-Type: application/json' --data-binary @$case"
echo "Service is up at $base (to read and try it: $base/docs). Ctrl-C stops it."
wait "$service"
