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
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin check /etc/coldpin/loft.toml >/share/out/check
expect "the configuration with the third party's driver can be used" [ $? = 0 ]

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
    expect "it cools" on 5
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
expect "it cools after the rest" on 5

echo "== a driver hangs: the service makes way for another process"
n=$(restarts)
touch /srv/w1/hang
date +%T
show $air 240
sleep 12
state "hung for some 10 s"
restarted 120 "$n"
rm -f /srv/w1/hang
state "after it made way"
expect "the service ended by itself and started again" [ "$(restarts)" -gt "$n" ]
expect "both loads are off behind it" off 5 6
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
expect "the watchdog ended the frozen process" [ "$(restarts)" -gt "$n" ]
expect "both loads are off behind it" off 5 6
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
expect "the load that refused is off as soon as it takes orders" off 5 6

echo "== an exception in the loop that nothing catches"
cooling
n=$(restarts)
touch /srv/w1/die
show $air 240
sleep 8
rm -f /srv/w1/die
state "some seconds after the exception"
expect "both loads are off after an exception that nothing catches" off 5 6
restarted 60 "$n"
wait_for 60 held
state "restarted"
expect "it was started again" unit_is active
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
expect "it never gives up" [ $(($(restarts) - n)) -ge 2 ]
expect "both loads are off while it crashes" off 5 6
rm -f /srv/w1/crash
wait_for 60 held
state "once the fault is gone"
expect "it runs once the fault is gone" unit_is active

echo "== the sandbox"
pid=$(systemctl show -P MainPID coldpin@loft)
grep -E '^(Seccomp|NoNewPrivs|CapEff):' "/proc/$pid/status"
systemctl show coldpin@loft -p PrivateNetwork -p RestrictAddressFamilies -p ProtectSystem \
    -p ProtectHome -p DevicePolicy -p PrivateTmp -p NoNewPrivileges -p User -p Group -p ProtectClock \
    -p MemoryDenyWriteExecute
# what the service itself may do: in its cgroup, so that the rules for devices count, in its namespaces, and
# with its groups; the filter of system calls is not entered
cgroup=/sys/fs/cgroup$(systemctl show -P ControlGroup coldpin@loft)
gpio=$(getent group gpio | cut -d: -f3)
inside() { # PYTHON: run as the service
    (
        echo "$BASHPID" >"$cgroup/cgroup.procs"
        exec nsenter -t "$pid" -m -n -- setpriv --reuid coldpin --regid coldpin --groups "$gpio" \
            /usr/bin/python3 -c "$1"
    )
}
may() { expect "the service may $1" inside "$2"; }
may_not() { expect "the service may not $1" sh -c 'test "$1" != 0' - "$(inside "$2" >/dev/null 2>&1; echo $?)"; }
may "open the pins" 'open("/dev/gpiochip0", "rb")'
may "write to its state directory" 'open("/var/lib/coldpin/loft/x", "w")'
may_not "open an internet socket" 'import socket; socket.create_connection(("192.0.2.1", 80), 2)'
may_not "write to /etc" 'open("/etc/coldpin/x", "w")'
may_not "write to /var/lib" 'open("/var/lib/x", "w")'
may_not "open the card" 'open("/dev/mmcblk0", "rb")'
may_not "open the kernel log" 'open("/dev/kmsg", "rb")'

systemctl stop coldpin@loft
state "stopped"
expect "both loads are off" off 5 6
journalctl -u coldpin@loft -o cat --no-pager | cut -c1-260 >/share/out/journal
finish
