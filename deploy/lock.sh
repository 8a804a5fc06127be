#!/bin/sh
# Writes the lock files anew from pyproject.toml: pinned, hashed, for every supported Python and
# platform, naming no package index. `sh deploy/lock.sh --upgrade` takes newer versions; without it
# pins stay unless pyproject.toml asks for something else. Needs `uv` on the path or in a venv.
set -eu
cd "$(dirname "$0")/.."
for lock in "daemon panel commission metrics build" "report pdf" "demo demo build" "test test lint demo build"; do
    set -- "$@" # keep the caller's options
    name=${lock%% *}
    extras=""
    for extra in ${lock#* }; do extras="$extras --extra $extra"; done
    # Extras stay in it: a package asked for with an extra is another one to pip, and not pinned.
    # shellcheck disable=SC2086 # the extras are words
    "${UV:-uv}" pip compile --quiet --universal --python-version 3.11 --generate-hashes \
        --no-strip-extras --no-annotate --no-header $extras "$@" --output-file "deploy/locks/$name.txt" pyproject.toml
done
