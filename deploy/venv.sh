# Sourced by demo.sh, tests/run.sh and install scripts. POSIX sh.

# Print the first Python from 3.11 to 3.14 on the path, or say what to install.
find_python() {
    for name in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 14))' \
                2>/dev/null; then
            echo "$name"
            return
        fi
    done
    echo "dustcake needs Python 3.11, 3.12, 3.13 or 3.14, and none is on the path." >&2
    echo "On Debian or Raspberry Pi OS: sudo apt install python3 python3-venv" >&2
    return 1
}

# make_venv DIRECTORY LOCK: a virtual environment with exactly what LOCK pins, and this checkout.
# Made anew when the lock, the project's metadata or the Python changes; quick when nothing has.
make_venv() {
    python=$(find_python)
    stamp=$(cat "$2" pyproject.toml && "$python" -VV && pwd)
    if [ -f "$1/made-from" ] && [ "$stamp" = "$(cat "$1/made-from")" ]; then
        return
    fi
    echo "Preparing $1 (once; needs the network)" >&2
    rm -rf "$1"
    if ! "$python" -m venv "$1"; then
        echo "Cannot make a virtual environment with $python." >&2
        echo "On Debian or Raspberry Pi OS: sudo apt install python3-venv" >&2
        return 1
    fi
    "$1/bin/python" -m pip install --quiet --disable-pip-version-check \
        --require-hashes -r "$2"
    "$1/bin/python" -m pip install --quiet --disable-pip-version-check \
        --no-deps --no-build-isolation -e .
    printf '%s\n' "$stamp" >"$1/made-from"
}
