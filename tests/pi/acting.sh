# Runs inside the emulated Pi, as root: acting depends neither on telling nor on writing. A log that nobody
# reads, a card that takes nothing, a kill with the pump on. Active-low relays: "hi" is off.
. /share/helpers.sh

install_coldpin loft.toml
dropin=/etc/systemd/system/coldpin@loft.service.d
with() { # LINES: the unit with these lines added
    mkdir -p $dropin
    printf '[Service]\n%s\n' "$1" >$dropin/try.conf
    systemctl daemon-reload
}
plain() {
    rm -rf $dropin
    systemctl daemon-reload
}
cooling() {
    show $air 288 # not by the unit's words: those of a killed process stand until the next one speaks
    expect "it cools${1:+, $1}" soon 240 on 5
}

echo "== a log that nobody reads: its pipe is full, its reader alive"
full_pipe /srv/w1/log
with "StandardError=file:/srv/w1/log"
systemctl start coldpin@loft
cooling "with a log that nobody reads"
show $air 160 # 10.0 °C, below the low limit
expect "the pump is off below the low limit, with a log that nobody reads" soon 30 off 5
cooling "again"
expect "a reload is taken, with a log that nobody reads" systemctl reload coldpin@loft
began=$SECONDS
systemctl stop coldpin@loft
echo "   stopped after $((SECONDS - began)) s, result $(systemctl show -P Result coldpin@loft)"
expect "SIGTERM ends it by itself" [ "$(systemctl show -P Result coldpin@loft)" = success ]
expect "both are off behind it" off 5 6

echo "== it is read again"
systemctl start coldpin@loft
cooling
kill $reader
timeout 20 cat /srv/w1/log | tr -d x >/share/out/log-read-late
echo "   lines read late: $(wc -l </share/out/log-read-late)"
expect "the lines that waited come once somebody reads" has '"event"' /share/out/log-read-late
systemctl stop coldpin@loft
plain

echo "== a state directory that is read-only"
mount -t tmpfs -o mode=2750,uid="$(id -u coldpin)",gid="$(id -g coldpin)" tmpfs /var/lib/coldpin/loft
mount -o remount,ro /var/lib/coldpin/loft
systemctl start coldpin@loft
expect "it starts" unit_is active
cooling "and keeps nothing"
state "with a read-only state directory"
journalctl -u coldpin@loft -o cat --no-pager -n 40 | grep -oE '"(effect|event)": "[^"]*"' | grep -iE 'kept|keep|records' | sort | uniq -c
expect "it says that nothing is kept" sh -c 'journalctl -u coldpin@loft -o cat --no-pager -n 80 | grep -qE "not_written|no_state_directory"'
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin status loft | tee /share/out/status-read-only
soon 120 sh -c 'runuser -u coldpin -- /opt/coldpin/current/bin/coldpin status loft | grep -qi "records not being written"'
expect "and status says so too" sh -c 'runuser -u coldpin -- /opt/coldpin/current/bin/coldpin status loft | grep -qi "records not being written"'
systemctl kill --signal=KILL coldpin@loft
expect "off after a kill" soon 20 off 5 6
wait_for 60 held
cooling "again, after the rest, though nothing is kept"
systemctl stop coldpin@loft
expect "both are off" off 5 6
umount /var/lib/coldpin/loft

echo "== a state directory that is full"
mount -t tmpfs -o size=64k,mode=2750,uid="$(id -u coldpin)",gid="$(id -g coldpin)" tmpfs /var/lib/coldpin/loft
dd if=/dev/zero of=/var/lib/coldpin/loft/filler bs=4k 2>/dev/null
systemctl start coldpin@loft
expect "it starts" unit_is active
cooling "with a full card"
systemctl kill --signal=KILL coldpin@loft
expect "off after a kill" soon 20 off 5 6
cooling "again, after the rest"
systemctl stop coldpin@loft
umount /var/lib/coldpin/loft

echo "== kills with the pump on, on a card that takes everything: no rest may be shorter (the log of the pins tells)"
systemctl start coldpin@loft
for pause in 2 5 9; do
    cooling "before a kill"
    sleep $pause
    systemctl kill --signal=KILL coldpin@loft
    expect "off after the kill" soon 20 off 5 6
done
cooling "after the last one"
expect "the next start says that the last run ended by a kill with the pump on" sh -c \
    'journalctl -u coldpin@loft -o cat --no-pager | grep -iE "kill|ended" | grep -qi pump'
systemctl stop coldpin@loft
expect "both are off" off 5 6

journalctl -u coldpin@loft -o cat --no-pager | cut -c1-260 >/share/out/journal
finish
