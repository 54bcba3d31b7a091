# Helpers of the scripts that run inside the emulated Pi, as root. Sourced, not run.
set -u
cd /share

w1=/srv/w1
python=/opt/coldpin/current/bin/python
air=28-0a1b2c3d4e01 water=28-0a1b2c3d4e02
text() { # TEMPERATURE_IN_SIXTEENTHS: the text of a genuine chip, its checksum included
    "$python" -c "
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

# An emulated board on a busy machine is many times slower than a real one: room to start and to stop, which
# is no part of what is judged.
mkdir -p /etc/systemd/system/coldpin@.service.d
printf '[Service]\nTimeoutStartSec=300s\nTimeoutStopSec=60s\n' >/etc/systemd/system/coldpin@.service.d/10-emulated.conf

held=0 not_held=0
expect() { # WHAT COMMAND...: whether the command ends well tells whether it holds
    local what=$1
    shift
    if "$@" >/run/expected 2>&1; then
        held=$((held + 1))
        echo "held: $what"
    else
        not_held=$((not_held + 1))
        echo "NOT HELD: $what"
        tail -4 /run/expected | sed 's/^/    /'
    fi
}
soon() { # SECONDS COMMAND...: until it ends well
    local left=$1
    shift
    for _ in $(seq "$left"); do
        "$@" >/dev/null 2>&1 && return
        sleep 1
    done
    "$@"
}
full_pipe() { # PIPE: made, full, and held by a reader who reads nothing; its process id is then in $reader
    mkfifo "$1"
    python3 /share/fill.py "$1" &
    reader=$!
    sleep 3
}
has() { # TEXT FILE
    grep -qF -- "$1" "$2" || { head -c 600 "$2"; false; }
}
off() { # each relay's line is an output at its off level, or an input
    local line
    for line in "$@"; do
        case "$(pin "$line")" in *gpio_out*lo*) echo "GPIO$line is on"; return 1 ;; esac
    done
}
on() { # LINE
    case "$(pin "$1")" in *gpio_out*lo*) ;; *) echo "GPIO$1 is off: $(pin "$1")"; return 1 ;; esac
}
unit_is() { # STATE
    [ "$(systemctl show -P ActiveState coldpin@loft)" = "$1" ] || { systemctl status coldpin@loft --no-pager; false; }
}
finish() { # ends the script: with 0 where all held and something did
    echo "$held held, $not_held not held"
    [ "$not_held" = 0 ] && [ "$held" -gt 0 ]
    exit
}

made_up_probes() {
    show $air 256 # 16.0 °C, inside the band
    show $water 64 # 4.0 °C
    chmod -R a+rX $w1
}
install_coldpin() { # CONFIG: as systemd/install does, without the page's packages, which take long here
    local home=/opt/coldpin/versions/rig
    python3 -m venv --without-pip --system-site-packages $home
    pip --python $home/bin/python install -q --find-links /share/wheels /share/wheels/coldpin-*.whl
    ln -sfn $home /opt/coldpin/current
    install -D -m 0644 systemd/coldpin.sysusers.conf /etc/sysusers.d/coldpin.conf
    systemd-sysusers
    install -m 0644 'systemd/coldpin@.service' 'systemd/coldpin-lookout@.service' \
        /etc/systemd/system/
    install -d -m 0755 /etc/coldpin
    install -m 0640 -g coldpin "$1" /etc/coldpin/loft.toml
    systemctl daemon-reload
    made_up_probes
}
