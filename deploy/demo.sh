#!/bin/sh
# Runs the main job on a simulated collector, on a machine with nothing but Python 3.11 or newer:
# makes a virtual environment, installs dustcake and the demo's parts into it, and starts the demo.
# Arguments are handed to `dustcake demo`; see `sh deploy/demo.sh --help`.
set -eu
cd "$(dirname "$0")/.."
. deploy/venv.sh

make_venv .venvs/demo deploy/locks/demo.txt
exec .venvs/demo/bin/dustcake demo "$@"
