#!/bin/sh
# Puts the panel's charting library (uPlot, MIT licence) where the daemon looks for it. Without it the
# panel draws plain trends, so this is as you like:
#
#   sudo sh deploy/panel-charts.sh               into /var/lib/dustcake/panel-charts
#   sh deploy/panel-charts.sh DIRECTORY          elsewhere: set panel.charts_dir to it
#
# Needs npm and the network, on this machine or on another from which the directory is copied. The
# package is pinned by its hash; nothing of it is run.
set -eu
PACKAGE=uplot@1.6.32
SHA512=KIMVnG68zvu5XXUbC4LQEPnhwOxBuLyW1AHtpm6IKTXImkbLgkMy+jabjLgSLMasNuGGzQm/ep3tOkyTxpiQIw==
TARGET=${1:-/var/lib/dustcake/panel-charts}

command -v npm >/dev/null 2>&1 || {
    echo "npm is not here. On Debian: sudo apt install npm; or copy $TARGET from another machine." >&2
    exit 1
}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
(cd "$work" && npm pack --silent --ignore-scripts "$PACKAGE" >/dev/null) || {
    echo "npm could not fetch $PACKAGE. Is the network there?" >&2
    exit 1
}
cd "$work"
found=$(python3 -c 'import base64, hashlib, sys
print(base64.b64encode(hashlib.sha512(open(sys.argv[1], "rb").read()).digest()).decode())' ./*.tgz)
[ "$found" = "$SHA512" ] || {
    echo "What came as $PACKAGE is not what was pinned; nothing is changed." >&2
    exit 1
}
tar -xzf ./*.tgz
cd - >/dev/null
mkdir -p "$TARGET"
for file in dist/uPlot.iife.min.js dist/uPlot.min.css LICENSE; do
    install -m 0644 "$work/package/$file" "$TARGET/"
done
echo "$PACKAGE is in $TARGET; restart the daemon to use it."
