#!/usr/bin/env bash
# Brings coldpin up on an emulated Raspberry Pi and shows what its pins do. Not part of CI.
#
#   tests/pi/run.sh BOOT [OPTIONS]
#
# BOOT is a program that boots the emulated Pi, runs one script in it with the files named after it, and
# logs every change of a GPIO register from outside: BOOT --out DIR --pins FILE [OPTIONS] SCRIPT FILE...
# Last outcome: hardware-notes/not-tried.md.
set -euo pipefail
boot=$1
shift
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

python3 -m venv "$work/venv"
"$work/venv/bin/pip" install -q build
"$work/venv/bin/python" -m build -q --wheel --outdir "$work/wheels" "$here/../.."
# pure-Python dependencies that the emulated Pi may lack; it has no network
"$work/venv/bin/pip" download -q --no-deps -d "$work/wheels" click tzdata

"$boot" --out "$work/out" --pins "$work/pins" --timeout 1500 "$@" \
    "$here/guest.sh" "$here/helpers.sh" "$here/loft.toml" "$here/../../systemd" "$work/wheels"

echo "== every change of the two relays' lines, as the registers saw it"
grep -E 'GPIO[56] ' "$work/pins"
echo "== levels while a line was an output (an active-low relay is on while low)"
python3 "$here/blips.py" "$work/pins" 5 6
