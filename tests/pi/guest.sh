# Runs inside the emulated Pi, as root: installs the wheel by the steps of systemd/INSTALL.md and drives
# the service on made-up w1_slave files and real GPIO registers. Prints one line a step: what was done, what
# the unit says, what the two pins' registers say. Active-low relays: "hi" is off.
set -u
cd /share

w1=/srv/w1
air=28-0a1b2c3d4e01 water=28-0a1b2c3d4e02
text() { # TEMPERATURE_IN_SIXTEENTHS: the text of a genuine chip, its checksum included
    /opt/coldpin/bin/python -c "
from controller.probes.scratchpad import scratchpad_text
import sys; sys.stdout.buffer.write(scratchpad_text($1 * 125 // 2))"
}
show() { # ID SIXTEENTHS: replaced whole, as the kernel hands out a whole text
    mkdir -p "$w1/$1"
    text "$2" >"$w1/$1/.new" && mv "$w1/$1/.new" "$w1/$1/w1_slave"
}
pin() { grep -h "(gpio$1)" /sys/kernel/debug/pinctrl/*.gpio-*/pins | sed 's/.*function //' | cut -c1-22; }
state() {
    printf '%-46s %-10s %-9s pump gpio5 %s | fan gpio6 %s\n' "$1" \
        "$(systemctl show -P ActiveState coldpin@loft)" \
        "$(systemctl show -P Result coldpin@loft)" "$(pin 5)" "$(pin 6)"
}
wait_for() { # SECONDS TEXT: until the unit's status line begins with it
    for _ in $(seq "$1"); do
        case "$(systemctl show -P StatusText coldpin@loft)" in "$2"*) return ;; esac
        sleep 1
    done
    echo "   still: $(systemctl show -P StatusText coldpin@loft)"
}

echo "== install"
python3 -m venv --without-pip --system-site-packages /opt/coldpin
pip --python /opt/coldpin/bin/python install -q --find-links /share/wheels /share/wheels/coldpin-*.whl
install -D -m 0644 systemd/coldpin.sysusers.conf /etc/sysusers.d/coldpin.conf
systemd-sysusers
id coldpin
install -m 0644 'systemd/coldpin@.service' /etc/systemd/system/
install -d -m 0755 /etc/coldpin
install -m 0640 -g coldpin loft.toml /etc/coldpin/loft.toml
systemctl daemon-reload
show $air 256 # 16.0 °C, inside the band
show $water 64 # 4.0 °C
chmod -R a+rX $w1
runuser -u coldpin -- /opt/coldpin/bin/coldpin check /etc/coldpin/loft.toml | head -40
state "installed, never started"

echo "== start, call, cool"
systemctl start coldpin@loft
state "started"
wait_for 60 rest
systemctl show -P StatusText coldpin@loft
show $air 288 # 18.0 °C, above cut-in
wait_for 30 held
systemctl show -P StatusText coldpin@loft
state "air above cut-in, pump resting first"
wait_for 90 prime
state "priming"
wait_for 60 cool
state "cooling"
show $air 240 # 15.0 °C, below cut-out
wait_for 90 run_on
state "fan runs on"
wait_for 60 rest
state "at rest again"
grep -E 'VmRSS|Threads' "/proc/$(systemctl show -P MainPID coldpin@loft)/status"

echo "== reload"
sed -i 's/cut_in = "17 C"/cut_in = "17.5 C"/' /etc/coldpin/loft.toml
systemctl reload coldpin@loft
sleep 5
state "reloaded with another band"
sed -i 's/cut_in = /cut_inn = /' /etc/coldpin/loft.toml
systemctl reload coldpin@loft
sleep 5
state "reloaded with a broken file"
sed -i 's/cut_inn = /cut_in = /' /etc/coldpin/loft.toml

echo "== kill -9 while cooling"
show $air 288
wait_for 120 cool
state "cooling"
systemctl kill --signal=KILL coldpin@loft
sleep 9
state "9 s after kill -9"
wait_for 60 held
systemctl show -P StatusText coldpin@loft
state "restarted by systemd"

echo "== stop while cooling"
wait_for 120 cool
state "cooling"
systemctl stop coldpin@loft
state "stopped"

journalctl -u coldpin@loft -o cat --no-pager | cut -c1-260 >/share/out/journal
grep -E 'Started|"level": "(warning|error)"|config' /share/out/journal | head -20
exit 0
