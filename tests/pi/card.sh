# Runs inside the emulated Pi, as root: the kernel makes the whole card read-only, as it does with one that
# fails, in the middle of a run. Control goes on and says that nothing is kept. Active-low relays: "hi" is off.
. /share/helpers.sh

install_coldpin loft.toml
coldpin() { runuser -u coldpin -- /opt/coldpin/current/bin/coldpin "$@"; }
says_so() { coldpin status loft | grep -i "records not being written"; }
cooling() {
    show $air 288
    expect "it cools, $1" soon 240 on 5
}
w1=/run/w1 # in memory: the probes' files must still change
sed -i 's#^root = .*#root = "/run/w1"#' /etc/coldpin/loft.toml
made_up_probes

echo "== in the middle of a run"
systemctl start coldpin@loft
cooling "on a card that takes everything"
pid=$(systemctl show -P MainPID coldpin@loft)
sync
echo u >/proc/sysrq-trigger
sleep 5
expect "the card is read-only" sh -c '! touch /var/lib/coldpin/loft/x'
expect "the pump runs on" on 5
expect "and the fan" soon 30 on 6
expect "status says that records are not written" soon 180 says_so
show $air 240
expect "it stops at cut-out" soon 60 off 5
expect "the fan stops after it" soon 60 off 6
cooling "again, after the rest"
show $air 160 # 10.0 °C, below the low limit
expect "and stops below the low limit" soon 30 off 5
expect "in one and the same process" [ "$pid" = "$(systemctl show -P MainPID coldpin@loft)" ]
coldpin status loft | head -8
coldpin pause loft >/run/pause 2>&1
expect "a pause that cannot be kept is not called done" [ $? != 0 ]
cat /run/pause

echo "== killed with the pump on, and started again"
cooling "before the kill"
systemctl kill --signal=KILL coldpin@loft
expect "off after it" soon 20 off 5 6
cooling "after the whole rest"
state "on a read-only card"
expect "status says so again" soon 180 says_so
systemctl stop coldpin@loft
expect "both are off" off 5 6
journalctl -u coldpin@loft -o cat --no-pager -n 30 | cut -c1-200
mount -o remount,rw /
mount -o remount,rw /share
finish
