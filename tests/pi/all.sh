#!/usr/bin/env bash
# Every run on the emulated Raspberry Pi, one after another; an hour or so. Not part of CI.
#
#   tests/pi/all.sh BOOT [OUT]
#
# BOOT as in run.sh. It also takes --strict, --stale-clock, --disk CARD (which keeps the card for the next run)
# and --cut SECONDS (which pulls the plug so long after the script began). OUT gets a text for each run.
set -uo pipefail
boot=$1
out=${2:-pi-runs}
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$out"
out=$(cd "$out" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

python3 -m venv "$work/venv"
"$work/venv/bin/pip" install -q build
"$work/venv/bin/python" -m build -q --wheel --outdir "$work/wheels" "$here/../.."
"$work/venv/bin/pip" download -q --no-deps -d "$work/wheels" click tzdata

share=("$here/helpers.sh" "$here/loft.toml" "$here/faulty_driver.py" "$here/../../systemd" "$work/wheels")
one() { # NAME SCRIPT OPTIONS...
    local name=$1 script=$2
    shift 2
    echo "== $name" | tee "$out/$name.txt"
    "$boot" --out "$work/$name" --pins "$work/$name.pins" --timeout 2400 "$@" \
        "$here/$script" "${share[@]}" >>"$out/$name.txt" 2>&1
    echo "exit status $?" >>"$out/$name.txt"
    if [ -s "$work/$name.pins" ]; then
        python3 "$here/blips.py" "$work/$name.pins" 5 6 >>"$out/$name.txt"
    fi
    tail -2 "$out/$name.txt"
}
one faults faults.sh
one power-cut write.sh --disk "$work/card.img" --cut 420
one after-power-cut after-cut.sh --disk "$work/card.img"
one stale-clock stale-clock.sh --stale-clock
one faults-strict faults.sh --strict
one control guest.sh
