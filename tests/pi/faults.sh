# Runs inside the emulated Pi, as root: a loop that hangs, an exception in it, a crash at every start, a
# frozen process, the sandbox, timers over a restart. The driver "faulty" is the gpio driver with two
# switches that are files. Active-low relays: "hi" is off.
. /share/helpers.sh

echo "== install, with an output driver of a third party"
sed 's/driver = "gpio"/driver = "faulty"/' loft.toml >faulty.toml
install_coldpin faulty.toml
site=$(/opt/coldpin/current/bin/python -c 'import site; print(site.getsitepackages()[0])')
cp faulty_driver.py "$site/"
mkdir -p "$site/faulty_driver-1.0.dist-info"
printf 'Metadata-Version: 2.1\nName: faulty-driver\nVersion: 1.0\n' >"$site/faulty_driver-1.0.dist-info/METADATA"
printf '[coldpin.outputs]\nfaulty = faulty_driver:FaultyDriver\n' >"$site/faulty_driver-1.0.dist-info/entry_points.txt"
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin check /etc/coldpin/loft.toml >/share/out/check && echo "check: fine"

restarts() { systemctl show -P NRestarts coldpin@loft; }
restarted() { # SECONDS COUNT: until the unit was restarted more often than that
    for _ in $(seq "$1"); do
        [ "$(restarts)" -gt "$2" ] && return
        sleep 1
    done
    echo "   not restarted within $1 s"
}
gap() { # from the end of the last process to the start of the next, by the journal
    journalctl -u coldpin@loft -o short-unix --no-pager |
        awk '/Main process exited/ {e = $1} /Started coldpin/ {s = $1}
             END {printf "   restart gap: %.1f s\n", s - e}'
}
cooling() {
    show $air 288
    wait_for 180 cool
}

echo "== timers over a restart of the service"
systemctl start coldpin@loft
cooling
state "cooling"
show $air 240
wait_for 60 run_on
systemctl restart coldpin@loft
show $air 288
wait_for 60 held
echo "   after the restart: $(systemctl show -P StatusText coldpin@loft)"
wait_for 90 cool
state "cooling after the rest was waited out"

echo "== the loop hangs in a driver: the watchdog"
n=$(restarts)
touch /srv/w1/hang
date +%T
show $air 240
sleep 12
state "hung for some 10 s"
restarted 120 "$n"
rm -f /srv/w1/hang
state "after the watchdog"
wait_for 60 rest
gap
journalctl -u coldpin@loft -o cat --no-pager -n 60 | grep -iE 'watchdog|faulty_driver|timeout' | head -5
wait_for 90 held

echo "== the whole process is frozen (SIGSTOP): the watchdog"
cooling
n=$(restarts)
systemctl kill --signal=STOP --kill-whom=main coldpin@loft
restarted 120 "$n"
state "after the watchdog"
wait_for 60 held
gap

echo "== a driver that raises what no driver should: an output failure, and it goes on"
cooling
touch /srv/w1/raise
show $air 240
sleep 6
state "it refuses to switch off"
rm -f /srv/w1/raise
wait_for 60 rest
state "it takes orders again"

echo "== an exception in the loop that nothing catches"
cooling
n=$(restarts)
touch /srv/w1/die
show $air 240
sleep 8
rm -f /srv/w1/die
state "some seconds after the exception"
restarted 60 "$n"
wait_for 60 held
state "restarted"
gap
journalctl -u coldpin@loft -o cat --no-pager -n 80 | grep -iE 'made to|output_failed|faulted|crash' | cut -c1-200 | head -5

echo "== a crash at every start: it backs off and never gives up"
systemctl stop coldpin@loft
touch /srv/w1/crash
systemctl start coldpin@loft
n=$(restarts)
sleep 75
echo "   restarts in 75 s: $(($(restarts) - n)); state $(systemctl show -P ActiveState coldpin@loft)/$(systemctl show -P SubState coldpin@loft)"
state "while crashing"
rm -f /srv/w1/crash
wait_for 60 held
state "once the fault is gone"

echo "== the sandbox"
pid=$(systemctl show -P MainPID coldpin@loft)
grep -E '^(Seccomp|NoNewPrivs|CapEff):' "/proc/$pid/status"
properties=$(systemctl show coldpin@loft -p PrivateNetwork -p RestrictAddressFamilies -p ProtectSystem \
    -p ProtectHome -p DevicePolicy -p PrivateTmp -p NoNewPrivileges -p User -p Group -p ProtectClock \
    -p MemoryDenyWriteExecute | sed 's/^/-p /')
# what the service itself may do: in its own namespaces
probe='
import os, socket
def tried(what, act):
    try:
        act(); print("   may", what)
    except OSError as error:
        print("   may not", what + ":", error.strerror)
tried("open an internet socket", lambda: socket.create_connection(("192.0.2.1", 80), 2))
tried("write to /etc", lambda: open("/etc/coldpin/x", "w"))
tried("write to /var/lib", lambda: open("/var/lib/x", "w"))
tried("write to its state directory", lambda: open("/var/lib/coldpin/loft/x", "w"))
tried("open the card", lambda: open("/dev/mmcblk0", "rb"))
tried("open the kernel log", lambda: open("/dev/kmsg", "rb"))
tried("open the pins", lambda: open("/dev/gpiochip0", "rb"))
'
nsenter -t "$pid" -m -n --setuid "$(id -u coldpin)" --setgid "$(id -g coldpin)" -- \
    /usr/bin/python3 -c "$probe"

echo "== the lookout beside it"
systemctl start coldpin-lookout@loft
sleep 20
systemctl is-active coldpin-lookout@loft
journalctl -u coldpin-lookout@loft -o cat --no-pager -n 5 | cut -c1-200

systemctl stop coldpin@loft
state "stopped"
journalctl -u coldpin@loft -o cat --no-pager | cut -c1-260 >/share/out/journal
exit 0
