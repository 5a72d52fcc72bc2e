#!/bin/sh
# Writes the digests of the images behind their tags, in Dockerfile and compose.yaml. It needs docker
# (or podman: DOCKER=podman) and a registry to pull from; run it again to move to what the tags name now.
set -eu
here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
docker=${DOCKER:-docker}

# pin FILE WORDS NAME: the image of that name, which stands behind these words.
pin() {
    image=$(sed -n "s/^ *$2\($3[^ @]*\).*/\1/p" "$1")
    [ -n "$image" ] || { echo "$1 names no image after '$2'" >&2; exit 1; }
    "$docker" pull --quiet "$image" >/dev/null
    digest=$("$docker" image inspect --format '{{index .RepoDigests 0}}' "$image" | sed 's/^.*@//')
    printf '%s' "$digest" | grep -Eqx 'sha256:[0-9a-f]{64}' ||
        { echo "$docker gives no digest for $image, but '$digest'" >&2; exit 1; }
    sed "s|^\( *$2\)$3[^ ]*|\1$image@$digest|" "$1" >"$1.pinned"
    cat "$1.pinned" >"$1"
    rm "$1.pinned"
    echo "$image@$digest"
}

pin "$here/Dockerfile" 'ARG PYTHON_IMAGE=' python
pin "$here/compose.yaml" 'image: ' nginx
