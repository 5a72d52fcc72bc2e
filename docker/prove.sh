#!/bin/sh
# Proves the image where no registry of images can be reached: buildah builds it by its own Dockerfile on a
# base that debootstrap makes (the same Debian, whose Python is of the same version), podman runs it as
# compose.yaml does, and two of it behind nginx with nginx.conf. Takes five to ten minutes and 3 GB, as root:
#
#   apt-get install buildah podman crun debootstrap && sh docker/prove.sh
#
# BASE=IMAGE takes a base that can be pulled; BUILD_OPTIONS are further options for `buildah bud`, such as
# --volume DIR:DIR:ro for the certificates of a proxy. All that it makes is removed at the end.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)

die() { printf 'NOT PROVEN: %s\n' "$*" >&2; exit 1; }
say() { printf '%s\n' "- $*"; }

# crun takes control groups of version 2 only. Limits of memory and processes are not proven here.
if [ "${1:-}" != --apart ]; then
    exec unshare --mount --propagation private sh "$0" --apart
fi
for tool in buildah podman crun debootstrap; do
    command -v "$tool" >/dev/null || die "$tool is missing (on Debian: apt-get install $tool)"
done
umount -R /sys/fs/cgroup
mount -t cgroup2 none /sys/fs/cgroup

work=$(mktemp -d)
export CONTAINERS_STORAGE_CONF="$work/storage.conf"
printf '[storage]\ndriver = "overlay"\ngraphroot = "%s"\nrunroot = "%s"\n' "$work/images" "$work/run" \
    >"$CONTAINERS_STORAGE_CONF"
podman() { command podman --cgroup-manager cgroupfs --events-backend file --log-level fatal "$@"; }
clean() {
    podman rm --all --force --time 0 >/dev/null 2>&1 || true
    umount -R "$work/images/overlay" 2>/dev/null || true
    rm -rf --one-file-system "$work"
}
trap clean EXIT
trap 'exit 130' INT TERM

say "the base"
base=${BASE:-localhost/stand-in}
if [ -z "${BASE:-}" ]; then
    tag=$(sed -n 's/^ARG PYTHON_IMAGE=python:\([^@]*\).*/\1/p' "$root/docker/Dockerfile")
    debootstrap --variant=minbase --include=ca-certificates,python3,python3-dev,python3-venv \
        "${tag##*-}" "$work/root" >"$work/log" 2>&1 || { tail "$work/log"; die "no base"; }
    ln -s /usr/bin/python3 "$work/root/usr/local/bin/python"
    chroot "$work/root" python -c 'import sys; sys.exit(f"{sys.version_info[0]}.{sys.version_info[1]}" != sys.argv[1])' \
        "${tag%%-*}" || die "this Debian's Python is not ${tag%%-*}"
    tar -C "$work/root" -c . | podman import --quiet - "$base" >/dev/null
    rm -rf --one-file-system "$work/root"
fi

say "the image, by its Dockerfile"
build() {
    # shellcheck disable=SC2086
    buildah bud --isolation chroot --format docker ${BUILD_OPTIONS:-} "$@" >"$work/log" 2>&1 ||
        { tail -n 30 "$work/log"; die "the build failed"; }
}
build --build-arg "PYTHON_IMAGE=$base" --tag ohmpath --file "$root/docker/Dockerfile" "$root"
podman image inspect --format '{{.Size}} bytes, of which the base:' ohmpath
podman image inspect --format '{{.Size}}' "$base"
[ "$(podman image inspect --format '{{.Config.User}} {{.Config.StopSignal}}' ohmpath)" = \
    '10001:10001 SIGTERM' ] || die "another user or signal"

# The options of compose.yaml, as far as there are control groups for them.
limited="--runtime crun --cgroups disabled --ulimit nofile=1024:1024 --ulimit nproc=1000:1000 \
    --read-only --read-only-tmpfs=false --tmpfs /tmp:size=256m,mode=1777,noexec,nosuid,nodev \
    --cap-drop ALL --security-opt no-new-privileges"
settings="--volume $work/keys:/run/secrets/ohmpath:ro --env OHMPATH_KEYS=/run/secrets/ohmpath/keys \
    --env OHMPATH_MAX_BATCH_BYTES=16777216 --env OHMPATH_TRIAL_MEBIBYTES=384"
# shellcheck disable=SC2086
once() { podman run --rm --network none $limited "$@"; }
# shellcheck disable=SC2086
start() { podman run --detach $limited $settings "$@" >/dev/null; }
ready() {
    tries=0
    until podman healthcheck run "$1" >/dev/null 2>&1; do
        tries=$((tries + 1))
        [ "$tries" -lt 150 ] || { podman logs "$1"; die "$1 does not get ready"; }
        sleep 0.2
    done
}
stopped() {
    podman stop --time 15 "$1" >/dev/null
    code=$(podman inspect --format '{{.State.ExitCode}}' "$1")
    [ "$code" = 0 ] || { podman logs "$1"; die "$1 ended with $code"; }
    podman logs "$1" 2>&1 | grep -q 'Shutting down: Master' || die "$1 has not said that it ends"
}
# asked CONTAINER SCRIPT [ADDRESS]
asked() {
    podman exec --interactive --env "TOKEN=$token" "$1" python - ${3:+"$3"} <"$root/tests/package/$2"
}

say "no compiler, no pip, nothing that its user could write to"
# shellcheck disable=SC2016
once --entrypoint sh ohmpath -c '
    ! command -v cc gcc pip pip3 || exit 1
    ! python -c "import pip" 2>/dev/null || exit 1
    [ "$(find / -xdev -writable ! -type l 2>/dev/null)" = /tmp ] || exit 1
    ! touch /opt/ohmpath/x 2>/dev/null && touch /tmp/x' || die "it has"

say "the rule sets' own cases, in the image"
once --entrypoint sh ohmpath -c \
    'exec ohmpath rules test /opt/ohmpath/lib/python3*/site-packages/service/_rules' \
    >"$work/log" 2>&1 || { tail "$work/log"; die "they fail"; }
tail -n 1 "$work/log"

say "nobody is served who has no key"
code=0
once ohmpath >"$work/log" 2>&1 || code=$?
[ "$code" = 1 ] || die "the end was $code"
grep -q OHMPATH_KEYS "$work/log" || { cat "$work/log"; die "it does not say why"; }
mkdir "$work/keys"
chown 10001 "$work/keys"
token=$(once --volume "$work/keys:/made" ohmpath keys new prover --scope assess --scope batch \
    --scope author --to /made/keys)

say "the service, without a network"
from=$(date +%s%N)
start --name one --network none ohmpath
ready one
say "ready after $((($(date +%s%N) - from) / 1000000)) ms"
asked one asked.py http://127.0.0.1:8080 || { podman logs one; die "it answers otherwise"; }
pid=$(podman inspect --format '{{.State.Pid}}' one)
for process in "$pid" $(pgrep -P "$pid"); do
    awk '/^(Rss|Pss):/ {printf "  %s %d MiB", $1, $2 / 1024}' "/proc/$process/smaps_rollup"
    tr '\0' ' ' <"/proc/$process/cmdline" | sed 's/^/  /' && echo
done
from=$(date +%s%N)
stopped one
say "ended by itself on SIGTERM, after $((($(date +%s%N) - from) / 1000000)) ms"

say "rule sets mounted read-only, laid out as Kubernetes lays out a ConfigMap"
mkdir -p "$work/rules/..1"
cp "$root"/rules/tumble-dryer/*.yaml "$work/rules/..1"
ln -s ..1 "$work/rules/..data"
for file in "$work/rules/..1"/*.yaml; do
    ln -s "..data/${file##*/}" "$work/rules/${file##*/}"
done
start --name two --network none --volume "$work/rules:/etc/ohmpath/rules:ro" \
    --env OHMPATH_RULES=/etc/ohmpath/rules ohmpath
ready two
stopped two

say "two replicas behind nginx"
printf 'FROM %s\nRUN apt-get update && apt-get install --yes --no-install-recommends nginx-light\n' "$base" |
    build --tag proxy --file - "$root/docker/kubernetes"
# A network of its own: nothing but loopback, on which each has an address.
unshare --net sleep 600 &
network=$!
sleep 0.5
nsenter --net="/proc/$network/ns/net" ip link set lo up
for replica in 1 2; do
    start --name "ohmpath-$replica" --network "ns:/proc/$network/ns/net" --no-healthcheck \
        ohmpath serve --host "127.0.0.1$replica" --port 8080
done
# shellcheck disable=SC2086
podman run --detach --name nginx --network "ns:/proc/$network/ns/net" $limited --user 101:101 \
    --add-host ohmpath-1:127.0.0.11 --add-host ohmpath-2:127.0.0.12 \
    --volume "$root/docker/nginx.conf:/etc/nginx/nginx.conf:ro" proxy nginx -g 'daemon off;' >/dev/null
asked nginx asked.py http://127.0.0.1:8000 || { podman logs nginx; die "nginx answers otherwise"; }
asked nginx behind_nginx.py >"$work/log" 2>&1 &
asking=$!
sleep 3
podman kill --signal KILL ohmpath-1 >/dev/null
wait "$asking" || { cat "$work/log"; podman logs nginx | tail -n 20; die "a replica that dies is felt"; }
cat "$work/log"
podman logs nginx 2>/dev/null | grep -q '"replicas":"127.0.0.11:8080, 127.0.0.12:8080"' ||
    die "nothing was passed on to the other replica"
stopped ohmpath-2
podman stop --time 30 nginx >/dev/null
kill "$network"
echo "PROVEN, except for limits of memory and processes, and on a base that is ${BASE:-a stand-in}."
