#!/usr/bin/env bash
# Every run on the emulated Raspberry Pi, one after another; two hours or more. Not part of CI.
#
#   tests/pi/all.sh BOOT [OUT] [NAME...]
#
# BOOT as in run.sh. It also takes --strict, --stale-clock, --disk CARD (which keeps the card for the next run)
# and --cut SECONDS (which pulls the plug so long after the script began). OUT gets a text for each run; NAME
# leaves out all runs but those. Ends with 0 only where every run did, and nothing in any was NOT HELD.
# COLDPIN_CUT: seconds until the plug is pulled, more on a slow machine; COLDPIN_PYTHON: that of the emulated Pi.
set -uo pipefail
boot=$1
out=${2:-pi-runs}
shift $(($# > 1 ? 2 : 1))
wanted=" $* "
here=$(cd "$(dirname "$0")" && pwd)
project=$here/../..
mkdir -p "$out"
out=$(cd "$out" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

python3 -m venv "$work/venv"
"$work/venv/bin/pip" install -q build
"$work/venv/bin/python" -m build -q --wheel --outdir "$work/wheels" "$project"
# what the locks name, for the emulated Pi's Python and processor; it has no network. pip holds markers against
# the Python that it runs on, so the one lgpio for that Pi is picked by hand.
release=${COLDPIN_PYTHON:-3.11}
if [ "$release" = 3.13 ]; then lgpio=adafruit-lgpio; else lgpio=lgpio; fi
sed -n "/^$lgpio==/,/[^\\\\]\$/p" "$project/systemd/lgpio.lock" | sed 's/ ; .*/ \\/' >"$work/lgpio.lock"
for lock in "$project/systemd/requirements.lock" "$project/systemd/build.lock" "$work/lgpio.lock"; do
    "$work/venv/bin/pip" download -q --no-deps -d "$work/wheels" --python-version "$release" --only-binary=:all: \
        --platform manylinux2014_aarch64 --platform manylinux_2_28_aarch64 --platform manylinux_2_34_aarch64 \
        --require-hashes -r "$lock"
done
# the clone that the installer starts from, and the release that it upgrades
git -C "$project" archive --prefix=clone/ HEAD controller systemd config hardware-notes pyproject.toml README.md LICENSE |
    tar x -C "$work"
released=${COLDPIN_RELEASED:-66323fc} # the commit of 0.1.0
mkdir -p "$work/released" "$work/old"
git -C "$project" archive "$released" | tar x -C "$work/released"
"$work/venv/bin/python" -m build -q --wheel --outdir "$work/old" "$work/released"
cp -r "$work/released/systemd" "$work/old/"

share=("$here/helpers.sh" "$here/loft.toml" "$here/faulty_driver.py" "$here/answer.py" "$here/fill.py"
    "$project/systemd" "$work/wheels")
bad=()
judging=(--shortest 0.1) # of the pins' log; a kill may come just after a start, a blip lasts milliseconds
one() { # NAME EXPECTED_STATUS SCRIPT OPTIONS...
    local name=$1 expected=$2 script=$3 status
    shift 3
    [ "$wanted" = "  " ] || [[ $wanted == *" $name "* ]] || return
    echo "== $name" | tee "$out/$name.txt"
    "$boot" --out "$work/$name" --pins "$work/$name.pins" --timeout "${COLDPIN_LIMIT:-5400}" "$@" \
        "$here/$script" "${share[@]}" >>"$out/$name.txt" 2>&1
    status=$?
    echo "exit status $status, expected $expected" >>"$out/$name.txt"
    if [ -s "$work/$name.pins" ]; then
        cp "$work/$name.pins" "$out/$name.pins"
        python3 "$here/blips.py" "$work/$name.pins" 5 6 "${judging[@]}" >>"$out/$name.txt"
    else
        echo "NOT HELD: found no log of the pins" >>"$out/$name.txt"
    fi
    [ "$name" != control ] || return 0 # it is judged by what must not hold in it, below
    grep -E '^(NOT )?held:|held, ' "$out/$name.txt" | tail -90
    if [ $status != "$expected" ] || grep -q '^NOT HELD' "$out/$name.txt"; then
        bad+=("$name")
        echo "$name: NOT HELD (exit status $status, expected $expected)"
    else
        echo "$name: held"
    fi
}

# The positive control: a program that makes a blip. If that is not seen, no other run proves anything.
one control 0 blip.sh
if [ -e "$out/control.txt" ]; then
    if [ "$(grep -c '^NOT HELD: GPIO[56] was never on' "$out/control.txt")" = 2 ] &&
        grep -q 'exit status 0' "$out/control.txt"; then
        echo "control: the blips were seen, as they must be"
    else
        echo "control: NOT HELD: blips that were made on purpose were not seen; no run here proves anything"
        exit 1
    fi
fi

one faults 0 faults.sh
one power-cut 137 write.sh --disk "$work/card.img" --cut "${COLDPIN_CUT:-420}"
one after-power-cut 0 after-cut.sh --disk "$work/card.img"
one stale-clock 0 stale-clock.sh --stale-clock
one faults-strict 0 faults.sh --strict
judging+=(--rest 5=30) # loft.toml's anti_short_cycle
one guest 0 guest.sh
one card 0 card.sh
share+=("$work/clone" "$work/old")
one install 0 install.sh
one first-run 0 first-run.sh
one acting 0 acting.sh
judging=(--shortest 0.1) # off.sh puts loads on by hand, without a rest
one off 0 off.sh
if [ ${#bad[@]} -gt 0 ]; then
    echo "NOT HELD: ${bad[*]}"
    exit 1
fi
echo "all held"
