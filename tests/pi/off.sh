# Runs inside the emulated Pi, as root: `coldpin off` switches both loads off, whoever reads what it says and
# whatever can be written. Lines stay driven when they are let go, as on Raspberry Pi OS. "hi" is off.
. /share/helpers.sh

install_coldpin loft.toml
echo "== coldpin off, whoever reads and whatever can be written"
energise() { # as a killed program leaves them: driven, and nobody's
    python3 -c '
import lgpio
chip = lgpio.gpiochip_open(0)
for line in (5, 6):
    lgpio.gpio_claim_output(chip, line, 0)'
    on 5 && on 6
}
coldpin=/opt/coldpin/current/bin/coldpin
put_off() { # WHAT SHELL_COMMAND: run as the service's user, as the unit does
    echo "   -- $1"
    expect "both are on before, by hand" energise
    timeout 60 runuser -u coldpin -- env LG_WD=/tmp bash -c "cd /tmp; $2"
    echo "   status $?"
    expect "off: $1" off 5 6
}
put_off "standard output closed" "$coldpin off /etc/coldpin/loft.toml >&-"
put_off "standard output and error closed" "$coldpin off /etc/coldpin/loft.toml >&- 2>&-"
put_off "standard output full" "$coldpin off /etc/coldpin/loft.toml >/dev/full 2>/dev/full"
full_pipe /srv/w1/log
chmod 0666 /srv/w1/log
put_off "standard output not read" "$coldpin off /etc/coldpin/loft.toml >/srv/w1/log 2>&1"
kill $reader
systemctl start coldpin@loft # makes the state directory, and keeps there which lines it opened
systemctl stop coldpin@loft
put_off "a state directory that cannot be made" "STATE_DIRECTORY=/proc/none $coldpin off /etc/coldpin/loft.toml"
mount -t tmpfs -o ro tmpfs /var/lib/coldpin/loft
put_off "a state directory that is empty and cannot be written" "$coldpin off /etc/coldpin/loft.toml"
umount /var/lib/coldpin/loft
chmod 0000 /var/lib/coldpin/loft
put_off "a state directory that may not be opened" "$coldpin off /etc/coldpin/loft.toml"
chmod 2750 /var/lib/coldpin/loft
mv /etc/coldpin/loft.toml /etc/coldpin/away
put_off "a configuration that is gone" "$coldpin off /etc/coldpin/loft.toml"
mv /etc/coldpin/away /etc/coldpin/loft.toml

echo "== coldpin off beside a running service says so"
systemctl start coldpin@loft
wait_for 60 ""
timeout 60 runuser -u coldpin -- $coldpin off /etc/coldpin/loft.toml >/tmp/said 2>&1
echo "   status $?: $(tail -1 /tmp/said)"
expect "it says that the service runs" has "still runs" /tmp/said
systemctl stop coldpin@loft
finish
